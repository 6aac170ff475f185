"""What is reported of each measure: its words, its unit and its kind of number."""

from __future__ import annotations

import dataclasses


@dataclasses.dataclass(frozen=True)
class Measure:
    """A column of the measured cases. kind: "number" or "yes_no". waits: the measure exists only
    once a milestone is reached, so it describes finished cases only. index: a time per
    centimetre, of which total days / total cm is given too, as (days, cm) column names."""

    name: str
    title: str
    unit: str
    kind: str = "number"
    waits: bool = False
    index: bool = False


MEASURES: tuple[Measure, ...] = (
    Measure("latency_days", "Latency", "days"),
    Measure("distraction_days", "Distraction period", "days", waits=True),
    Measure("distraction_index_mm_per_day", "Distraction index", "mm/day", waits=True),
    Measure("healing_index_days_per_cm", "Healing index", "days/cm", waits=True, index=True),
    Measure("healing_index_months_per_cm", "Healing index", "months/cm", waits=True, index=True),
    Measure("maturation_index_days_per_cm", "Maturation index", "days/cm", waits=True, index=True),
    Measure(
        "external_fixation_index_days_per_cm",
        "External fixation index",
        "days/cm",
        waits=True,
        index=True,
    ),
    Measure(
        "weight_bearing_index_days_per_cm",
        "Weight-bearing index",
        "days/cm",
        waits=True,
        index=True,
    ),
    Measure("gain_error_mm", "Achieved minus planned gain", "mm", waits=True),
    Measure("gain_attainment_pct", "Share of planned gain achieved", "%", waits=True),
    Measure("gain_accuracy_pct", "Accuracy of gain", "%", waits=True),
    Measure("gain_within_tolerance", "Gain within tolerance of the plan", "", "yes_no", waits=True),
    Measure("final_gain_error_mm", "Final minus planned gain", "mm", waits=True),
    Measure("length_lost_mm", "Length lost after distraction", "mm", waits=True),
    Measure("lengthening_pct", "Lengthening of the segment", "%", waits=True),
    Measure("knee_flexion_retention_pct", "Knee flexion kept", "%"),
    Measure("knee_arc_retention_pct", "Knee arc kept", "%"),
    Measure("complication_events", "Complications a case", "events"),
    Measure("unplanned_operations", "Unplanned operations a case", "events"),
    Measure(
        "complication_events_type_ii_or_worse", "Complications of type II or worse a case", "events"
    ),
    Measure("complication_events_type_iii", "Complications of type III a case", "events"),
    Measure("complication_events_type_iiib", "Complications of type IIIB a case", "events"),
)
BY_NAME: dict[str, Measure] = {measure.name: measure for measure in MEASURES}

#: reasons that put a case outside a measure's population rather than among its missing
NOT_APPLICABLE = ("not_a_fixator", "not_a_walking_bone")

#: times to an event: name -> (title, unit, unit of analysis)
TIMES: dict[str, tuple[str, str, str]] = {
    "time_to_full_weight_bearing": (
        "Time to full weight bearing",
        "days",
        "walking episode",
    ),
    "time_to_full_weight_bearing_by_case": ("Time to full weight bearing", "days", "case"),
    "time_to_union": ("Time to union", "days", "case"),
    "healing_index_censored_days_per_cm": ("Healing index, waiting cases kept", "days/cm", "case"),
    "time_to_knee_recovery": ("Time to regain knee flexion", "days", "case"),
}

WORDS_FOR_REASONS: dict[str, str] = {
    "distraction_not_finished": "distraction not finished",
    "no_achieved_gain": "gain at the end of distraction not recorded",
    "no_planned_gain": "plan not recorded",
    "no_final_gain": "final gain not recorded",
    "no_length_before": "bone length before surgery not recorded",
    "length_under_10mm": "less than 10 mm gained",
    "not_united": "not united yet",
    "no_distraction_start": "start of distraction not recorded",
    "no_distraction_end": "end of distraction not recorded",
    "no_day_between": "start and end of distraction on one day",
    "not_a_fixator": "no external fixator",
    "fixator_not_removed": "fixator not removed yet",
    "not_a_walking_bone": "bone nobody walks on",
    "not_yet_full_weight_bearing": "not yet full weight bearing",
    "no_baseline_motion": "no knee examination on or before surgery",
    "baseline_not_above_zero": "baseline motion not above zero",
    "no_motion_after_surgery": "no knee examination after surgery",
    "arrived_too_late": "arrived after the time was over",
    "severity_not_recorded": "a complication without a severity type",
    "inputs_missing": "inputs missing",
}
