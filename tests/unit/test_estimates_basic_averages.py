"""Averages: hand-worked cases with the sums shown, and all that can be wrong with a column."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from audit.estimates.averages import (
    maximum,
    mean,
    median,
    minimum,
    order_statistic_ranks,
    quantile,
    ratio_of_totals,
    standard_deviation,
)

COLUMN_ESTIMATORS = [mean, median, minimum, maximum, standard_deviation]


def test_mean_by_hand():
    """2 4 4 4 5 5 7 9: sum 40, mean 5, squares 9+1+1+1+0+0+4+16 = 32, sd sqrt(32/7) = 2.1381;
    t(0.975, 7) = 2.3646 (any t table): half width 2.3646 x 2.1381 / sqrt 8 = 1.7875."""
    found = mean([2, 4, 4, 4, 5, 5, 7, 9], unit="mm")
    assert found.value == 5
    assert found.low == pytest.approx(5 - 1.7875, abs=5e-4)
    assert found.high == pytest.approx(5 + 1.7875, abs=5e-4)
    assert (found.n, found.missing, found.unit, found.note) == (8, 0, "mm", "")
    assert found.method == "mean, t interval"


def test_standard_deviation_by_hand():
    """The same eight values: chi-squared(0.975, 7) = 16.0128 and (0.025, 7) = 1.6899 (any table):
    sqrt(32/16.0128) = 1.4137 and sqrt(32/1.6899) = 4.3515."""
    found = standard_deviation([2, 4, 4, 4, 5, 5, 7, 9])
    assert found.value == pytest.approx(math.sqrt(32 / 7), rel=1e-12)
    assert found.low == pytest.approx(1.4137, abs=1e-4)
    assert found.high == pytest.approx(4.3515, abs=1e-3)


@pytest.mark.parametrize(
    ("n", "ranks"),
    [
        # sum of C(n, i) / 2^n up to l - 1 must not pass 0.025:
        (5, (0, 6)),  # 1/32 = 0.03125: not even the extremes
        (6, (1, 6)),  # 1/64 = 0.0156; (1 + 6)/64 = 0.109
        (9, (2, 8)),  # (1 + 9)/512 = 0.0195; (1 + 9 + 36)/512 = 0.0898
        (12, (3, 10)),  # (1 + 12 + 66)/4096 = 0.0193; + 220 = 299/4096 = 0.0730
        (20, (6, 15)),  # (1+20+190+1140+4845+15504)/2^20 = 21700/1048576 = 0.0207
    ],
)
def test_ranks_of_the_median_by_hand(n, ranks):
    assert order_statistic_ranks(n, 0.5, 0.95) == ranks


def test_an_exact_tie_with_the_tail_counts_as_inside():
    """n = 5 at level 1 - 2/32 = 0.9375: P(B <= 0) = 1/32 is exactly alpha/2."""
    assert order_statistic_ranks(5, 0.5, 0.9375) == (1, 5)


def test_median_by_hand():
    """Twelve values: mean of the 6th and 7th; limits the 3rd and 10th (see the ranks above)."""
    values = [31, 2, 28, 5, 3, 8, 13, 11, 21, 17, 19, 24]  # 2 3 5 8 11 13 17 19 21 24 28 31
    found = median(values)
    assert (found.value, found.low, found.high) == (15, 5, 24)
    assert found.method == "median, exact order-statistic interval"


def test_lower_quartile_by_hand():
    """Type 7 at (n - 1)/4 = 3.25 of 14 values (from 0): x3 + 0.25 (x4 - x3) = 8 + 0.25 x 2 = 8.5.
    Binomial(14, 1/4): P(B <= 0) = 0.75^14 = 0.0178 <= 0.025 < P(B <= 1) = 0.101, so l = 1;
    P(B >= 8) = 0.0103 <= 0.025 < P(B >= 7) = 0.0383, so u = 8: the 1st and 8th values."""
    found = quantile([1, 3, 6, 8, 10, 11, 15, 18, 20, 22, 25, 28, 30, 33], q=0.25)
    assert (found.value, found.low, found.high) == (8.5, 1, 18)
    assert found.method.startswith("lower quartile")


def test_quantiles_are_numpys_linear_ones():
    values = np.random.default_rng(2).normal(size=31)
    for q in (0.1, 0.25, 0.5, 0.75, 0.97):
        assert quantile(values, q=q).value == np.quantile(values, q)


@pytest.mark.parametrize(("q", "needed"), [(0.5, 6), (0.25, 13), (0.75, 13), (0.9, 36)])
def test_too_few_values_for_a_quantile_interval(q, needed):
    """Smallest n with max(q, 1-q)^n <= 0.025: 0.5^6 = 0.0156; 0.75^13 = 0.0238; 0.9^36 = 0.0225."""
    short, long = quantile(range(needed - 1), q=q), quantile(range(needed), q=q)
    assert short.value is not None
    assert (short.low, short.high) == (None, None)
    assert short.note == f"a 95 % interval needs {needed} values or more"
    assert long.low is not None
    assert long.note == ""


def test_extremes_have_no_interval_and_say_so():
    low, high = minimum([3, None, 8]), maximum([3, None, 8])
    assert (low.value, high.value) == (3, 8)
    for found in (low, high):
        assert (found.low, found.high, found.n, found.missing) == (None, None, 2, 1)
        assert found.note == "observed value: no interval"


def test_ratio_of_totals_by_hand():
    """Days 100, 180, 320 over cm 3, 5, 7: 600/15 = 40 days/cm (the mean of the three ratios is
    38.35). e = -20, -20, 40, squares 2400; variance 3/2 x 2400 / 225 = 16, error 4;
    t(0.975, 2) = 4.3027: half width 17.211."""
    found = ratio_of_totals([100, 180, 320], [3, 5, 7], unit="days/cm")
    assert found.value == pytest.approx(40, rel=1e-12)
    assert found.low == pytest.approx(40 - 17.211, abs=1e-3)
    assert found.high == pytest.approx(40 + 17.211, abs=1e-3)
    mean_of_ratios = mean([100 / 3, 180 / 5, 320 / 7])
    assert mean_of_ratios.value == pytest.approx(38.35, abs=0.01)


def test_ratio_of_totals_needs_both_sides_of_a_pair():
    found = ratio_of_totals([100, None, 320, 50], [3, 5, np.nan, 2])
    assert (found.value, found.n, found.missing) == (30, 2, 2)


def test_ratio_of_totals_with_a_denominator_of_one_is_the_mean():
    values = [3.0, 8.0, 1.0, 9.0]
    found, plain = ratio_of_totals(values, [1, 1, 1, 1]), mean(values)
    assert (found.value, found.low, found.high) == pytest.approx(
        (plain.value, plain.low, plain.high), rel=1e-12
    )


@pytest.mark.parametrize("estimator", COLUMN_ESTIMATORS)
@pytest.mark.parametrize("column", [[], [None, np.nan], pd.Series([pd.NA, pd.NA], dtype="Int64")])
def test_no_values_is_not_estimable(estimator, column):
    found = estimator(column, unit="mm")
    assert (found.value, found.low, found.high) == (None, None, None)
    assert (found.n, found.missing, found.unit) == (0, len(column), "mm")
    assert found.note != ""


def test_one_value_has_no_interval():
    for estimator in (mean, median):
        found = estimator([7.5, None])
        assert (found.value, found.low, found.high, found.n, found.missing) == (
            7.5,
            None,
            None,
            1,
            1,
        )
        assert found.note != ""
    assert standard_deviation([7.5]).value is None
    assert "two values" in standard_deviation([7.5]).note
    assert "one pair" in ratio_of_totals([7], [2]).note


def test_denominators_that_add_up_to_nothing():
    assert "add up to 0" in ratio_of_totals([1, 2], [0, 0]).note
    assert "no complete pairs" in ratio_of_totals([], []).note


def test_equal_values_are_flagged():
    assert "no width" in mean([4, 4, 4]).note
    assert "no width" in mean([0.1, 0.1, 0.1, 0.1, 0.1, 0.1]).note
    assert "no width" in ratio_of_totals([3, 6], [1, 2]).note


@pytest.mark.parametrize("estimator", COLUMN_ESTIMATORS)
def test_every_kind_of_column_gives_the_same(estimator):
    plain = [4, 8, 15, 16, 23, 42, 108]
    expected = estimator(np.array(plain))
    columns = [
        plain,
        tuple(plain),
        pd.Series(plain, index=list("gfedcba")),
        pd.array(plain, dtype="Int64"),
        pd.Series(plain).astype("category"),
        pd.Series(plain, dtype=float),
    ]
    for column in columns:
        assert estimator(column) == expected


@pytest.mark.parametrize("estimator", COLUMN_ESTIMATORS)
def test_order_of_rows_does_not_matter_and_the_column_is_left_alone(estimator):
    column = pd.Series([5.0, np.nan, 3.0, 9.0, 1.0, 4.0, 4.0, 12.0])
    before = column.copy(deep=True)
    first, turned = estimator(column), estimator(column[::-1])
    pd.testing.assert_series_equal(column, before)
    for part in ("value", "low", "high"):
        if getattr(first, part) is None:
            assert getattr(turned, part) is None
        else:
            assert getattr(turned, part) == pytest.approx(getattr(first, part), rel=1e-12)
    assert (first.n, first.missing) == (turned.n, turned.missing) == (7, 1)


@pytest.mark.parametrize(
    ("column", "message"),
    [
        (["12", "14"], "values must be numbers, not string"),
        ([1, "secret"], "values must be numbers, not mixed-integer"),
        (pd.to_datetime(["2026-01-01"]), "values must be numbers, not datetime64"),
        ([1.0, math.inf], "values must be finite"),
        ([[1, 2], [3, 4]], "values must be one column"),
        ("12", "values must be one column"),
        (12, "values must be one column"),
    ],
)
@pytest.mark.parametrize("estimator", COLUMN_ESTIMATORS)
def test_bad_columns(estimator, column, message):
    with pytest.raises(ValueError, match=message) as error:
        estimator(column)
    assert "secret" not in str(error.value)


@pytest.mark.parametrize("level", [0, 1, 95, -0.5])
@pytest.mark.parametrize("estimator", COLUMN_ESTIMATORS)
def test_bad_levels(estimator, level):
    with pytest.raises(ValueError, match=rf"level must lie between 0 and 1, got {level}"):
        estimator([1, 2, 3], level=level)


def test_bad_ratios_and_quantiles():
    with pytest.raises(ValueError, match="denominators must be 0 or more"):
        ratio_of_totals([1, 2], [1, -2])
    with pytest.raises(ValueError, match="must have the same length"):
        ratio_of_totals([1, 2], [1])
    with pytest.raises(ValueError, match="must have the same index"):
        ratio_of_totals(pd.Series([1, 2]), pd.Series([1, 2], index=[1, 2]))
    with pytest.raises(ValueError, match="q must lie between 0 and 1, got 25"):
        quantile([1, 2, 3], q=25)


def test_a_wider_level_gives_a_wider_interval():
    values = list(range(40))
    for estimator in (mean, median, standard_deviation):
        narrow, wide = estimator(values, level=0.8), estimator(values, level=0.99)
        assert wide.low < narrow.low <= narrow.high < wide.high
        assert (narrow.level, wide.level) == (0.8, 0.99)


def test_coverage_of_the_mean_interval_on_normal_samples():
    """1 000 samples of 12: 95 % limits must hold the true mean in 93 to 97 % (3 sd = 2.1 %)."""
    samples = np.random.default_rng(11).normal(10, 3, size=(1000, 12))
    found = [mean(sample) for sample in samples]
    assert np.mean([one.low <= 10 <= one.high for one in found]) == pytest.approx(0.95, abs=0.021)
