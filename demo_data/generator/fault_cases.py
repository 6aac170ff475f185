"""Faults in the tables of patients and cases."""

from __future__ import annotations

from collections.abc import Mapping

from demo_data.generator.fault_workshop import Cell, Fault, copied, day, number

Line = tuple[str, str, Cell | Mapping[str, Cell], str, str]

#: (rule, column, cell or cells, kind of case, what was done), each an error
_ERRORS: tuple[Line, ...] = (
    ("not_a_date", "union_date", "31/12/2022", "whole", "day written with strokes"),
    ("not_a_date", "distraction_end_date", "2023-02-30", "whole", "a day that no month has"),
    ("not_a_number", "achieved_gain_mm", "45,5", "whole", "decimal comma"),
    ("not_a_number", "planned_gain_mm", "50mm", "whole", "unit in the cell"),
    ("not_in_code_list", "device_class", "nail", "whole", "word of its own"),
    ("not_in_code_list", "outcome_status", "lost to follow-up", "whole", "words, not the code"),
    ("out_of_range", "age_at_surgery_years", "1987", "whole", "year of birth for age"),
    ("out_of_range", "planned_gain_mm", "450", "whole", "one digit too many"),
    ("missing_required", "planned_gain_mm", "", "whole", "left empty"),
    ("missing_required", "segment", "", "whole", "left empty"),
    ("missing_required", "last_follow_up_date", "", "whole", "left empty"),
    ("row_without_surgery_date", "surgery_date", "", "whole", "left empty"),
    ("unknown_patient", "patient_id", "P990", "whole", "patient who is in no row of patients"),
    ("date_before_1980", "full_weight_bearing_date", "1922-07-01", "whole", "wrong century"),
    ("date_in_future", "device_removal_date", "2062-03-01", "whole", "2062 typed for 2026"),
    (
        "distraction_starts_before_surgery",
        "distraction_start_date",
        day("surgery_date", -3),
        "whole",
        "three days before surgery",
    ),
    (
        "latency_over_60_days",
        "distraction_start_date",
        day("surgery_date", 61),
        "whole",
        "two months late",
    ),
    (
        "distraction_ends_before_surgery",
        "distraction_end_date",
        day("surgery_date", -1),
        "whole",
        "the day before surgery",
    ),
    (
        "distraction_ends_before_start",
        "distraction_end_date",
        day("distraction_start_date", -1),
        "whole",
        "the day before the start",
    ),
    (
        "distraction_over_400_days",
        "distraction_end_date",
        day("distraction_start_date", 401),
        "whole",
        "wrong year",
    ),
    (
        "distraction_of_no_days_with_gain",
        "distraction_end_date",
        copied("distraction_start_date"),
        "whole",
        "start copied into the end",
    ),
    (
        "frame_removed_before_distraction_end",
        "fixator_removal_date",
        day("distraction_end_date", -1),
        "frame",
        "the day before the end of distraction",
    ),
    *(
        (rule, column, day("surgery_date", -1), kind, "the day before surgery")
        for rule, column, kind in (
            ("fixator_removed_before_surgery", "fixator_removal_date", "over_nail"),
            ("device_removed_before_surgery", "device_removal_date", "nail"),
            ("full_weight_bearing_before_surgery", "full_weight_bearing_date", "whole"),
            ("outcome_before_surgery", "outcome_date", "whole"),
            ("last_follow_up_before_surgery", "last_follow_up_date", "whole"),
            ("arrival_before_surgery", "arrival_date", "whole"),
            ("union_before_surgery", "union_date", "whole"),
        )
    ),
    (
        "arrival_after_last_follow_up",
        "arrival_date",
        day("last_follow_up_date", 1),
        "whole",
        "the day after the last follow-up",
    ),
    (
        "facts_after_last_follow_up",
        "last_follow_up_date",
        copied("distraction_end_date"),
        "whole",
        "the end of distraction typed as last follow-up",
    ),
    (
        "union_before_distraction_end",
        "union_date",
        day("distraction_end_date", -1),
        "whole",
        "the day before the end of distraction",
    ),
    (
        "maturation_over_1095_days",
        "union_date",
        day("distraction_end_date", 1100),
        "old",
        "over three years after distraction",
    ),
    (
        "mean_rate_over_3_mm_a_day",
        "achieved_gain_mm",
        number("achieved_gain_mm", times=4),
        "frame",
        "four times the length",
    ),
    (
        "share_of_bone_impossible",
        "achieved_gain_mm",
        {"achieved_gain_mm": "-45", "segment_length_before_mm": "300"},
        "frame",
        "a minus sign",
    ),
    ("gain_while_in_distraction", "achieved_gain_mm", "21.5", "lengthening", "gain so far"),
    (
        "gain_beyond_stroke",
        "achieved_gain_mm",
        {"device_stroke_mm": number("achieved_gain_mm", plus=-12)},
        "stroke",
        "stroke of another nail",
    ),
    (
        "healing_index_impossible",
        "union_date",
        {"achieved_gain_mm": "10", "union_date": day("surgery_date", 420)},
        "nail",
        "a centimetre in over 400 days",
    ),
    (
        "fixation_index_impossible",
        "fixator_removal_date",
        {
            "achieved_gain_mm": "10",
            "union_date": day("surgery_date", 205),
            "fixator_removal_date": day("surgery_date", 210),
        },
        "frame",
        "a centimetre in over 200 days in the frame",
    ),
)

#: the same for cases entered twice: the changed copy stands at the end of the file
_COPIES: tuple[tuple[str, str, Mapping[str, Cell], str], ...] = (
    (
        "same_bone_same_day",
        "case_id",
        {"case_id": "C901", "planned_gain_mm": "41"},
        "the case entered again with another plan",
    ),
    (
        "bone_lengthened_twice_at_once",
        "surgery_date",
        {
            "case_id": "C902",
            "surgery_date": day("distraction_end_date", -5),
            "distraction_start_date": day("distraction_end_date", 2),
            "distraction_end_date": day("distraction_end_date", 40),
        },
        "another operation on the same bone during distraction",
    ),
    ("repeated_row", "case_id", {}, "the row pasted twice"),
)


def case_fault(line: Line, severity: str) -> Fault:
    """A fault in the cell of the column, or in the cells named."""
    rule, column, cells, kind, what = line
    return Fault(
        rule=rule,
        table="cases",
        column=column,
        severity=severity,
        kind=kind,
        what=what,
        cells=cells if isinstance(cells, Mapping) else {column: cells},
    )


_PATIENTS = (
    Fault(
        rule="missing_required",
        table="patients",
        column="sex",
        what="left empty",
        cells={"sex": ""},
    ),
    Fault(
        rule="not_in_code_list",
        table="patients",
        column="aetiology",
        what="word of its own",
        cells={"aetiology": "fracture"},
    ),
    Fault(
        rule="repeated_row",
        table="patients",
        column="patient_id",
        what="the row pasted twice",
        cells={},
        copied=True,
    ),
)

CASE_ERRORS: tuple[Fault, ...] = (
    *(
        Fault(rule=rule, table="cases", column=column, what=what, cells=cells, copied=True)
        for rule, column, cells, what in _COPIES
    ),
    *(case_fault(line, "error") for line in _ERRORS),
    *_PATIENTS,
)
