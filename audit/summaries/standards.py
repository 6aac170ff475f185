"""Did we meet our standards: criterion, how many, met share, verdict, and the five states."""

from __future__ import annotations

import pandas as pd

from audit.criteria import Criterion
from audit.results.rows import estimate_of
from audit.standards import STATE_COLUMNS
from audit.standards.states import (
    EXCEPTION,
    MET,
    NOT_MET,
    NOT_YET_DUE,
    OUTSIDE,
    STATES,
    with_states,
)
from audit.standards.units import judge_of, units_of
from audit.summaries.cohort_tables import about
from audit.summaries.facts import Facts, numbered
from audit.summaries.rows import (
    Rows,
    behind,
    count_row,
    estimate_row,
    part_row,
    share_row,
    summary_frame,
)
from audit.summaries.table import ALL, SummaryTable

#: statistic of a criterion -> that of its row
_STATISTICS = {"mean": "mean", "median": "median", "median_time": "median", "rate": "rate"}
KEY = ("criterion", "target", "verdict")


def standard_tables(facts: Facts) -> list[SummaryTable]:
    """Criteria with their result, and how many units are in each of the five states. None where
    the run has no register of criteria."""
    run, register = facts.run, facts.run.register
    if register is None:
        return []
    judge = judge_of(run.cohort, run.measured)
    results: Rows = []
    states: Rows = []
    for criterion in register.criteria:
        units = with_states(judge, criterion, units_of(judge, criterion))
        inside = units.loc[facts.window.holds(units["day"])]
        inside = inside.assign(person=numbered(inside["patient_id"], facts.people))
        results += _results(facts, criterion, inside)
        states += _states(criterion, inside)
    words = tuple(
        f"{one.id}: {one.words} (for {one.population}, by {one.index_date.replace('_', ' ')}; "
        f"{one.unit.replace('_', ' ')}s)."
        for one in register.criteria
    )
    return [
        SummaryTable(
            name="standards",
            counted="cases, or walking episodes where the criterion says so",
            dimensions=KEY,
            frame=summary_frame(KEY, results),
            tied=("verdict",),
            notes=(
                *words,
                "The share is of the units that met the target, one by one, of those that met it "
                "or not; the verdict is on the number that the criterion names, and is met or not "
                "met only where its 95% interval lies on one side of the target.",
            ),
            **about(facts, "Standards and verdicts"),
        ),
        SummaryTable(
            name="standards-five-states",
            counted="cases, or walking episodes where the criterion says so",
            dimensions=("criterion", "state"),
            frame=summary_frame(("criterion", "state"), states),
            additive=("state",),
            notes=(*words, "Each unit of a criterion is in one of five states."),
            **about(facts, "Standards: five states of every unit"),
        ),
    ]


def _results(facts: Facts, criterion: Criterion, inside: pd.DataFrame) -> Rows:
    table = facts.run.standards
    chosen = (table["criterion"] == criterion.id) & (table["window"] == facts.window.name)
    row = table.loc[chosen].iloc[0]
    key = {
        "criterion": criterion.id,
        "target": f"{criterion.direction.replace('_', ' ')} {criterion.target:g}",
        "verdict": str(row["verdict"]),
    }
    used = used_units(facts, criterion, inside)
    answered = inside.loc[inside["state"].isin((MET, NOT_MET))]
    yes = (answered["state"] == MET).astype("boolean")
    unit = f"{criterion.unit.replace('_', ' ')}s"
    rows: Rows = [
        count_row(key, behind(used["person"], used["person"]), unit=unit),
        share_row(key, yes, answered["person"], settings=facts.run.cohort.settings),
    ]
    if criterion.statistic == "proportion":
        return rows
    result = estimate_row(key, _STATISTICS[criterion.statistic], used["person"], estimate_of(row))
    if criterion.statistic == "rate":
        events = used["value"].astype(float)
        result["numerator"] = float(events.sum())
        result["people_with"] = float(used.loc[events > 0, "person"].nunique())
    return [*rows, result]


def used_units(facts: Facts, criterion: Criterion, inside: pd.DataFrame) -> pd.DataFrame:
    """The units that the number of a criterion rests on, as `audit.standards` chooses them: due,
    not taken out as accepted exceptions, and with a value (a usable time, if it waits)."""
    held = inside.loc[inside["state"] != OUTSIDE]
    if criterion.statistic == "median_time":
        return held.loc[held["excused"].isna() & held["reason"].isna()]
    due = held.loc[held["state"] != NOT_YET_DUE]
    if criterion.statistic == "proportion":
        return due.loc[(due["state"] != EXCEPTION) & due["value"].notna()]
    return due.loc[due["excused"].isna() & due["value"].notna()]


def _states(criterion: Criterion, inside: pd.DataFrame) -> Rows:
    held = inside.loc[inside["state"].isin(STATES)]
    rows: Rows = []
    for state in (ALL, *STATE_COLUMNS.values()):
        units = held if state == ALL else held.loc[held["state"] == state]
        key = {"criterion": criterion.id, "state": state.replace(" ", "_")}
        found = behind(units["person"], held["person"])
        unit = f"{criterion.unit.replace('_', ' ')}s"
        rows += [count_row(key, found, unit=unit), part_row(key, found)]
    return rows
