"""The allow-list of columns that may leave.

What may not leave follows the 18 kinds of identifiers of US 45 CFR 164.514(b)(2) (safe harbour):
numbers and codes of persons, records and devices, dates finer than the year (quarters here are
named in aggregates only), ages above 89; free text can hold any of them.
"""

from __future__ import annotations

import pytest

from audit.summaries.choices import SummaryChoices
from schemas import TABLES, vocabulary
from schemas.leaving import (
    AGE_BAND,
    AGE_BANDS,
    CATEGORY,
    CENTRE,
    COARSER,
    HOW,
    LEAVING,
    NEVER,
    PERIOD,
    how_it_leaves,
)

COLUMNS = [(name, column) for name, table in TABLES.items() for column in table.columns]


def test_every_column_of_the_contract_is_decided_and_no_other():
    assert {(table, column) for table, held in LEAVING.items() for column in held} == set(COLUMNS)
    assert {how for held in LEAVING.values() for how in held.values()} == set(HOW)


@pytest.mark.parametrize(("table", "column"), COLUMNS, ids=".".join)
def test_a_column_leaves_no_finer_than_its_kind_allows(table, column):
    metadata = TABLES[table].columns[column].metadata
    how = how_it_leaves(table, column)
    if metadata["kind"] == "identifier":
        assert how == NEVER
    if metadata["kind"] == "text":
        assert how == (CENTRE if (table, column) == ("cases", "centre") else NEVER)
    if metadata["kind"] in ("day", "moment", "number", "whole"):
        assert how != CATEGORY
    if how == CATEGORY:
        assert metadata["kind"] == "code"
    if how == AGE_BAND:
        assert column == "age_at_surgery_years"
    if how == PERIOD:
        assert metadata["kind"] == "day"


def test_what_is_not_in_the_list_never_leaves():
    for table, column in (("cases", "implant_lot"), ("cases", "surgeon"), ("letters", "text")):
        assert how_it_leaves(table, column) == NEVER


def test_coarser_categories_take_every_code_and_are_fewer():
    for name, merging in COARSER.items():
        assert {*vocabulary.codes(name), "not_recorded"} <= set(merging)
        assert len(set(merging.values())) < len(merging)


@pytest.mark.parametrize(
    ("choices", "words"),
    [
        ({"age_bands": (0, 18, 95)}, "90 years or before"),
        ({"age_bands": (5, 18)}, "begin with 0"),
        ({"age_bands": (0, 18, 18)}, "must rise"),
        ({"age_bands": ()}, "must rise"),
        ({"coarser_age_bands": (0, 20)}, "begin where one of age_bands does"),
        ({"days": (90, 30)}, "days must rise"),
        ({"days": ()}, "days must rise"),
    ],
)
def test_bands_and_days_that_cannot_be_are_refused(choices, words):
    with pytest.raises(ValueError, match=words):
        SummaryChoices(**choices)


def test_the_last_band_is_the_top_code_of_safe_harbour():
    assert AGE_BANDS[-1] == 90
