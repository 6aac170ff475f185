"""The data dictionary says what the contracts say."""

import math
import re

import schemas
from schemas import vocabulary
from schemas.dictionary import (
    COLUMN_CHECKS,
    COLUMNS,
    RULE_COLUMNS,
    data_dictionary,
    dictionary_markdown,
    rule_list,
)
from schemas.rules import RULES


def row(table, column):
    found = data_dictionary().set_index(["table", "column"])
    return found.loc[(table, column)]


def test_every_column_of_every_table_has_one_row_in_order():
    dictionary = data_dictionary()
    assert list(dictionary.columns) == list(COLUMNS)
    places = list(zip(dictionary["table"], dictionary["column"], strict=True))
    assert places == [
        (name, column) for name, table in schemas.TABLES.items() for column in table.columns
    ]


def test_a_number():
    entry = row("cases", "planned_gain_mm")
    limits = schemas.TABLES["cases"].columns["planned_gain_mm"].metadata["limits"]
    assert (entry["low"], entry["high"]) == (limits.low, limits.high)
    assert (entry["usual_low"], entry["usual_high"]) == (limits.usual_low, limits.usual_high)
    assert entry["unit"] == "mm"
    assert entry["required"]
    assert entry["source"] == limits.source


def test_a_code_shows_codes_and_labels_and_their_source():
    entry = row("complications", "severity_type")
    assert entry["codes"] == "I = Type I; II = Type II; IIIA = Type IIIA; IIIB = Type IIIB"
    assert entry["source"] == vocabulary.SOURCES["severity_type"]
    assert math.isnan(entry["low"])


def test_limits_on_one_side_and_without_limits():
    assert row("cases", "case_id")["source"] == ""
    assert math.isnan(row("cases", "surgery_date")["high"])


def test_rules_are_listed_in_the_order_in_which_they_apply():
    rules = rule_list()
    assert list(rules.columns) == list(RULE_COLUMNS)
    assert list(rules["rule"]) == [rule.id for rule in RULES]
    assert set(rules.loc[rules["severity"] == "warning", "keeps_out"]) == {""}
    assert set(rules.loc[rules["severity"] == "error", "keeps_out"]) == {"value", "row"}


def test_column_checks_are_those_of_the_contracts():
    named = {
        check.name
        for table in schemas.TABLES.values()
        for column in table.columns.values()
        for check in column.checks
    }
    assert named <= set(COLUMN_CHECKS)


def test_markdown_has_every_table_column_and_rule_and_even_rows():
    text = dictionary_markdown()
    for name, table in schemas.TABLES.items():
        assert f"\n## {name}\n" in text
        for column in table.columns:
            assert f"| `{column}`" in text
    for rule in RULES:
        assert f"`{rule.id}`" in text
        assert rule.message in text
    widths = [
        {len(re.findall(r"(?<!\\)\|", line)) for line in block.splitlines()}
        for block in text.split("\n\n")
        if block.startswith("|")
    ]
    assert all(len(width) == 1 for width in widths)
    assert "nan" not in text
    assert text.endswith("|\n")


def test_limits_read_as_a_span():
    assert "| 1 to 300 | 10 to 120 |" in dictionary_markdown()
