"""Product-limit curve, quantiles, restricted means, hazards and late entry against R.

Expected values: R 4.2.2 with survival 3.5-3, and values printed in the sources named in the data
file and in `remission_1963_expected.csv` (Freireich et al. 1963, Blood 21:699-716; printed
product-limit output of public course notes).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from audit.estimates.compare import compare_curves
from audit.estimates.survival import survival_curve
from tests.reference.adapters import (
    INTERVALS,
    columns,
    curve_of_check,
    event_rows,
    our_curve,
    our_hazard,
    our_late_entry,
    our_quartiles,
    our_restricted_mean,
    our_shares,
    quartiles,
)
from tests.reference.checks import (
    as_items,
    assert_close,
    assert_printed,
    checks_of,
    dataset,
    every_check,
    published_values,
)

DATA = Path(__file__).parent / "data"


@every_check("kaplan_meier")
def test_curve_and_errors(check):
    ours = our_curve(check)
    for key in ("time", "n_risk", "n_event", "survival", "se_greenwood"):
        assert_close(ours[key], check.expected[key], check.tolerance, where=key)


@every_check("kaplan_meier")
@pytest.mark.parametrize("key", INTERVALS)
def test_curve_limits_of_three_kinds(check, key):
    ours = our_curve(check)
    for side in (f"{key}_lower", f"{key}_upper"):
        assert_close(ours[side], check.expected[side], check.tolerance, where=side)


@published_values("kaplan_meier")
def test_curve_against_print(check, published):
    rows = event_rows(curve_of_check(check))
    names = {"survival": "survival", "n_risk": "at_risk", "se_greenwood": "std_error"}
    for value, printed in zip(rows[names[published["path"]]], published["value"], strict=True):
        assert_printed(value, {**published, "value": printed})


@every_check("survival_at_fixed_times")
def test_share_at_fixed_times(check):
    ours = our_shares(check)
    for key in ("survival", "loglog_lower", "loglog_upper", "n_risk", "se_greenwood"):
        assert_close(ours[key], check.expected[key], check.tolerance, where=key)


@pytest.mark.parametrize(
    "check", [c for c in checks_of("survival_at_fixed_times") if "log_lower" in c.expected]
)
def test_log_limits_at_fixed_times(check):
    ours = our_shares(check)
    for key in ("log_lower", "log_upper"):
        assert_close(ours[key], check.expected[key], check.tolerance, where=key)


@every_check("median_survival_ci")
@pytest.mark.parametrize("key", INTERVALS)
def test_median_and_quartiles_with_limits(check, key):
    assert_close(our_quartiles(check)[key], check.expected[key], check.tolerance, where=key)
    for estimate in quartiles(check, key).values():
        assert estimate.estimable or "not reached" in estimate.note


@published_values("median_survival_ci")
def test_median_against_print(check, published):
    key, item = published["path"].split(".")
    median = curve_of_check(check, INTERVALS[key]).median()
    assert_printed(
        {"median": median.value, "lower": median.low, "upper": median.high}[item], published
    )


@every_check("rmst")
def test_restricted_mean(check):
    assert_close(our_restricted_mean(check), check.expected, check.tolerance)


@published_values("rmst")
def test_restricted_mean_against_print(check, published):
    values = our_restricted_mean(check)
    assert_printed(values[published["path"]], published)


@every_check("nelson_aalen")
def test_cumulative_hazard(check):
    assert_close(our_hazard(check), check.expected, check.tolerance)


@every_check("left_truncation")
def test_late_entry(check):
    ours = our_late_entry(check)
    for key, expected in check.expected.items():
        assert_close(ours[key], expected, check.tolerance, where=key)


@pytest.fixture(scope="module")
def remission():
    return pd.read_csv(DATA / "remission_1963.csv")


@pytest.mark.parametrize("arm", ["6-MP", "placebo"])
def test_printed_product_limit_table(remission, arm):
    """The 19 printed lines: at risk, events, share, standard error, limits of the log kind."""
    printed = pd.read_csv(DATA / "remission_1963_expected.csv").query("group == @arm")
    rows = remission[remission["group"] == arm]
    curve = survival_curve(rows["time_weeks"], rows["relapse"], interval="log", unit="weeks")
    mine = event_rows(curve)
    assert list(mine["time"]) == list(printed["time"])
    assert list(mine["at_risk"]) == list(printed["n_risk"])
    assert list(mine["events"]) == list(printed["n_event"])
    # Three decimals were printed for most, so half a unit of the third is allowed.
    pairs = {
        "survival": "survival",
        "std_error": "std_err",
        "low": "lower95_log",
        "high": "upper95_log",
    }
    for column, source in pairs.items():
        for value, expected in zip(as_items(mine[column]), as_items(printed[source]), strict=True):
            assert_close(value, expected, {"abs": 0.0005 + 1e-9}, where=column)


def test_printed_quartiles_and_median_limits(remission):
    """Printed: treated 13 / 23 / not reached, median 16 to not reached; placebo 4 / 8 / 12."""
    arms = {
        arm: survival_curve(rows["time_weeks"], rows["relapse"], interval="log", unit="weeks")
        for arm, rows in remission.groupby("group")
    }
    treated, placebo = arms["6-MP"], arms["placebo"]
    assert [treated.quantile(q).value for q in (0.25, 0.5, 0.75)] == [13, 23, None]
    assert [placebo.quantile(q).value for q in (0.25, 0.5, 0.75)] == [4, 8, 12]
    assert (treated.median().low, treated.median().high) == (16, None)
    assert (placebo.median().low, placebo.median().high) == (4, 12)


def test_printed_log_rank(remission):
    """Printed 16.8 with p = 4.17e-05; capped at 20 weeks 7 and 19 events, 14."""
    found = compare_curves(remission["time_weeks"], remission["relapse"], remission["group"])
    assert found.chi2 == pytest.approx(16.793, abs=0.0005)
    assert found.p == pytest.approx(4.17e-05, abs=0.005e-05)
    late = remission["time_weeks"] > 20
    capped = compare_curves(
        remission["time_weeks"].clip(upper=20),
        remission["relapse"].where(~late, 0),
        remission["group"],
    )
    assert list(capped.table["observed"]) == [7, 19]
    assert capped.chi2 == pytest.approx(14.025, abs=0.0005)


def test_waiting_cases_lengthen_the_median(remission):
    """Printed teaching value: 10 weeks among relapsed cases only, 23 with waiting cases kept."""
    treated = remission[remission["group"] == "6-MP"]
    relapsed = treated.loc[treated["relapse"] == 1, "time_weeks"]
    assert relapsed.median() == 10
    assert survival_curve(treated["time_weeks"], treated["relapse"]).median().value == 23


def test_every_reference_data_set_agrees_with_lifelines():
    """S(t) and log-log limits to 1e-12 where lifelines has them (not at S = 0 or S = 1)."""
    from lifelines import KaplanMeierFitter

    names = {
        c.data["dataset"]
        for c in checks_of("kaplan_meier")
        + checks_of("logrank")
        + checks_of("median_survival_ci")
        + checks_of("rmst")
    }
    assert len(names) >= 8
    for name in sorted(names):
        time, event = columns(dataset(name))
        with np.errstate(all="ignore"):
            fitted = KaplanMeierFitter().fit(np.round(time, 9), event)
        table = survival_curve(time, event).table.set_index("time")
        assert np.abs(fitted.survival_function_.iloc[:, 0] - table["survival"]).max() <= 1e-12
        limits = fitted.confidence_interval_
        inside = table["survival"].between(0, 1, inclusive="neither")
        assert inside.sum() > 3
        assert np.abs(limits.iloc[:, 0] - table["low"])[inside].max() <= 1e-12
        assert np.abs(limits.iloc[:, 1] - table["high"])[inside].max() <= 1e-12


@published_values("survival_at_fixed_times")
def test_fixed_times_against_print(check, published):
    curve = curve_of_check(check)
    times = check.expected["times"]
    rows = np.searchsorted(curve.counts.time, times, side="right") - 1
    found = {
        "n_risk": curve.at_risk_table(times)["at_risk"],
        "survival": curve.survival[rows],
        "se_greenwood": curve.std_error[rows],
        "log_lower": [curve_of_check(check, "log").at(t).low for t in times],
        "log_upper": [curve_of_check(check, "log").at(t).high for t in times],
    }[published["path"]]
    for value, printed in zip(found, published["value"], strict=True):
        assert_printed(value, {**published, "value": printed})
