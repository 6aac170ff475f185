"""What must add up whatever was read: rows, questions and values, as plain loops over the tables.

Each check gives a list of sentences, one for each thing that does not add up; empty when all does.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping

import numpy as np
import pandas as pd

from schemas import TABLES

ROW_DAYS = {
    "radiographs": "taken_on",
    "joint_motion": "examined_on",
    "weight_bearing": "assessed_on",
    "complications": "occurred_on",
    "distraction_sessions": "started_at",
    "actions": "raised_on",
}


def faults_of(cohort, tables, given: Mapping[str, pd.DataFrame] | None = None) -> list[str]:
    """All checks at once. given: table -> text cells with `row`, headings as in the contract."""
    found = [*uneven_rows(cohort), *uneven_flow(cohort), *asked_twice(cohort), *late_days(cohort)]
    found += errors_without_effect(cohort, tables)
    if given is not None:
        found += lost_without_question(cohort, given)
    return found


def uneven_rows(cohort) -> list[str]:
    """Every row that was read is used, later, of another centre, or set aside once with a reason."""
    found = []
    for line in cohort.rows.to_dict("records"):
        parts = line["used"] + line["later"] + line["kept_out"] + line["other_centre"]
        if parts != line["read"]:
            found.append(f"{line['table']}: {line['read']} rows read, {parts} accounted for")
        if line["used"] != len(cohort.tables[line["table"]]):
            found.append(f"{line['table']}: rows used are miscounted")
    out = cohort.kept_out
    if out.duplicated(["table", "row"]).any():
        found.append("a row is set aside twice")
    if (out["reason"].fillna("") == "").any():
        found.append("a row is set aside without a reason")
    for table, part in out.groupby("table"):
        if part["row"].isin(cohort.tables[str(table)]["row"]).any():
            found.append(f"{table}: a row is set aside and used")
    return found


def uneven_flow(cohort) -> list[str]:
    """The steps of the flow after the first add up to the first."""
    flow = cohort.flow
    read = flow.loc[flow["step"] == "read", "cases"].sum()
    rest = flow.loc[flow["step"] != "read", "cases"].sum()
    found = [] if read == rest else [f"flow: {read} cases read, {rest} accounted for"]
    last = flow.loc[flow["step"] == "in_cohort", "cases"].sum()
    return found if last == len(cohort.cases) else [*found, "flow: cases used are miscounted"]


def _errors(cohort) -> pd.DataFrame:
    """Error questions that have a row."""
    queries = cohort.queries
    return queries.loc[(queries["severity"] == "error") & (queries["row"] != "")]


def asked_twice(cohort) -> list[str]:
    """No cell has two error questions."""
    errors = _errors(cohort)
    twice = errors.loc[errors.duplicated(["table", "row", "column"], keep=False)]
    return [
        f"asked twice: {table}.{column} {'/'.join(sorted(part['rule'].unique()))}"
        for (table, _, column), part in twice.groupby(["table", "row", "column"])
    ]


def late_days(cohort) -> list[str]:
    """No day in a usable table lies after the cut-off, but for days that plan ahead."""
    found = []
    for table, frame in cohort.tables.items():
        for name in frame.columns:
            dated = frame[name].dtype.kind == "M" and (table, name) != ("actions", "due_on")
            if dated and (frame[name].dt.normalize() > cohort.cutoff).any():
                found.append(f"{table}.{name} has a day after the cut-off")
    return found


def errors_without_effect(cohort, tables) -> list[str]:
    """An error question with a row: its row is not used (set aside, later, of another centre), or
    its cell is missing in the usable table. A status may be put back to `in_treatment` by the
    cut-off after its cell could not be read."""
    found = []
    used = {name: frame.set_index("row") for name, frame in cohort.tables.items()}
    for query in _errors(cohort).to_dict("records"):
        table, row, column = query["table"], query["row"], query["column"]
        if row not in set(tables[table]["row"]) | set(cohort.kept_out["row"]):
            found.append(f"{query['rule']}: {table} has no such row")
        elif row in used[table].index and column in used[table]:
            value = used[table].loc[row, column]
            if pd.notna(value) and not (column == "outcome_status" and value == "in_treatment"):
                found.append(f"{query['rule']}: {table}.{column} is an error and still used")
        elif row in used[table].index:
            found.append(f"{query['rule']}: {table} row is an error and still used")
    return found


def lost_without_question(cohort, given: Mapping[str, pd.DataFrame]) -> list[str]:
    """A cell with text, in a row that is used, whose value is missing has one error question,
    unless the cut-off emptied it."""
    errors = _errors(cohort)
    asked = set(zip(errors["table"], errors["row"], errors["column"], strict=True))
    found = []
    for table, texts in given.items():
        used = cohort.tables[table].set_index("row")
        texts = texts.loc[texts["row"].isin(used.index)]
        names = [name for name in TABLES[table].columns if name in texts]
        empty = used.loc[texts["row"], names].isna().to_numpy()
        for place, column in zip(*np.nonzero(empty), strict=True):
            name, row = names[column], texts["row"].iloc[place]
            text = texts[name].iloc[place]
            if pd.isna(text) or not shows(str(text)) or (table, row, name) in asked:
                continue
            if not _wound_back(cohort, given, table, row, name):
                found.append(f"lost without a question: {table}.{name}")
    return found


def shows(text: str) -> bool:
    """Whether a person sees anything in a cell: more than blanks and invisible characters
    (Unicode category Cf)."""
    return any(not letter.isspace() and unicodedata.category(letter) != "Cf" for letter in text)


def _day(text: object) -> pd.Timestamp | None:
    day = pd.to_datetime(str(text).strip(), format="ISO8601", errors="coerce")
    return None if day is pd.NaT else day.tz_localize(None).normalize()


def _after(text: object, cutoff: pd.Timestamp) -> bool:
    day = _day(text)
    return day is not None and day > cutoff


def _wound_back(cohort, given, table: str, row: int, column: str) -> bool:
    """Whether a cell could not be known at the cut-off, from the texts alone: its own day is
    later; a gain is known once distraction has ended (the final one once the last film, or the
    last visit, is there); a lasting effect once the event is over."""
    line = given[table].set_index("row").loc[row]
    if _after(line[column], cohort.cutoff):
        return True
    if (table, column) == ("complications", "permanent"):
        return _after(line.get("resolved_on", ""), cohort.cutoff)
    if (table, column) == ("cases", "achieved_gain_mm"):
        return _after(line.get("distraction_end_date", ""), cohort.cutoff)
    if (table, column) == ("cases", "final_gain_mm"):
        days = [line.get("last_follow_up_date", "")]
        films = given.get("radiographs")
        if films is not None and {"case_id", "taken_on"} <= set(films.columns):
            own = films["case_id"].astype(str).str.strip() == str(line["case_id"]).strip()
            days += list(films.loc[own, "taken_on"])
        return any(_after(day, cohort.cutoff) for day in days)
    return False


def unsound_measures(measures: pd.DataFrame) -> list[str]:
    """No infinite measure; a missing one has its reason, one with a value has none."""
    found = []
    numbers = measures.select_dtypes("number")
    for name in numbers.columns[np.isinf(numbers.astype(float)).any()]:
        found.append(f"measure {name} is infinite")
    for name in measures.columns:
        if f"{name}_reason" not in measures:
            continue
        reason = measures[f"{name}_reason"]
        if (measures[name].isna() & reason.isna()).any():
            found.append(f"measure {name} is missing without a reason")
        if (measures[name].notna() & reason.notna()).any():
            found.append(f"measure {name} has a value and a reason why not")
    return found
