"""Records to tables, gaps as in real paper work, tables to CSV files."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pandas as pd

from demo_data.generator import events, theatre
from demo_data.generator.closing import Record
from demo_data.generator.parameters import Parameters
from demo_data.generator.people import Patient
from demo_data.generator.treatment import promised_weeks

Rng = np.random.Generator
Rows = list[dict]

COLUMNS = {
    "patients": ("patient_id", "sex", "aetiology"),
    "cases": (
        "case_id", "patient_id", "centre", "surgeon", "side", "segment", "device_class",
        "nail_approach", "age_at_surgery_years", "physes_open", "surgery_date",
        "planned_gain_mm", "device_stroke_mm", "segment_length_before_mm",
        "discrepancy_before_mm", "counselled_full_weight_bearing_weeks",
        "distraction_start_date", "distraction_end_date", "achieved_gain_mm", "final_gain_mm",
        "union_date", "full_weight_bearing_date", "fixator_removal_date",
        "device_removal_date", "last_follow_up_date", "outcome_status", "outcome_date",
        "arrival_date",
    ),
    "radiographs": (
        "case_id", "taken_on", "gain_mm", "cortices_bridged", "mechanical_axis_deviation_mm",
        "mldfa_deg", "mpta_deg",
    ),
    "joint_motion": (
        "case_id", "examined_on", "joint", "flexion_deg", "extension_deficit_deg",
    ),
    "weight_bearing": ("case_id", "assessed_on", "load", "aid"),
    "complications": (
        "complication_id", "case_id", "occurred_on", "origin", "description",
        "unplanned_operation", "resolved_on", "permanent", "course_class", "severity_type",
        "pin_site_grade", "pin_site_scheme",
    ),
    "distraction_sessions": ("case_id", "started_at", "prescribed_mm", "delivered_mm"),
    "actions": (
        "action_id", "raised_on", "criterion", "action", "owner_role", "due_on", "closed_on",
    ),
    "service_events": ("happened_on", "label", "kind", "criterion", "cause", "decided_by"),
    "theatre_counts": ("quarter", "centre", "operations"),
}  # fmt: skip
#: columns that paper work leaves empty, and how often compared with the true missing share
GAPS = {
    "surgeon": 0.5,
    "physes_open": 0.8,
    "segment_length_before_mm": 1.2,
    "discrepancy_before_mm": 1.2,
    "device_stroke_mm": 0.8,
    "counselled_full_weight_bearing_weeks": 1.6,
    "distraction_start_date": 0.25,
    "final_gain_mm": 0.5,
}
EVENT_GAPS = ("permanent", "course_class", "severity_type", "resolved_on")


def make_tables(
    patients: list[Patient], records: list[Record], actions: Rows, parameters: Parameters
) -> dict[str, pd.DataFrame]:
    """All tables as text, ready to be written; empty text = missing."""
    rng = np.random.default_rng([parameters.seed, 9])
    ordered = sorted(records, key=lambda r: (r.course.plan.surgery, r.course.plan.patient.number))
    rows: dict[str, Rows] = {name: [] for name in COLUMNS}
    rows["patients"] = [_patient_row(patient, rng) for patient in patients]
    rows["actions"] = actions
    rows["service_events"] = events.service_events()
    for number, record in enumerate(ordered, start=1):
        case_id = f"C{number:03d}"
        _add_case(rows, case_id, record, (parameters, rng))
    for number, row in enumerate(rows["complications"], start=1):
        row["complication_id"] = f"X{number:03d}"
    rows["theatre_counts"] = theatre.counts(
        rows["cases"], np.random.default_rng([parameters.seed, 11])
    )
    return {name: _frame(rows[name], columns) for name, columns in COLUMNS.items()}


def write_tables(tables: dict[str, pd.DataFrame], folder: Path) -> None:
    """One CSV file a table: UTF-8, LF, empty cell = missing."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, table in tables.items():
        table.to_csv(folder / f"{name}.csv", index=False, lineterminator="\n", encoding="utf-8")


def _patient_row(patient: Patient, rng: Rng) -> dict:
    chance = rng.random()
    cause = "" if chance < 0.03 else ("unknown" if chance < 0.06 else patient.aetiology)
    return {"patient_id": f"P{patient.number:03d}", "sex": patient.sex, "aetiology": cause}


