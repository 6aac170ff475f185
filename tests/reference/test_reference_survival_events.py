"""Competing and recurrent events against R 4.2.2 (survival 3.5-3, cmprsk 2.2-11) and print."""

from __future__ import annotations

import numpy as np
import pytest

from audit.estimates.compare_incidence import compare_incidence
from audit.estimates.competing import cumulative_incidence
from audit.estimates.recurrent import mean_cumulative_function
from tests.reference.checks import (
    assert_close,
    assert_printed,
    checks_of,
    dataset,
    every_check,
    published_values,
)


def incidence_of(check, interval="log-log"):
    table = check.table()
    cause = check.data.get("cause", 1)
    return cumulative_incidence(table["time"], table["cause"], cause, interval=interval)


@every_check("aalen_johansen")
def test_cumulative_incidence(check):
    curve = incidence_of(check)
    times = check.expected["times"]
    found = [curve.at(t) for t in times]
    rows = np.searchsorted(curve.counts.time, times, side="right") - 1
    assert_close([e.value for e in found], check.expected["cif"], check.tolerance)
    pairs = {
        "se_delta_greenwood": curve.std_error[rows],
        "se_survfit_ij": curve.std_error[rows],
        "loglog_lower_delta": [e.low for e in found],
        "loglog_upper_delta": [e.high for e in found],
    }
    for key, values in pairs.items():
        if key in check.expected:
            assert_close(values, check.expected[key], check.tolerance, where=key)


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
    table = check.table()
    for position, cause in enumerate(check.expected["causes"]):
        found = compare_incidence(table["time"], table["cause"], cause, table[check.data["group"]])
        for name, key in (("chi2", "statistic"), ("df", "df"), ("p", "p")):
            assert_close(getattr(found, name), check.expected[key][position], check.tolerance)


@pytest.mark.parametrize("name", ["bmt", "melanoma"])
def test_gray_score_adds_up_to_nothing(name):
    """Observed and expected events of a cause add up to the same number over the groups."""
    table = dataset(name)
    group = "group" if "group" in table else "sex"
    found = compare_incidence(table["time"], table["cause"], 1, table[group]).table
    assert found["observed"].sum() == pytest.approx(found["expected"].sum())


def mean_function(check, interval):
    table = check.table()
    times = table["stop"] if "stop" in table else table["time"]
    return mean_cumulative_function(
        table["id"], times, table["event"], table.get("start"), interval=interval
    )


@every_check("mean_cumulative_function")
@pytest.mark.parametrize("interval", ["log", "plain"])
def test_mean_cumulative_function(check, interval):
    curve = mean_function(check, interval)
    found = [curve.at(t) for t in check.expected["times"]]
    assert_close([e.value for e in found], check.expected["mcf"], check.tolerance)
    assert_close([e.low for e in found], check.expected[f"lower_{interval}"], check.tolerance)
    assert_close([e.high for e in found], check.expected[f"upper_{interval}"], check.tolerance)


@every_check("mean_cumulative_function")
def test_errors_of_the_mean_cumulative_function(check):
    table = mean_function(check, "log").table
    rows = np.searchsorted(table["time"], check.expected["times"], side="right") - 1
    for column, key in (("std_error", "se_robust"), ("poisson_std_error", "se_poisson")):
        values = np.where(rows >= 0, table[column].to_numpy()[np.maximum(rows, 0)], 0.0)
        assert_close(values, check.expected[key], check.tolerance, where=key)


def test_every_method_has_its_checks():
    assert len(checks_of("aalen_johansen")) >= 6
    assert len(checks_of("gray_test")) >= 2
    assert len(checks_of("mean_cumulative_function")) >= 2
