"""Proportions, rates and agreement against R 4.2.2 and the printed values of their papers.

Each test takes every check of its method; the source of each is in the data file. The dictionary
`ours` has the same keys as the expected values, so that a new key in the file fails until it is
looked at.
"""

from __future__ import annotations

import math

import pytest

from audit.estimates.agreement import agreement, concordance, lin_ccc, repeatability
from audit.estimates.icc import FORMS, icc, icc_forms
from audit.estimates.proportions import proportion, proportion_difference
from audit.estimates.rates import compare_rates, rate, rate_ratio
from tests.reference.checks import (
    assert_close,
    assert_printed,
    at_path,
    every_check,
    load_check,
    published_values,
)

# Truncation belongs to the caller there and the kit does not offer the method.
NOT_OFFERED = {"agresti_coull_untruncated"}


def limits(estimate):
    return [estimate.low, estimate.high]


def our_proportion(check):
    x, n = check.data["x"], check.data["n"]
    return {
        "estimate": proportion(x, n).value,
        "wilson": limits(proportion(x, n, method="wilson")),
        "clopper_pearson": limits(proportion(x, n, method="exact")),
        "jeffreys": limits(proportion(x, n, method="jeffreys")),
    }


def our_difference(check):
    found = proportion_difference(*(check.data[key] for key in ("x1", "n1", "x2", "n2")))
    return {"difference": found.value, "lower": found.low, "upper": found.high}


def our_rate(check):
    found = rate(check.data["events"], check.data["exposure"])
    return {"rate": found.value, "lower": found.low, "upper": found.high}


def our_rate_ratio(check):
    counts = [check.data[key] for key in ("x1", "t1", "x2", "t2")]
    found = rate_ratio(*counts)
    p = compare_rates(*counts).p_value
    return {"rate_ratio": found.value, "lower": found.low, "upper": found.high, "p": p}


def our_agreement(check):
    table = check.table()
    pair = table[check.data["x"]], table[check.data["y"]]
    times = check.expected["multiplier"]
    exact = agreement(*pair, multiplier=times)
    ours = {
        "n": exact.bias.n,
        "bias": exact.bias.value,
        "sd": exact.sd.value,
        "se_bias": exact.sd.value / math.sqrt(exact.bias.n),
        "bias_lower": exact.bias.low,
        "bias_upper": exact.bias.high,
        "multiplier": exact.multiplier,
        "loa_lower": exact.limit_low.value,
        "loa_upper": exact.limit_high.value,
        "exact_noncentral_t": both_limits(exact),
    }
    for name in ("approx_1986", "approx_1999"):
        found = agreement(*pair, multiplier=times, interval=name)
        # The standard error is that behind the symmetric interval: half width / t(0.975, n - 1),
        # and the bias has the same multiplier: half width / (sd / sqrt n).
        t = (exact.bias.high - exact.bias.value) / ours["se_bias"]
        half = found.limit_low.high - found.limit_low.value
        ours[name] = {"se": half / t} | both_limits(found)
    return ours


def both_limits(found):
    return {
        "lower_limit_ci": limits(found.limit_low),
        "upper_limit_ci": limits(found.limit_high),
    }


def our_repeatability(check):
    table = check.table()
    pair = table[check.data["x"]], table[check.data["y"]]
    plain, doubled = repeatability(*pair), repeatability(*pair, multiplier=2)
    return {
        "sd_diff_zero_mean": doubled.coefficient.value / 2,
        "repeatability_2sd_zero_mean": doubled.coefficient.value,
        "within_subject_sd": plain.within_subject_sd.value,
        "repeatability_196_sqrt2_sw": plain.coefficient.value,
    }


def our_icc(check):
    table = icc_forms(check.table())
    columns = {"forms": "form", "icc": "value", "F": "f", "df1": "df1", "df2": "df2"}
    columns |= {"p": "p_value", "lower": "low", "upper": "high"}
    return {key: table[column] for key, column in columns.items()}


def our_concordance(check):
    table = check.table()
    pair = table[check.data["x"]], table[check.data["y"]]
    found, ccc = concordance(*pair), lin_ccc(*pair)
    return {
        "ccc": ccc.value,
        "lower": ccc.low,
        "upper": ccc.high,
        "pearson": found.pearson,
        "bias_correction": found.bias_correction,
        "epiR": [found.coefficient.value, found.coefficient.low, found.coefficient.high],
    }


def assert_all(ours, check):
    expected = {key: item for key, item in check.expected.items() if key not in NOT_OFFERED}
    assert set(ours) == set(expected)
    assert_close(ours, expected, check.tolerance)


@every_check("proportion_ci")
def test_proportion(check):
    assert_all(our_proportion(check), check)


@published_values("proportion_ci")
def test_proportion_as_printed(check, published):
    assert_printed(at_path(our_proportion(check), published["path"]), published)


@every_check("difference_of_proportions")
def test_difference_of_proportions(check):
    assert_all(our_difference(check), check)


@published_values("difference_of_proportions")
def test_difference_of_proportions_as_printed(check, published):
    assert_printed(at_path(our_difference(check), published["path"]), published)


@every_check("poisson_rate")
def test_rate(check):
    assert_all(our_rate(check), check)


@published_values("poisson_rate")
def test_rate_as_printed(check, published):
    assert_printed(at_path(our_rate(check), published["path"]), published)


@every_check("rate_ratio")
def test_rate_ratio(check):
    assert_all(our_rate_ratio(check), check)


@every_check("bland_altman")
def test_agreement(check):
    assert_all(our_agreement(check), check)


@published_values("bland_altman")
def test_agreement_as_printed(check, published):
    if published["path"] in ("bias", "sd"):
        assert_printed(at_path(our_agreement(check), published["path"]), published)


def test_agreement_as_printed_in_1986_from_rounded_numbers():
    """The paper multiplies its rounded numbers: -2.1 -/+ 2 x 38.8, +/- 2.12 x sqrt(3/17) x 38.8."""
    ours = our_agreement(load_check("bland_altman_pefr_first_2sd"))
    bias, sd = round(ours["bias"], 1), round(ours["sd"], 1)
    assert [round(bias - 2 * sd, 1), round(bias + 2 * sd, 1)] == [-79.7, 75.5]
    half = 2.12 * math.sqrt(3 / 17) * sd
    printed = {"path": "lower limit", "value": [-114.3, -45.1], "decimals": 1}
    assert_printed([bias - 2 * sd - half, bias - 2 * sd + half], printed)


@every_check("repeatability")
def test_repeatability(check):
    assert_all(our_repeatability(check), check)


@published_values("repeatability")
def test_repeatability_as_printed(check, published):
    ours = our_repeatability(check)
    if published["path"] == "repeatability_2sd_zero_mean":
        # The paper doubles the rounded 21.6.
        assert 2 * round(ours["sd_diff_zero_mean"], 1) == pytest.approx(published["value"])
    else:
        assert_printed(at_path(ours, published["path"]), published)


@every_check("icc")
def test_icc(check):
    assert_all(our_icc(check), check)


@published_values("icc")
def test_icc_as_printed(check, published):
    assert_printed(at_path(our_icc(check), published["path"]), published)


@every_check("icc")
@pytest.mark.parametrize("form", FORMS)
def test_one_icc_is_the_row_of_its_form(check, form):
    found, place = icc(check.table(), form=form), check.expected["forms"].index(form)
    expected = [check.expected[key][place] for key in ("icc", "lower", "upper")]
    assert_close([found.value, found.low, found.high], expected, check.tolerance)


@every_check("lin_ccc")
def test_concordance(check):
    assert_all(our_concordance(check), check)