def _add_case(rows: dict[str, Rows], case_id: str, record: Record, setting: tuple) -> None:
    parameters, rng = setting
    old = record.course.plan.surgery < parameters.old_before.toordinal()
    share = parameters.missing_share_old if old else parameters.missing_share
    rows["cases"].append(_case_row(case_id, record, share, setting))
    loads = [] if old and rng.random() < 0.05 else record.loads
    for name, found in (
        ("radiographs", _films_with_gaps(record, share, rng)),
        ("joint_motion", _visits_with_gaps(record.motion, "extension_deficit_deg", share, rng)),
        ("weight_bearing", _visits_with_gaps(loads, "aid", share * 0.3, rng)),
        ("complications", _events_with_gaps(record.complications, share, rng)),
        ("distraction_sessions", [_session(row) for row in record.sessions]),
    ):
        rows[name] += [{"case_id": case_id, **row} for row in found]


def _case_row(case_id: str, record: Record, share: float, setting: tuple) -> dict:
    parameters, rng = setting
    plan, facts = record.course.plan, record.facts
    walking = plan.walking
    row = {
        "case_id": case_id,
        "patient_id": f"P{plan.patient.number:03d}",
        "centre": plan.patient.centre,
        "surgeon": plan.patient.surgeon,
        "side": plan.side,
        "segment": plan.segment,
        "device_class": plan.device,
        "nail_approach": plan.approach,
        "age_at_surgery_years": plan.age,
        "physes_open": "yes" if plan.physes_open else "no",
        "surgery_date": _day(plan.surgery),
        "planned_gain_mm": plan.planned,
        "device_stroke_mm": plan.stroke,
        "segment_length_before_mm": plan.length,
        "discrepancy_before_mm": plan.discrepancy,
        "counselled_full_weight_bearing_weeks": promised_weeks(plan, parameters)
        if walking
        else None,
        "distraction_start_date": _day(facts.get("start")),
        "distraction_end_date": _day(facts.get("end")),
        "achieved_gain_mm": facts["achieved_gain_mm"],
        "final_gain_mm": facts["final_gain_mm"],
        "union_date": _day(facts.get("union")),
        "full_weight_bearing_date": _day(facts.get("free") if walking else None),
        "fixator_removal_date": _day(facts.get("frame_off")),
        "device_removal_date": _day(facts.get("removal")),
        "last_follow_up_date": _day(facts["last"]),
        "outcome_status": facts["outcome_status"],
        "outcome_date": _day(facts["outcome_date"]),
        "arrival_date": _day(facts["arrival"]),
    }
    for column, weight in GAPS.items():
        if rng.random() < share * weight:
            row[column] = None
    return row


def _films_with_gaps(record: Record, share: float, rng: Rng) -> Rows:
    """Some films uncalibrated, some not read for union; never the film a date rests on."""
    days = record.course.days
    fixed = (days["end_film"], days["union"])
    result = []
    for row in record.films:
        row = row | {"taken_on": _day(row["taken_on"])} | {"day": row["taken_on"]}
        last = row["day"] == record.films[-1]["taken_on"]
        if rng.random() < share * 0.6 and row["day"] not in fixed and not last:
            row["gain_mm"] = None
        if rng.random() < share * 0.5 and row["day"] not in fixed:
            row["cortices_bridged"] = None
        result.append(row)
    return result


def _visits_with_gaps(found: Rows, column: str, share: float, rng: Rng) -> Rows:
    result = []
    for row in sorted(found, key=lambda row: row.get("examined_on") or row["assessed_on"]):
        dated = {
            key: _day(value) if key in ("examined_on", "assessed_on") else value
            for key, value in row.items()
        }
        if rng.random() < share and row.get("load") != "full":
            dated[column] = None
        result.append(dated)
    return result


def _events_with_gaps(found: Rows, share: float, rng: Rng) -> Rows:
    result = []
    for row in sorted(found, key=lambda event: event["occurred_on"]):
        dated = row | {name: _day(row[name]) for name in ("occurred_on", "resolved_on")}
        for column in EVENT_GAPS:
            if rng.random() < share * 0.6:
                dated[column] = None
        result.append(dated)
    return result


def _session(row: dict) -> dict:
    day, minute = row["started_at"]
    return row | {"started_at": f"{_day(day)} {minute // 60:02d}:{minute % 60:02d}"}


def _day(ordinal: int | None) -> str | None:
    return None if ordinal is None else dt.date.fromordinal(ordinal).isoformat()


def _frame(rows: Rows, columns: tuple[str, ...]) -> pd.DataFrame:
    return pd.DataFrame(
        [[_text(row.get(column)) for column in columns] for row in rows], columns=list(columns)
    )


def _text(value: object) -> str:
    if value is None:
        return ""
    return f"{value:g}" if isinstance(value, float) else str(value)
