"""Which case a row belongs to, and the rows of a case in order of time: worked out once.

Both are kept until the table changes, because many rules ask for them and a session log can hold
millions of rows. A table counts as changed when it is another object, has another number of rows
or another number of missing times; case ids are never edited in place.
"""

from __future__ import annotations

import dataclasses
import weakref
from collections.abc import Callable
from typing import Any, TypeVar

import numpy as np
import pandas as pd

from schemas.rules.base import Evidence

#: the column that dates a row of each table of a case
TIMES = {
    "radiographs": "taken_on",
    "joint_motion": "examined_on",
    "weight_bearing": "assessed_on",
    "complications": "occurred_on",
    "distraction_sessions": "started_at",
}
_DAY = np.timedelta64(1, "D")
_KEPT: dict[tuple[str, str], tuple[weakref.ref, weakref.ref, tuple[int, ...], Any]] = {}
_Kept = TypeVar("_Kept")


@dataclasses.dataclass(frozen=True)
class Timeline:
    """Rows of one table that have a case and a time, by case, then time, then place in the file.

    rows: positions in the table. case: position of each row's case in `cases`. day: whole days,
    datetime64[D]. follows: True where the row before is of the same case.
    """

    rows: np.ndarray
    case: np.ndarray
    day: np.ndarray
    follows: np.ndarray

    def keep(self, wanted: np.ndarray) -> Timeline:
        """The same for some of the rows; wanted is True for each row of `rows` that stays."""
        return _timeline(self.rows[wanted], self.case[wanted], self.day[wanted])


def kept(evidence: Evidence, table: str, dated_by: str, work_out: Callable[[], _Kept]) -> _Kept:
    """What was worked out from a table, its dates (if named) and `cases`; again if they changed."""
    frame, cases = evidence[table], evidence["cases"]
    undated = int(frame[dated_by].isna().sum()) if dated_by else 0
    size = (len(frame), len(cases), undated)
    name = (table, dated_by)
    found = _KEPT.get(name)
    if found and found[0]() is frame and found[1]() is cases and found[2] == size:
        return found[3]

    def forget(_: weakref.ref) -> None:
        _KEPT.pop(name, None)

    result = work_out()
    _KEPT[name] = (weakref.ref(frame, forget), weakref.ref(cases, forget), size, result)
    return result


def case_positions(evidence: Evidence, table: str) -> np.ndarray:
    """Position in `cases` of the case of every row of a table, -1 where there is none."""
    frame, cases = evidence[table], evidence["cases"]
    return kept(evidence, table, "", lambda: _positions(frame, cases))


def of_case(evidence: Evidence, table: str, column: str) -> pd.Series:
    """A column of `cases` beside every row of a table, missing where there is no case."""
    return beside(evidence, table, evidence["cases"][column])


def beside(evidence: Evidence, table: str, values: pd.Series) -> pd.Series:
    """One value a case, in the order of `cases`, laid beside every row of a table."""
    found = values.reset_index(drop=True).reindex(case_positions(evidence, table))
    return found.set_axis(evidence[table].index)


def timeline(evidence: Evidence, table: str) -> Timeline:
    """The rows of a table in order of case and time. Rows without either are left out."""

    def work_out() -> Timeline:
        moment = evidence[table][TIMES[table]].to_numpy("datetime64[s]")
        return _in_order(case_positions(evidence, table), moment)

    return kept(evidence, table, TIMES[table], work_out)


def case_dates(evidence: Evidence, column: str, line: Timeline) -> np.ndarray:
    """A date column of `cases` beside every row of a timeline, as datetime64[D]."""
    return evidence["cases"][column].to_numpy("datetime64[D]")[line.case]


def day_count(span: np.ndarray) -> np.ndarray:
    """Days in a difference of days, as floats; missing stays missing."""
    return span / _DAY


def rows_marked(frame: pd.DataFrame, positions: np.ndarray) -> pd.Series:
    """True for the rows of a frame at these positions (or under this True/False array)."""
    marked = np.zeros(len(frame), dtype=bool)
    marked[positions] = True
    return pd.Series(marked, index=frame.index)


def cases_marked(evidence: Evidence, line: Timeline, wanted: np.ndarray) -> pd.Series:
    """True for every case that has at least one row of the timeline that is wanted."""
    return rows_marked(evidence["cases"], line.case[wanted])


def first_of_case(line: Timeline, wanted: np.ndarray) -> np.ndarray:
    """Positions in the table of the first wanted row of every case."""
    chosen = line.keep(wanted)
    return chosen.rows[~chosen.follows]


def _positions(frame: pd.DataFrame, cases: pd.DataFrame) -> np.ndarray:
    places = np.flatnonzero(~cases["case_id"].duplicated().to_numpy())
    known = pd.Index(cases["case_id"].to_numpy()[places])
    ids = frame["case_id"]
    if isinstance(ids.dtype, pd.CategoricalDtype):
        spots = np.append(known.get_indexer(ids.cat.categories), -1)[ids.cat.codes.to_numpy()]
    else:
        spots = known.get_indexer(ids)
    return np.append(places, -1)[spots]


def _in_order(case: np.ndarray, moment: np.ndarray) -> Timeline:
    rows = np.flatnonzero((case >= 0) & ~np.isnat(moment))
    case, moment = case[rows], moment[rows]
    # one whole number holds case and second: a single sort, and none when already in order
    packed = (case << 34) + moment.astype("int64")
    if len(packed) and (packed[1:] < packed[:-1]).any():
        order = np.argsort(packed, kind="stable")
        rows, case, moment = rows[order], case[order], moment[order]
    return _timeline(rows, case, moment.astype("datetime64[D]"))


def _timeline(rows: np.ndarray, case: np.ndarray, day: np.ndarray) -> Timeline:
    follows = np.zeros(len(rows), dtype=bool)
    follows[1:] = case[1:] == case[:-1]
    return Timeline(rows, case, day, follows)
