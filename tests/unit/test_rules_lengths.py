"""Gains against rate, bone, film, plan and unit; devices against stroke, way in and pin sites."""

import pytest

from tests.unit.rule_evidence import (
    Check,
    assert_rule,
    case,
    event,
    evidence,
    failing,
    film,
    frame_case,
    ongoing,
)

ACHIEVED = "achieved_gain_mm"
OVER_NAIL = {"device_class": "lengthening_over_nail"}
SHORT = [{"patient_id": "P1", "sex": "male", "aetiology": "short_stature"}]
DYSPLASIA = [{"patient_id": "P1", "sex": "male", "aetiology": "skeletal_dysplasia"}]


def one(rule, column, bad, good, **tables):
    return Check(rule, "cases." + column, {"cases": [bad]} | tables, {"cases": [good]} | tables)


def filmed(day, gain, **more):
    return {"cases": [case(achieved_gain_mm=50, **more)], "radiographs": [film(day, gain_mm=gain)]}


def in_cm(column, bad, good):
    return one("centimetres_for_millimetres", column, bad, good)


def column_in_cm(column, low):
    bad = [case(case_id=f"C{number}", **{column: low - 0.1}) for number in range(5)]
    good = [case(case_id=f"C{number}", **{column: low}) for number in range(5)]
    place = "cases." + column
    return Check("column_in_centimetres", place, {"cases": bad}, {"cases": good}, (0, 1, 2, 3, 4))


def few_in_cm(column, low):
    bad = [case(case_id=f"C{number}", **{column: low - 0.1}) for number in range(5)]
    place = "cases." + column
    return Check(
        "column_in_centimetres", place, {"cases": bad}, {"cases": bad[:4]}, (0, 1, 2, 3, 4)
    )


