"""Selection of a series: rules in order, counts that add up, and nothing of those left out."""

from __future__ import annotations

import dataclasses

import pandas as pd
import pytest

import audit
from audit.errors import UnusableInput
from audit.intake.series_plan import read_series_plan, series_plan_from
from audit.measures import measure_cases
from audit.plan import FACTS, SelectionRule
from audit.run import AuditRun
from audit.series.case_series import FLOW_COLUMNS
from audit.series.facts import case_facts
from audit.series.narrow import narrowed_cohort, narrowed_run
from audit.series.rules import meets
from audit.series.selection import case_series, select
from audit.series.units import limb_of
from audit.settings import Settings
from tests.conftest import DEMO, ROOT

#: P1: both bones of one leg on one day, then the other femur two years later; P2: a nail without a
#: recorded side, then an arm; P3: a frame taken over in mid-treatment
CASES = """
case_id patient_id side  segment device_class     age_at_surgery_years surgery_date planned_gain_mm union_date achieved_gain_mm last_follow_up_date outcome_status outcome_date arrival_date segment_length_before_mm
C1      P1         left  femur   lengthening_nail 15  2022-01-10 40 2022-07-01 40 2023-06-01 completed         2023-01-10 -          400
C2      P1         left  tibia   circular_fixator 15  2022-01-10 30 2022-09-01 30 2023-06-01 completed         2023-01-10 -          320
C3      P1         right femur   lengthening_nail 17  2024-01-10 40 -          38 2024-05-01 lost_to_follow_up 2024-05-01 -          -
C4      P2         -     femur   lengthening_nail 30  2023-03-01 50 2023-10-01 49 2024-03-01 completed         2024-02-01 -          -
C5      P2         right humerus monolateral_fixator 31 2024-03-01 60 2024-12-01 60 2025-01-01 completed       2025-01-01 -          300
C6      P3         left  tibia   circular_fixator 12  2024-02-01 50 -          -  2024-10-01 in_treatment      -          2024-04-01 310
"""
MOTION = """
case_id examined_on joint flexion_deg
C1      2022-01-05  knee  130
C2      2022-01-05  knee  130
C4      2023-02-20  knee  140
C4      2024-01-20  knee  135
C6      2024-05-01  knee  90
"""


@pytest.fixture
def run(cohort_of):
    cohort = cohort_of("2025-01-31", cases=CASES, joint_motion=MOTION)
    assert len(cohort.cases) == 6
    empty = pd.DataFrame()
    return AuditRun(
        cohort=cohort,
        measured=measure_cases(cohort),
        results=empty,
        standards=empty,
        quarter=pd.Period("2024Q4"),
        parameters={},
    )


def rule(column: str, test: str, *values, kind: str = "include", ground: str = "clinical"):
    return SelectionRule(
        id=f"{column}_{test}", words="words", kind=kind, column=column, test=test,
        values=values, ground=ground,
    )  # fmt: skip


def kept(run, *rules) -> str:
    _, left_out = select(run, rules)
    return " ".join(sorted(set(run.cohort.cases["case_id"]) - set(left_out["case_id"])))


@pytest.mark.parametrize(
    ("column", "test", "values", "expected"),
    [
        ("segment", "is", ("femur",), "C1 C3 C4"),
        ("segment", "is_not", ("femur", "tibia"), "C5"),
        ("age_at_surgery_years", "at_least", (17.0,), "C3 C4 C5"),
        ("age_at_surgery_years", "above", (17.0,), "C4 C5"),
        ("age_at_surgery_years", "at_most", (15.0,), "C1 C2 C6"),
        ("age_at_surgery_years", "below", (15.0,), "C6"),
        ("age_at_surgery_years", "between", (15.0, 17.0), "C1 C2 C3"),
        ("surgery_date", "on_or_after", (pd.Timestamp("2024-01-10").date(),), "C3 C5 C6"),
        ("surgery_date", "on_or_before", (pd.Timestamp("2022-01-10").date(),), "C1 C2"),
        ("sex", "is", ("male",), "C4 C5"),
        ("aetiology", "is_not", ("congenital",), "C4 C5 C6"),
        ("earlier_cases", "at_most", (0.0,), "C1 C2 C4 C6"),
        ("taken_over", "is", ("no",), "C1 C2 C3 C4 C5"),
        # by hand: 2024-05-01 less 2024-01-10 is 112 days, 2024-10-01 less 2024-02-01 is 243
        ("follow_up_days", "at_least", (243.0,), "C1 C2 C4 C5 C6"),
        ("follow_up_days", "above", (243.0,), "C1 C2 C4 C5"),
        # 2025-01-31 less 2024-03-01 is 336, less 2024-02-01 is 365
        ("possible_follow_up_days", "at_least", (365.0,), "C1 C2 C3 C4 C6"),
        ("knee_flexion_baseline_deg", "given", (), "C1 C2 C4"),
        ("healing_index_days_per_cm", "given", (), "C1 C2 C4 C5"),
        ("union_date", "not_given", (), "C3 C6"),
        ("gain_within_tolerance", "is", ("yes",), "C1 C2 C3 C4 C5"),
        ("side", "is", ("left",), "C1 C2 C6"),
    ],
)
def test_each_test_keeps_the_cases_that_meet_it(run, column, test, values, expected):
    assert kept(run, rule(column, test, *values)) == expected
    everyone = set(run.cohort.cases["case_id"])
    facts = case_facts(run.cohort, run.measured)
    met = meets(rule(column, test, *values), facts)
    out = set(facts.loc[met, "case_id"])
    assert kept(run, rule(column, test, *values, kind="exclude")).split() == sorted(everyone - out)


