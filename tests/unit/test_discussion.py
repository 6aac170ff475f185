"""Cases to discuss: each reason at its limit, limits in one place, gaps of the session log by hand.

Limits with a published source: top of a range or mean and spread of the paper named in the limit,
checked here by the sum. The others are local choices and say so. That each miss of the plan and
each event of type II or more is looked at: proposed standards of published_metrics, section 8.
"""

from __future__ import annotations

import pandas as pd
import pytest

import audit
from audit.discussion import LIMITS, cases_to_discuss
from audit.discussion.limits import KINDS, LOCAL, limits_for
from audit.run import AuditRun
from audit.settings import Settings
from audit.tables.front import discussion_table, limit_table

QUARTER = pd.Period("2025Q3")
# All in the third quarter of 2025, seen up to the cut-off. N: nothing to look at. E: 6 mm short.
# L: 12 mm beyond. U: 40 mm, not united 320 days after surgery (flag 76 x 4 = 304). W: 187 days without
# full weight bearing, united. S: 70 degrees while distracting 55; F: united, 100 of 120 degrees.
# K: over a nail, frame 200 days for 50 mm = 40 days/cm. Q: 16 mm in 10 days. Z: lost. X: severity.
PATIENTS = "patient_id sex\n" + "\n".join(f"P{letter} female" for letter in "NELUWSFKQZXGOHC")
HEAD = """case_id patient_id side segment device_class          age_at_surgery_years surgery_date planned_gain_mm distraction_start_date distraction_end_date achieved_gain_mm union_date full_weight_bearing_date fixator_removal_date last_follow_up_date outcome_status    outcome_date"""
ROWS = """
N       PN         left femur   lengthening_nail      20                   2025-01-10   40              2025-01-17             2025-02-26           38               2025-05-10 2025-05-20               -                    2025-09-01          completed         2025-09-01
E       PE         left femur   lengthening_nail      20                   2025-01-10   40              2025-01-17             2025-02-20           34               2025-05-10 2025-05-20               -                    2025-09-01          completed         2025-09-01
L       PL         left femur   lengthening_nail      20                   2025-01-10   40              2025-01-17             2025-03-10           52               2025-05-10 2025-05-20               -                    2025-09-01          completed         2025-09-01
U       PU         left femur   lengthening_nail      20                   2024-11-14   40              2024-11-21             2024-12-31           40               -          2025-04-20               -                    2025-09-01          in_treatment      -
W       PW         left femur   lengthening_nail      20                   2025-03-27   40              2025-04-03             2025-05-13           40               2025-08-10 -                        -                    2025-09-01          in_treatment      -
S       PS         left femur   circular_fixator      20                   2025-08-10   40              2025-08-17             -                    -                -          -                        -                    2025-09-20          in_treatment      -
F       PF         left femur   lengthening_nail      20                   2025-01-10   40              2025-01-17             2025-02-26           40               2025-05-10 2025-05-20               -                    2025-09-01          completed         2025-09-01
K       PK         left tibia   lengthening_over_nail 20                   2025-01-01   50              2025-01-08             2025-02-27           50               2025-06-10 2025-07-20               2025-07-20           2025-09-01          completed         2025-09-01
Q       PQ         left femur   lengthening_nail      20                   2025-06-10   16              2025-06-17             2025-06-27           16               -          -                        -                    2025-09-01          in_treatment      -
Z       PZ         left femur   lengthening_nail      20                   2025-06-10   40              2025-06-17             2025-07-27           40               -          -                        -                    2025-08-01          lost_to_follow_up 2025-08-01
X       PX         left femur   lengthening_nail      20                   2025-06-10   40              2025-06-17             2025-07-27           40               -          -                        -                    2025-09-01          in_treatment      -
G       PG         left femur   lengthening_nail      20                   2025-06-10   40              2025-06-17             2025-07-27           40               -          -                        -                    2025-09-01          in_treatment      -
O       PO         left femur   lengthening_nail      20                   2025-09-01   40              2025-09-08             -                    -                -          -                        -                    2025-09-20          in_treatment      -
H       PH         left tibia   lengthening_nail      20                   2024-11-01   40              2024-11-08             2025-01-07           40               2025-08-25 2025-03-20               -                    2025-09-01          completed         2025-09-01
C       PC         left tibia   lengthening_nail      12                   2024-11-01   40              2024-11-08             2025-01-07           40               2025-08-25 2025-03-20               -                    2025-09-01          completed         2025-09-01
"""  # fmt: skip
MOTION = """
case_id examined_on joint flexion_deg
S       2025-08-01  knee  130
S       2025-09-20  knee  55
F       2025-01-01  knee  120
F       2025-08-01  knee  100
N       2025-01-01  knee  120
N       2025-08-01  knee  110
"""
EVENTS = """
complication_id case_id occurred_on origin unplanned_operation severity_type
K1              X       2025-08-20  bone   yes                 IIIA
K2              X       2025-08-21  joint  yes                 II
K3              G       2025-08-20  joint  no                  I
K4              N       2025-03-20  joint  yes                 II
"""
# G: none from 28 June to 4 July: 7 days, over in the quarter; the 9 days before lie outside it.
# O: last session on 25 September, five days before the cut-off, distraction going on.
SESSIONS = """
case_id started_at       delivered_mm
G       2025-06-17T08:00 1
G       2025-06-27T08:00 1
G       2025-07-05T08:00 1
G       2025-07-07T08:00 1
O       2025-09-24T08:00 1
O       2025-09-25T08:00 1
"""


