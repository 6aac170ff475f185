"""Counts of the theatre list: one number for one quarter and centre, of quarters that are over.

Form of a quarter and "none of two is used": local choices. Uniqueness is one of the six dimensions
of the government data quality framework, 2020.
"""

import pandas as pd
import pytest

import audit
from schemas.rules import VALUE_RULES
from schemas.theatre_counts import quarter_ends, quarter_starts
from tests.unit.rule_evidence import CASE, LATEST_DAY, Check, assert_rule, evidence, failing

NORTH = {"quarter": "2026Q1", "centre": "north", "operations": 3}
OF_NORTH = {"cases": [CASE | {"centre": "north"}]}
PLACE = "theatre_counts."


def counts(*rows):
    return {**OF_NORTH, "theatre_counts": list(rows)}


CHECKS = (
    Check(
        "not_a_quarter",
        PLACE + "quarter",
        counts(NORTH, *(NORTH | {"quarter": text} for text in ("Q1 2026", "2026Q5", "2026q1"))),
        counts(NORTH),
        (1, 2, 3),
    ),
    Check(
        "quarter_counted_twice",
        PLACE + "quarter",
        counts(NORTH, NORTH | {"operations": 4}, NORTH | {"quarter": "2025Q4"}),
        counts(NORTH, NORTH | {"centre": "south"}, NORTH | {"quarter": "2025Q4"}),
        (0, 1),
    ),
    Check(
        "quarter_counted_whole_and_in_parts",
        PLACE + "centre",
        counts(NORTH | {"centre": None}, NORTH, NORTH | {"quarter": "2025Q4"}),
        counts(NORTH, NORTH | {"quarter": "2025Q4", "centre": None}),
        (0, 1),
    ),
    Check(
        "centre_without_cases",
        PLACE + "centre",
        counts(NORTH, NORTH | {"centre": "west"}),
        counts(NORTH, NORTH | {"quarter": "2025Q4", "centre": None}),
        (1,),
    ),
)


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_rule(check):
    assert_rule(check)


def test_a_quarter_in_the_future_is_asked_about_and_a_running_one_is_not():
    (rule,) = (
        rule
        for rule in VALUE_RULES
        if (rule.id, rule.table) == ("date_in_future", "theatre_counts")
    )
    running = str(pd.Period(LATEST_DAY, freq="Q"))
    ahead = str(pd.Period(LATEST_DAY, freq="Q") + 1)
    rows = [{"quarter": quarter, "operations": 1} for quarter in (running, ahead, None, "x")]
    assert failing(rule, evidence(theatre_counts=rows)) == [1]


def test_first_and_last_day_of_a_quarter():
    text = pd.Series(["2024Q1", "2024Q4", "2024Q0", None, "1979Q4"])
    assert quarter_starts(text).tolist()[:2] == [
        pd.Timestamp("2024-01-01"),
        pd.Timestamp("2024-10-01"),
    ]
    assert quarter_ends(text).tolist()[:2] == [
        pd.Timestamp("2024-03-31"),
        pd.Timestamp("2024-12-31"),
    ]
    assert quarter_ends(text).isna().tolist() == [False, False, True, True, True]


PATIENTS = "patient_id sex aetiology\nP1 male tumour\n"
CASES = """
case_id patient_id centre side segment device_class     age_at_surgery_years surgery_date planned_gain_mm last_follow_up_date outcome_status
C1      P1         north  left femur   lengthening_nail 20                   2025-01-02   40              2025-02-10          in_treatment
"""
LIST = """
quarter centre operations
2025Q1  north  1
2025Q2  north  2
2025Q1  south  5
2099Q1  north  1
2025Q9  north  1
2025Q3  north  -
"""


def cohort(cohort_of, cutoff):
    return cohort_of(cutoff, patients=PATIENTS, cases=CASES, theatre_counts=LIST)


def test_only_quarters_that_are_over_are_used(cohort_of):
    built = cohort(cohort_of, "2025-06-29")
    assert built.tables["theatre_counts"]["quarter"].tolist() == ["2025Q1", "2025Q1"]
    asked = built.queries.loc[built.queries["table"] == "theatre_counts"]
    rules = set(zip(asked["row"].astype(str), asked["rule"], strict=True))
    assert rules == {("4", "centre_without_cases"), ("5", "date_in_future"), ("6", "not_a_quarter")}
    rows = built.rows.set_index("table").loc["theatre_counts"]
    assert (rows["read"], rows["used"], rows["later"], rows["kept_out"]) == (6, 2, 2, 2)
    over = cohort(cohort_of, "2025-06-30")
    assert sorted(over.tables["theatre_counts"]["quarter"]) == ["2025Q1", "2025Q1", "2025Q2"]


def test_a_count_of_nothing_is_kept_out(cohort_of):
    built = cohort(cohort_of, "2025-12-31")
    reasons = set(built.kept_out.loc[built.kept_out["table"] == "theatre_counts", "reason"])
    assert reasons == {"row_without_operations", "row_without_quarter", "not_a_quarter"}


def test_one_centre_keeps_its_own_counts(write_source):
    folder = write_source(patients=PATIENTS, cases=CASES, theatre_counts=LIST)
    built = audit.build_cohort(audit.read_source(folder), "2025-06-30", centre="north")
    assert built.tables["theatre_counts"]["centre"].tolist() == ["north", "north"]
    rows = built.rows.set_index("table").loc["theatre_counts"]
    assert rows["other_centre"] == 1
    assert rows[["used", "later", "kept_out", "other_centre"]].sum() == rows["read"]
