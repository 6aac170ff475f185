"""Filled rows for people to look at: two invented patients, one treated, one still in treatment.

They stand on a sheet of their own, so the table sheets stay empty and no reader can take the
example for data. They pass every rule; a table without rows here gets a row from its contract.
"""

from __future__ import annotations

from schemas import TABLES, vocabulary
from schemas.fields import Limits

PATIENT, CASE = "EXAMPLE-P01", "EXAMPLE-C01"
SECOND_PATIENT, SECOND_CASE = "EXAMPLE-P02", "EXAMPLE-C02"
DAY = "2024-03-05"

#: table -> rows as they are typed
EXAMPLE: dict[str, list[dict[str, str]]] = {
    "patients": [
        {"patient_id": PATIENT, "sex": "female", "aetiology": "congenital"},
        {"patient_id": SECOND_PATIENT, "sex": "male", "aetiology": "post_traumatic"},
    ],
    "cases": [
        {
            "case_id": CASE,
            "patient_id": PATIENT,
            "centre": "north",
            "surgeon": "S1",
            "side": "left",
            "segment": "femur",
            "device_class": "lengthening_nail",
            "nail_approach": "antegrade",
            "age_at_surgery_years": "17.5",
            "physes_open": "no",
            "surgery_date": DAY,
            "planned_gain_mm": "40",
            "device_stroke_mm": "80",
            "segment_length_before_mm": "412",
            "discrepancy_before_mm": "41",
            "counselled_full_weight_bearing_weeks": "24",
            "distraction_start_date": "2024-03-12",
            "distraction_end_date": "2024-04-21",
            "achieved_gain_mm": "39.5",
            "final_gain_mm": "39",
            "union_date": "2024-08-06",
            "full_weight_bearing_date": "2024-08-20",
            "device_removal_date": "2025-07-15",
            "last_follow_up_date": "2025-09-02",
            "outcome_status": "completed",
            "outcome_date": "2024-08-20",
        },
        {
            "case_id": SECOND_CASE,
            "patient_id": SECOND_PATIENT,
            "centre": "north",
            "surgeon": "S2",
            "side": "right",
            "segment": "tibia",
            "device_class": "circular_fixator",
            "age_at_surgery_years": "31",
            "physes_open": "no",
            "surgery_date": "2025-08-12",
            "planned_gain_mm": "30",
            "segment_length_before_mm": "335",
            "discrepancy_before_mm": "31",
            "counselled_full_weight_bearing_weeks": "30",
            "distraction_start_date": "2025-08-20",
            "last_follow_up_date": "2025-08-26",
            "outcome_status": "in_treatment",
        },
    ],
    "radiographs": [
        {"case_id": CASE, "taken_on": "2024-04-02", "gain_mm": "21", "cortices_bridged": "0"},
        {"case_id": CASE, "taken_on": "2024-04-21", "gain_mm": "39.5", "cortices_bridged": "0"},
        {"case_id": CASE, "taken_on": "2024-08-06", "gain_mm": "39", "cortices_bridged": "3",
         "mechanical_axis_deviation_mm": "6", "mldfa_deg": "88", "mpta_deg": "87"},
    ],
    "joint_motion": [
        {"case_id": CASE, "examined_on": "2024-02-20", "joint": "knee", "flexion_deg": "140",
         "extension_deficit_deg": "0"},
        {"case_id": CASE, "examined_on": "2024-08-20", "joint": "knee", "flexion_deg": "130",
         "extension_deficit_deg": "0"},
    ],
    "weight_bearing": [
        {"case_id": CASE, "assessed_on": "2024-04-23", "load": "partial", "aid": "two_crutches"},
        {"case_id": CASE, "assessed_on": "2024-08-20", "load": "full", "aid": "none"},
    ],
    "complications": [
        {
            "complication_id": "EXAMPLE-X01",
            "case_id": CASE,
            "occurred_on": "2024-04-09",
            "origin": "joint",
            "description": "knee stiffness, more physiotherapy",
            "unplanned_operation": "no",
            "resolved_on": "2024-06-18",
            "permanent": "no",
            "course_class": "problem",
            "severity_type": "I",
        }
    ],
    "distraction_sessions": [
        {"case_id": SECOND_CASE, "started_at": "2025-08-20 07:40", "prescribed_mm": "0.25",
         "delivered_mm": "0.25"},
        {"case_id": SECOND_CASE, "started_at": "2025-08-20 13:30", "prescribed_mm": "0.25",
         "delivered_mm": "0.25"},
    ],
    "actions": [
        {
            "action_id": "EXAMPLE-A01",
            "raised_on": "2024-10-17",
            "criterion": "knee_flexion_kept_femur",
            "action": "Flexion below 60 degrees: seen within one week",
            "owner_role": "physiotherapy lead",
            "due_on": "2024-12-31",
            "closed_on": "2024-12-10",
        }
    ],
    "service_events": [
        {
            "happened_on": "2024-01-15",
            "label": "New calibration ball on every length film",
            "kind": "change",
            "cause": "Lengths differed between films",
            "decided_by": "radiography lead",
        }
    ],
    "theatre_counts": [
        {"quarter": "2024Q1", "centre": "north", "operations": "1"},
        {"quarter": "2024Q2", "centre": "north", "operations": "0"},
    ],
}  # fmt: skip


def example_rows(table: str) -> list[dict[str, str]]:
    """The filled rows of a table as typed; a column that is absent is left empty."""
    return EXAMPLE.get(table) or [_made_row(table)]


def _made_row(table: str) -> dict[str, str]:
    """A row with the required values, each the plainest its contract allows."""
    columns = TABLES[table].columns
    return {
        name: _made_value(table, name, column.metadata)
        for name, column in columns.items()
        if column.required
    }


def _made_value(table: str, name: str, metadata: dict) -> str:
    kind = metadata["kind"]
    if kind == "code":
        return vocabulary.codes(metadata["codes"])[0]
    if kind in ("number", "whole"):
        return f"{_middle(metadata['limits']):g}"
    if kind in ("day", "moment"):
        return DAY if kind == "day" else f"{DAY} 09:00"
    shared = {"patient_id": PATIENT, "case_id": CASE}
    return shared.get(name, f"EXAMPLE-{table}" if kind == "identifier" else "example")


def _middle(limits: Limits) -> int:
    low = limits.low if limits.usual_low is None else limits.usual_low
    high = limits.high if limits.usual_high is None else limits.usual_high
    if low is None or high is None:
        return int(low if low is not None else high if high is not None else 0)
    return int((low + high) // 2)
