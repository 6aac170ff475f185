"""Rows of a device class on a set of bones, and the choice between twin rows.

Checked against results.csv where it holds the same cases, else against a count by hand.
"""

from __future__ import annotations

import pandas as pd
import pytest

from audit.results.bone_sets import bone_set_rows
from audit.results.catalogue import TIMES
from audit.results.rows import FEWEST_CLUSTERS, best_rows
from tests.conftest import text_table

HELD = ["measure", "statistic", "n", "missing", "value", "low", "high", "method", "unit", "note"]
#: measures whose rows by group speak of no single bone of a case
OTHERS = ("gain_agreement_mm", "knee_flexion_retention_pct_by_limb")


def rows_for(run, measure, device_class, *bones):
    return bone_set_rows(run.cohort, run.measured, measure, device_class=device_class, bones=bones)


def rows_in(run, measure, group_by, group):
    found = run.results
    chosen = (found["window"] == "all") & (found["measure"] == measure)
    chosen &= (found["group_by"] == group_by) & (found["group"] == group)
    return found.loc[chosen, HELD].reset_index(drop=True)


@pytest.mark.parametrize(
    ("device_class", "bones", "group_by", "group"),
    [
        ("lengthening_nail", ("tibia", "femur"), "device_class", "lengthening_nail"),
        (
            "circular_fixator",
            ("femur", "tibia", "humerus", "forearm"),
            "device_class",
            "circular_fixator",
        ),
        ("circular_fixator", ("tibia",), "device_class+segment", "circular_fixator+tibia"),
    ],
)
def test_the_same_cases_give_the_rows_of_the_results(
    demo_run, device_class, bones, group_by, group
):
    results = demo_run.results
    by_bone = results.loc[results["group_by"] == "device_class+segment", "measure"].unique()
    names = [name for name in by_bone if name not in OTHERS]
    assert len(names) > 30
    for name in names:
        found = rows_for(demo_run, name, device_class, *bones)
        expected = rows_in(demo_run, name, group_by, group)
        pd.testing.assert_frame_equal(found[HELD], expected)
        assert set(found["window"]) == {"all"}


def test_a_set_that_is_no_group_of_the_results_is_counted_from_its_cases(demo_run):
    cases = demo_run.measured
    mine = cases.loc[
        (cases["device_class"] == "circular_fixator") & cases["segment"].isin(["femur", "tibia"])
    ]
    assert 0 < len(mine) < (cases["device_class"] == "circular_fixator").sum()
    rows = rows_for(demo_run, "complications_per_100_cases", "circular_fixator", "tibia", "femur")
    row = rows.set_index("statistic").loc["rate"]
    assert row["group"] == "circular_fixator+femur+tibia"
    assert (row["n"], row["missing"]) == (len(mine), 0)
    assert row["value"] == pytest.approx(100 * mine["complication_events"].sum() / len(mine))
    healing = rows_for(demo_run, "healing_index_days_per_cm", "circular_fixator", "femur", "tibia")
    mean = healing.set_index("statistic").loc["mean", "value"]
    assert mean == pytest.approx(mine["healing_index_days_per_cm"].mean())


SIDES = """
case_id patient_id side  segment device_class     surgery_date full_weight_bearing_date
C1      P1         left  femur   lengthening_nail 2025-01-06   2025-05-06
C2      P1         right tibia   lengthening_nail 2025-01-06   2025-06-05
C3      P2         left  femur   lengthening_nail 2025-02-03   2025-06-13
C4      P3         left  femur   lengthening_nail 2025-02-03   2025-06-23
C5      P3         right tibia   circular_fixator 2025-02-03   2025-06-23
"""


def test_an_episode_on_two_bones_counts_in_the_set_and_on_neither_bone(cohort_of):
    """P1 learns to walk once with a nail in femur and tibia, P2 with one in the femur; P3 has a
    nail and a fixator, which is no episode of either class."""
    from audit.measures import measure_cases

    cases = text_table(SIDES).assign(
        age_at_surgery_years="30",
        planned_gain_mm="50",
        last_follow_up_date="2026-01-20",
        outcome_status="completed",
    )
    cohort = cohort_of("2026-01-31", cases=cases)
    measured = measure_cases(cohort)

    def walking(*bones):
        found = bone_set_rows(
            cohort, measured, "time_to_full_weight_bearing", device_class="lengthening_nail",
            bones=bones,
        )  # fmt: skip
        return found.set_index("statistic").loc["median_time"]

    both = walking("femur", "tibia")
    # 130 and 150 days, and half of two still waiting in between: the middle of that stretch
    assert (both["n"], both["value"]) == (2, 140)
    assert walking("femur")["n"] == 1 and walking("femur")["value"] == 130
    assert walking("tibia")["n"] == 0 and pd.isna(walking("tibia")["value"])


def test_a_measure_without_such_rows_is_refused(demo_run):
    for name in (*OTHERS, "no_such_measure"):
        with pytest.raises(ValueError, match="no rows by device class and bones"):
            rows_for(demo_run, name, "lengthening_nail", "femur", "tibia")


def test_nothing_of_the_run_is_changed(demo_run):
    before = demo_run.measured.copy()
    for name in ("gain_error_mm", *TIMES):
        rows_for(demo_run, name, "circular_fixator", "femur", "tibia")
    pd.testing.assert_frame_equal(demo_run.measured, before)


def test_the_twin_over_patients_is_taken_where_patients_repeat_and_are_enough(demo_run):
    rows = rows_in(demo_run, "gain_error_mm", "all", "all")
    few, enough = FEWEST_CLUSTERS - 1, FEWEST_CLUSTERS
    for patients, cases, twin in [
        (enough, enough + 1, True),
        (few, few + 3, False),
        (enough, enough, False),
        (0, 0, False),
    ]:
        found = best_rows(rows, patients, cases)["mean"]["statistic"]
        assert found == ("mean_clustered" if twin else "mean")
    assert best_rows(rows, enough, enough + 1)["sd"]["statistic"] == "sd"
    assert best_rows(rows.iloc[:0], 9, 10) == {}
