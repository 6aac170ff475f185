"""Contracts of the case tables: types, code lists, limits, rules, and why each exists.

`TABLES` maps a table's name to its pandera contract, in the order in which people meet them.
`rules.RULES` holds what several cells or tables must agree on. `dictionary.data_dictionary()`
lays both out for people. Nothing here imports `audit`.
"""

from __future__ import annotations

import pandera.pandas as pa

from schemas.actions import ACTIONS
from schemas.cases import CASES
from schemas.complications import COMPLICATIONS
from schemas.distraction_sessions import DISTRACTION_SESSIONS
from schemas.joint_motion import JOINT_MOTION
from schemas.patients import PATIENTS
from schemas.radiographs import RADIOGRAPHS
from schemas.service_events import SERVICE_EVENTS
from schemas.theatre_counts import THEATRE_COUNTS
from schemas.weight_bearing import WEIGHT_BEARING

TABLES: dict[str, pa.DataFrameSchema] = {
    "patients": PATIENTS,
    "cases": CASES,
    "radiographs": RADIOGRAPHS,
    "joint_motion": JOINT_MOTION,
    "weight_bearing": WEIGHT_BEARING,
    "complications": COMPLICATIONS,
    "distraction_sessions": DISTRACTION_SESSIONS,
    "actions": ACTIONS,
    "service_events": SERVICE_EVENTS,
    "theatre_counts": THEATRE_COUNTS,
}
REQUIRED_TABLES = ("patients", "cases")

__all__ = ["REQUIRED_TABLES", "TABLES"]
