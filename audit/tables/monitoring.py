"""Charts over time as tables: one line a criterion, every point, funnels, sums of misses."""

from __future__ import annotations

import re
from collections.abc import Sequence

import pandas as pd

from audit import wording
from audit.cohort import Cohort
from audit.estimates.run_rules import RULE_SETS
from audit.monitoring.cumulative import CumulativeSeries
from audit.monitoring.funnel import FunnelFound
from audit.monitoring.series import MonitoredSeries
from audit.tables.shown import ShownTable
from schemas import vocabulary

RULE_NOTE = (
    "Over time: decided by rule from the signals among the points of the last {recent} quarters. A "
    "signal says that something changed, never why."
)
CHANCE_NOTE = (
    "By chance alone about one steady chart in ten has a signal among those points; quarters of "
    "few cases near 0 or 100% have one more often. With many charts expect one somewhere."
)
TARGET_NOTE = (
    "Target against limits: whether the process as it is can be relied on to meet the target. On a "
    "chart of single cases that is said of single cases, though the target is for their average."
)
DOUBLING_NOTE = (
    "Chance to see a doubling: that one quarter of usual size signals when the rate of what is not "
    "wanted doubles (exact binomial or Poisson). Where it is small, a quiet chart proves little, "
    "and the misses case by case show more."
)


def change_table(found: Sequence[MonitoredSeries]) -> ShownTable:
    """One line a criterion: verdict over time, signals, the chart with its points and lines."""
    lines = [
        {
            "Criterion": series.criterion.words,
            "Over time": f"{series.change.answer}: {series.change.reason}",
            "Signals": "; ".join(series.signals) or ("none" if series.chart else ""),
            "Chart": f"{series.plan.chart_name}; points in view: {_points_words(series)}",
            "Centre line and limits": _lines_words(series),
        }
        for series in found
    ]
    columns = list(lines[0]) if lines else ["Criterion"]
    notes = []
    if found:
        settings = found[0].settings
        notes = [
            f"Signals of all charts: {RULE_SETS[settings.rules].words}. Screening of moving "
            f"ranges: {'off' if settings.screening == 'off' else 'on'}.",
            f"Lines come from the first {settings.fix_quarters} quarters, or the first "
            f"{settings.fix_points} single cases or gaps, and stay until a recorded decision.",
            RULE_NOTE.format(recent=settings.recent_quarters),
            CHANCE_NOTE,
        ]
    return ShownTable(
        pd.DataFrame(lines, columns=columns), "change_over_time", "Change over time", tuple(notes)
    )


def reach_table(found: Sequence[MonitoredSeries]) -> ShownTable:
    """One line a criterion: the target against the limits, and the chance to see a doubling."""
    columns = ["Criterion", "Target against limits", "Chance to see a doubling"]
    lines = [
        (
            series.criterion.words,
            f"{series.capable.answer}: {series.capable.reason}",
            series.power.words,
        )
        for series in found
    ]
    return ShownTable(
        pd.DataFrame(lines, columns=columns),
        "reach_of_charts",
        "What the charts can and cannot say",
        (TARGET_NOTE, DOUBLING_NOTE) if lines else (),
    )


def _lines_words(series: MonitoredSeries) -> str:
    if series.chart is None:
        return ""
    return f"{_centre(series)}; {_limits(series)}"


def _points_words(series: MonitoredSeries) -> str:
    if series.chart is None:
        return f"none: {series.reason}"
    shown = series.charted["value"]
    gaps = int(shown.isna().sum())
    words = str(len(shown) - gaps)
    return f"{words}; quarters without a case that is due: {gaps}" if gaps else words


def _value(series: MonitoredSeries, number: float) -> str:
    """A number of the chart in its unit."""
    if pd.isna(number):
        return "no value"
    unit = series.plan.unit
    if unit == "share":
        return wording.percent(number, 0)
    blank = "" if unit == "%" else " "
    return f"{wording.rounded(number, wording.decimals_for(unit))}{blank}{unit}".strip()


def _centre(series: MonitoredSeries) -> str:
    if series.chart is None:
        return ""
    phase = series.chart.phases.iloc[-1]
    median = phase["withheld"] or "median as centre line" in phase["method"]
    kind = "median" if median else "mean"
    value = _value(series, phase["centre"])
    return f"{value} ({kind} of {int(phase['baseline_points'])} points)"


def _limits(series: MonitoredSeries) -> str:
    """The limits at the last point that has a value, or why there are none."""
    if series.chart is None:
        return ""
    phase = series.chart.phases.iloc[-1]
    if phase["withheld"]:
        return f"withheld: {phase['withheld']}"
    last = series.points.loc[series.points["value"].notna()].iloc[-1]
    size = f" at n {last['n']:.0f}" if series.plan.by_period else ""
    trial = "trial, " if phase["limits"] == "trial" else ""
    return f"{trial}{_span(series, last)}{size}"


def _span(series: MonitoredSeries, row: pd.Series) -> str:
    low, high = row["low"], row["high"]
    if series.plan.unit == "share" and high >= 1:
        high = float("nan")
    sides = ["none" if pd.isna(side) else _value(series, side) for side in (low, high)]
    return f"lower {sides[0]}, upper {sides[1]}"


