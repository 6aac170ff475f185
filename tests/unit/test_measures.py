"""Measures on cases worked by hand; the arithmetic stands beside each expected value.

Definitions: contract of the kit. Course of the standard case (38 mm at a millimetre a day from
day 5, heals about six weeks after, full load about three months after surgery): common practice,
no published source.
"""

from __future__ import annotations

import pandas as pd
import pytest

import audit
from audit.measures.healing import censored_healing_index, days_to_union
from audit.measures.knee import days_to_knee_recovery
from audit.measures.weight_bearing import days_to_full_weight_bearing, walking_episodes

CASES = """
case_id patient_id side  segment device_class       age_at_surgery_years surgery_date planned_gain_mm segment_length_before_mm distraction_start_date distraction_end_date achieved_gain_mm final_gain_mm union_date full_weight_bearing_date fixator_removal_date last_follow_up_date outcome_status outcome_date
C1      P1         left  femur   lengthening_nail   20                   2025-01-10   38              400                      2025-01-15             2025-02-22           38               37.5          2025-04-05 2025-04-10               -                    2025-10-10          completed      2025-10-10
C2      P2         left  tibia   circular_fixator   30                   2025-03-01   40              350                      2025-03-08             2025-04-20           36               -             2025-09-20 -                        -                    2025-11-01          in_treatment   -
C3      P2         right tibia   circular_fixator   30                   2025-03-05   40              350                      2025-03-12             2025-04-24           46               -             -          2025-10-01               2025-09-30           2025-11-01          in_treatment   -
C4      P3         left  femur   lengthening_nail   25                   2025-05-01   30              410                      2025-05-06             2025-05-14           8                8             2025-07-30 2025-08-20               -                    2025-11-01          stopped_early  2025-05-14
C5      P3         right humerus monolateral_fixator 25                  2025-05-01   30              280                      -                      -                    -                -             -          -                        -                    2025-06-01          in_treatment   -
"""
WEIGHT = """
case_id assessed_on load    aid
C1      2025-03-10  partial two_crutches
C1      2025-04-10  full    none
C2      2025-08-10  partial two_crutches
C3      2025-09-01  partial cane
"""
MOTION = """
case_id examined_on joint flexion_deg extension_deficit_deg
C1      2024-12-01  knee  120         5
C1      2025-01-09  knee  140         0
C1      2025-02-22  knee  80          10
C1      2025-04-05  knee  120         5
C1      2025-06-01  knee  126         5
C1      2025-10-10  knee  133         0
C2      2025-02-20  knee  130         -
C2      2025-06-01  knee  100         5
C3      2025-06-01  knee  110         0
C3      2025-06-01  hip   100         0
"""
FILMS = """
case_id taken_on   gain_mm cortices_bridged
C3      2025-06-01 46      1
C3      2025-08-01 46      2
C3      2025-10-15 46      3
"""
EVENTS = """
complication_id case_id occurred_on origin      unplanned_operation course_class severity_type
K1              C2      2025-04-01  soft_tissue no                  problem      I
K2              C2      2025-06-01  bone        yes                 obstacle     II
K3              C3      2025-06-01  joint       no                  -            -
"""


@pytest.fixture
def cohort(cohort_of):
    return cohort_of(
        cases=CASES,
        weight_bearing=WEIGHT,
        joint_motion=MOTION,
        radiographs=FILMS,
        complications=EVENTS,
    )


@pytest.fixture
def cases(cohort):
    return audit.measure_cases(cohort).set_index("case_id")


