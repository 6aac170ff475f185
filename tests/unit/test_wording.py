"""One rounding policy, against the examples of the published rules."""

from __future__ import annotations

import fractions
import math

import pytest

from audit import wording
from audit.estimates.estimate import Estimate

# Cole TJ. Too many digits: the presentation of numerical data. Arch Dis Child 2015;100:608-609,
# DOI 10.1136/archdischild-2014-307149, table 1 and text (CC BY 4.0).
COLE_RATIOS = [0.0321, 0.062, 0.76, 1.05, 4.2, 11.3, 55]


@pytest.mark.parametrize("printed", COLE_RATIOS)
def test_ratios_print_as_the_examples_of_cole(printed):
    assert wording.ratio(printed) == f"{printed:g}"


@pytest.mark.parametrize(
    ("value", "shown"), [(22.68, "22.7"), (7.51, "7.5"), (73.67, "74")], ids=["OR", "low", "high"]
)
def test_the_odds_ratio_of_coles_text(value, shown):
    # "Applying it to the example of 22.68 above gives 22.7 (95% CI 7.5 to 74)"
    assert wording.ratio(value) == shown


@pytest.mark.parametrize(
    ("value", "decimals"),
    [(0.040, 3), (0.399, 3), (0.40, 2), (3.99, 2), (4.0, 1), (39.9, 1), (40.0, 0)],
)
def test_the_bounds_of_the_rule_of_four(value, decimals):
    # Cole 2015: three decimal places from 0.040 to 0.399, two from 0.40 to 3.99, one from 4.0 to
    # 39.9
    assert len(wording.ratio(value).partition(".")[2]) == decimals


def test_a_ratio_that_rounds_into_the_next_band_takes_its_decimals():
    # own check: 0.3999 printed with three decimals would be 0.400, which the rule prints as 0.40
    assert [wording.ratio(value) for value in (0.3999, 3.996, 39.96)] == ["0.40", "4.0", "40"]


def test_just_below_and_just_above_one_have_the_same_decimals():
    # Cole 2015: 0.999 and 1.01 "differ in precision by a factor of ten" and are unsatisfactory
    assert [wording.ratio(value) for value in (0.999, 1.01)] == ["1.00", "1.01"]


def test_a_ratio_with_its_interval():
    estimate = Estimate(
        value=22.68,
        low=7.51,
        high=73.67,
        level=0.95,
        n=100,
        missing=0,
        method="odds ratio",
        unit="",
        note="",
    )
    assert wording.ratio_with_interval(estimate) == "22.7 (7.5 to 74)"
    assert wording.ratio(math.inf) == "no limit"


# SD examples of table 1: 570 g, 0.57 kg, 9 mm Hg, 2.5 mL; means 3320 g and 3.32 kg
@pytest.mark.parametrize(
    ("mean", "sd", "fewest", "shown"),
    [
        (3318, 568, -1, "3320 (570)"),
        (3.318, 0.568, 0, "3.32 (0.57)"),
        (12.34, 2.54, 0, "12.3 (2.5)"),
        (3318, 568, 0, "3318 (568)"),
        (35.2, 9.96, 0, "35 (10)"),
    ],
    ids=["grams", "kilograms", "millilitres", "whole units kept", "SD that rounds up a power"],
)
def test_a_mean_has_the_decimals_of_its_sd(mean, sd, fewest, shown):
    assert wording.mean_sd(mean, sd, fewest=fewest) == shown


def test_a_mean_without_sd_says_so_and_no_mean_is_not_estimable():
    assert wording.mean_sd(35.24, None) == "35.2 (no SD)"
    assert wording.mean_sd(35.24, float("nan")) == "35.2 (no SD)"
    assert wording.mean_sd(None, None) == "not estimable"


@pytest.mark.parametrize("spread", [0.0, math.inf, math.nan])
def test_a_spread_that_tells_nothing_asks_for_no_decimals(spread):
    assert wording.decimals_from_spread(spread) == 0


