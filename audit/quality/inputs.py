"""What each reported measure is made from: its columns, and the tables it cannot do without."""

from __future__ import annotations

from audit.criteria import EVENTS_OF_RATE
from audit.measures.complications import SEVERE

_GAIN = ("cases.achieved_gain_mm",)
_PLAN = ("cases.planned_gain_mm", *_GAIN)
_UNION = ("cases.surgery_date", "cases.union_date")
_KNEE = (
    "cases.surgery_date",
    "joint_motion.examined_on",
    "joint_motion.joint",
    "joint_motion.flexion_deg",
)
_WALK = (
    "cases.surgery_date",
    "cases.segment",
    "cases.full_weight_bearing_date",
    "cases.last_follow_up_date",
    "cases.arrival_date",
    "cases.outcome_status",
    "cases.outcome_date",
    "weight_bearing.assessed_on",
    "weight_bearing.load",
)
_SEEN = ("radiographs.taken_on", "radiographs.cortices_bridged", "cases.last_follow_up_date")

#: measure of `audit.results.catalogue` -> "table.column" of everything that goes into its value
INPUTS: dict[str, tuple[str, ...]] = {
    "latency_days": ("cases.surgery_date", "cases.distraction_start_date"),
    "distraction_days": ("cases.distraction_start_date", "cases.distraction_end_date"),
    "distraction_index_mm_per_day": (
        "cases.distraction_start_date",
        "cases.distraction_end_date",
        *_GAIN,
    ),
    "healing_index_days_per_cm": (*_UNION, *_GAIN),
    "healing_index_months_per_cm": (*_UNION, *_GAIN),
    "maturation_index_days_per_cm": ("cases.distraction_end_date", "cases.union_date", *_GAIN),
    "external_fixation_index_days_per_cm": (
        "cases.device_class",
        "cases.surgery_date",
        "cases.fixator_removal_date",
        *_GAIN,
    ),
    "weight_bearing_index_days_per_cm": (
        "cases.segment",
        "cases.surgery_date",
        "cases.full_weight_bearing_date",
        *_GAIN,
    ),
    "gain_error_mm": _PLAN,
    "gain_attainment_pct": _PLAN,
    "gain_accuracy_pct": _PLAN,
    "gain_within_tolerance": _PLAN,
    "final_gain_error_mm": ("cases.planned_gain_mm", "cases.final_gain_mm"),
    "length_lost_mm": (*_GAIN, "cases.final_gain_mm"),
    "lengthening_pct": ("cases.segment_length_before_mm", *_GAIN),
    "knee_flexion_retention_pct": _KNEE,
    "knee_arc_retention_pct": (*_KNEE, "joint_motion.extension_deficit_deg"),
    "complication_events": ("complications.case_id",),
    "unplanned_operations": ("complications.case_id", "complications.unplanned_operation"),
    **dict.fromkeys(SEVERE, ("complications.case_id", "complications.severity_type")),
    "time_to_full_weight_bearing": _WALK,
    "time_to_full_weight_bearing_by_case": _WALK,
    "time_to_union": (*_UNION, *_SEEN, "cases.arrival_date"),
    "healing_index_censored_days_per_cm": (*_UNION, *_GAIN, *_SEEN, "cases.arrival_date"),
    "time_to_knee_recovery": (
        *_KNEE,
        "cases.distraction_end_date",
        "cases.last_follow_up_date",
        "cases.arrival_date",
    ),
}
#: measures of criteria that are no measure of a case, and the measure whose inputs they share
SHARED: dict[str, str] = EVENTS_OF_RATE
#: optional tables without which a measure cannot be formed at all; the other tables sharpen it
NEEDED: dict[str, str] = {
    "knee_flexion_retention_pct": "joint_motion",
    "knee_arc_retention_pct": "joint_motion",
    "time_to_knee_recovery": "joint_motion",
    **dict.fromkeys((*EVENTS_OF_RATE, *EVENTS_OF_RATE.values()), "complications"),
}
