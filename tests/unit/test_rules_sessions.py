"""The log of distraction sessions. Limits: see the sources that the rules cite."""

import pytest

from tests.unit.rule_evidence import Check, assert_rule, case, evidence, failing, session, sessions

DELIVERED = "distraction_sessions.delivered_mm"
STARTED = "distraction_sessions.started_at"
GAIN = "cases.achieved_gain_mm"


def log(rule, place, bad, good, rows=(0,)):
    return Check(rule, place, {"distraction_sessions": bad}, {"distraction_sessions": good}, rows)


def day(count, step, date="2025-02-01", case_id="C1"):
    return [
        session(f"{date} {8 + number:02d}:00", step, case_id=case_id) for number in range(count)
    ]


def whole_log(days, step=1.0, **changes):
    return {
        "cases": [case(**changes)],
        "distraction_sessions": sessions("2025-01-17", days, step),
    }


CHECKS = (
    # 2.4 + 0.6 is 3.0000000000000004 to a computer
    log("day_total_over_3_mm", DELIVERED, day(4, 0.76), day(4, 0.75), rows=(0, 1, 2, 3)),
    log(
        "day_total_over_3_mm",
        DELIVERED,
        day(2, 2, "2025-02-01") + day(1, 1, "2025-02-02"),
        [session("2025-02-01 08:00", 2.4), session("2025-02-01 09:00", 0.6)],
        rows=(0, 1),
    ),
    log(
        "day_total_over_3_mm",
        DELIVERED,
        day(2, 2),
        day(1, 2) + day(1, 2, case_id="C2"),
        rows=(0, 1),
    ),
    # 3 x 0.5 and 5 x 0.3 are one and a half
    log("day_total_over_1_5_mm", DELIVERED, day(4, 0.4), day(5, 0.3), rows=(3,)),
    log(
        "over_prescription",
        DELIVERED,
        [session("2025-02-01 08:00", 0.4, prescribed_mm=0.25)],
        [session("2025-02-01 08:00", 0.375, prescribed_mm=0.25)],
    ),
    log(
        "over_prescription",
        DELIVERED,
        [session("2025-02-01 08:00", 0.4, prescribed_mm=0.25)],
        [session("2025-02-01 08:00", -0.25, prescribed_mm=-0.25), session("2025-02-01 09:00", 1)],
    ),
    log("many_sessions_a_day", STARTED, day(8, 0.1), day(6, 0.1), rows=(6,)),
    log(
        "session_logged_twice",
        STARTED,
        [session("2025-02-01 08:00", 0.25), session("2025-02-01 08:00", 0.25)],
        [session("2025-02-01 08:00", 0.25), session("2025-02-01 08:01", 0.25)],
        rows=(1,),
    ),
    log(
        "session_before_distraction",
        STARTED,
        [session("2025-01-16 20:00"), session("2025-01-15 08:00")],
        [session("2025-01-17 00:10"), session("2025-01-16 08:00", 0)],
        rows=(1,),
    ),
    log(
        "session_after_distraction",
        STARTED,
        [session("2025-03-10 08:00"), session("2025-03-09 08:00"), session("2025-03-08 08:00")],
        [session("2025-03-08 23:59"), session("2025-03-09 08:00", -0.5)],
        rows=(1,),
    ),
    log(
        "gap_in_sessions",
        STARTED,
        [session(f"2025-02-{number} 08:00") for number in ("01", "04", "05", "09")],
        [session(f"2025-02-{number} 08:00") for number in ("01", "03", "05", "06")],
        rows=(1,),
    ),
    log(
        "gap_in_sessions",
        STARTED,
        [session("2025-03-05 08:00"), session("2025-03-08 08:00")],
        [session("2025-03-05 08:00"), session("2025-03-09 08:00", -0.5)],
        rows=(1,),
    ),
    # 10 percent of 50 mm is 5 mm; of 20 mm it is less than 3 mm
    Check("log_differs_from_gain", GAIN, whole_log(44), whole_log(45)),
    Check(
        "log_differs_from_gain",
        GAIN,
        whole_log(23, achieved_gain_mm=19.9),
        whole_log(23, achieved_gain_mm=20),
    ),
    Check(
        "log_differs_from_gain",
        GAIN,
        whole_log(44),
        whole_log(44, distraction_end_date=None),
    ),
    Check(
        "log_differs_from_gain",
        GAIN,
        whole_log(44),
        whole_log(44, arrival_date="2025-01-25"),
    ),
    # 25 percent of 50 mm is 12.5 mm
    Check("log_far_from_gain", GAIN, whole_log(37), whole_log(38)),
    Check("log_differs_from_gain", GAIN, whole_log(38), whole_log(37)),
)


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_rule(check):
    assert_rule(check)


def test_a_log_with_a_missing_step_is_not_compared():
    (rule,) = {check.find() for check in CHECKS if check.rule == "log_far_from_gain"}
    steps = sessions("2025-01-17", 30)
    assert failing(rule, evidence(distraction_sessions=steps)) == [0]
    steps[3] = session("2025-01-20 12:00:00", None)
    assert failing(rule, evidence(distraction_sessions=steps)) == []


def test_reversals_are_subtracted():
    (rule,) = {check.find() for check in CHECKS if check.rule == "log_far_from_gain"}
    steps = sessions("2025-01-17", 50) + sessions("2025-03-09", 13, -1.0)
    assert failing(rule, evidence(distraction_sessions=steps)) == [0]
    assert failing(rule, evidence(distraction_sessions=steps[:-1])) == []
