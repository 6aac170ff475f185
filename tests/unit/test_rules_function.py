"""Joint motion, load and events. Limits: see the sources that the rules cite."""

import pytest

from tests.unit.rule_evidence import (
    Check,
    assert_rule,
    case,
    event,
    evidence,
    failing,
    knee,
    load,
    ongoing,
)

FLEXION = "joint_motion.flexion_deg"
DEFICIT = "joint_motion.extension_deficit_deg"
FULL = "cases.full_weight_bearing_date"


def motion(rule, place, bad, good, rows=(0,)):
    return Check(rule, place, {"joint_motion": bad}, {"joint_motion": good}, rows)


def loads(rule, place, bad, good, rows=(0,)):
    return Check(rule, place, {"weight_bearing": bad}, {"weight_bearing": good}, rows)


def events(rule, column, bad, good):
    place = "complications." + column
    return Check(rule, place, {"complications": [bad]}, {"complications": [good]})


def answered(day, **changes):
    return {
        "joint_motion": [knee("2025-02-10", 44)],
        "complications": [event(occurred_on=day, **changes)],
    }


MOTION_CHECKS = (
    motion(
        "knee_arc_not_positive", FLEXION, [knee("2025-05-01", 30, 30)], [knee("2025-05-01", 31, 30)]
    ),
    motion(
        "knee_arc_not_positive",
        FLEXION,
        [knee("2025-05-01", 10, 20)],
        [knee("2025-05-01", 10, 20, joint="ankle")],
    ),
    motion("knee_flexion_under_30", FLEXION, [knee("2025-05-01", 29.9)], [knee("2025-05-01", 30)]),
    motion(
        "knee_flexion_under_30",
        FLEXION,
        [knee("2025-05-01", 20)],
        [knee("2025-05-01", 20, joint="ankle")],
    ),
    motion(
        "same_day_examinations_differ",
        FLEXION,
        [knee("2025-05-01", 100), knee("2025-05-01", 100), knee("2025-05-01", 84.9)],
        [knee("2025-05-01", 100), knee("2025-05-01", 85), knee("2025-05-02", 60)],
        rows=(2,),
    ),
    motion(
        "same_day_examinations_differ",
        DEFICIT,
        [knee("2025-05-01", None, 0), knee("2025-05-01", None, 16)],
        [knee("2025-05-01", None, 0), knee("2025-05-01", None, 16, joint="hip")],
        rows=(1,),
    ),
    # distraction from 17 January to 8 March
    motion(
        "flexion_lost_in_distraction",
        FLEXION,
        [knee("2025-03-08", 69.9), knee("2025-01-10", 140), knee("2024-12-01", 80)],
        [knee("2025-03-08", 70), knee("2025-01-10", 140), knee("2024-12-01", 150)],
    ),
    motion(
        "flexion_lost_in_distraction",
        FLEXION,
        [knee("2025-01-17", 44.9)],
        [knee("2025-01-17", 45), knee("2025-01-16", 40), knee("2025-03-09", 40)],
    ),
    Check(
        "flexion_lost_in_distraction",
        FLEXION,
        answered("2025-02-25"),
        answered("2025-02-24"),
    ),
    Check(
        "flexion_lost_in_distraction",
        FLEXION,
        answered("2025-01-26"),
        answered("2025-01-27"),
    ),
    Check(
        "flexion_lost_in_distraction",
        FLEXION,
        answered("2025-02-10", origin="device"),
        answered("2025-02-10", origin="soft_tissue"),
    ),
    Check(
        "flexion_lost_in_distraction",
        FLEXION,
        {"cases": [ongoing()], "joint_motion": [knee("2025-06-01", 40)]},
        {"cases": [case(distraction_end_date=None)], "joint_motion": [knee("2025-06-01", 40)]},
    ),
    motion(
        "contracture_in_distraction",
        DEFICIT,
        [knee("2025-02-10", 90, 40.1)],
        [knee("2025-02-10", 90, 40), knee("2025-03-09", 90, 41)],
    ),
    Check(
        "contracture_in_distraction",
        DEFICIT,
        {"joint_motion": [knee("2025-02-10", 90, 41)]},
        {"joint_motion": [knee("2025-02-10", 90, 41)], "complications": [event()]},
    ),
)
LOAD_CHECKS = (
    loads(
        "full_load_in_wheelchair",
        "weight_bearing.aid",
        [load("2025-08-01", "full", "wheelchair")],
        [load("2025-08-01", "partial", "wheelchair"), load("2025-08-02", "full", "cane")],
    ),
    loads(
        "no_aid_without_load",
        "weight_bearing.aid",
        [load("2025-02-01", "none", "none"), load("2025-02-02", "toe_touch", "none")],
        [load("2025-02-01", "partial", "none"), load("2025-02-02", "none", "wheelchair")],
        rows=(0, 1),
    ),
    loads(
        "load_jumps_to_full",
        "weight_bearing.load",
        [load("2025-07-01", "full"), load("2025-06-01", "none")],
        [load("2025-07-01", "full"), load("2025-06-01", "none"), load("2025-06-10", "toe_touch")],
    ),
    loads(
        "below_full_after_full_weight_bearing",
        "weight_bearing.load",
        [load("2025-07-10", "partial"), load("2025-07-02", "partial"), load("2025-07-01", "full")],
        [load("2025-07-01", "partial"), load("2025-07-10", "full")],
        rows=(1,),
    ),
    loads(
        "full_weight_bearing_without_assessment",
        FULL,
        [load("2025-07-16", "full"), load("2025-07-01", "partial")],
        [load("2025-07-15", "full"), load("2025-07-01", "partial")],
    ),
    loads("full_weight_bearing_without_assessment", FULL, [load("2025-06-16", "full")], []),
    Check(
        "full_load_seen_without_date",
        FULL,
        {
            "cases": [case(full_weight_bearing_date=None)],
            "weight_bearing": [load("2025-07-01", "full", "none")],
        },
        {
            "cases": [case(full_weight_bearing_date=None)],
            "weight_bearing": [
                load("2025-07-01", "full", "cane"),
                load("2025-01-10", "full", "none"),
                load("2025-07-01", "partial", "none"),
            ],
        },
    ),
    loads(
        "full_weight_bearing_later_than_seen",
        FULL,
        [load("2025-06-16", "full", "none")],
        [load("2025-06-17", "full", "none"), load("2025-01-09", "full", "none")],
    ),
    Check(
        "days_for_weeks",
        "cases.counselled_full_weight_bearing_weeks",
        {"cases": [case(counselled_full_weight_bearing_weeks=60.5)]},
        {"cases": [case(counselled_full_weight_bearing_weeks=60)]},
    ),
)
PLAIN = {"course_class": None, "severity_type": None}
EVENT_CHECKS = (
    events(
        "resolved_before_occurred",
        "resolved_on",
        event(resolved_on="2025-02-09"),
        event(resolved_on="2025-02-10"),
    ),
    *(
        events(
            rule,
            column,
            event(**PLAIN | {column: code, "unplanned_operation": wrong}),
            event(**PLAIN | {column: code, "unplanned_operation": right}),
        )
        for rule, column, code, wrong, right in (
            ("obstacle_without_operation", "course_class", "obstacle", "no", "yes"),
            ("problem_with_operation", "course_class", "problem", "yes", "no"),
            ("type_ii_without_operation", "severity_type", "II", "no", "yes"),
            ("type_i_with_operation", "severity_type", "I", "yes", "no"),
        )
    ),
    Check(
        "type_iiia_with_plan_reached",
        "complications.severity_type",
        {"complications": [event(severity_type="IIIA")]},
        {"cases": [case(achieved_gain_mm=49.9)], "complications": [event(severity_type="IIIA")]},
    ),
    events(
        "permanent_problem",
        "permanent",
        event(permanent="yes"),
        event(permanent="yes", course_class="complication"),
    ),
    events(
        "unresolved_at_completion",
        "resolved_on",
        event(resolved_on=None, permanent=None),
        event(resolved_on=None, permanent="yes"),
    ),
    Check(
        "unresolved_at_completion",
        "complications.resolved_on",
        {"complications": [event(resolved_on=None, permanent=None)]},
        {
            "cases": [case(outcome_status="lost_to_follow_up")],
            "complications": [event(resolved_on=None, permanent=None)],
        },
    ),
)
CHECKS = MOTION_CHECKS + LOAD_CHECKS + EVENT_CHECKS


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_rule(check):
    assert_rule(check)


def test_motion_of_another_case_does_not_answer():
    (rule,) = {check.find() for check in CHECKS if check.rule == "contracture_in_distraction"}
    tables = evidence(
        cases=[case(), case(case_id="C2", side="right")],
        joint_motion=[knee("2025-02-10", 90, 41), knee("2025-02-10", 90, 41, case_id="C2")],
        complications=[event(case_id="C2")],
    )
    assert failing(rule, tables) == [0]
