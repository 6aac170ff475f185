"""Knee motion limb by limb, worked by hand. One knee a leg: common practice, no published source."""

from __future__ import annotations

import pandas as pd
import pytest

from audit.measures.limbs import BY_LIMB, limb_knee_measures
from audit.results.groups import Slice
from audit.results.limbs import limb_knee_rows

CASES = """
case_id patient_id side  segment device_class     age_at_surgery_years surgery_date planned_gain_mm last_follow_up_date outcome_status
C1      P1         left  femur   lengthening_nail 20 2025-01-10 40 2025-10-10 in_treatment
C2      P1         left  tibia   circular_fixator 20 2025-01-30 30 2025-10-10 in_treatment
C3      P1         right femur   lengthening_nail 20 2025-01-30 30 2025-10-10 in_treatment
C4      P2         left  femur   lengthening_nail 30 2025-01-10 40 2025-10-10 in_treatment
C5      P2         left  tibia   lengthening_nail 30 2025-03-10 40 2025-10-10 in_treatment
C6      P3         left  humerus lengthening_nail 30 2025-03-10 40 2025-10-10 in_treatment
"""
# Left limb of P1 (10 and 30 January): baseline 140 on 9 January; 90 on 29 January lies between
# the operations and is no baseline; last after 30 January: 9 June, two examinations on one day,
# the smaller (105) counts: 105 / 140 = 75 %.
MOTION = """
case_id examined_on joint flexion_deg extension_deficit_deg
C1      2025-01-09  knee  140 0
C2      2025-01-29  knee  90  0
C1      2025-06-09  knee  112 0
C2      2025-06-09  knee  105 0
C3      2025-01-29  knee  140 0
C3      2025-06-09  knee  133 0
C4      2025-01-09  knee  150 0
C4      2025-03-01  knee  120 0
C5      2025-06-01  knee  100 0
C6      2025-06-01  knee  100 0
"""


@pytest.fixture
def cohort(cohort_of):
    return cohort_of(cases=CASES, joint_motion=MOTION)


def test_one_row_a_limb(cohort):
    limbs = limb_knee_measures(cohort).set_index(["patient_id", "side", "episode"])
    # P2's two operations lie 59 days apart: two episodes, so two limbs of the table.
    assert list(limbs["cases"]) == [2, 1, 1, 1]
    left = limbs.loc[("P1", "left")].iloc[0]
    assert (left["baseline_deg"], left["last_deg"]) == (140, 105)
    assert left[BY_LIMB] == pytest.approx(75)
    assert (left["device_class"], left["segment"]) == ("mixed", "mixed")
    assert limbs.loc[("P1", "right")].iloc[0][BY_LIMB] == pytest.approx(95)  # 133 / 140
    first, second = (limbs.loc[("P2", "left")].iloc[i] for i in (0, 1))
    assert first[BY_LIMB] == pytest.approx(80)  # 120 / 150
    assert pd.isna(second[BY_LIMB])
    assert second[f"{BY_LIMB}_reason"] == "no_baseline_motion"


def test_result_rows(cohort):
    part = Slice("all", "all", "all", limb_knee_measures(cohort))
    rows = {row["statistic"]: row for row in limb_knee_rows(part, cohort.settings)}
    assert list(rows) == ["mean", "mean_clustered", "median", "median_clustered", "q1", "q3"]
    # 75, 95 and 80: mean 250/3, median 80; one limb has no baseline.
    assert rows["mean"]["value"] == pytest.approx(250 / 3)
    assert rows["mean_clustered"]["value"] == pytest.approx(250 / 3)
    assert rows["median"]["value"] == 80
    assert (rows["mean"]["n"], rows["mean"]["missing"]) == (3, 1)
    assert rows["mean"]["measure"] == BY_LIMB
    assert "no knee examination on or before surgery: 1" in rows["mean"]["note"]


def test_an_empty_group_has_no_value(cohort):
    part = Slice("all", "all", "all", limb_knee_measures(cohort).iloc[:0])
    assert all(
        row["value"] is None and row["note"] for row in limb_knee_rows(part, cohort.settings)
    )


def test_without_a_side_a_case_is_its_own_limb(cohort_of):
    text = CASES.replace(" left  tibia   circular_fixator 20", " - tibia circular_fixator 20")
    limbs = limb_knee_measures(cohort_of(cases=text, joint_motion=MOTION))
    assert len(limbs) == 5
