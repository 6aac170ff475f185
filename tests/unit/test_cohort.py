"""The cohort at a cut-off: winding back, keeping out, and flows that add up."""

from __future__ import annotations

import pandas as pd
import pytest

import audit
from audit.errors import UnusableInput

CASES = """
case_id patient_id segment device_class     age_at_surgery_years surgery_date planned_gain_mm distraction_start_date distraction_end_date achieved_gain_mm final_gain_mm union_date last_follow_up_date outcome_status outcome_date arrival_date
C1      P1         femur   lengthening_nail 20                   2025-01-10   38              2025-01-15             2025-02-22           38               37            2025-04-05 2025-10-10          completed      2025-10-10   -
C2      P2         femur   lengthening_nail 20                   2025-06-10   38              -                      -                    -                -             -          2025-06-20          in_treatment   -            -
C3      P3         femur   lengthening_nail 20                   2025-01-20   38              -                      -                    -                -             -          2025-06-20          in_treatment   -            2025-05-01
"""
FILMS = """
case_id taken_on   gain_mm cortices_bridged
C1      2025-02-05 20      0
C1      2025-02-22 38      1
C1      2025-04-05 38      3
C1      2025-09-01 37      4
C2      2025-06-15 0       0
"""


def test_nothing_after_the_cut_off_is_used(cohort_of):
    cohort = cohort_of("2025-03-01", cases=CASES, radiographs=FILMS)
    case = cohort.cases.set_index("case_id").loc["C1"]
    assert cohort.cases["case_id"].tolist() == ["C1"]
    assert case["achieved_gain_mm"] == 38  # distraction ended on 22 February
    assert pd.isna(case["union_date"])
    assert pd.isna(case["final_gain_mm"])  # its last film lies in September
    assert case["outcome_status"] == "in_treatment"
    assert pd.isna(case["outcome_date"])
    assert case["follow_up_end"] == pd.Timestamp("2025-02-22")  # latest dated fact by then
    assert len(cohort.tables["radiographs"]) == 2


def test_gain_is_unknown_before_distraction_has_ended(cohort_of):
    cohort = cohort_of("2025-02-21", cases=CASES)
    assert cohort.cases["achieved_gain_mm"].isna().all()


def test_flow_names_who_is_not_there_yet_and_adds_up(cohort_of):
    flow = cohort_of("2025-03-01", cases=CASES).flow
    steps = flow.set_index("reason")["cases"]
    assert steps["operated_after_cut_off"] == 1
    assert steps["arrived_after_cut_off"] == 1
    assert flow.loc[flow["step"] != "read", "cases"].sum() == 3


def test_winding_back_raises_no_false_question(cohort_of):
    assert cohort_of("2025-03-01", cases=CASES, radiographs=FILMS).queries.empty


def test_without_a_cut_off_the_last_dated_fact_counts(cohort_of):
    assert cohort_of(cases=CASES).cutoff == pd.Timestamp("2025-10-10")


def test_a_fact_in_the_future_is_no_cut_off(cohort_of, write_source):
    future = CASES.replace("2025-06-20          in_treatment   -            -", "2999-06-20          in_treatment   -            -")  # fmt: skip
    cohort = cohort_of(cases=future)
    assert cohort.cutoff == pd.Timestamp("2025-10-10")


def test_source_without_any_date_is_refused(cohort_of):
    none = CASES.replace("2025", "20x5")
    with pytest.raises(UnusableInput, match="holds no usable date"):
        cohort_of(cases=none)


def test_rows_of_an_unusable_case_go_out_with_it_and_are_not_asked_about(cohort_of):
    broken = CASES.replace("2025-01-10", "10.1.2025")
    cohort = cohort_of(cases=broken, radiographs=FILMS)
    assert cohort.queries["rule"].tolist() == ["not_a_date"]
    out = cohort.kept_out.groupby(["table", "reason"]).size()
    assert out["cases", "row_without_surgery_date"] == 1
    assert out["radiographs", "case_not_used"] == 4


def test_two_cases_with_one_id_and_different_content_are_both_out(cohort_of):
    twice = CASES + CASES.strip().split("\n")[1].replace(" 38 ", " 40 ", 1) + "\n"
    cohort = cohort_of(cases=twice)
    assert cohort.kept_out["reason"].tolist() == ["key_used_twice"] * 2
    assert "C1" not in set(cohort.cases["case_id"])


def test_a_row_typed_twice_counts_once(cohort_of):
    twice = CASES + CASES.strip().split("\n")[1] + "\n"
    cohort = cohort_of(cases=twice)
    assert cohort.kept_out["reason"].tolist() == ["repeated_row"]
    assert cohort.cases["case_id"].tolist() == ["C1", "C2", "C3"]


def test_a_row_of_a_case_that_does_not_exist_is_asked_about(cohort_of):
    cohort = cohort_of(cases=CASES, radiographs=FILMS.replace("C2 ", "C9 "))
    query = cohort.queries.iloc[0]
    assert (query["table"], query["rule"], query["row"]) == ("radiographs", "unknown_case", 6)


def test_rows_of_every_table_are_accounted_for(demo_run):
    rows = demo_run.cohort.rows
    parts = rows[["used", "later", "kept_out", "other_centre"]].sum(axis=1)
    assert (parts == rows["read"]).all()


def test_one_centre_only(demo_tables):
    north = audit.build_cohort(demo_tables, "2026-09-30", centre="north")
    south = audit.build_cohort(demo_tables, "2026-09-30", centre="south")
    everyone = audit.build_cohort(demo_tables, "2026-09-30")
    assert len(north.cases) + len(south.cases) == len(everyone.cases)
    assert set(north.cases["centre"]) == {"north"}
    assert north.tables["radiographs"]["case_id"].isin(north.cases["case_id"]).all()
    for cohort in (north, south):
        flow = cohort.flow
        read = flow.loc[flow["step"] == "read", "cases"].sum()
        assert flow.loc[flow["step"] != "read", "cases"].sum() == read


def test_unknown_centre_is_refused_with_those_there_are(demo_tables):
    with pytest.raises(UnusableInput, match="north, south"):
        audit.build_cohort(demo_tables, "2026-09-30", centre="west")


def test_the_callers_tables_are_not_changed(demo_tables):
    before = {name: frame.copy() for name, frame in demo_tables.items()}
    audit.build_cohort(demo_tables, "2024-03-31")
    for name, frame in demo_tables.items():
        pd.testing.assert_frame_equal(frame, before[name])
