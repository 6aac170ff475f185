"""Which rows of a case a fault can go to, and cells that are made from such a row."""

from __future__ import annotations

import datetime as dt

import pandas as pd

from demo_data.generator.fault_workshop import Choice

FLEXION, DEFICIT = "flexion_deg", "extension_deficit_deg"


def first(case: pd.Series, rows: pd.DataFrame) -> pd.Series:
    """Any row."""
    return pd.Series(True, index=rows.index)


def at(place: int) -> Choice:
    """The row at a place among those of the case."""
    return lambda case, rows: pd.Series(range(len(rows)), index=rows.index).eq(place)


def late(column: str, milestone: str) -> Choice:
    """Rows dated after a milestone of the case."""
    return lambda case, rows: rows[column] > case[milestone]


def in_distraction(column: str) -> Choice:
    """Rows dated within distraction."""
    return lambda case, rows: rows[column].between(
        case["distraction_start_date"], case["distraction_end_date"]
    )


def given(*columns: str) -> Choice:
    """Rows in which these cells are filled."""
    return lambda case, rows: ~rows[list(columns)].isin([""]).any(axis=1)


def knee_late(case: pd.Series, rows: pd.DataFrame) -> pd.Series:
    """Full examinations of the knee after union."""
    knee = rows["joint"].eq("knee") & given(FLEXION, DEFICIT)(case, rows)
    return knee & (rows["examined_on"] > case["union_date"])


def knee_in_distraction(case: pd.Series, rows: pd.DataFrame) -> pd.Series:
    """Examinations of the knee during distraction."""
    return rows["joint"].eq("knee") & in_distraction("examined_on")(case, rows)


def bridged_again(case: pd.Series, rows: pd.DataFrame) -> pd.Series:
    """The second and later films with three cortices or more after union."""
    bridged = rows["cortices_bridged"].isin(["3", "4"]) & (rows["taken_on"] > case["union_date"])
    return bridged & bridged.cumsum().gt(1)


def unloaded(case: pd.Series, rows: pd.DataFrame) -> pd.Series:
    """Assessments after surgery without any load."""
    return rows["load"].eq("none") & (rows["assessed_on"] > case["surgery_date"])


def next_day(case: pd.Series, row: pd.Series) -> str:
    """The day after the assessment."""
    return (dt.date.fromisoformat(row["assessed_on"]) + dt.timedelta(days=1)).isoformat()


def minutes_later(case: pd.Series, row: pd.Series) -> str:
    """Five minutes after the session."""
    return str(pd.Timestamp(row["started_at"]) + pd.Timedelta(minutes=5))[:16]


def classed(column: str, code: str, operation: str) -> Choice:
    """Events of a class, with or without an unplanned operation."""
    return lambda case, rows: rows[column].eq(code) & rows["unplanned_operation"].eq(operation)


def on_nail(case: pd.Series, rows: pd.DataFrame) -> pd.Series:
    """Any event of a case with a lengthening nail."""
    return first(case, rows) & (case["device_class"] == "lengthening_nail")


def on_completed(case: pd.Series, rows: pd.DataFrame) -> pd.Series:
    """Any event of a completed case."""
    return first(case, rows) & (case["outcome_status"] == "completed")
