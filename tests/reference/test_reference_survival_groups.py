"""Log-rank family, fixed-time comparison and difference of restricted means against R 4.2.2."""

from __future__ import annotations

import numpy as np
import pytest

from audit.estimates.compare import compare_at, compare_curves, restricted_mean_difference
from audit.estimates.survival import survival_curve
from tests.reference.checks import assert_close, assert_printed, every_check, published_values


def assert_same_test(found, check):
    assert_close(found.chi2, check.expected["chi2"], check.tolerance)
    assert_close(found.df, check.expected["df"], check.tolerance)
    assert_close(found.p, check.expected["p"], check.tolerance)
    assert_close(found.table["observed"], check.expected["observed"], check.tolerance)
    assert_close(found.table["expected"], check.expected["expected"], check.tolerance)
    if "groups" in check.expected:
        assert [str(label) for label in found.table["group"]] == check.expected["groups"]


@every_check("logrank")
def test_log_rank(check):
    table = check.table()
    assert_same_test(
        compare_curves(table["time"], table["status"], table[check.data["group"]]), check
    )


@published_values("logrank")
def test_log_rank_against_print(check, published):
    table = check.table()
    found = compare_curves(table["time"], table["status"], table[check.data["group"]])
    if published["path"] in ("chi2", "p"):
        assert_printed(getattr(found, published["path"]), published)
    else:
        column = found.table[published["path"]]
        for value, printed in zip(column, published["value"], strict=True):
            assert_printed(value, {**published, "value": printed})


@every_check("logrank_weighted")
def test_peto_weights(check):
    table = check.table()
    found = compare_curves(
        table["time"], table["status"], table[check.data["group"]], weights="rho1"
    )
    assert_same_test(found, check)


@every_check("stratified_logrank")
def test_stratified_log_rank(check):
    table = check.table()
    found = compare_curves(
        table["time"], table["status"], table[check.data["group"]], table[check.data["strata"]]
    )
    assert_same_test(found, check)


@every_check("fixed_time_comparison")
def test_share_at_one_time(check):
    table = check.table()
    curves = [
        survival_curve(rows["time"], rows["status"])
        for _, rows in table.groupby(check.data["group"])
    ]
    t = check.params["time"]
    found = compare_at(*curves, t=t)
    first, second = check.expected["S1"], check.expected["S2"]
    assert_close([c.at(t).value for c in curves], [first, second], check.tolerance)
    assert_close(found.difference.value, first - second, check.tolerance)
    assert_close(found.chi2, check.expected["chi2"], check.tolerance)
    assert_close(found.p, check.expected["p"], check.tolerance)


@every_check("rmst_difference")
def test_difference_of_restricted_means(check):
    table = check.table()
    curves = {
        arm: survival_curve(rows["time_years"], rows["death"], unit="years")
        for arm, rows in table.groupby(check.data["group"])
    }
    found = restricted_mean_difference(curves[1], curves[0], t=check.params["tau"])
    assert_close(found.difference.value, check.expected["difference"], check.tolerance)
    assert_close(found.std_error, check.expected["se"], check.tolerance)
    assert_close(found.difference.low, check.expected["lower"], check.tolerance)
    assert_close(found.difference.high, check.expected["upper"], check.tolerance)
    assert_close(found.p, check.expected["p"], check.tolerance)


@every_check("logrank")
def test_agrees_with_a_second_library(check):
    """statsmodels' survdiff gives the same chi-squared, stratified or not."""
    survdiff = pytest.importorskip("statsmodels.duration.api").survdiff
    table = check.table()
    group = table[check.data["group"]].astype(str).to_numpy()
    chi2, p = survdiff(table["time"].to_numpy(), table["status"].to_numpy(), group)
    found = compare_curves(table["time"], table["status"], group)
    assert np.isclose(chi2, found.chi2, rtol=1e-10, atol=0)
    assert np.isclose(p, found.p, rtol=1e-10, atol=0)
