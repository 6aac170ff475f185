"""What holds for every rule: its form, and what it does with missing values, order and labels."""

import dataclasses
import re

import numpy as np
import pandas as pd
import pytest

import schemas
from schemas.rules import KEY_RULES, ROW, RULES, VALUE, VALUE_RULES, Evidence
from tests.unit import (
    test_rules_facts,
    test_rules_function,
    test_rules_healing,
    test_rules_lengths,
    test_rules_milestones,
    test_rules_service,
    test_rules_sessions,
    test_rules_theatre,
    test_rules_treatments,
)
from tests.unit.rule_evidence import evidence, failing, typed, with_text

CHECKS = [
    *test_rules_milestones.CHECKS,
    *test_rules_facts.CHECKS,
    *test_rules_treatments.CHECKS,
    *test_rules_lengths.CHECKS,
    *test_rules_healing.CHECKS,
    *test_rules_function.CHECKS,
    *test_rules_sessions.CHECKS,
    *test_rules_service.CHECKS,
    *test_rules_theatre.CHECKS,
]
#: tested for every date column in test_rules_dates
FOR_ALL_DATES = ("date_in_future", "date_before_1980", "many_first_of_january")
#: rules that ask for a value that is missing
ASKS_FOR_MISSING = {
    "bridged_film_without_union",
    "completed_without_union",
    "final_status_without_date",
    "full_load_seen_without_date",
    "pin_site_grade_without_scheme",
    "rebase_without_cause",
    "rebase_without_criterion",
    "rebase_without_decider",
    "unresolved_at_completion",
}
EMPTY = evidence(**{table: [] for table in schemas.TABLES})
BLANK = evidence(**{table: [{}, {}, {}] for table in schemas.TABLES})
NOTHING = (EMPTY, BLANK, with_text(BLANK, "string"), with_text(BLANK, "category"))
VERBS = ("Change", "Check", "Compare", "Correct", "Delete", "Enter", "Fill in", "Use", "Give")


def name(rule):
    return f"{rule.id}-{rule.table}.{rule.column}"


def test_every_value_rule_is_broken_by_a_test():
    tested = {(check.rule, check.place) for check in CHECKS}
    rules = {
        (rule.id, f"{rule.table}.{rule.column}")
        for rule in VALUE_RULES
        if rule.id not in FOR_ALL_DATES
    }
    assert tested == rules


def test_there_are_many_rules_and_none_twice():
    places = [(rule.table, rule.column, rule.id) for rule in RULES]
    assert len(places) == len(set(places))
    assert len({rule.id for rule in VALUE_RULES}) >= 50


def test_errors_come_before_warnings_and_rows_before_values():
    severities = [rule.severity for rule in VALUE_RULES]
    assert severities == sorted(severities)
    assert set(severities) == {"error", "warning"}
    assert RULES[: len(KEY_RULES)] == KEY_RULES
    assert VALUE_RULES[0].id == "date_in_future"


@pytest.mark.parametrize("rule", RULES, ids=name)
def test_form(rule):
    assert re.fullmatch(r"[a-z][a-z0-9_]*", rule.id)
    assert rule.column in schemas.TABLES[rule.table].columns
    assert rule.keeps_out in (ROW, VALUE)
    assert rule.severity == "error" or rule.keeps_out == VALUE
    assert rule.source
    assert rule.message.endswith(".")
    assert any(verb in rule.message for verb in VERBS)
    assert not set(rule.message) & set("{}[]%")


def test_value_messages_are_one_sentence_that_starts_with_what_to_do():
    for rule in VALUE_RULES:
        assert rule.message.startswith(VERBS), rule.id
        assert not re.search(r"\. [A-Z]", rule.message), rule.id