@pytest.mark.parametrize(
    ("case", "measure", "expected"),
    [
        ("C1", "latency_days", 5),  # 10 to 15 January
        ("C1", "distraction_days", 38),  # 15 January to 22 February: 16 + 22
        ("C1", "distraction_index_mm_per_day", 1.0),  # 38 mm / 38 days
        ("C1", "healing_index_days_per_cm", 85 / 3.8),  # 10 Jan to 5 Apr = 21+28+31+5 = 85 days
        ("C1", "healing_index_months_per_cm", 85 / 30.4375 / 3.8),
        ("C1", "maturation_index_days_per_cm", 42 / 3.8),  # 22 Feb to 5 Apr = 6+31+5 = 42: 6 weeks
        ("C1", "weight_bearing_index_days_per_cm", 90 / 3.8),  # 10 Jan to 10 Apr = 90: 3 months
        ("C1", "full_weight_bearing_days", 90),
        ("C1", "gain_error_mm", 0),
        ("C1", "length_lost_mm", 0.5),  # 38 - 37.5
        ("C1", "final_gain_error_mm", -0.5),
        ("C1", "lengthening_pct", 9.5),  # 38 / 400
        ("C1", "knee_flexion_retention_pct", 95),  # 133 / 140; the baseline is 9 January
        ("C1", "knee_arc_retention_pct", 95),  # (133 - 0) / (140 - 0)
        ("C1", "knee_flexion_worst_deg", 80),
        ("C1", "knee_flexion_at_union_deg", 120),
        ("C2", "gain_error_mm", -4),  # 36 - 40
        ("C2", "gain_attainment_pct", 90),
        ("C2", "gain_accuracy_pct", 90),
        ("C3", "gain_error_mm", 6),  # 46 - 40: too long
        ("C3", "gain_attainment_pct", 115),
        ("C3", "gain_accuracy_pct", 85),  # 1 - 6/40: too long counts against accuracy
        ("C3", "external_fixation_index_days_per_cm", 209 / 4.6),  # 5 Mar to 30 Sep = 209 days
        ("C2", "knee_flexion_retention_pct", 100 * 100 / 130),
        ("C2", "complication_events", 2),
        ("C2", "unplanned_operations", 1),
        ("C2", "complication_events_origin_bone", 1),
        ("C3", "complication_events_severity_type_not_recorded", 1),
        ("C1", "complication_events", 0),
        ("C1", "follow_up_months", 273 / 30.4375),  # 10 Jan to 10 Oct = 273 days
    ],
)
def test_value(cases, case, measure, expected):
    assert cases.loc[case, measure] == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(
    ("case", "measure", "reason"),
    [
        ("C3", "healing_index_days_per_cm", "not_united"),
        ("C4", "healing_index_days_per_cm", "length_under_10mm"),
        ("C5", "gain_error_mm", "distraction_not_finished"),
        ("C1", "external_fixation_index_days_per_cm", "not_a_fixator"),
        ("C2", "external_fixation_index_days_per_cm", "fixator_not_removed"),
        ("C2", "full_weight_bearing_days", "not_yet_full_weight_bearing"),
        ("C5", "full_weight_bearing_days", "not_a_walking_bone"),
        ("C3", "knee_flexion_retention_pct", "no_baseline_motion"),
        ("C2", "knee_arc_retention_pct", "no_baseline_motion"),  # no deficit recorded before
        ("C2", "length_lost_mm", "no_final_gain"),
    ],
)
def test_a_missing_value_has_its_reason(cases, case, measure, reason):
    assert pd.isna(cases.loc[case, measure])
    assert cases.loc[case, f"{measure}_reason"] == reason


def test_every_missing_measure_has_a_reason_and_every_value_has_none(cases):
    for column in [name for name in cases if name.endswith("_reason")]:
        value = cases[column.removesuffix("_reason")]
        assert (value.isna() == cases[column].notna()).all(), column


def test_tolerance_is_five_millimetres_either_way(cases):
    assert cases.loc["C2", "gain_within_tolerance"]
    assert not cases.loc["C3", "gain_within_tolerance"]  # 6 mm too long


def test_tolerance_is_met_at_its_edge(cohort_of):
    edge = CASES.replace(" 46 ", " 45 ")
    cases = audit.measure_cases(cohort_of(cases=edge)).set_index("case_id")
    assert cases.loc["C3", "gain_error_mm"] == 5
    assert cases.loc["C3", "gain_within_tolerance"]


