"""Rules that decide whether a row can be used at all. They run first, in this order."""

from __future__ import annotations

import pandas as pd

from schemas import TABLES
from schemas.rules.base import ROW, Evidence, Rule

CHILD_TABLES = (
    "radiographs",
    "joint_motion",
    "weight_bearing",
    "complications",
    "distraction_sessions",
)
#: the columns without which a row of a table says nothing
ESSENTIAL: dict[str, tuple[str, ...]] = {
    "patients": ("patient_id",),
    "cases": ("case_id", "patient_id", "surgery_date"),
    "radiographs": ("case_id", "taken_on"),
    "joint_motion": ("case_id", "examined_on", "joint"),
    "weight_bearing": ("case_id", "assessed_on", "load"),
    "complications": ("complication_id", "case_id", "occurred_on"),
    "distraction_sessions": ("case_id", "started_at", "delivered_mm"),
    "actions": ("action_id", "raised_on"),
    "service_events": ("happened_on", "label", "kind"),
    "theatre_counts": ("quarter", "operations"),
}


def _essential(table: str, column: str) -> Rule:
    return Rule(
        id="row_without_" + column,
        table=table,
        column=column,
        severity="error",
        keeps_out=ROW,
        message=f"Fill in {column}: without it the row cannot be used.",
        source="local choice",
        fails=lambda evidence: evidence[table][column].isna(),
    )


def _repeated(table: str, key: str) -> Rule:
    return Rule(
        id="repeated_row",
        table=table,
        column=key,
        severity="error",
        keeps_out=ROW,
        message="This row repeats another row cell for cell; the first is used. Delete this one.",
        source="uniqueness: government data quality framework 2020, one of six dimensions",
        fails=lambda evidence: _contents(evidence[table], table).duplicated(keep="first"),
    )


def _contents(frame: pd.DataFrame, table: str) -> pd.DataFrame:
    """The cells that are used: a column outside the contract tells no two rows apart, since a
    database source never reads it."""
    return frame[[name for name in TABLES[table].columns if name in frame]]


def _conflicting(table: str, key: str) -> Rule:
    return Rule(
        id="key_used_twice",
        table=table,
        column=key,
        severity="error",
        keeps_out=ROW,
        message=f"This {key} stands in several rows that differ; none of them is used. Give each "
        "its own, or delete the wrong one.",
        source="uniqueness: government data quality framework 2020, one of six dimensions",
        fails=lambda evidence: evidence[table][key].duplicated(keep=False),
    )


def _orphan(table: str, column: str, home: str) -> Rule:
    return Rule(
        id="unknown_" + column.removesuffix("_id"),
        table=table,
        column=column,
        severity="error",
        keeps_out=ROW,
        message=f"No usable row of {home} has this {column}. Correct it, or correct or add the row "
        f"in {home}.",
        source="referential integrity: local choice",
        fails=lambda evidence: ~evidence[table][column].isin(evidence[home][column]),
    )


def same_bone_same_day(evidence: Evidence) -> pd.Series:
    """True for every case after the first (in order of case_id) on one bone on one day."""
    cases = evidence["cases"]
    bone = ["patient_id", "side", "segment", "surgery_date"]
    known = cases[bone].notna().all(axis=1)
    ordered = cases.loc[known].sort_values("case_id")
    twice = ordered.duplicated(subset=bone, keep="first")
    return twice.reindex(cases.index, fill_value=False)


def _key_rules() -> list[Rule]:
    rules = []
    for table, columns in ESSENTIAL.items():
        rules += [_essential(table, column) for column in columns]
    for table, key in (
        ("patients", "patient_id"),
        ("cases", "case_id"),
        ("complications", "complication_id"),
        ("actions", "action_id"),
    ):
        rules += [_repeated(table, key), _conflicting(table, key)]
    rules += [
        _repeated(table, "case_id") for table in ("radiographs", "joint_motion", "weight_bearing")
    ]
    rules.append(_repeated("service_events", "happened_on"))
    rules.append(_repeated("theatre_counts", "quarter"))
    rules.append(_orphan("cases", "patient_id", "patients"))
    rules.append(
        Rule(
            id="same_bone_same_day",
            table="cases",
            column="case_id",
            severity="error",
            keeps_out=ROW,
            message="Another case has the same patient, side, segment and day of surgery; the one "
            "with the lower case_id is used. Delete the double entry or correct the bone.",
            source="local choice",
            fails=same_bone_same_day,
        )
    )
    rules += [_orphan(table, "case_id", "cases") for table in CHILD_TABLES]
    return rules


KEY_RULES: tuple[Rule, ...] = tuple(_key_rules())
