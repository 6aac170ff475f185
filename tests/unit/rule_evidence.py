"""Small evidence for the tests of rules: one sound case that no rule asks about, and changes to it.

The days, lengths and angles of the sound case are invented.
"""

from __future__ import annotations

import dataclasses
import functools
from typing import Any

import numpy as np
import pandas as pd

import schemas
from schemas.fields import KINDS
from schemas.rules import VALUE_RULES, Evidence, Rule

LATEST_DAY = pd.Timestamp("2026-09-30")

PATIENT = {"patient_id": "P1", "sex": "male", "aetiology": "post_traumatic"}
CASE = {
    "case_id": "C1",
    "patient_id": "P1",
    "side": "left",
    "segment": "femur",
    "device_class": "lengthening_nail",
    "nail_approach": "antegrade",
    "age_at_surgery_years": 30.0,
    "physes_open": "no",
    "surgery_date": "2025-01-10",
    "planned_gain_mm": 50,
    "device_stroke_mm": 80,
    "segment_length_before_mm": 420,
    "discrepancy_before_mm": 52,
    "counselled_full_weight_bearing_weeks": 26,
    "distraction_start_date": "2025-01-17",
    "distraction_end_date": "2025-03-08",
    "achieved_gain_mm": 50,
    "final_gain_mm": 49,
    "union_date": "2025-06-20",
    "full_weight_bearing_date": "2025-07-01",
    "last_follow_up_date": "2026-03-02",
    "outcome_status": "completed",
    "outcome_date": "2026-03-02",
}
#: the same case while it is being lengthened
ONGOING = {
    "distraction_end_date": None,
    "achieved_gain_mm": None,
    "final_gain_mm": None,
    "union_date": None,
    "full_weight_bearing_date": None,
    "outcome_status": "in_treatment",
    "outcome_date": None,
}
FRAME = {"device_class": "circular_fixator", "nail_approach": None, "device_stroke_mm": None}
EVENT = {
    "complication_id": "E1",
    "case_id": "C1",
    "occurred_on": "2025-02-10",
    "origin": "joint",
    "unplanned_operation": "no",
    "resolved_on": "2025-03-10",
    "permanent": "no",
    "course_class": "problem",
    "severity_type": "I",
}
ACTION = {
    "action_id": "A1",
    "raised_on": "2026-01-10",
    "criterion": "union",
    "action": "write",
    "due_on": "2026-03-01",
    "closed_on": "2026-02-01",
}


def case(**changes: Any) -> dict[str, Any]:
    """The sound case with changes."""
    return CASE | changes


def ongoing(**changes: Any) -> dict[str, Any]:
    """The sound case in distraction, with changes."""
    return CASE | ONGOING | changes


def frame_case(**changes: Any) -> dict[str, Any]:
    """The sound case with a circular fixator that came off at union, with changes."""
    return CASE | FRAME | {"fixator_removal_date": "2025-06-20"} | changes


def film(day: str, **changes: Any) -> dict[str, Any]:
    return {"case_id": "C1", "taken_on": day} | changes


def knee(day: str, flexion: float | None, deficit: float | None = 0, **more: Any) -> dict[str, Any]:
    angles = {"flexion_deg": flexion, "extension_deficit_deg": deficit}
    return {"case_id": "C1", "examined_on": day, "joint": "knee"} | angles | more


def load(day: str, how: str, aid: str | None = "two_crutches") -> dict[str, Any]:
    return {"case_id": "C1", "assessed_on": day, "load": how, "aid": aid}


def event(**changes: Any) -> dict[str, Any]:
    return EVENT | changes


def action(**changes: Any) -> dict[str, Any]:
    return ACTION | changes


def session(moment: str, delivered: float | None = 1.0, **more: Any) -> dict[str, Any]:
    return {"case_id": "C1", "started_at": moment, "delivered_mm": delivered} | more


def sessions(first: str, count: int, step: float = 1.0) -> list[dict[str, Any]]:
    """A session a day at noon."""
    moments = pd.date_range(first, periods=count) + pd.Timedelta(hours=12)
    return [session(str(moment), step) for moment in moments]


def typed(name: str, rows: list[dict[str, Any]]) -> pd.DataFrame:
    """Rows as a table of the contract: all columns, text, floats and dates."""
    columns = {}
    for column, contract in schemas.TABLES[name].columns.items():
        values = [row.get(column) for row in rows]
        kind = contract.metadata["kind"]
        if kind in ("day", "moment"):
            columns[column] = np.array(
                [
                    np.datetime64("NaT") if day is None else pd.Timestamp(day).to_datetime64()
                    for day in values
                ],
                dtype="datetime64[ns]",
            )
        elif kind in ("number", "whole"):
            columns[column] = np.array(values, dtype="float64")
        else:
            columns[column] = np.array(values, dtype=object)
    return pd.DataFrame(columns)


@functools.cache
def empty(name: str) -> pd.DataFrame:
    """A table of the contract without rows."""
    return typed(name, [])


def evidence(**tables: list[dict[str, Any]]) -> Evidence:
    """Evidence with these rows; without `patients` the sound patient, without `cases` the case."""
    given = {"patients": [PATIENT], "cases": [CASE]} | tables
    frames = {
        name: typed(name, given[name]) if given.get(name) else empty(name)
        for name in schemas.TABLES
    }
    return Evidence(frames, LATEST_DAY)


def with_text(tables: Evidence, kind: str) -> Evidence:
    """The same evidence with text columns of another pandas type."""
    frames = {}
    for name, frame in tables.frames.items():
        contract = schemas.TABLES[name].columns
        text = [column for column in frame if KINDS[contract[column].metadata["kind"]] == "object"]
        frames[name] = frame.astype(dict.fromkeys(text, kind))
    return Evidence(frames, tables.latest_day)


@dataclasses.dataclass(frozen=True)
class Check:
    """A rule, evidence that breaks it in the named rows only, and a twin that does not."""

    rule: str
    place: str
    bad: dict[str, list[dict[str, Any]]]
    good: dict[str, list[dict[str, Any]]]
    rows: tuple[int, ...] = (0,)

    def __str__(self) -> str:
        return f"{self.rule}-{self.place}"

    def find(self) -> Rule:
        table, column = self.place.split(".")
        (found,) = (
            rule
            for rule in VALUE_RULES
            if (rule.id, rule.table, rule.column) == (self.rule, table, column)
        )
        return found


def failing(rule: Rule, tables: Evidence) -> list[int]:
    """Positions of the rows that break a rule; also checks the form of the answer."""
    fails = rule.fails(tables)
    assert isinstance(fails, pd.Series)
    assert fails.dtype == np.dtype(bool)
    assert fails.index.equals(tables[rule.table].index)
    return list(np.flatnonzero(fails.to_numpy()))


def assert_rule(check: Check) -> None:
    """The bad evidence breaks the rule in the named rows, the good twin in none."""
    rule = check.find()
    assert failing(rule, evidence(**check.bad)) == list(check.rows)
    assert failing(rule, evidence(**check.good)) == []
