"""Dated facts against surgery, last follow-up and death of their case."""

import pytest

from tests.unit.rule_evidence import Check, assert_rule, case, event, film, knee, load, session

DEAD = case(
    outcome_status="died",
    outcome_date="2025-08-01",
    last_follow_up_date="2025-07-20",
    union_date="2025-06-20",
)
ROWS = {
    "radiographs": film,
    "joint_motion": lambda day: knee(day, 120),
    "weight_bearing": lambda day: load(day, "partial"),
    "complications": lambda day: event(occurred_on=day, resolved_on=None),
    "distraction_sessions": lambda day: session(day + " 08:00"),
}
DATED = {
    "radiographs": "taken_on",
    "joint_motion": "examined_on",
    "weight_bearing": "assessed_on",
    "complications": "occurred_on",
    "distraction_sessions": "started_at",
}


def before_surgery(rule, table):
    bad, good = ROWS[table]("2025-01-09"), ROWS[table]("2025-01-10")
    place = f"{table}.{DATED[table]}"
    return Check(rule, place, {table: [good, bad]}, {table: [good]}, rows=(1,))


def long_before(table):
    bad, good = ROWS[table]("2024-01-10"), ROWS[table]("2024-01-11")
    place = f"{table}.{DATED[table]}"
    return Check("long_before_surgery", place, {table: [good, bad]}, {table: [good]}, rows=(1,))


def dead_row(table):
    bad, good = ROWS[table]("2025-08-02"), ROWS[table]("2025-08-01")
    return Check(
        "after_death",
        f"{table}.{DATED[table]}",
        {"cases": [DEAD], table: [good, bad]},
        {"cases": [DEAD], table: [good]},
        rows=(1,),
    )


def dead_case(column):
    return Check(
        "after_death",
        "cases." + column,
        {"cases": [DEAD | {column: "2025-08-02"}]},
        {"cases": [DEAD | {column: "2025-08-01"}, case(**{"case_id": "C2", column: "2026-03-02"})]},
    )


def late(bad, good):
    return Check("facts_after_last_follow_up", "cases.last_follow_up_date", bad, good)


def late_case(column, **more):
    bad, good = case(**{column: "2026-03-03"}, **more), case(**{column: "2026-03-02"}, **more)
    return late({"cases": [bad]}, {"cases": [good]})


def late_row(table):
    bad, good = ROWS[table]("2026-03-03"), ROWS[table]("2026-03-02")
    return late({table: [good, bad]}, {table: [good]})


CHECKS = (
    before_surgery("complication_before_surgery", "complications"),
    before_surgery("session_before_surgery", "distraction_sessions"),
    *(long_before(table) for table in ("radiographs", "joint_motion", "weight_bearing")),
    *(dead_row(table) for table in ROWS),
    *(
        dead_case(column)
        for column in (
            "distraction_start_date",
            "distraction_end_date",
            "union_date",
            "full_weight_bearing_date",
            "fixator_removal_date",
            "device_removal_date",
            "last_follow_up_date",
        )
    ),
    Check(
        "after_death",
        "complications.resolved_on",
        {"cases": [DEAD], "complications": [event(resolved_on="2025-08-02")]},
        {"cases": [DEAD], "complications": [event(resolved_on="2025-08-01")]},
    ),
    *(
        late_case(column)
        for column in (
            "surgery_date",
            "distraction_start_date",
            "distraction_end_date",
            "union_date",
            "full_weight_bearing_date",
            "fixator_removal_date",
            "device_removal_date",
            "outcome_date",
        )
    ),
    late_case("outcome_date", outcome_status="amputated"),
    # one can hear of a death, or call a patient lost, long after the last visit
    late(
        {"cases": [case(outcome_date="2026-04-01", outcome_status="stopped_early")]},
        {"cases": [case(outcome_date="2026-04-01", outcome_status="lost_to_follow_up")]},
    ),
    late(
        {"cases": [case(outcome_date="2026-04-01", outcome_status="device_exchanged")]},
        {"cases": [case(outcome_date="2026-04-01", outcome_status="died")]},
    ),
    *(late_row(table) for table in DATED if table != "distraction_sessions"),
    late(
        {"complications": [event(resolved_on="2026-03-03")]},
        {"complications": [event(resolved_on="2026-03-02")]},
    ),
    Check(
        "sessions_after_last_follow_up",
        "cases.last_follow_up_date",
        {"distraction_sessions": [session("2026-04-03 08:00")]},
        {"distraction_sessions": [session("2026-04-02 23:00")]},
    ),
)


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_rule(check):
    assert_rule(check)
