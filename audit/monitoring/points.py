"""The points of a chart over time: quarters, single cases, or gaps between events."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd

from audit.cohort import Cohort
from audit.criteria import EVENTS_OF_RATE, Criterion
from audit.estimates.rare_events import counted_chart_fits
from audit.measures.complications import SEVERE
from audit.monitoring.cases import Answers
from audit.monitoring.settings import MonitoringSettings
from audit.periods import last_day

#: point: its name; count: yes answers, events or 1; n: cases with an answer; value: as charted
POINT_COLUMNS = [
    "point",
    "first_day",
    "last_day",
    "count",
    "n",
    "missing",
    "not_yet_due",
    "value",
    "in_window",
]
PER = 100.0


@dataclasses.dataclass(frozen=True, kw_only=True)
class Span:
    """The window of a chart: `first` and `last` day, and `recent`, where its last part begins."""

    first: pd.Timestamp
    recent: pd.Timestamp
    last: pd.Timestamp
    quarters: int

    def holds(self, days: pd.Series) -> pd.Series:
        """True for days in the window."""
        return (days >= self.first) & (days <= self.last)


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Points:
    """table: `POINT_COLUMNS`, in time order, up to the end of the window. kind: as
    `control_chart`. switched: why a chart of quarters was given up, or empty. notes: what else a
    reader must know of the points."""

    kind: str
    table: pd.DataFrame
    switched: str = ""
    notes: tuple[str, ...] = ()


def span_to(quarter: pd.Period, settings: MonitoringSettings) -> Span:
    """The window that ends with a quarter."""
    first, recent = quarter - settings.window_quarters + 1, quarter - settings.recent_quarters + 1
    return Span(
        first=first.start_time.normalize(),
        recent=recent.start_time.normalize(),
        last=last_day(quarter),
        quarters=settings.window_quarters,
    )


def quarter_points(answers: Answers, span: Span, *, kind: str) -> Points:
    """One point a quarter, from the first with a case; kind "proportion" or "rate".

    A quarter without an answer that is due has no value: it is a gap, not zero. Rates are per 100
    cases. Every quarter of the window is there.
    """
    rows = answers.rows.loc[answers.rows["day"] <= span.last]
    start = min([span.first, *rows["day"].head(1)])
    periods = pd.period_range(pd.Period(start, "Q"), pd.Period(span.last, "Q"), freq="Q")
    quarter = rows["day"].dt.to_period("Q")
    due, known = rows["due"], rows["value"].notna()

    def tally(values: pd.Series) -> np.ndarray:
        sums = values.astype(float).groupby(quarter).sum()
        return sums.reindex(periods, fill_value=0.0).to_numpy()

    count, n = tally(rows["value"].where(due & known, 0.0)), tally(due & known)
    value = np.divide(count, n, out=np.full(len(n), np.nan), where=n > 0)
    first = pd.Series(periods.start_time.normalize())
    table = pd.DataFrame(
        {
            "point": periods.astype(str),
            "first_day": first,
            "last_day": periods.end_time.normalize(),
            "count": count,
            "n": n,
            "missing": tally(due & ~known),
            "not_yet_due": tally(~due),
            "value": value * (PER if kind == "rate" else 1.0),
            "in_window": span.holds(first),
        }
    )
    return Points(kind=kind, table=table[POINT_COLUMNS])


def case_points(answers: Answers, span: Span) -> Points:
    """One point a case that is due and has a value, in order of index day, ties by id."""
    rows = answers.rows.loc[(answers.rows["day"] <= span.last) & answers.rows["due"]]
    rows = rows.loc[rows["value"].notna()].reset_index(drop=True)
    return Points(
        kind="individual", table=_single(rows["unit_id"], rows["day"], rows["value"], span)
    )


def rate_points(
    cohort: Cohort,
    criterion: Criterion,
    answers: Answers,
    *,
    span: Span,
    settings: MonitoringSettings,
) -> Points:
    """Quarters of a rate, or the gaps between its events where a quarter has too few of them."""
    quarters = quarter_points(answers, span, kind="rate")
    counts = quarters.table.loc[quarters.table["n"] > 0, "count"]
    if counts.empty:
        return quarters
    # only the quarters that give the lines: the kind of chart must not change with the rate
    why = counted_chart_fits(counts.head(settings.fix_quarters)).split(": chart")[0]
    if not why:
        return quarters
    if settings.rare_chart == "cases_between":
        return dataclasses.replace(_cases_between(answers, span), switched=why)
    return dataclasses.replace(_days_between(cohort, criterion, answers, span), switched=why)


def _days_between(cohort: Cohort, criterion: Criterion, answers: Answers, span: Span) -> Points:
    """Days from one day with an event to the next; events of one day are one point.

    Events count on the day they happened, whenever the case was operated, so none has to mature.
    """
    events = cohort.tables["complications"]
    events = events.loc[events["case_id"].isin(answers.rows["unit_id"])]
    counted, ungraded = EVENTS_OF_RATE[criterion.measure], 0
    if counted == "unplanned_operations":
        events = events.loc[events["unplanned_operation"] == "yes"]
    if counted in SEVERE:
        ungraded = int(
            (events["severity_type"].isna() & (events["occurred_on"] <= span.last)).sum()
        )
        events = events.loc[events["severity_type"].isin(SEVERE[counted])]
    events = events.loc[events["occurred_on"] <= span.last]
    per_day = events.groupby("occurred_on").size().sort_index()
    days = pd.Series(per_day.index.to_numpy(), dtype="datetime64[ns]")
    gaps = days.diff().dt.days
    table = _single(days.dt.strftime("%Y-%m-%d"), days, gaps, span)
    table["count"] = per_day.to_numpy(dtype=float)
    table["first_day"] = days.shift()
    notes = ["the chart takes the number of cases in treatment as steady"]
    if ungraded:
        notes.append(f"events without a severity type, not counted: {ungraded}")
    several = int((table.loc[table["in_window"], "count"] > 1).sum())
    if several:
        notes.append(f"days with more than one event, each one point: {several}")
    if len(days):
        open_gap = (span.last - days.iloc[-1]).days
        notes.append(f"since the last event: {open_gap} days, up to {span.last.date()}")
    table = table.loc[table["value"].notna()].reset_index(drop=True)
    return Points(kind="days_between", table=table, notes=tuple(notes))


def _cases_between(answers: Answers, span: Span) -> Points:
    """Cases without an event between two with one, in order of surgery, cases that are due."""
    rows = answers.rows.loc[(answers.rows["day"] <= span.last) & answers.rows["due"]]
    known = rows.loc[rows["value"].notna()].reset_index(drop=True)
    hit = known.loc[known["value"] > 0]
    gaps = pd.Series(hit.index.to_numpy(dtype=float), index=hit.index).diff() - 1
    table = _single(hit["unit_id"], hit["day"], gaps, span)
    table["first_day"] = hit["day"].shift().to_numpy()
    notes = []
    if len(hit):
        notes.append(f"since the last case with an event: {len(known) - 1 - hit.index[-1]} cases")
    table = table.loc[table["value"].notna()].reset_index(drop=True)
    return Points(kind="cases_between", table=table, notes=tuple(notes))


def _single(names: pd.Series, days: pd.Series, values: pd.Series, span: Span) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "point": names.to_numpy(),
            "first_day": days.to_numpy(),
            "last_day": days.to_numpy(),
            "count": 1.0,
            "n": 1.0,
            "missing": 0.0,
            "not_yet_due": 0.0,
            "value": values.to_numpy(dtype=float),
            "in_window": span.holds(days).to_numpy(),
        }
    )[POINT_COLUMNS]
