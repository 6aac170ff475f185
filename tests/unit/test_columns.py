"""Every check of every contract column is there for a reason that the data dictionary can show."""

import pandas as pd
import pytest

import schemas
from schemas import vocabulary

COLUMNS = [
    (table, column, contract)
    for table, schema in schemas.TABLES.items()
    for column, contract in schema.columns.items()
]
IDS = [f"{table}.{column}" for table, column, _ in COLUMNS]
CHECK_NAMES = {"not_in_code_list", "out_of_range", "unusual_value"}


@pytest.mark.parametrize(("table", "column", "contract"), COLUMNS, ids=IDS)
def test_checks_and_reasons_go_together(table, column, contract):
    facts = contract.metadata
    limits = facts["limits"]
    expected = set()
    if facts["codes"]:
        expected.add("not_in_code_list")
    if limits.low is not None or limits.high is not None:
        expected.add("out_of_range")
    if limits.usual_low is not None or limits.usual_high is not None:
        expected.add("unusual_value")
    assert {check.name for check in contract.checks} == expected <= CHECK_NAMES
    if expected - {"not_in_code_list"}:
        assert limits.source
    assert facts["title"]
    assert facts["meaning"].endswith(".")


@pytest.mark.parametrize(("table", "column", "contract"), COLUMNS, ids=IDS)
def test_usual_limits_lie_within_hard_limits(table, column, contract):
    limits = contract.metadata["limits"]
    hard = [value for value in (limits.low, limits.high) if value is not None]
    usual = [value for value in (limits.usual_low, limits.usual_high) if value is not None]
    assert hard == sorted(hard)
    assert usual == sorted(usual)
    if limits.low is not None and limits.usual_low is not None:
        assert limits.low <= limits.usual_low
    if limits.high is not None and limits.usual_high is not None:
        assert limits.usual_high <= limits.high


@pytest.mark.parametrize(("table", "column", "contract"), COLUMNS, ids=IDS)
def test_numbers_have_limits_and_units(table, column, contract):
    facts = contract.metadata
    if facts["kind"] in ("number", "whole"):
        assert facts["limits"].low is not None
        assert facts["limits"].high is not None
        assert facts["unit"] or facts["kind"] == "whole"
    if facts["kind"] == "code":
        assert vocabulary.codes(facts["codes"])


def test_the_limit_itself_passes_and_the_next_value_does_not():
    for table, column, contract in COLUMNS:
        limits = contract.metadata["limits"]
        if limits.low is None:
            continue
        (check,) = (check for check in contract.checks if check.name == "out_of_range")
        place = f"{table}.{column}"
        assert check(pd.Series([limits.low, limits.high])).check_passed, place
        assert not check(pd.Series([limits.high + 0.01])).check_passed, place
        assert not check(pd.Series([limits.low - 0.01])).check_passed, place