def test_a_missing_value_fails_an_inclusion_but_no_exclusion_and_is_counted_apart(run):
    flow, left_out = select(run, (rule("segment_length_before_mm", "at_least", 310.0),))
    assert flow["step"].tolist() == ["in_cohort", "by_rule", "not_recorded", "selected"]
    assert flow["cases"].tolist() == [6, 1, 2, 3]
    assert flow["ground"].tolist()[1:3] == ["clinical", "data"]
    steps = dict(zip(left_out["case_id"], left_out["step"], strict=True))
    assert steps == {"C5": "by_rule", "C3": "not_recorded", "C4": "not_recorded"}
    exclusion = rule("segment_length_before_mm", "below", 310.0, kind="exclude")
    assert kept(run, exclusion) == "C1 C2 C3 C4 C6"
    for one in (rule("segment_length_before_mm", "at_least", 310.0), exclusion):
        assert select(run, (one,))[0]["unrecorded"].iloc[1] == 2


def test_cases_limbs_and_patients_are_counted_where_the_last_of_them_goes(run):
    # C1 and C2 are one limb; C4 without a side is a limb of its own; P1 stays until C3 goes
    rules = (
        rule("segment", "is", "humerus", kind="exclude"),
        rule("device_class", "is", "lengthening_nail"),
        rule("earlier_cases", "at_most", 0.0, ground="design"),
    )
    flow, left_out = select(run, rules)
    assert list(flow.columns) == FLOW_COLUMNS
    assert flow[["cases", "limbs", "patients"]].to_numpy().tolist() == [
        [6, 5, 3],
        [1, 1, 0],
        [2, 1, 1],  # C2 leaves its limb to C1; C6 takes its limb and P3 with it
        [1, 1, 0],
        [2, 2, 2],
    ]
    assert left_out["case_id"].tolist() == ["C5", "C2", "C6", "C3"]


def test_a_case_counts_at_the_first_rule_that_leaves_it_out(run):
    first, second = rule("segment", "is", "femur"), rule("device_class", "is", "lengthening_nail")
    _, one = select(run, (first, second))
    _, other = select(run, (second, first))
    assert set(one["rule"]) == {"segment_is"}
    assert set(other["rule"]) == {"device_class_is"}
    assert set(one["case_id"]) == set(other["case_id"])


def test_a_rule_on_what_is_known_only_later_is_marked(run):
    rules = (
        rule("age_at_surgery_years", "at_least", 1.0),
        rule("possible_follow_up_days", "at_least", 1.0, ground="design"),
        rule("follow_up_days", "at_least", 1.0, ground="data"),
        rule("union_date", "given", ground="data"),
    )
    flow, _ = select(run, rules)
    assert flow["on_outcome"].tolist() == [False, False, False, True, True, False]


def test_a_plan_that_leaves_nobody_is_refused_with_the_rule_that_took_the_last(run):
    plan = dataclasses.replace(
        series_plan_from(b"", name="mine.toml"), rules=(rule("segment", "is", "forearm"),)
    )
    with pytest.raises(UnusableInput, match=r"mine\.toml leaves no case of the 6.*'segment_is'"):
        case_series(run, plan)


def test_a_plan_without_rules_takes_the_run_as_it_is(run):
    series = case_series(run, series_plan_from(b"", name="mine.toml"))
    assert series.run is run
    assert series.flow["cases"].tolist() == [6, 6]
    assert series.left_out.empty


def test_every_fact_has_a_column_and_its_kind(run):
    facts = case_facts(run.cohort, run.measured)
    assert list(facts.columns) == list(FACTS)
    for name, fact in FACTS.items():
        held = facts[name].dropna()
        if fact.kind == "number":
            held.astype(float)
        elif fact.kind == "day":
            assert facts[name].dtype.kind == "M", name
        elif fact.codes:
            assert set(held) <= set(fact.codes), name


