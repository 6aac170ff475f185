"""Order of the milestones of a case. The limits are in the sources that each rule cites."""

import pytest

from tests.unit.rule_evidence import Check, assert_rule, case, frame_case, ongoing


def one(rule, column, bad, good):
    return Check(rule, "cases." + column, {"cases": [bad]}, {"cases": [good]})


CHECKS = (
    one(
        "distraction_starts_before_surgery",
        "distraction_start_date",
        case(distraction_start_date="2025-01-09"),
        case(distraction_start_date="2025-01-10"),
    ),
    one(
        "latency_over_60_days",
        "distraction_start_date",
        case(distraction_start_date="2025-03-12"),
        case(distraction_start_date="2025-03-11"),
    ),
    one(
        "distraction_ends_before_surgery",
        "distraction_end_date",
        case(distraction_start_date=None, distraction_end_date="2025-01-09"),
        case(distraction_start_date=None, distraction_end_date="2025-01-10"),
    ),
    one(
        "distraction_ends_before_start",
        "distraction_end_date",
        case(distraction_end_date="2025-01-16"),
        case(distraction_end_date="2025-01-17"),
    ),
    one(
        "distraction_over_400_days",
        "distraction_end_date",
        case(distraction_end_date="2026-02-22"),
        case(distraction_end_date="2026-02-21"),
    ),
    one(
        "distraction_of_no_days_with_gain",
        "distraction_end_date",
        case(distraction_end_date="2025-01-17", achieved_gain_mm=0.5),
        case(distraction_end_date="2025-01-18", achieved_gain_mm=0.5),
    ),
    one(
        "distraction_of_no_days_with_gain",
        "distraction_end_date",
        case(distraction_end_date="2025-01-17", achieved_gain_mm=0.5),
        case(distraction_end_date="2025-01-17", achieved_gain_mm=0),
    ),
    one(
        "frame_removed_before_distraction_end",
        "fixator_removal_date",
        frame_case(fixator_removal_date="2025-03-07"),
        frame_case(fixator_removal_date="2025-03-08"),
    ),
    one(
        "frame_removed_before_distraction_end",
        "fixator_removal_date",
        frame_case(device_class="monolateral_fixator", fixator_removal_date="2025-03-07"),
        case(device_class="lengthening_over_nail", fixator_removal_date="2025-03-07"),
    ),
    one(
        "fixator_removed_before_surgery",
        "fixator_removal_date",
        frame_case(fixator_removal_date="2025-01-09"),
        frame_case(fixator_removal_date="2025-01-10"),
    ),
    one(
        "device_removed_before_surgery",
        "device_removal_date",
        case(device_removal_date="2025-01-09"),
        case(device_removal_date="2025-01-10"),
    ),
    one(
        "full_weight_bearing_before_surgery",
        "full_weight_bearing_date",
        case(full_weight_bearing_date="2025-01-09"),
        case(full_weight_bearing_date="2025-01-10"),
    ),
    one(
        "outcome_before_surgery",
        "outcome_date",
        case(outcome_date="2025-01-09"),
        case(outcome_date="2025-01-10"),
    ),
    one(
        "arrival_before_surgery",
        "arrival_date",
        case(arrival_date="2025-01-09"),
        case(arrival_date="2025-01-10"),
    ),
    one(
        "last_follow_up_before_surgery",
        "last_follow_up_date",
        case(last_follow_up_date="2025-01-09"),
        case(last_follow_up_date="2025-01-10"),
    ),
    one(
        "arrival_after_last_follow_up",
        "arrival_date",
        case(arrival_date="2026-03-03"),
        case(arrival_date="2026-03-02"),
    ),
    one(
        "latency_unusual",
        "distraction_start_date",
        case(distraction_start_date="2025-01-12"),
        case(distraction_start_date="2025-01-13"),
    ),
    one(
        "latency_unusual",
        "distraction_start_date",
        case(distraction_start_date="2025-01-25"),
        case(distraction_start_date="2025-01-24"),
    ),
    # 48 mm planned: 32 days at 1.5 mm a day, 192 days at 0.25 mm a day
    one(
        "distraction_days_unusual",
        "distraction_end_date",
        case(planned_gain_mm=48, distraction_end_date="2025-02-17"),
        case(planned_gain_mm=48, distraction_end_date="2025-02-18"),
    ),
    one(
        "distraction_days_unusual",
        "distraction_end_date",
        case(planned_gain_mm=48, distraction_end_date="2025-07-29"),
        case(planned_gain_mm=48, distraction_end_date="2025-07-28"),
    ),
    one(
        "distraction_days_unusual",
        "distraction_end_date",
        case(distraction_end_date="2025-01-27"),
        case(distraction_end_date="2025-01-27", outcome_status="stopped_early"),
    ),
    one(
        "full_weight_bearing_before_distraction_end",
        "full_weight_bearing_date",
        case(full_weight_bearing_date="2025-03-07"),
        case(full_weight_bearing_date="2025-03-08"),
    ),
    one(
        "full_weight_bearing_before_union",
        "full_weight_bearing_date",
        case(full_weight_bearing_date="2025-06-19"),
        case(full_weight_bearing_date="2025-06-20"),
    ),
    one(
        "full_weight_bearing_before_union",
        "full_weight_bearing_date",
        case(device_class="lengthening_over_nail", full_weight_bearing_date="2025-06-19"),
        frame_case(full_weight_bearing_date="2025-06-19"),
    ),
    one(
        "full_weight_bearing_on_arm",
        "full_weight_bearing_date",
        case(segment="humerus"),
        case(segment="tibia"),
    ),
)


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_rule(check):
    assert_rule(check)


def test_a_case_in_distraction_breaks_no_order():
    from schemas.rules.milestones import MILESTONE_RULES
    from tests.unit.rule_evidence import evidence, failing

    tables = evidence(cases=[ongoing()])
    assert [rule.id for rule in MILESTONE_RULES if failing(rule, tables)] == []
