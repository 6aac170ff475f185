"""State of a treatment, several cases of a patient, actions."""

import pytest

from tests.unit.rule_evidence import (
    Check,
    action,
    assert_rule,
    case,
    evidence,
    failing,
    film,
    ongoing,
)

LATER = {"case_id": "C2"}
GIRL = [{"patient_id": "P1", "sex": "female"}]


def one(rule, column, bad, good, **tables):
    return Check(rule, "cases." + column, {"cases": [bad]} | tables, {"cases": [good]} | tables)


def two(rule, column, second_bad, second_good, rows=(1,), **first):
    return Check(
        rule,
        "cases." + column,
        {"cases": [case(**first), case(**LATER | second_bad)]},
        {"cases": [case(**first), case(**LATER | second_good)]},
        rows,
    )


def surgery(day, **changes):
    return {"surgery_date": day, "age_at_surgery_years": None} | changes


STATUS_CHECKS = (
    one(
        "final_status_without_date",
        "outcome_date",
        case(outcome_date=None, outcome_status="lost_to_follow_up"),
        ongoing(),
    ),
    one(
        "outcome_date_in_treatment",
        "outcome_date",
        case(outcome_status="in_treatment"),
        case(outcome_status="completed"),
    ),
    one(
        "completed_without_union",
        "union_date",
        case(union_date=None),
        case(union_date=None, outcome_status="stopped_early"),
    ),
    one(
        "probably_lost",
        "outcome_status",
        ongoing(case_id="C2", last_follow_up_date="2025-09-29"),
        ongoing(case_id="C2", last_follow_up_date="2025-09-30"),
        radiographs=[film("2026-09-30")],
    ),
    one(
        "probably_lost",
        "outcome_status",
        ongoing(last_follow_up_date="2025-03-01"),
        case(last_follow_up_date="2025-03-01"),
        radiographs=[film("2026-09-30")],
    ),
    one(
        "physes_unusual_for_age",
        "physes_open",
        case(physes_open="yes", age_at_surgery_years=16.1),
        case(physes_open="yes", age_at_surgery_years=16),
    ),
    one(
        "physes_unusual_for_age",
        "physes_open",
        case(physes_open="yes", age_at_surgery_years=14.1),
        case(physes_open="yes", age_at_surgery_years=14),
        patients=GIRL,
    ),
    one(
        "physes_unusual_for_age",
        "physes_open",
        case(physes_open="no", age_at_surgery_years=9.9),
        case(physes_open="no", age_at_surgery_years=10),
    ),
)
# 731 days are 2.0014 years
SEVERAL_CHECKS = (
    two(
        "ages_disagree",
        "age_at_surgery_years",
        {"surgery_date": "2027-01-11", "age_at_surgery_years": 33.11},
        {"surgery_date": "2027-01-11", "age_at_surgery_years": 33.1},
    ),
    two(
        "ages_disagree",
        "age_at_surgery_years",
        {"surgery_date": "2027-01-11", "age_at_surgery_years": 30.9},
        {"surgery_date": "2027-01-11", "age_at_surgery_years": 30.91},
    ),
    two(
        "bone_lengthened_twice_at_once",
        "surgery_date",
        surgery("2025-03-08"),
        surgery("2025-03-09"),
    ),
    two(
        "bone_lengthened_twice_at_once",
        "surgery_date",
        surgery("2025-03-08"),
        surgery("2025-03-08", side="right"),
    ),
    two(
        "bone_lengthened_twice_at_once",
        "surgery_date",
        surgery("2025-03-08"),
        surgery("2025-03-08", segment="tibia"),
    ),
    two(
        "bone_lengthened_twice_at_once",
        "surgery_date",
        surgery("2025-03-08"),
        surgery("2025-03-08", patient_id="P2"),
    ),
    # the file may hold the later case first
    two(
        "bone_lengthened_twice_at_once",
        "surgery_date",
        {"surgery_date": "2024-12-01", "distraction_end_date": "2025-01-10"},
        {"surgery_date": "2024-12-01", "distraction_end_date": "2025-01-09"},
        rows=(0,),
    ),
    two(
        "bone_operated_before_union",
        "surgery_date",
        surgery("2025-06-20"),
        surgery("2025-06-21"),
    ),
    two(
        "device_removed_after_next_surgery",
        "device_removal_date",
        surgery("2025-10-01"),
        surgery("2025-10-02"),
        rows=(0,),
        device_removal_date="2025-10-03",
    ),
    # the first leg united on 20 June
    two(
        "second_leg_before_first_united",
        "surgery_date",
        surgery("2025-05-20", side="right"),
        surgery("2025-05-21", side="right"),
    ),
    two(
        "second_leg_before_first_united",
        "surgery_date",
        surgery("2025-02-10", side="right"),
        surgery("2025-02-09", side="right"),
    ),
    two(
        "second_leg_before_first_united",
        "surgery_date",
        surgery("2025-02-10", side="right", segment="tibia"),
        surgery("2025-02-10", side="right", segment="humerus"),
    ),
)
ACTION_CHECKS = (
    Check(
        "closed_before_raised",
        "actions.closed_on",
        {"actions": [action(closed_on="2026-01-09")]},
        {"actions": [action(closed_on="2026-01-10")]},
    ),
    Check(
        "due_before_raised",
        "actions.due_on",
        {"actions": [action(due_on="2026-01-09")]},
        {"actions": [action(due_on="2026-01-10")]},
    ),
)
CHECKS = STATUS_CHECKS + SEVERAL_CHECKS + ACTION_CHECKS


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_rule(check):
    assert_rule(check)


def test_an_earlier_case_still_counts_when_one_between_has_no_end():
    (rule,) = {check.find() for check in CHECKS if check.rule == "bone_lengthened_twice_at_once"}
    cases = [
        case(distraction_end_date="2025-04-01"),
        case(case_id="C2", surgery_date="2025-02-01", distraction_end_date=None),
        case(case_id="C3", surgery_date="2025-03-01", distraction_end_date=None),
    ]
    assert failing(rule, evidence(cases=cases)) == [1, 2]
