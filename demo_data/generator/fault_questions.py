"""Faults in the table of cases that only raise a question."""

from __future__ import annotations

from demo_data.generator.fault_cases import Line, case_fault
from demo_data.generator.fault_workshop import Fault, copied, day, number

STROKE, END, FULL = "device_stroke_mm", "distraction_end_date", "full_weight_bearing_date"
GAIN, FINAL, UNION = "achieved_gain_mm", "final_gain_mm", "union_date"

#: (rule, column, cell or cells, kind of case, what was done)
_QUESTIONS: tuple[Line, ...] = (
    ("unusual_value", "age_at_surgery_years", "81", "whole", "rarely this old"),
    ("unusual_value", "discrepancy_before_mm", "230", "whole", "one digit too many"),
    ("latency_unusual", "distraction_start_date", day("surgery_date", 20), "whole", "20 days"),
    ("maturation_unusual", UNION, day(END, 10), "whole", "ten days after distraction"),
    (
        "union_before_end_of_stopped_distraction",
        UNION,
        day(END, -1),
        "stopped",
        "the day before the end of distraction",
    ),
    ("union_without_film", UNION, day(END, 20), "filmed", "a day without a film near"),
    ("union_without_distraction_end", UNION, {END: ""}, "whole", "end of distraction cleared"),
    ("gain_without_distraction_end", GAIN, {END: ""}, "whole", "end of distraction cleared"),
    ("completed_without_union", UNION, "", "whole", "union cleared"),
    ("bridged_film_without_union", UNION, "", "filmed", "union cleared"),
    (
        "full_weight_bearing_before_distraction_end",
        FULL,
        day(END, -1),
        "whole",
        "the day before the end of distraction",
    ),
    ("full_weight_bearing_before_union", FULL, day(UNION, -10), "nail", "ten days before union"),
    ("full_load_seen_without_date", FULL, "", "assessed", "cleared"),
    ("full_weight_bearing_later_than_seen", FULL, day(FULL, 31), "assessed", "a month late"),
    ("full_weight_bearing_without_assessment", FULL, day(END, 5), "assessed", "far too early"),
    ("full_weight_bearing_on_arm", FULL, {"segment": "humerus"}, "whole", "wrong segment"),
    (
        "distraction_days_unusual",
        END,
        {"planned_gain_mm": number("planned_gain_mm", times=2.2)},
        "whole",
        "plan of two bones",
    ),
    ("mean_rate_unusual", GAIN, number(GAIN, times=2), "frame", "twice the length"),
    (
        "share_of_bone_high",
        GAIN,
        {"segment_length_before_mm": number(GAIN, times=2, plus=20)},
        "bone",
        "bone twice the gain",
    ),
    ("gain_differs_from_film", GAIN, number(GAIN, plus=6), "whole", "6 mm off"),
    ("length_lost_over_10_mm", FINAL, number(GAIN, plus=-12), "final", "12 mm less"),
    ("gained_after_distraction", FINAL, number(GAIN, plus=7), "final", "7 mm more"),
    (
        "gain_above_stroke",
        GAIN,
        {STROKE: number(GAIN, plus=-5)},
        "stroke",
        "stroke of another nail",
    ),
    ("plan_above_stroke", "planned_gain_mm", number(STROKE, plus=8), "stroke", "another plan"),
    ("plan_beyond_discrepancy", "discrepancy_before_mm", "4", "unequal", "nearly none"),
    (
        "healing_index_unusual",
        UNION,
        {GAIN: "10", UNION: day("surgery_date", 130)},
        "nail",
        "a centimetre in 130 days",
    ),
    (
        "fixation_index_unusual",
        "fixator_removal_date",
        {
            GAIN: "10",
            UNION: day("surgery_date", 118),
            "fixator_removal_date": day("surgery_date", 120),
        },
        "frame",
        "a centimetre in 120 days in the frame",
    ),
    *(
        ("centimetres_for_millimetres", column, number(column, times=0.1), kind, "centimetres")
        for column, kind in (
            ("planned_gain_mm", "whole"),
            (GAIN, "whole"),
            (FINAL, "final"),
            (STROKE, "stroke"),
            ("segment_length_before_mm", "bone"),
        )
    ),
    ("days_for_weeks", "counselled_full_weight_bearing_weeks", "75", "whole", "days"),
    (
        "ages_disagree",
        "age_at_surgery_years",
        number("age_at_surgery_years", plus=6),
        "second",
        "age of somebody else",
    ),
    ("physes_unusual_for_age", "physes_open", "yes", "adult", "open in an adult"),
    ("fixator_removal_on_nail", "fixator_removal_date", copied(UNION), "nail", "wrong column"),
    ("nail_approach_without_nail", "nail_approach", "antegrade", "frame", "approach for a frame"),
    ("final_status_without_date", "outcome_date", "", "whole", "cleared"),
    (
        "outcome_date_in_treatment",
        "outcome_date",
        copied("last_follow_up_date"),
        "waiting",
        "day of the last visit",
    ),
    (
        "probably_lost",
        "outcome_status",
        {"outcome_status": "in_treatment", "outcome_date": ""},
        "old",
        "never closed",
    ),
    ("log_far_from_gain", GAIN, number(GAIN, times=0.33), "logged", "a third of the log"),
)

CASE_QUESTIONS: tuple[Fault, ...] = tuple(case_fault(line, "warning") for line in _QUESTIONS)