@pytest.mark.parametrize("rule", VALUE_RULES, ids=name)
def test_tables_without_rows_or_values_break_nothing(rule):
    for tables in NOTHING:
        assert failing(rule, tables) == []


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_a_missing_value_breaks_nothing(check):
    rule = check.find()
    if rule.id in ASKS_FOR_MISSING:
        assert evidence(**check.bad)[rule.table][rule.column].isna().iloc[check.rows[0]]
        return
    tables = evidence(**check.bad)
    frame = tables[rule.table].copy()
    frame.loc[frame.index[list(check.rows)], rule.column] = np.nan
    changed = Evidence({**tables.frames, rule.table: frame}, tables.latest_day)
    assert not set(check.rows) & set(failing(rule, changed))


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_labels_and_kind_of_text_do_not_matter(check):
    tables = with_text(evidence(**check.bad), "category")
    frames = {
        table: frame.set_axis([f"row {3 * number + 7}" for number in range(len(frame))])
        for table, frame in tables.frames.items()
    }
    assert failing(check.find(), Evidence(frames, tables.latest_day)) == list(check.rows)


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_text_of_the_string_type_does_not_matter(check):
    tables = with_text(evidence(**check.bad), "string")
    assert failing(check.find(), tables) == list(check.rows)


def test_rules_change_no_table():
    tables = evidence(**{place: rows for check in CHECKS for place, rows in check.bad.items()})
    before = {table: frame.copy(deep=True) for table, frame in tables.frames.items()}
    for rule in VALUE_RULES:
        rule.fails(tables)
    for table, frame in tables.frames.items():
        pd.testing.assert_frame_equal(frame, before[table])


def test_a_sound_case_with_all_its_rows_breaks_no_rule():
    from tests.unit.rule_evidence import action, event, film, knee, load, sessions

    days = [f"2025-{day}" for day in ("01-24", "02-07", "02-21", "03-07")]
    tables = evidence(
        radiographs=[
            film("2025-01-09", mechanical_axis_deviation_mm=5, mldfa_deg=88, mpta_deg=87),
            *(film(day, gain_mm=7 + 14 * number) for number, day in enumerate(days)),
            film("2025-06-20", gain_mm=49, cortices_bridged=3),
        ],
        joint_motion=[knee("2025-01-09", 140), knee("2025-02-21", 80, 5), knee("2025-09-01", 135)],
        weight_bearing=[
            load("2025-01-09", "full", "none"),
            load("2025-03-07", "partial"),
            load("2025-06-20", "partial", "one_crutch"),
            load("2025-07-01", "full", "none"),
        ],
        complications=[event()],
        distraction_sessions=sessions("2025-01-17", 50),
        actions=[action()],
    )
    assert [name(rule) for rule in RULES if failing_any(rule, tables)] == []


def failing_any(rule, tables):
    return bool(np.asarray(rule.fails(tables)).any())


def test_looked_up_values_follow_a_changed_table():
    """What is kept between rules must never answer for another table."""
    by_place = {(rule.id, rule.table): rule for rule in VALUE_RULES}
    rule = by_place[("session_before_surgery", "distraction_sessions")]
    first = evidence(distraction_sessions=[{"case_id": "C1", "started_at": "2025-01-09 08:00"}])
    assert failing(rule, first) == [0]
    cases = first["cases"].assign(case_id="C2")
    moved = dataclasses.replace(first, frames={**first.frames, "cases": cases})
    assert failing(rule, moved) == []
    log = typed("distraction_sessions", [{"case_id": "C2", "started_at": "2025-01-09 08:00"}])
    moved = dataclasses.replace(moved, frames={**moved.frames, "distraction_sessions": log})
    assert failing(rule, moved) == [0]


def test_looked_up_values_follow_a_cell_that_was_emptied_in_place():
    """Judging takes values out of its own frames in place, between two rules."""
    rules = {(rule.id, rule.table): rule for rule in VALUE_RULES}
    rule = rules[("session_logged_twice", "distraction_sessions")]
    moment = {"case_id": "C1", "started_at": "2025-02-01 08:00", "delivered_mm": 0.25}
    tables = evidence(distraction_sessions=[moment, moment])
    assert failing(rule, tables) == [1]
    log = tables["distraction_sessions"]
    log["started_at"] = log["started_at"].mask(np.array([True, False]))
    assert failing(rule, tables) == []
