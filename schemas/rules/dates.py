"""Rules for single dates: the future, the distant past, and days nobody remembered."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from schemas import fields
from schemas.actions import ACTIONS
from schemas.cases import CASES
from schemas.complications import COMPLICATIONS
from schemas.distraction_sessions import DISTRACTION_SESSIONS
from schemas.joint_motion import JOINT_MOTION
from schemas.radiographs import RADIOGRAPHS
from schemas.rules.base import ROW, VALUE, Evidence, Rule
from schemas.rules.keys import ESSENTIAL
from schemas.service_events import SERVICE_EVENTS
from schemas.weight_bearing import WEIGHT_BEARING

OLDEST = pd.Timestamp("1980-01-01")
#: more than this share of 1 January looks like years typed as days
NEW_YEAR_SHARE = 0.05
NEW_YEAR_VALUES = 20
#: a day that may lie ahead
PLANNED_DAYS = (("actions", "due_on"),)


def _columns(*kinds: str) -> list[tuple[str, str]]:
    tables = (
        CASES,
        RADIOGRAPHS,
        JOINT_MOTION,
        WEIGHT_BEARING,
        COMPLICATIONS,
        DISTRACTION_SESSIONS,
        ACTIONS,
        SERVICE_EVENTS,
    )
    return [
        (str(table.name), name)
        for table in tables
        for name, column in table.columns.items()
        if (column.metadata or {})["kind"] in kinds
    ]


def _kept_out(table: str, column: str) -> str:
    return ROW if column in ESSENTIAL[table] else VALUE


def _after_latest_day(table: str, column: str) -> Callable[[Evidence], pd.Series]:
    def fails(evidence: Evidence) -> pd.Series:
        tomorrow = evidence.latest_day.normalize() + pd.Timedelta(days=1)
        return evidence[table][column] >= tomorrow

    return fails


def _before_oldest(table: str, column: str) -> Callable[[Evidence], pd.Series]:
    return lambda evidence: evidence[table][column] < OLDEST


def _many_new_years(table: str, column: str) -> Callable[[Evidence], pd.Series]:
    def fails(evidence: Evidence) -> pd.Series:
        frame = evidence[table]
        day = frame[column].to_numpy("datetime64[D]")
        new_year = day == day.astype("datetime64[Y]").astype("datetime64[D]")
        given = len(day) - int(np.isnat(day).sum())
        many = given >= NEW_YEAR_VALUES and int(new_year.sum()) > NEW_YEAR_SHARE * given
        return pd.Series(new_year & many, index=frame.index)

    return fails


def _future(table: str, column: str) -> Rule:
    return Rule(
        id="date_in_future",
        table=table,
        column=column,
        severity="error",
        keeps_out=_kept_out(table, column),
        message="Correct this date: it lies after the last day that these data can speak of.",
        source=fields.LOCAL,
        fails=_after_latest_day(table, column),
    )


def _ancient(table: str, column: str) -> Rule:
    return Rule(
        id="date_before_1980",
        table=table,
        column=column,
        severity="error",
        keeps_out=_kept_out(table, column),
        message="Correct the year of this date: it lies before 1980.",
        source=fields.LOCAL,
        fails=_before_oldest(table, column),
    )


def _new_year(table: str, column: str) -> Rule:
    return Rule(
        id="many_first_of_january",
        table=table,
        column=column,
        severity="warning",
        message="Check this column: more than one date in twenty is 1 January, as when only the "
        "year was known and the day was made up.",
        source=fields.LOCAL,
        fails=_many_new_years(table, column),
        file_level=True,
    )


DATE_RULES: tuple[Rule, ...] = (
    *(_future(*place) for place in _columns("day", "moment") if place not in PLANNED_DAYS),
    *(_ancient(*place) for place in _columns("day", "moment")),
    *(_new_year(*place) for place in _columns("day")),
)
