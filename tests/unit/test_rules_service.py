"""Changes of the service: a decision to recompute limits is complete or it does not count."""

import pandas as pd
import pytest

from tests.unit.rule_evidence import Check, assert_rule

PLAIN = {"happened_on": "2026-01-10", "label": "weekly clinic", "kind": "change"}
DECISION = {
    "happened_on": "2026-01-10",
    "label": "limits recomputed",
    "kind": "rebase",
    "criterion": "union",
    "cause": "new drill",
    "decided_by": "audit lead",
}


def without(rule, column):
    return Check(
        rule,
        f"service_events.{column}",
        {"service_events": [PLAIN, DECISION | {column: None}]},
        {"service_events": [PLAIN, DECISION]},
        (1,),
    )


CHECKS = (
    without("rebase_without_criterion", "criterion"),
    without("rebase_without_cause", "cause"),
    without("rebase_without_decider", "decided_by"),
)


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_rule(check):
    assert_rule(check)


CASES = """
case_id patient_id side segment device_class     age_at_surgery_years surgery_date planned_gain_mm last_follow_up_date outcome_status
C1      P1         left femur   lengthening_nail 20                   2025-01-02   40              2025-02-10          in_treatment
"""


def events_of(cohort_of, rows, cutoff="2026-06-30"):
    events = pd.DataFrame(rows).fillna("")
    return cohort_of(cutoff, cases=CASES, service_events=events)


def asked(cohort):
    queries = cohort.queries.loc[cohort.queries["table"] == "service_events"]
    return set(zip(queries["row"].astype(str), queries["rule"], queries["severity"], strict=True))


def test_the_table_is_optional(cohort_of):
    cohort = cohort_of("2026-06-30", cases=CASES)
    assert cohort.tables["service_events"].empty
    assert not asked(cohort)


def test_an_incomplete_decision_is_kept_out_with_an_error(cohort_of):
    cohort = events_of(cohort_of, [PLAIN, DECISION, DECISION | {"cause": ""}])
    assert sorted(cohort.tables["service_events"]["kind"]) == ["change", "rebase"]
    assert asked(cohort) == {("4", "rebase_without_cause", "error")}


def test_a_row_without_day_words_or_kind_is_kept_out(cohort_of):
    rows = [PLAIN | {"happened_on": ""}, PLAIN | {"label": ""}, PLAIN | {"kind": "rebased"}, PLAIN]
    cohort = events_of(cohort_of, rows)
    assert len(cohort.tables["service_events"]) == 1
    assert asked(cohort) == {
        ("2", "row_without_happened_on", "error"),
        ("3", "row_without_label", "error"),
        ("4", "not_in_code_list", "error"),
    }


def test_a_row_pasted_twice_counts_once(cohort_of):
    cohort = events_of(cohort_of, [PLAIN, PLAIN])
    assert len(cohort.tables["service_events"]) == 1
    assert asked(cohort) == {("3", "repeated_row", "error")}


def test_with_a_cut_off_a_later_event_is_not_there_yet_and_a_future_one_is_an_error(cohort_of):
    rows = [PLAIN, PLAIN | {"happened_on": "2026-07-01"}, PLAIN | {"happened_on": "2099-01-01"}]
    cohort = events_of(cohort_of, rows)
    assert cohort.tables["service_events"]["happened_on"].tolist() == [pd.Timestamp("2026-01-10")]
    assert asked(cohort) == {("4", "date_in_future", "error")}
    counts = cohort.rows.set_index("table").loc["service_events"]
    assert (counts["read"], counts["used"], counts["later"], counts["kept_out"]) == (3, 1, 1, 1)