@pytest.fixture
def run(write_source):
    return make_run(write_source)


def make_run(write_source, settings: Settings | None = None) -> AuditRun:
    folder = write_source(
        patients=PATIENTS,
        cases=f"{HEAD}\n{ROWS.strip()}\n",
        joint_motion=MOTION,
        complications=EVENTS,
        distraction_sessions=SESSIONS,
    )
    cohort = audit.build_cohort(audit.read_source(folder), "2025-09-30", settings=settings)
    none = pd.DataFrame()
    return AuditRun(cohort, audit.measure_cases(cohort), none, none, QUARTER, {})


BY_HAND = {
    "E": {"6 mm short of the plan": 1},
    "L": {"12 mm beyond the plan": 2},
    "U": {"union overdue for the length gained": 3},
    "W": {"no full weight bearing 187 days after surgery": 2},
    "S": {"knee flexion 55 degrees during distraction": 4},
    "F": {"knee flexion 20 degrees below baseline after union": 2},
    "K": {"external fixation index 40 days/cm, above its flag": 2},
    "Q": {"distraction index 1.60 mm/day": 2},
    "Z": {"lost to follow-up": 3},
    "X": {"complication of severity type IIIA": 4},
    "G": {"7 days in a row without a logged session": 1},
    "O": {"no session logged in the last 5 days of distraction": 1},
    "C": {"healing index 74 days/cm, above its flag": 2},
}


def test_each_reason_by_hand_and_nothing_else(run):
    """H and C healed in 297 days for 4 cm, 74 days/cm: under the flag of an adult tibia (122), over
    that of a child (60)."""
    found = cases_to_discuss(run)
    by_case = {
        case: dict(zip(part["reason"], part["weight"], strict=True))
        for case, part in found.groupby("case_id")
    }
    assert by_case == BY_HAND


def test_the_heaviest_come_first_and_the_table_says_why(run):
    found = cases_to_discuss(run)
    total = found.groupby("case_id", sort=False)["weight"].sum()
    assert total.is_monotonic_decreasing
    shown = discussion_table(run).frame
    assert shown["Case"].tolist() == list(total.index)
    assert shown.set_index("Case").loc["E", "Why"] == "6 mm short of the plan"


def test_the_tolerance_of_the_plan_is_that_of_the_settings(write_source):
    found = cases_to_discuss(make_run(write_source, Settings(tolerance_mm=7.0)))
    assert "E" not in set(found["case_id"])
    tight = cases_to_discuss(make_run(write_source, Settings(tolerance_mm=1.0)))
    assert "2 mm short of the plan" in set(tight.loc[tight["case_id"] == "N", "reason"])


def test_published_limits_are_the_sums_their_sources_give():
    limits = {(one.kind, one.device_class[:1], one.segment, one.age): one.value for one in LIMITS}
    month = 30.4375
    nail, frame = ("lengthening_nail",), ("circular_fixator",)
    assert limits["healing_index", nail, ("femur",), "any"] == round(2.5 * month)
    assert limits["healing_index", nail, ("tibia",), "any"] == round(4.0 * month)
    assert limits["healing_index", frame, ("femur",), "any"] == 57 + 25
    assert limits["healing_index", frame, ("tibia",), "any"] == 55 + 24
    assert limits["full_weight_bearing", nail, ("femur",), "any"] == round(125.7 + 2 * 30.1)


def test_every_limit_has_a_source_or_says_that_it_is_local():
    assert {limit.kind for limit in LIMITS} == set(KINDS)
    for limit in LIMITS:
        assert LOCAL in limit.source or "DOI" in limit.source or "PMC" in limit.source
    with pytest.raises(ValueError, match="kind must be one of healing_index"):
        limits_for("healing", pd.DataFrame())


def test_the_table_of_limits_shows_every_one(run):
    shown = limit_table(run).frame
    assert len(shown) == len(LIMITS) + 1
    assert shown.iloc[0].tolist()[:2] == ["distance from the plan", "above 5 mm"]
    row = shown.loc[shown["Limit"] == "above 76 days/cm"].iloc[0]
    assert row["Cases"] == "lengthening nail; femur"
    assert "DOI" in row["Source"]
