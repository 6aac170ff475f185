"""Competing and recurrent events against R 4.2.2 (survival 3.5-3, cmprsk 2.2-11) and print."""

from __future__ import annotations

import numpy as np
import pytest

from audit.estimates.compare_incidence import compare_incidence
from audit.estimates.competing import cumulative_incidence
from tests.reference.adapters import incidence_of, our_gray, our_incidence, our_mean_function
from tests.reference.checks import (
    assert_close,
    assert_printed,
    checks_of,
    dataset,
    every_check,
    published_values,
)


@every_check("aalen_johansen")
def test_cumulative_incidence(check):
    ours = our_incidence(check)
    assert_close(ours["cif"], check.expected["cif"], check.tolerance)
    for key in set(ours) & set(check.expected):
        assert_close(ours[key], check.expected[key], check.tolerance, where=key)


@pytest.mark.parametrize(
    "check", [c for c in checks_of("aalen_johansen") if "se_delta_greenwood" in c.expected]
)
def test_plain_limits_are_estimate_and_error(check):
    curve = incidence_of(check, "plain")
    columns = ("times", "cif", "se_delta_greenwood")
    for t, value, error in zip(*(check.expected[key] for key in columns), strict=True):
        found = curve.at(t)
        assert found.low == pytest.approx(max(0, value - 1.959963984540054 * error), rel=1e-6)
        assert found.high == pytest.approx(min(1, value + 1.959963984540054 * error), rel=1e-6)


@published_values("aalen_johansen")
def test_cumulative_incidence_against_print(check, published):
    curve = incidence_of(check)
    for t, printed in zip(check.expected["times"], published["value"], strict=True):
        assert_printed(curve.at(t).value, {**published, "value": printed})


@pytest.mark.parametrize("name", ["bmt", "melanoma", "cr_ties", "cr_weeks", "cr8", "cr_time_zero"])
def test_causes_and_the_event_free_share_add_up(name):
    table = dataset(name)
    found = [cumulative_incidence(table["time"], table["cause"], k) for k in (1, 2)]
    total = sum(curve.incidence for curve in found) + found[0].survival
    np.testing.assert_allclose(total, 1, atol=1e-12)


@every_check("aalen_johansen")
def test_agrees_with_a_second_library(check):
    """scikit-survival's estimate, which breaks no ties either."""
    nonparametric = pytest.importorskip("sksurv.nonparametric")
    curve = incidence_of(check)
    table = check.table()
    times, both = nonparametric.cumulative_incidence_competing_risks(
        table["cause"].to_numpy(dtype=int), table["time"].to_numpy(dtype=float)
    )
    mine = np.searchsorted(curve.counts.time, times, side="right") - 1
    np.testing.assert_allclose(both[check.data.get("cause", 1)], curve.incidence[mine], atol=1e-12)


@every_check("gray_test")
def test_gray(check):
    ours = our_gray(check)
    for key in ("statistic", "df", "p"):
        assert_close(ours[key], check.expected[key], check.tolerance, where=key)


@pytest.mark.parametrize("name", ["bmt", "melanoma"])
def test_gray_score_adds_up_to_nothing(name):
    """Observed and expected events of a cause add up to the same number over the groups."""
    table = dataset(name)
    group = "group" if "group" in table else "sex"
    found = compare_incidence(table["time"], table["cause"], 1, table[group]).table
    assert found["observed"].sum() == pytest.approx(found["expected"].sum())


@every_check("mean_cumulative_function")
@pytest.mark.parametrize("interval", ["log", "plain"])
def test_mean_cumulative_function(check, interval):
    ours = our_mean_function(check)
    for key in ("mcf", f"lower_{interval}", f"upper_{interval}"):
        assert_close(ours[key], check.expected[key], check.tolerance, where=key)


@every_check("mean_cumulative_function")
def test_errors_of_the_mean_cumulative_function(check):
    ours = our_mean_function(check)
    for key in ("se_robust", "se_poisson"):
        assert_close(ours[key], check.expected[key], check.tolerance, where=key)


def test_every_method_has_its_checks():
    assert len(checks_of("aalen_johansen")) >= 6
    assert len(checks_of("gray_test")) >= 2
    assert len(checks_of("mean_cumulative_function")) >= 2