def test_decimals_of_a_mean_stay_within_reach_of_its_unit():
    assert wording.mean_decimals(16.4, "days/cm") == 1
    assert wording.mean_decimals(0.0001, "days") == 2
    assert wording.mean_decimals(None, "mm") == 1


def test_median_with_quartiles_in_the_decimals_of_the_unit():
    assert wording.median_quartiles(34.94, 23.45, 47.25, unit="days/cm") == "34.9 (23.5 to 47.3)"
    assert wording.median_quartiles(None, None, None, unit="mm") == "not estimable"


# Percentages: none below 100 cases, one decimal from 100 (AMA Manual of Style: 9 of 28 is 32%, not
# 32.1%, no more digits than the denominator has)
@pytest.mark.parametrize(
    ("events", "n", "shown"),
    [(9, 28, "9/28 (32%)"), (93, 228, "93/228 (40.8%)"), (0, 40, "0/40 (0%)"), (0, 0, "0/0")],
)
def test_shares_have_their_numerator_and_denominator(events, n, shown):
    assert wording.count_of(events, n) == shown


# AMA Manual of Style: two digits to the right of the point; three where the first two are zeros;
# below .001 as "<.001"; never NS. With a leading zero here, as European journals print it.
@pytest.mark.parametrize(
    ("p", "shown"),
    [
        (0.0004, "<0.001"),
        (0.00006, "<0.001"),
        (0.002, "0.002"),
        (0.0096, "0.010"),
        (0.0456, "0.046"),
        (0.046, "0.046"),
        (0.05, "0.05"),
        (0.234, "0.23"),
        (0.9996, ">0.99"),
        (1.0, ">0.99"),
        (0.0, "<0.001"),
    ],
)
def test_p_values_by_the_default_policy(p, shown):
    assert wording.p_value(p) == shown


# table 1 of Cole 2015: >0.9, 0.4, 0.1, 0.08, 0.05, 0.003, <0.001
@pytest.mark.parametrize(
    ("p", "shown"),
    [
        (0.96, ">0.9"),
        (0.41, "0.4"),
        (0.12, "0.1"),
        (0.083, "0.08"),
        (0.047, "0.05"),
        (0.0031, "0.003"),
        (0.0004, "<0.001"),
    ],
)
def test_p_values_by_cole(p, shown):
    assert wording.p_value(p, policy="cole") == shown


@pytest.mark.parametrize(("p", "shown"), [(0.1234, "0.123"), (0.2, "0.200"), (0.456, "0.46")])
def test_p_values_by_annals(p, shown):
    # Annals of Internal Medicine: three decimals from 0.001 to 0.20, two above
    assert wording.p_value(p, policy="annals") == shown


def test_a_wrong_policy_or_p_is_refused():
    with pytest.raises(ValueError, match="ama, annals, cole; got 'apa'"):
        wording.p_value(0.1, policy="apa")
    with pytest.raises(ValueError, match="between 0 and 1"):
        wording.p_value(1.2)


@pytest.mark.parametrize("step", range(1, 1000, 7))
def test_p_values_never_read_as_zero_or_one(step):
    for policy in wording.P_POLICIES:
        assert wording.p_value(step / 1000, policy=policy).strip("0.") != ""
        assert wording.p_value(step / 1e7, policy=policy) == "<0.001"


def test_every_share_of_a_whole_count_is_rounded_half_up():
    """Against exact fractions: 23 of 40 is 57.5 %, which as 100 x 0.575 would lie just below."""
    assert wording.percent(23 / 40, 40) == "58%"
    for n in range(1, 220):
        scale = 10 if n >= 100 else 1
        for events in range(n + 1):
            exact = fractions.Fraction(100 * events * scale, n) + fractions.Fraction(1, 2)
            shown = float(wording.percent(events / n, n).removesuffix("%"))
            assert round(shown * scale) == exact.numerator // exact.denominator, (events, n)


def test_hundredths_of_a_difference_are_rounded_the_same_way():
    assert wording.hundredths(-23 / 40, 0) == "\N{MINUS SIGN}58"
    assert wording.hundredths(0.575, 1) == "57.5"