def test_without_a_complications_table_nothing_is_known(cohort_of):
    cases = audit.measure_cases(cohort_of(cases=CASES))
    assert cases["complication_events"].isna().all()


def test_waiting_case_is_censored_at_the_last_assessment_without_full_load(cohort):
    times = days_to_full_weight_bearing(cohort)
    assert not times.loc["C2", "observed"]
    assert times.loc["C2", "duration"] == 162  # 1 March to 10 August, not the last follow-up
    assert times.loc["C2", "upper"] == float("inf")


def test_waiting_case_without_assessments_is_censored_at_follow_up(cohort_of):
    times = days_to_full_weight_bearing(cohort_of(cases=CASES))
    assert times.loc["C2", "duration"] == 245  # 1 March to 1 November


def test_full_weight_bearing_lies_between_two_clinic_days(cohort):
    times = days_to_full_weight_bearing(cohort)
    assert times.loc["C1", ["lower", "upper"]].tolist() == [59, 90]  # 10 March, 10 April


def test_both_legs_make_one_walking_episode(cohort):
    episodes = walking_episodes(cohort).set_index("patient_id")
    assert episodes.loc["P2", "cases"] == 2
    assert episodes.loc["P2", "limbs"] == 2
    assert not episodes.loc["P2", "observed"]  # C2 still waits
    assert episodes.loc["P2", "duration"] == 162  # from the first surgery to C2's last assessment


def test_walking_episode_ends_with_the_later_leg(cohort_of):
    both = CASES.replace(
        "2025-09-20 -                        -", "2025-09-20 2025-09-28               -"
    )
    episodes = walking_episodes(cohort_of(cases=both)).set_index("patient_id")
    assert episodes.loc["P2", "observed"]
    assert episodes.loc["P2", "duration"] == 214  # 1 March to 1 October (C3), not 28 September


def test_union_censored_at_the_last_film_that_shows_none(cohort):
    times = days_to_union(cohort)
    # C3: films on 1 June (1), 1 August (2), 15 October (3 cortices, no union date recorded)
    assert not times.loc["C3", "observed"]
    assert times.loc["C3", "duration"] == 149  # 5 March to 1 August


def test_censored_healing_index_keeps_waiting_cases(cohort):
    index = censored_healing_index(cohort)
    assert index.loc["C3", "duration"] == pytest.approx(149 / 4.6)
    assert not index.loc["C3", "observed"]
    assert index.loc["C4", "reason"] == "length_under_10mm"


def test_knee_recovers_at_the_first_examination_with_ninety_percent(cohort):
    times = days_to_knee_recovery(cohort)
    # 90 % of 140 is 126: reached on 1 June (142 days), last short on 5 April (85 days)
    assert times.loc["C1", ["duration", "lower", "upper"]].tolist() == [142, 85, 142]
    assert times.loc["C1", "observed"]
    assert not times.loc["C2", "observed"]  # 100 of 130
    assert times.loc["C2", "duration"] == 92  # 1 March to 1 June
    assert times.loc["C3", "reason"] == "no_baseline_motion"


def test_late_arrival_counts_from_arrival(cohort_of):
    late = CASES.replace("outcome_date\n", "outcome_date arrival_date\n", 1)
    lines = [line + (" 2025-02-01" if line.startswith("C1 ") else "") for line in late.split("\n")]
    lines = [line + " -" if line[:2] in {"C2", "C3", "C4", "C5"} else line for line in lines]
    cohort = cohort_of(cases="\n".join(lines), complications=EVENTS)
    assert days_to_full_weight_bearing(cohort).loc["C1", "entry"] == 22  # 10 Jan to 1 Feb
    cases = audit.measure_cases(cohort).set_index("case_id")
    assert cases.loc["C1", "follow_up_months"] == pytest.approx(251 / 30.4375)
