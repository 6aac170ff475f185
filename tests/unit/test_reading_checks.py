"""The list of questions that reading can ask is the list of those that it asks."""

from __future__ import annotations

import ast
import pathlib

import pytest

import audit
from audit.errors import UnusableInput
from schemas.dictionary import COLUMN_CHECKS, dictionary_markdown
from schemas.reading import READING_CHECKS
from schemas.rules import RULES
from tests.unit import test_text_traps
from tests.unit.test_text_traps import TRAPS_BY_NAME, questions
from tests.unit.test_workbook_traps import QUESTIONS

ROOT = pathlib.Path(__file__).resolve().parents[2]
trap = test_text_traps.trap
ELSEWHERE = {rule.id for rule in RULES} | set(COLUMN_CHECKS) | {"not_a_whole_number"}


def words_of_intake() -> set[str]:
    """Every text constant in the code that reads."""
    return {
        node.value
        for path in (ROOT / "audit" / "intake").rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }


def test_every_listed_question_stands_in_the_code_and_no_rule_has_two_homes():
    assert set(READING_CHECKS) <= words_of_intake()
    assert not set(READING_CHECKS) & ELSEWHERE


def test_every_question_of_the_traps_is_listed():
    asked = {rule for one in TRAPS_BY_NAME.values() for *_, rule, _ in questions(one.asked)}
    asked |= {rule for lines in QUESTIONS.values() for _, rule, *_ in lines}
    assert asked <= set(READING_CHECKS) | ELSEWHERE
    # most of what can be asked is asked by some trap; the rest has tests of its own
    assert len(asked & set(READING_CHECKS)) >= 20


def test_severities_are_those_of_the_workbook_traps():
    for lines in QUESTIONS.values():
        for _, rule, severity, *_ in lines:
            if rule in READING_CHECKS:
                assert severity in READING_CHECKS[rule][0].split(" or ")


@pytest.mark.parametrize("name", sorted(TRAPS_BY_NAME))
def test_severities_are_those_of_the_text_traps(trap, name):
    try:
        tables = audit.read_source(trap(name))
    except UnusableInput:
        return
    for query in audit.build_cohort(tables).queries.itertuples():
        if query.rule in READING_CHECKS:
            assert query.severity in READING_CHECKS[query.rule][0].split(" or ")
        else:
            assert query.rule in ELSEWHERE


def test_the_dictionary_has_them():
    text = dictionary_markdown()
    assert all(f"`{rule}`" in text for rule in READING_CHECKS)
