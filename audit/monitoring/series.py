"""Is something changing? A chart over time for every criterion of the register.

Requirements: run chart first and limits only of a steady series; the chart follows the kind of
number; published rules, one set a report; limits recomputed only by a recorded decision; the
target apart from the limits; a signal says that something changed, never why (sources: see
`audit.estimates.charts`, `chart_limits` and `run_rules`).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import pandas as pd

from audit.cohort import Cohort
from audit.criteria import Criterion
from audit.estimates.charts import ControlChart
from audit.monitoring.cases import Answers, answers_for
from audit.monitoring.events import Mark, decisions_for, marks_for
from audit.monitoring.lines import chart_of, with_lines
from audit.monitoring.plan import Plan, plan_for
from audit.monitoring.points import (
    Points,
    Span,
    case_points,
    quarter_points,
    rate_points,
    span_to,
)
from audit.monitoring.settings import DEFAULTS, MonitoringSettings
from audit.monitoring.words import (
    Finding,
    Power,
    Seen,
    capability,
    change_over_time,
    doubling_power,
    signal_words,
)
from audit.periods import last_complete_quarter


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class MonitoredSeries:
    """A criterion over time, ready to be shown.

    points: one row a point in time order, also those older than the window: `POINT_COLUMNS`,
    order (from 1), the lines, signal, side, phase, used_for_limits. chart: of all of them, None
    without any value (`reason` says why). marks: changes of the service in the window. notes: what
    a caption must say. signals: sentences on the window. power, capable, change: answers with
    their reasons.
    """

    criterion: Criterion
    plan: Plan
    points: pd.DataFrame
    chart: ControlChart | None
    reason: str
    marks: tuple[Mark, ...]
    notes: tuple[str, ...]
    signals: tuple[str, ...]
    power: Power
    capable: Finding
    change: Finding
    quarter: pd.Period
    settings: MonitoringSettings

    @property
    def charted(self) -> pd.DataFrame:
        """The points in view."""
        return self.points.loc[self.points["in_window"]]


def series_for(
    cohort: Cohort,
    measured: pd.DataFrame,
    criterion: Criterion,
    *,
    quarter: pd.Period | None = None,
    settings: MonitoringSettings = DEFAULTS,
) -> MonitoredSeries:
    """The series of one criterion up to the end of `quarter` (default: the last complete one).

    A share, or a time at its target day, is a P chart by quarter; a rate a U chart by quarter, or
    the gaps between its events where a quarter has fewer than five (`plan.switched` says so); a
    mean or median an I chart of single cases. Only cases that are due count. Not chartable:
    `chart` is None and `reason` says why.
    """
    quarter = last_complete_quarter(cohort.cutoff) if quarter is None else quarter
    span = span_to(quarter, settings)
    answers = answers_for(cohort, measured, criterion)
    points = _points(cohort, criterion, answers, (span, settings))
    plan = plan_for(criterion, points, noun=answers.noun)
    decisions, waiting = decisions_for(cohort, criterion.id, points)
    chart = chart_of(points, settings=settings, rebase=decisions)
    table = with_lines(points.table, chart, least=plan.least)
    seen = Seen(points=table, chart=chart, recent=span.recent)
    return MonitoredSeries(
        criterion=criterion,
        plan=plan,
        points=table,
        chart=chart,
        reason="" if chart else answers.reason or _why_empty(plan),
        marks=marks_for(cohort, criterion.id, points, span),
        notes=(*_chart_words(chart, table), *_notes(answers, points, span), *waiting),
        signals=signal_words(seen, plan),
        power=doubling_power(seen, plan),
        capable=capability(seen, plan),
        change=change_over_time(seen, plan),
        quarter=quarter,
        settings=settings,
    )


def monitor(
    cohort: Cohort,
    measured: pd.DataFrame,
    criteria: Sequence[Criterion],
    *,
    quarter: pd.Period | None = None,
    settings: MonitoringSettings = DEFAULTS,
) -> tuple[MonitoredSeries, ...]:
    """The series of every criterion, in the order of the register; see `series_for`."""
    return tuple(
        series_for(cohort, measured, criterion, quarter=quarter, settings=settings)
        for criterion in criteria
    )


def all_points(followed: Sequence[MonitoredSeries]) -> pd.DataFrame:
    """The points of every series in one table: criterion, chart (P, U, I, T or G), unit, then the
    columns of `MonitoredSeries.points`. A series without a point adds no row."""
    parts = [
        series.points.assign(
            criterion=series.criterion.id, chart=series.plan.letter, unit=series.plan.unit
        )
        for series in followed
        if not series.points.empty
    ]
    first = ["criterion", "chart", "unit"]
    if not parts:
        return pd.DataFrame(columns=first)
    table = pd.concat(parts, ignore_index=True)
    return table[[*first, *[name for name in table if name not in first]]]


def _why_empty(plan: Plan) -> str:
    if plan.kind in ("days_between", "cases_between"):
        return "there are no two events to take a gap between"
    return f"no {plan.noun} is due and has an answer"


def _points(
    cohort: Cohort, criterion: Criterion, answers: Answers, asked: tuple[Span, MonitoringSettings]
) -> Points:
    span, settings = asked
    if criterion.statistic in ("proportion", "median_time"):
        return quarter_points(answers, span, kind="proportion")
    if criterion.statistic == "rate":
        return rate_points(cohort, criterion, answers, span=span, settings=settings)
    return case_points(answers, span)


def _chart_words(chart: ControlChart | None, table: pd.DataFrame) -> list[str]:
    """Notes of the chart on its lines and tests, with the names of points for their numbers."""
    if chart is None:
        return []
    notes = [note for note in chart.notes if note not in chart.advice]
    for first in chart.phases["first"].iloc[1:]:
        name = table["point"].iloc[int(first) - 1]
        notes = [note.replace(f"from point {first}:", f"from {name} on:") for note in notes]
    return notes


def _notes(answers: Answers, points: Points, span: Span) -> list[str]:
    """Who is in the points and who is not."""
    notes = list(points.notes)
    if points.switched:
        notes.insert(0, f"not charted by quarter: {points.switched}")
    rows = answers.rows.loc[span.holds(answers.rows["day"])]
    due = rows.loc[rows["due"]]
    known = due.loc[due["value"].notna()]
    waiting, unknown = len(rows) - len(due), len(due) - len(known)
    if points.kind != "days_between":
        notes.append(
            f"{len(known)} {answers.noun}s of {known['patient_id'].nunique()} patients; "
            "limits take them as independent"
        )
        notes += [f"not yet due, left out: {waiting}"] if waiting else []
        notes += [f"due, but not known: {unknown}"] if unknown else []
    older = int((~points.table["in_window"]).sum())
    notes += [f"older points, in the table and the lines but not in view: {older}"] if older else []
    return notes + list(answers.notes)
