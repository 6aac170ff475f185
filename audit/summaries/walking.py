"""When did they walk on it without aids: the curve at fixed days, and who was still watched."""

from __future__ import annotations

import pandas as pd

from audit.results.catalogue import NOT_APPLICABLE, TIMES
from audit.results.times import clustered_curve_for, curve_for, time_table
from audit.summaries.cohort_tables import about
from audit.summaries.facts import Facts, numbered
from audit.summaries.grouping import Grouping, by_codes, with_merged
from audit.summaries.rows import (
    Rows,
    behind,
    count_row,
    estimate_row,
    part_row,
    summary_frame,
)
from audit.summaries.table import ALL, SummaryTable

TIME = "time_to_full_weight_bearing"
EPISODES = "walking episodes"
STATES = {
    "waiting": "still waiting and watched on that day",
    "reached": "bore full weight before that day",
    "left": "last seen before that day, still waiting",
    "to_arrive": "came under this service only on or after that day",
}


def walking_tables(facts: Facts) -> list[SummaryTable]:
    """The curve of those still waiting by device class, the people behind it, and the times to
    every event in quartiles."""
    table = _times(facts, TIME)
    return [_curve(facts, table), _watched(facts, table), _quartiles(facts)]


def _times(facts: Facts, name: str) -> pd.DataFrame:
    """The usable units of a time in the window, with the number of each person."""
    table = time_table(facts.run.cohort, name)
    inside = facts.window.holds(table["surgery_date"])
    usable = table.loc[inside & ~table["reason"].isin(NOT_APPLICABLE) & table["reason"].isna()]
    return usable.assign(person=numbered(usable["patient_id"], facts.people))


def _at_risk(table: pd.DataFrame, day: float) -> pd.Series:
    """Entered before the day and not over before it; on day 0 all who start there."""
    entry = table["entry"].astype(float)
    here = (entry < day) if day > 0 else (entry <= 0)
    return here & (table["duration"].astype(float) >= day)


def _curve(facts: Facts, table: pd.DataFrame) -> SummaryTable:
    level = facts.run.cohort.settings.level
    dimensions = ("day", "device_class")

    def make(grouping: Grouping) -> SummaryTable:
        rows: Rows = []
        for code, inside in grouping.groups_that_occur():
            units = table.loc[inside]
            curve = curve_for(units, unit="days", level=level)
            for day in facts.choices.days:
                key = {"day": str(day), "device_class": code}
                person = units.loc[_at_risk(units, day), "person"]
                rows.append(estimate_row(key, "curve", person, curve.at(day)))
        return SummaryTable(
            name="time-to-full-weight-bearing",
            counted=EPISODES,
            dimensions=dimensions,
            frame=summary_frame(dimensions, rows),
            notes=(
                "Share of walking episodes still waiting for full weight bearing by days from "
                "surgery (Kaplan-Meier; waiting episodes stay in until last seen).",
                "The denominator of each point is the episodes still watched on that day.",
                "A walking episode is one person learning to walk once, however many bones were "
                "lengthened; episodes with several device classes are mixed.",
            ),
            **about(facts, "Walking episodes still waiting for full weight bearing"),
        )

    return with_merged(make, by_codes(table, "device_class"))


def _watched(facts: Facts, table: pd.DataFrame) -> SummaryTable:
    dimensions = ("day", "state")
    rows: Rows = []
    # on day 0 all are waiting, which tells nothing
    for day in (day for day in facts.choices.days if day > 0):
        at_risk = _at_risk(table, day)
        over = ~at_risk & (table["duration"].astype(float) < day)
        reached = over & table["observed"].astype(bool)
        left = over & ~reached
        masks = {
            ALL: pd.Series(True, index=table.index),
            "waiting": at_risk,
            "reached": reached,
            "left": left,
            "to_arrive": ~(at_risk | over),
        }
        for state, inside in masks.items():
            key = {"day": str(day), "state": state}
            found = behind(table.loc[inside, "person"], table["person"])
            rows += [count_row(key, found, unit=EPISODES), part_row(key, found)]
    return SummaryTable(
        name="watched-for-weight-bearing",
        counted=EPISODES,
        dimensions=dimensions,
        frame=summary_frame(dimensions, rows),
        additive=("state",),
        notes=tuple(f"{state}: {words}." for state, words in STATES.items()),
        **about(facts, "Walking episodes watched for full weight bearing"),
    )


def _quartiles(facts: Facts) -> SummaryTable:
    level = facts.run.cohort.settings.level
    dimensions = ("time", "counted_by")
    rows: Rows = []
    for name, (_, unit, each) in TIMES.items():
        table = _times(facts, name)
        make = clustered_curve_for if each == "case" else curve_for
        curve = make(table, unit=unit, level=level)
        key = {"time": name, "counted_by": each.replace(" ", "_")}
        reached = table.loc[table["observed"].astype(bool), "person"]
        rows.append(count_row(key, behind(reached, table["person"]), unit=f"{each}s"))
        found = {"q1": 0.25, "median": 0.5, "q3": 0.75}
        rows += [
            estimate_row(key, statistic, table["person"], curve.quantile(q))
            for statistic, q in found.items()
        ]
    return SummaryTable(
        name="times-to-events",
        counted="cases, or walking episodes where the time says so",
        dimensions=dimensions,
        frame=summary_frame(dimensions, rows),
        notes=(
            *(f"{name}: {title}, in {unit}, by {each}." for name, (title, unit, each) in
              TIMES.items()),
            "The count is of those who had the event; median and quartiles are times by which half "
            "and a quarter and three quarters have had it (Kaplan-Meier, waiting ones kept in).",
        ),
        **about(facts, "Times to union, full weight bearing and regained knee flexion"),
    )  # fmt: skip