RATE_CHECKS = (
    # 50 days of distraction
    one(
        "mean_rate_over_3_mm_a_day",
        ACHIEVED,
        case(achieved_gain_mm=151),
        case(achieved_gain_mm=150),
    ),
    one("mean_rate_unusual", ACHIEVED, case(achieved_gain_mm=12), case(achieved_gain_mm=12.5)),
    one("mean_rate_unusual", ACHIEVED, case(achieved_gain_mm=76), case(achieved_gain_mm=75)),
)
SHARE_CHECKS = (
    one(
        "share_of_bone_impossible",
        ACHIEVED,
        case(achieved_gain_mm=201, segment_length_before_mm=100),
        case(achieved_gain_mm=200, segment_length_before_mm=100),
    ),
    one(
        "share_of_bone_impossible",
        ACHIEVED,
        case(achieved_gain_mm=-21, segment_length_before_mm=200),
        case(achieved_gain_mm=-20, segment_length_before_mm=200),
    ),
    # a bone typed in centimetres must not take a sound gain out of use
    one(
        "share_of_bone_impossible",
        ACHIEVED,
        case(achieved_gain_mm=101, segment_length_before_mm=50, planned_gain_mm=300),
        case(achieved_gain_mm=101, segment_length_before_mm=50),
    ),
    one(
        "share_of_bone_high",
        ACHIEVED,
        case(achieved_gain_mm=51, segment_length_before_mm=200),
        case(achieved_gain_mm=50, segment_length_before_mm=200),
    ),
    one(
        "share_of_bone_high",
        ACHIEVED,
        case(achieved_gain_mm=61, segment_length_before_mm=200, age_at_surgery_years=17.9),
        case(achieved_gain_mm=60, segment_length_before_mm=200, age_at_surgery_years=17.9),
    ),
    one(
        "share_of_bone_high",
        ACHIEVED,
        case(achieved_gain_mm=55, segment_length_before_mm=200, age_at_surgery_years=18),
        case(achieved_gain_mm=55, segment_length_before_mm=200, physes_open="yes"),
    ),
)
GAIN_CHECKS = (
    one(
        "gain_while_in_distraction",
        ACHIEVED,
        ongoing(achieved_gain_mm=20),
        ongoing(achieved_gain_mm=20, distraction_end_date="2025-03-08"),
    ),
    one(
        "gain_without_distraction_end",
        ACHIEVED,
        case(distraction_end_date=None),
        case(distraction_end_date=None, achieved_gain_mm=None),
    ),
    one(
        "length_lost_over_10_mm", "final_gain_mm", case(final_gain_mm=39.9), case(final_gain_mm=40)
    ),
    one(
        "gained_after_distraction",
        "final_gain_mm",
        case(final_gain_mm=55.1),
        case(final_gain_mm=55),
    ),
    # 5 percent of 50 mm is less than 3 mm, of 80 mm more
    Check(
        "gain_differs_from_film",
        "cases.achieved_gain_mm",
        filmed("2025-03-08", 46.9),
        filmed("2025-03-08", 47),
    ),
    Check(
        "gain_differs_from_film",
        "cases.achieved_gain_mm",
        {"cases": [case(achieved_gain_mm=80)], "radiographs": [film("2025-03-10", gain_mm=84.1)]},
        {"cases": [case(achieved_gain_mm=80)], "radiographs": [film("2025-03-10", gain_mm=84)]},
    ),
    Check(
        "gain_differs_from_film",
        "cases.achieved_gain_mm",
        filmed("2025-03-22", 40),
        filmed("2025-03-23", 40),
    ),
    # the nearer film counts, and the later of two equally near
    Check(
        "gain_differs_from_film",
        "cases.achieved_gain_mm",
        {"radiographs": [film("2025-03-07", gain_mm=40), film("2025-03-12", gain_mm=50)]},
        {"radiographs": [film("2025-03-12", gain_mm=50), film("2025-03-04", gain_mm=40)]},
    ),
    one(
        "plan_beyond_discrepancy",
        "discrepancy_before_mm",
        case(discrepancy_before_mm=29.9),
        case(discrepancy_before_mm=30),
    ),
    Check(
        "plan_beyond_discrepancy",
        "cases.discrepancy_before_mm",
        {"cases": [case(discrepancy_before_mm=0)]},
        {"cases": [case(discrepancy_before_mm=0)], "patients": SHORT},
    ),
    Check(
        "plan_beyond_discrepancy",
        "cases.discrepancy_before_mm",
        {"cases": [case(discrepancy_before_mm=0)]},
        {"cases": [case(discrepancy_before_mm=0)], "patients": DYSPLASIA},
    ),
    Check(
        "plan_beyond_discrepancy",
        "cases.discrepancy_before_mm",
        {"cases": [case(discrepancy_before_mm=0), case(case_id="C2", segment="tibia")]},
        {"cases": [case(discrepancy_before_mm=0), case(case_id="C2", side="right")]},
    ),
)
UNIT_CHECKS = (
    in_cm("planned_gain_mm", case(planned_gain_mm=5), case(planned_gain_mm=50)),
    in_cm(
        "planned_gain_mm",
        case(planned_gain_mm=5, achieved_gain_mm=35, final_gain_mm=None),
        case(planned_gain_mm=5, achieved_gain_mm=34, final_gain_mm=None),
    ),
    in_cm("achieved_gain_mm", case(achieved_gain_mm=5), case(achieved_gain_mm=49)),
    # five days at 1 mm a day: a short gain, not a unit
    in_cm(
        "achieved_gain_mm",
        case(achieved_gain_mm=5),
        case(achieved_gain_mm=5, distraction_end_date="2025-01-22"),
    ),
    in_cm("final_gain_mm", case(final_gain_mm=4.9), case(final_gain_mm=40)),
    in_cm("final_gain_mm", case(final_gain_mm=4.9), case(final_gain_mm=4.9, achieved_gain_mm=5)),
    in_cm("device_stroke_mm", case(device_stroke_mm=8), case(device_stroke_mm=80)),
    in_cm("device_stroke_mm", case(device_stroke_mm=5), case(device_stroke_mm=25)),
    in_cm(
        "segment_length_before_mm",
        case(segment_length_before_mm=42),
        case(segment_length_before_mm=420),
    ),
    in_cm(
        "segment_length_before_mm",
        case(segment_length_before_mm=42),
        case(
            segment_length_before_mm=42, planned_gain_mm=20, achieved_gain_mm=21, final_gain_mm=20
        ),
    ),
    *(
        column_in_cm(column, low)
        for column, low in (
            ("planned_gain_mm", 10),
            ("achieved_gain_mm", 10),
            ("final_gain_mm", 10),
            ("device_stroke_mm", 10),
            ("segment_length_before_mm", 100),
        )
    ),
    few_in_cm("planned_gain_mm", 10),
)
DEVICE_CHECKS = (
    one(
        "gain_beyond_stroke",
        ACHIEVED,
        case(device_stroke_mm=40, achieved_gain_mm=50.1),
        case(device_stroke_mm=40, achieved_gain_mm=50),
    ),
    one(
        "gain_beyond_stroke",
        ACHIEVED,
        case(device_stroke_mm=40, achieved_gain_mm=60, **OVER_NAIL),
        frame_case(device_stroke_mm=40, achieved_gain_mm=60),
    ),
    one(
        "gain_beyond_stroke",
        ACHIEVED,
        case(device_stroke_mm=40, achieved_gain_mm=60),
        case(device_stroke_mm=40, achieved_gain_mm=60, outcome_status="device_exchanged"),
    ),
    # a stroke typed in centimetres must not take a sound gain out of use
    one(
        "gain_beyond_stroke",
        ACHIEVED,
        case(device_stroke_mm=20),
        case(device_stroke_mm=8),
    ),
    one(
        "gain_above_stroke",
        ACHIEVED,
        case(device_stroke_mm=46.9, planned_gain_mm=40),
        case(device_stroke_mm=47, planned_gain_mm=40),
    ),
    one(
        "plan_above_stroke",
        "planned_gain_mm",
        case(device_stroke_mm=49.9),
        case(device_stroke_mm=50),
    ),
    one(
        "plan_above_stroke",
        "planned_gain_mm",
        case(device_stroke_mm=40),
        case(device_stroke_mm=40, outcome_status="device_exchanged"),
    ),
    one(
        "fixator_removal_on_nail",
        "fixator_removal_date",
        case(fixator_removal_date="2025-06-20"),
        case(fixator_removal_date="2025-06-20", **OVER_NAIL),
    ),
    one(
        "nail_approach_without_nail",
        "nail_approach",
        frame_case(nail_approach="antegrade"),
        case(nail_approach="antegrade", **OVER_NAIL),
    ),
)
GRADED = {"pin_site_grade": "2", "pin_site_scheme": "local"}
PIN_CHECKS = (
    Check(
        "pin_site_grade_without_scheme",
        "complications.pin_site_scheme",
        {"complications": [event(pin_site_grade="2")]},
        {"complications": [event(**GRADED)]},
    ),
    Check(
        "pin_site_grade_on_nail",
        "complications.pin_site_grade",
        {"complications": [event(), event(complication_id="E2", **GRADED)]},
        {"cases": [frame_case()], "complications": [event(**GRADED)]},
        rows=(1,),
    ),
    Check(
        "pin_site_grade_after_removal",
        "complications.pin_site_grade",
        {"cases": [frame_case()], "complications": [event(occurred_on="2025-06-21", **GRADED)]},
        {"cases": [frame_case()], "complications": [event(occurred_on="2025-06-20", **GRADED)]},
    ),
    Check(
        "several_pin_site_schemes",
        "complications.pin_site_scheme",
        {"complications": [event(**GRADED), event(pin_site_scheme="other"), event()]},
        {"complications": [event(**GRADED), event(pin_site_scheme="local"), event()]},
        rows=(0, 1),
    ),
)
CHECKS = RATE_CHECKS + SHARE_CHECKS + GAIN_CHECKS + UNIT_CHECKS + DEVICE_CHECKS + PIN_CHECKS


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_rule(check):
    assert_rule(check)


def test_united_case_without_end_keeps_its_gain():
    (rule,) = {check.find() for check in CHECKS if check.rule == "gain_while_in_distraction"}
    assert failing(rule, evidence(cases=[ongoing(achieved_gain_mm=20)])) == [0]
    assert (
        failing(rule, evidence(cases=[ongoing(achieved_gain_mm=20, union_date="2025-06-01")])) == []
    )
