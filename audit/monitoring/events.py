"""Changes of the service on a chart, and the recorded decisions that recompute its limits."""

from __future__ import annotations

import dataclasses

import pandas as pd

from audit.cohort import Cohort
from audit.estimates.chart_settings import Rebase
from audit.monitoring.points import Points, Span


@dataclasses.dataclass(frozen=True, kw_only=True)
class Mark:
    """A change marked on a chart: number (key of the caption), day, place on the axis where the
    first point of the window stands at 1, words."""

    number: int
    day: pd.Timestamp
    place: float
    words: str


def events_of(cohort: Cohort, criterion: str, kind: str) -> pd.DataFrame:
    """Service events of a kind that concern a criterion (those without one concern all)."""
    events = cohort.tables["service_events"]
    mine = events["criterion"].isna() | (events["criterion"] == criterion)
    return events.loc[mine & (events["kind"] == kind)].sort_values("happened_on", kind="stable")


def marks_for(cohort: Cohort, criterion: str, points: Points, span: Span) -> tuple[Mark, ...]:
    """The changes of the window, numbered in time order.

    On a chart of quarters a mark stands within its quarter; on a chart of cases or gaps between
    the last point before that day and the first on or after it.
    """
    events = events_of(cohort, criterion, "change")
    events = events.loc[span.holds(events["happened_on"])]
    table = points.table.loc[points.table["in_window"]].reset_index(drop=True)
    return tuple(
        Mark(number=number, day=day, place=_place(table, day), words=str(words))
        for number, (day, words) in enumerate(
            zip(events["happened_on"], events["label"], strict=True), start=1
        )
    )


def _place(table: pd.DataFrame, day: pd.Timestamp) -> float:
    inside = table.loc[(table["first_day"] < day) & (day <= table["last_day"])]
    wide = table["last_day"] - table["first_day"]
    if len(inside) and len(table) and (wide > pd.Timedelta(days=60)).all():
        row = inside.iloc[0]
        share = (day - row["first_day"]) / (row["last_day"] - row["first_day"])
        return float(inside.index[0] + 0.5 + share)
    return float((table["last_day"] < day).sum() + 0.5)


def decisions_for(
    cohort: Cohort, criterion: str, points: Points
) -> tuple[tuple[Rebase, ...], tuple[str, ...]]:
    """(decisions that break the lines, notes on those that do not).

    A decision takes effect with the first point that begins on or after its day: a quarter in
    which it fell holds both states and stays with the old one. A decision from before the first
    point changes nothing. Of two that fall to one point the later counts.
    """
    table = points.table.reset_index(drop=True)
    found: dict[int, Rebase] = {}
    notes = []
    for event in events_of(cohort, criterion, "rebase").itertuples():
        later = table.index[table["first_day"] >= event.happened_on]
        day = event.happened_on.date()
        if not len(later):
            notes.append(f"the decision of {day} to recompute limits waits for its first point")
        elif later[0] > 0:
            found[int(later[0])] = Rebase(
                first=int(later[0]) + 1,
                decided_on=day,
                cause=str(event.cause),
                decided_by=str(event.decided_by),
            )
    return tuple(found[place] for place in sorted(found)), tuple(notes)
