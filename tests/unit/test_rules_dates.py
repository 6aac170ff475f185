"""Single dates: the future, the years before 1980, and 1 January."""

import dataclasses

import pandas as pd
import pytest

import schemas
from schemas.rules import ESSENTIAL, ROW, VALUE, VALUE_RULES
from tests.unit.rule_evidence import LATEST_DAY, evidence, failing

DAYS = [
    (name, column)
    for name, table in schemas.TABLES.items()
    for column, contract in table.columns.items()
    if contract.metadata["kind"] == "day"
]
DATES = [*DAYS, ("distraction_sessions", "started_at")]
MAY_LIE_AHEAD = ("actions", "due_on")
#: a quarter is a text; its own test stands in test_rules_theatre
QUARTER = ("theatre_counts", "quarter")


def dated(table, column, moments):
    rows = [{column: pd.Timestamp(moment)} for moment in moments]
    return evidence(**{"cases": [], table: rows})


def rules(rule_id):
    return {(rule.table, rule.column): rule for rule in VALUE_RULES if rule.id == rule_id}


def test_every_date_is_held_against_future_and_past():
    assert set(rules("date_in_future")) == set(DATES) - {MAY_LIE_AHEAD} | {QUARTER}
    assert set(rules("date_before_1980")) == set(DATES)
    assert set(rules("many_first_of_january")) == set(DAYS)


@pytest.mark.parametrize("place", sorted(set(DATES) - {MAY_LIE_AHEAD}))
def test_future(place):
    rule = rules("date_in_future")[place]
    last = LATEST_DAY + pd.Timedelta(hours=23, minutes=59)
    assert failing(rule, dated(*place, [last, LATEST_DAY + pd.Timedelta(days=1), None])) == [1]


@pytest.mark.parametrize("place", DATES)
def test_before_1980(place):
    rule = rules("date_before_1980")[place]
    assert failing(rule, dated(*place, ["1980-01-01", "1979-12-31", None])) == [1]


@pytest.mark.parametrize("place", DAYS)
def test_first_of_january(place):
    rule = rules("many_first_of_january")[place]
    assert rule.file_level
    others = [f"2024-03-{day:02d}" for day in range(1, 30)]
    two = ["2024-01-01", "2025-01-01"]
    assert failing(rule, dated(*place, two + others)) == [0, 1]
    # two of forty are five percent; nineteen dates are too few to say
    assert failing(rule, dated(*place, two + others + others[:9])) == []
    assert failing(rule, dated(*place, two + others[:17])) == []
    assert failing(rule, dated(*place, two + others[:18])) == [0, 1]


def test_a_row_without_its_essential_date_goes():
    for rule_id in ("date_in_future", "date_before_1980"):
        for (table, column), rule in rules(rule_id).items():
            assert rule.keeps_out == (ROW if column in ESSENTIAL[table] else VALUE)


def test_a_cut_off_during_the_day_still_allows_that_day():
    tables = dated("cases", "union_date", ["2026-09-30"])
    tables = dataclasses.replace(tables, latest_day=pd.Timestamp("2026-09-30 10:00"))
    assert failing(rules("date_in_future")[("cases", "union_date")], tables) == []
