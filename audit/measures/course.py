"""The course of one case, in days from surgery, for the case meeting."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pandas as pd

from audit.cohort import Cohort
from audit.errors import UnusableInput
from audit.measures.common import days_between

#: milestones of a case: column of `cases` -> words, in the usual order of treatment
MILESTONES: dict[str, str] = {
    "distraction_start_date": "distraction starts",
    "distraction_end_date": "distraction ends",
    "union_date": "union",
    "full_weight_bearing_date": "full weight bearing",
    "fixator_removal_date": "fixator removed",
    "device_removal_date": "device removed",
}


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class CaseCourse:
    """What is on record of one case up to the cut-off; every `day` counts from surgery = 0.

    device_class, segment, side, outcome_status: codes (None where not recorded). planned_gain_mm,
    achieved_gain_mm: mm or None. follow_up_end: day or None.
    milestones: milestone (words), day; only those that have come.
    logged: day (with its fraction), logged_mm and prescribed_mm, net sums of the session log up
        to and with that session; prescribed_mm is missing from the first session without one on.
    films: day, gain_mm, cortices_bridged. loads: day, load, aid. knee: day, flexion_deg,
        extension_deficit_deg. complications: number (from 1, in order of day), day, resolved_day,
        origin, course_class, severity_type, unplanned_operation, permanent.
    """

    case_id: str
    device_class: str | None
    segment: str | None
    side: str | None
    outcome_status: str | None
    planned_gain_mm: float | None
    achieved_gain_mm: float | None
    follow_up_end: float | None
    milestones: pd.DataFrame
    logged: pd.DataFrame
    films: pd.DataFrame
    loads: pd.DataFrame
    knee: pd.DataFrame
    complications: pd.DataFrame


def case_course(cohort: Cohort, case_id: str) -> CaseCourse:
    """The course of one case of the cohort: its tables in days from surgery, rows in time order.

    Rows without a day are left out; values that are not recorded stay missing. Raises
    UnusableInput when the cohort holds no such case (operated after the cut-off, kept out, or
    never there).
    """
    found = cohort.cases.loc[cohort.cases["case_id"] == case_id]
    if found.empty:
        raise UnusableInput(
            "The cohort holds no case with this case_id. It may be mistyped, operated after the "
            f"cut-off or kept out of use; the cohort has {len(cohort.cases)} cases."
        )
    case = found.iloc[0]
    joints = _rows(cohort, "joint_motion", case, "examined_on")
    return CaseCourse(
        case_id=case_id,
        device_class=_code(case["device_class"]),
        segment=_code(case["segment"]),
        side=_code(case["side"]),
        outcome_status=_code(case["outcome_status"]),
        planned_gain_mm=_number(case["planned_gain_mm"]),
        achieved_gain_mm=_number(case["achieved_gain_mm"]),
        follow_up_end=_number(_day(case["follow_up_end"], case)),
        milestones=_milestones(case),
        logged=_logged(_rows(cohort, "distraction_sessions", case, "started_at")),
        films=_rows(cohort, "radiographs", case, "taken_on")[
            ["day", "gain_mm", "cortices_bridged"]
        ],
        loads=_rows(cohort, "weight_bearing", case, "assessed_on")[["day", "load", "aid"]],
        knee=joints.loc[joints["joint"] == "knee", ["day", "flexion_deg", "extension_deficit_deg"]],
        complications=_complications(cohort, case),
    )


def _rows(cohort: Cohort, table: str, case: pd.Series, dated: str) -> pd.DataFrame:
    rows = cohort.tables[table]
    rows = rows.loc[(rows["case_id"] == case["case_id"]) & rows[dated].notna()]
    origin = pd.Series(case["surgery_date"], index=rows.index, dtype="datetime64[ns]")
    rows = rows.assign(day=days_between(rows[dated], origin))
    return rows.sort_values("day", kind="stable").reset_index(drop=True)


def _milestones(case: pd.Series) -> pd.DataFrame:
    lines = [(words, _day(case[column], case)) for column, words in MILESTONES.items()]
    table = pd.DataFrame(lines, columns=["milestone", "day"]).astype({"day": float})
    return table.dropna(subset=["day"]).sort_values("day", kind="stable").reset_index(drop=True)


def _logged(sessions: pd.DataFrame) -> pd.DataFrame:
    delivered = sessions["delivered_mm"].fillna(0.0).cumsum()
    prescribed = sessions["prescribed_mm"].cumsum(skipna=False)
    return pd.DataFrame(
        {"day": sessions["day"], "logged_mm": delivered, "prescribed_mm": prescribed}
    )


def _complications(cohort: Cohort, case: pd.Series) -> pd.DataFrame:
    rows = _rows(cohort, "complications", case, "occurred_on")
    origin = pd.Series(case["surgery_date"], index=rows.index, dtype="datetime64[ns]")
    rows = rows.assign(
        number=np.arange(1, len(rows) + 1), resolved_day=days_between(rows["resolved_on"], origin)
    )
    return rows[
        [
            "number",
            "day",
            "resolved_day",
            "origin",
            "course_class",
            "severity_type",
            "unplanned_operation",
            "permanent",
        ]
    ]


def _day(moment: pd.Timestamp, case: pd.Series) -> float:
    return float((moment - case["surgery_date"]) / pd.Timedelta(days=1))


def _code(value: Any) -> str | None:
    return None if pd.isna(value) else str(value)


def _number(value: float) -> float | None:
    return None if pd.isna(value) else float(value)