def test_limbs_are_sides_of_an_episode(run):
    limbs = limb_of(run.cohort.cases, gap_days=30).set_axis(run.cohort.cases["case_id"])
    assert limbs["C1"] == limbs["C2"]
    assert limbs.nunique() == 5


def test_a_narrowed_cohort_holds_no_row_and_no_question_of_a_case_left_out(run):
    before = {name: frame.copy() for name, frame in run.cohort.tables.items()}
    narrow = narrowed_cohort(run.cohort, frozenset({"C1", "C4"}))
    for name, frame in {**narrow.at_cutoff, **narrow.tables}.items():
        if "case_id" in frame:
            assert set(frame["case_id"]) <= {"C1", "C4"}, name
    assert set(narrow.tables["patients"]["patient_id"]) == {"P1", "P2"}
    assert set(narrow.queries["case_id"]) <= {"C1", "C4", ""}
    assert narrow.flow["cases"].iloc[0] == narrow.flow["cases"].iloc[1:].sum()
    for name, frame in before.items():
        pd.testing.assert_frame_equal(frame, run.cohort.tables[name])


def write_only(folder, run, case_ids: set[str]) -> None:
    """The demo source as files that hold these cases only: the other way to narrow it."""
    patients = set(run.cohort.cases.loc[run.cohort.cases["case_id"].isin(case_ids), "patient_id"])
    for file in DEMO.glob("*.csv"):
        frame = pd.read_csv(file, dtype=str, keep_default_na=False)
        if "case_id" in frame:
            frame = frame.loc[frame["case_id"].isin(case_ids)]
        elif "patient_id" in frame:
            frame = frame.loc[frame["patient_id"].isin(patients)]
        elif file.stem == "theatre_counts":
            continue
        frame.to_csv(folder / file.name, index=False, lineterminator="\n")


def test_narrowing_gives_what_a_source_without_the_other_cases_gives(demo_run, tmp_path):
    plan = read_series_plan(ROOT / "demo_data" / "series_plan.toml")
    _, left_out = select(demo_run, plan.rules)
    chosen = set(demo_run.cohort.cases["case_id"]) - set(left_out["case_id"])
    assert 0 < len(left_out) < len(chosen)
    write_only(tmp_path, demo_run, chosen)
    alone = audit.build_cohort(audit.read_source(tmp_path), demo_run.cohort.cutoff)
    narrow = narrowed_cohort(demo_run.cohort, frozenset(chosen))
    for name, frame in alone.tables.items():
        ours = narrow.tables[name].drop(columns="row")
        pd.testing.assert_frame_equal(ours, frame.drop(columns="row")[list(ours)], obj=name)
    pd.testing.assert_frame_equal(measure_cases(narrow), measure_cases(alone))
    same = ["table", "case_id", "column", "value", "rule", "severity", "message"]
    theirs = alone.queries[same].sort_values(same).reset_index(drop=True)
    pd.testing.assert_frame_equal(
        narrow.queries[same].sort_values(same).reset_index(drop=True), theirs
    )


def test_rows_of_a_narrowed_run_add_up_to_the_rows_its_cases_have_in_the_source(demo_run):
    few = Settings(resamples=20)
    light = dataclasses.replace(
        demo_run, cohort=dataclasses.replace(demo_run.cohort, settings=few), register=None
    )
    nails = demo_run.cohort.cases
    nails = nails.loc[
        (nails["device_class"] == "lengthening_nail") & (nails["segment"] == "tibia"), "case_id"
    ]
    narrow = narrowed_run(light, frozenset(nails))
    rows = narrow.cohort.rows.set_index("table")
    for name in ("cases", "radiographs", "complications"):
        file = pd.read_csv(DEMO / f"{name}.csv", dtype=str)
        assert rows.loc[name, "read"] == file["case_id"].isin(nails).sum(), name
        parts = rows.loc[name, ["used", "later", "kept_out", "other_centre"]].sum()
        assert rows.loc[name, "read"] == parts
    results = narrow.results
    assert set(results.loc[results["group_by"] == "device_class", "group"]) == {"lengthening_nail"}
    everyone = (results["window"] == "all") & (results["group_by"] == "all")
    of_cases = results.loc[everyone & (results["measure"] == "gain_error_mm"), ["n", "missing"]]
    assert len(of_cases) > 1
    assert set(of_cases.sum(axis=1)) == {len(nails)}
    assert narrow.cohort.tables["theatre_counts"].empty
    assert "theatre_counts" not in narrow.cohort.given
    assert len(narrow.tables["cases"]) == len(nails)
