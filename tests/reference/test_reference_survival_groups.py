"""Log-rank family, fixed-time comparison and difference of restricted means against R 4.2.2."""

from __future__ import annotations

import numpy as np
import pytest

from audit.estimates.compare import compare_curves
from tests.reference.adapters import our_fixed_time, our_log_rank, our_mean_difference
from tests.reference.checks import assert_close, assert_printed, every_check, published_values


def assert_same_test(ours, check):
    for key in ("chi2", "df", "p", "observed", "expected"):
        assert_close(ours[key], check.expected[key], check.tolerance, where=key)
    if "groups" in check.expected:
        assert ours["groups"] == check.expected["groups"]


@every_check("logrank")
def test_log_rank(check):
    assert_same_test(our_log_rank(check), check)


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
    assert_same_test(our_log_rank(check), check)


@every_check("stratified_logrank")
def test_stratified_log_rank(check):
    assert_same_test(our_log_rank(check), check)


@every_check("fixed_time_comparison")
def test_share_at_one_time(check):
    ours = our_fixed_time(check)
    assert_close(ours, check.expected, check.tolerance)
    difference = check.expected["S1"] - check.expected["S2"]
    assert_close(ours["difference"], difference, check.tolerance)


@every_check("rmst_difference")
def test_difference_of_restricted_means(check):
    assert_close(our_mean_difference(check), check.expected, check.tolerance)


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
