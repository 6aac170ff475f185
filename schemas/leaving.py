"""What of the case tables may leave the department, column by column: an allow-list.

A column that is not listed here never leaves. What is listed leaves only as said, and only in
tables about groups. The list follows the 18 kinds of identifiers of US 45 CFR 164.514(b)(2) (safe
harbour): no names, numbers, codes of a person or device, no free text, of dates no more than the
year or quarter, ages above 89 as one group. What each column may show is a local choice.
"""

from __future__ import annotations

CATEGORY = "category"
CENTRE = "centre"
AGE_BAND = "age band"
PERIOD = "period"
GROUPS = "groups"
NEVER = "never"

#: how a column may leave -> words for people
HOW: dict[str, str] = {
    CATEGORY: "as a category of its code list",
    CENTRE: "as a category, where the tables hold several centres",
    AGE_BAND: "in bands from the declared list, the last one 90 or over",
    PERIOD: "as the quarters that a table speaks of",
    GROUPS: "only in numbers about groups of people",
    NEVER: "never",
}

#: table -> column -> one of `HOW`
LEAVING: dict[str, dict[str, str]] = {
    "patients": {"patient_id": NEVER, "sex": CATEGORY, "aetiology": CATEGORY},
    "cases": {
        "case_id": NEVER,
        "patient_id": NEVER,
        "centre": CENTRE,
        "surgeon": NEVER,
        "side": GROUPS,
        "segment": CATEGORY,
        "device_class": CATEGORY,
        "nail_approach": GROUPS,
        "age_at_surgery_years": AGE_BAND,
        "physes_open": GROUPS,
        "surgery_date": PERIOD,
        "planned_gain_mm": GROUPS,
        "device_stroke_mm": GROUPS,
        "segment_length_before_mm": GROUPS,
        "discrepancy_before_mm": GROUPS,
        "counselled_full_weight_bearing_weeks": GROUPS,
        "distraction_start_date": GROUPS,
        "distraction_end_date": GROUPS,
        "achieved_gain_mm": GROUPS,
        "final_gain_mm": GROUPS,
        "union_date": GROUPS,
        "full_weight_bearing_date": GROUPS,
        "fixator_removal_date": GROUPS,
        "device_removal_date": GROUPS,
        "last_follow_up_date": GROUPS,
        "outcome_status": CATEGORY,
        "outcome_date": GROUPS,
        "arrival_date": GROUPS,
    },
    "radiographs": {
        "case_id": NEVER,
        "taken_on": GROUPS,
        "gain_mm": GROUPS,
        "cortices_bridged": GROUPS,
        "mechanical_axis_deviation_mm": GROUPS,
        "mldfa_deg": GROUPS,
        "mpta_deg": GROUPS,
    },
    "joint_motion": {
        "case_id": NEVER,
        "examined_on": GROUPS,
        "joint": GROUPS,
        "flexion_deg": GROUPS,
        "extension_deficit_deg": GROUPS,
    },
    "weight_bearing": {
        "case_id": NEVER,
        "assessed_on": GROUPS,
        "load": GROUPS,
        "aid": GROUPS,
    },
    "complications": {
        "complication_id": NEVER,
        "case_id": NEVER,
        "occurred_on": GROUPS,
        "origin": CATEGORY,
        "description": NEVER,
        "unplanned_operation": CATEGORY,
        "resolved_on": GROUPS,
        "permanent": GROUPS,
        "course_class": CATEGORY,
        "severity_type": CATEGORY,
        "pin_site_grade": NEVER,
        "pin_site_scheme": NEVER,
    },
    "distraction_sessions": {
        "case_id": NEVER,
        "started_at": GROUPS,
        "prescribed_mm": GROUPS,
        "delivered_mm": GROUPS,
    },
    "actions": dict.fromkeys(
        ("action_id", "raised_on", "criterion", "action", "owner_role", "due_on", "closed_on"),
        NEVER,
    ),
    "service_events": dict.fromkeys(
        ("happened_on", "label", "kind", "criterion", "cause", "decided_by"), NEVER
    ),
    "theatre_counts": dict.fromkeys(("quarter", "centre", "operations"), NEVER),
}

#: first year of each age band; the last band has no end and must not begin above this one
TOP_CODE_YEARS = 90
AGE_BANDS: tuple[int, ...] = (0, 10, 18, 30, 45, 60, 75, TOP_CODE_YEARS)
#: the bands that stand for them where they are too fine; each begins at one of the finer bands
COARSER_AGE_BANDS: tuple[int, ...] = (0, 18, 45)

NOT_RECORDED = "not_recorded"
_REST = "other_or_unknown"
#: code list -> code -> coarser category, tried before anything is hidden (local choice)
COARSER: dict[str, dict[str, str]] = {
    "sex": {
        "female": "female",
        "male": "male",
        "other": _REST,
        "unknown": _REST,
        NOT_RECORDED: _REST,
    },
    "aetiology": {
        "congenital": "congenital_or_developmental",
        "developmental": "congenital_or_developmental",
        "skeletal_dysplasia": "congenital_or_developmental",
        "post_traumatic": "post_traumatic_or_post_infective",
        "post_infective": "post_traumatic_or_post_infective",
        "short_stature": _REST,
        "tumour": _REST,
        "other": _REST,
        "unknown": _REST,
        NOT_RECORDED: _REST,
    },
    "segment": {
        "femur": "femur",
        "tibia": "tibia",
        "humerus": "arm_or_other",
        "forearm": "arm_or_other",
        "other": "arm_or_other",
        "mixed": "arm_or_other",
        NOT_RECORDED: "arm_or_other",
    },
    "device_class": {
        "lengthening_nail": "lengthening_nail",
        "circular_fixator": "fixator_or_other",
        "monolateral_fixator": "fixator_or_other",
        "lengthening_over_nail": "fixator_or_other",
        "other": "fixator_or_other",
        "mixed": "fixator_or_other",
        NOT_RECORDED: "fixator_or_other",
    },
    "outcome_status": {
        "in_treatment": "in_treatment",
        "completed": "completed",
        "stopped_early": "ended_otherwise",
        "device_exchanged": "ended_otherwise",
        "lost_to_follow_up": "ended_otherwise",
        "amputated": "ended_otherwise",
        "died": "ended_otherwise",
        NOT_RECORDED: "ended_otherwise",
    },
    "origin": {
        "soft_tissue": "soft_tissue_or_joint",
        "joint": "soft_tissue_or_joint",
        "bone": "bone_or_device",
        "device": "bone_or_device",
        "vascular": "vascular_nerve_infection_or_other",
        "neurological": "vascular_nerve_infection_or_other",
        "infection": "vascular_nerve_infection_or_other",
        "other": "vascular_nerve_infection_or_other",
        NOT_RECORDED: "vascular_nerve_infection_or_other",
    },
    "course_class": {
        "problem": "problem",
        "obstacle": "obstacle_or_complication",
        "complication": "obstacle_or_complication",
        NOT_RECORDED: NOT_RECORDED,
    },
    "severity_type": {
        "I": "Type I or II",
        "II": "Type I or II",
        "IIIA": "Type III",
        "IIIB": "Type III",
        NOT_RECORDED: NOT_RECORDED,
    },
}


def how_it_leaves(table: str, column: str) -> str:
    """How a column may leave, one of `HOW`; a column that is not listed: never."""
    return LEAVING.get(table, {}).get(column, NEVER)