def points_table(series: MonitoredSeries) -> ShownTable:
    """Every point of a chart, older ones too, with its lines and its signal."""
    table, plan = series.points, series.plan
    frame = pd.DataFrame(
        {
            _point_heading(series): table["point"].astype(str),
            "Day": [str(day.date()) for day in table["last_day"]],
            "Value": [_point_value(series, row) for _, row in table.iterrows()],
            "Not yet due": table["not_yet_due"].astype(int).astype(str),
            "Not known": table["missing"].astype(int).astype(str),
            "Centre line": [_value(series, centre) for centre in table["centre"]],
            "Limits": [_span(series, row) for _, row in table.iterrows()],
            "Signal": table["signal"].where(table["signal"] != "", "none"),
            "In view": table["in_window"].map({True: "yes", False: "older"}),
        }
    )
    if plan.by_period:
        frame = frame.drop(columns="Day")
    else:
        frame = frame.drop(columns=["Not yet due", "Not known"])
        if plan.kind == "days_between":
            frame = frame.drop(columns="Day")
    name = named("points", series.criterion.id)
    caption = f"Points of the chart: {series.criterion.words} ({plan.chart_name})"
    return ShownTable(frame.reset_index(drop=True), name, caption, series.notes)


def _point_heading(series: MonitoredSeries) -> str:
    if series.plan.by_period:
        return "Quarter"
    return "Day of the event" if series.plan.kind == "days_between" else "Case"


def _point_value(series: MonitoredSeries, row: pd.Series) -> str:
    if series.plan.unit == "share":
        return wording.count_of(int(row["count"]), int(row["n"]))
    if series.plan.kind == "rate" and row["n"]:
        events = f"{row['count']:.0f} events in {row['n']:.0f} {series.plan.noun}s"
        return f"{events} ({_value(series, row['value'])})"
    return _value(series, row["value"])


def service_event_table(cohort: Cohort) -> ShownTable:
    """What changed in the service, and decisions to recompute limits, in time order."""
    events = cohort.tables["service_events"].sort_values("happened_on", kind="stable")
    frame = pd.DataFrame(
        {
            "Day": events["happened_on"].dt.strftime("%Y-%m-%d"),
            "What changed": events["label"],
            "Kind": [vocabulary.label("service_event", kind) for kind in events["kind"]],
            "Criterion": events["criterion"].fillna("all"),
            "Cause": events["cause"].fillna(""),
            "Decided by": events["decided_by"].fillna(""),
        }
    ).reset_index(drop=True)
    notes = ["Limits are recomputed only by a decision that stands here with its cause."]
    if frame.empty:
        notes.insert(0, "No change of the service is recorded.")
    return ShownTable(frame, "service_events", "Changes in the service", tuple(notes))


def funnel_policy_table(found: FunnelFound) -> ShownTable:
    """What was laid down before the funnel was looked at."""
    frame = pd.DataFrame(list(found.policy), columns=["Item", "Policy"])
    caption = f"Outlier policy: {found.criterion.words}"
    return ShownTable(frame, named("funnel_policy", found.criterion.id), caption)


def funnel_check_table(found: FunnelFound) -> ShownTable:
    """The checks before a funnel: pass, fail or not done."""
    lines = [(check.name, check.state, check.words) for check in found.checks]
    frame = pd.DataFrame(lines, columns=["Check", "Result", "Found"])
    caption = f"Checks before the funnel: {found.criterion.words}"
    return ShownTable(frame, named("funnel_checks", found.criterion.id), caption)


def funnel_unit_table(found: FunnelFound) -> ShownTable:
    """The units by rising size, never by result, with the open queries on their cases."""
    if found.positions is None:
        frame = pd.DataFrame({"Unit": []})
        notes: tuple[str, ...] = (f"No funnel: {found.refused}.",)
    else:
        table = found.positions.table
        frame = pd.DataFrame(
            {
                "Unit": table["unit"].astype(str),
                "Cases": table["size"].astype(int).astype(str),
                "Share": [
                    wording.count_of(int(events), int(size))
                    for events, size in zip(table["events"], table["size"], strict=True)
                ],
                "Outside a limit": table["flag"].where(table["flag"] != "", "no"),
                "Data queries on its cases": table["queries"].astype(int).astype(str),
            }
        )
        notes = ("Sorted by size: this is no ranking.", *found.notes)
    caption = f"Units of the funnel: {found.criterion.words}"
    return ShownTable(frame, named("funnel_units", found.criterion.id), caption, notes)


def named(start: str, criterion: str) -> str:
    """A name for a table or figure of a criterion: lower-case letters, digits and _."""
    return f"{start}_" + re.sub(r"[^a-z0-9]+", "_", criterion.lower()).strip("_")


def cumulative_table(found: Sequence[CumulativeSeries]) -> ShownTable:
    """Misses case by case: one line a criterion."""
    frame = pd.DataFrame(
        [
            {
                "Criterion": series.criterion.words,
                "Misses": _misses(series),
                "Allowed by the target": _allowed(series),
                "Signal": f"{series.found.answer}: {series.found.reason}",
                "How sure": series.run_length or "not worked out",
            }
            for series in found
        ],
        columns=["Criterion", "Misses", "Allowed by the target", "Signal", "How sure"],
    )
    notes = (
        "All cases that are due, in order of surgery, against what the target allows; the sums are "
        "not restarted after a signal. Cases of one patient are taken as independent.",
    )
    return ShownTable(frame, "cumulative_misses", "Misses case by case", notes)


def _misses(series: CumulativeSeries) -> str:
    if series.table.empty:
        return ""
    return wording.count_of(int(series.table["miss"].sum()), len(series.table))


def _allowed(series: CumulativeSeries) -> str:
    if series.table.empty:
        return ""
    return wording.rounded(float(series.table["expected"].sum()), 1)
