"""The plan of a case series: what it may hold, and what is said of what it may not."""

from __future__ import annotations

import datetime
import re

import pytest

from audit.errors import UnusableInput
from audit.intake.series_plan import read_series_plan, series_plan_from
from audit.intake.toml_text import entry_line
from audit.plan import BASELINE, CHOICES, FACTS, FIELD_WORDS, REQUIRED, StudyFields, rule_words
from audit.plan.facts import TESTS
from tests.conftest import ROOT

RULE = """
[[rule]]
id = "adults"
words = "16 years or older"
kind = "include"
column = "age_at_surgery_years"
test = "at_least"
values = 16
ground = "clinical"
"""


def plan(text: str):
    return series_plan_from(text.encode(), name="plan.toml")


def refusal(text: str) -> str:
    with pytest.raises(UnusableInput) as caught:
        plan(text)
    return str(caught.value)


def test_the_kits_own_plan_leaves_every_text_to_the_author_and_every_case_in():
    own = read_series_plan()
    assert own.study == StudyFields()
    assert set(own.study.empty_required) == set(REQUIRED)
    assert own.rules == ()
    assert (own.group_by, own.split_by) == ("device_class", "device_class+segment")
    assert own.tolerances_mm == (3.0, 5.0, 10.0)
    assert own.union_cortices == (2, 3, 4)
    assert own.regression.minimum_per_variable == 10


def test_the_plan_of_the_invented_service_has_every_field_and_its_rules_in_order():
    found = read_series_plan(ROOT / "demo_data" / "series_plan.toml")
    assert found.study.empty == ()
    assert [rule.id for rule in found.rules][:2] == ["operated_in_period", "femur_or_tibia"]
    assert found.rules[0].values == (datetime.date(2021, 7, 1), datetime.date(2026, 6, 30))
    assert found.dated == "2026-10-01"
    assert found.content == (ROOT / "demo_data" / "series_plan.toml").read_bytes()


def test_an_empty_plan_is_the_kits_plan():
    own, empty = read_series_plan(), plan("")
    for name in ("study", "rules", "group_by", "split_by", "table_one", "tolerances_mm",
                 "union_cortices", "regression"):  # fmt: skip
        assert getattr(own, name) == getattr(empty, name), name


def test_every_text_of_the_study_is_asked_for_in_words():
    names = set(StudyFields.__dataclass_fields__)
    assert set(FIELD_WORDS) == names
    assert set(CHOICES) <= names
    assert set(REQUIRED) <= names


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ('\n[study]\ntitle = "a"\nconsecutive = "maybe"\n', 4, "consecutive: must be one of yes"),
        ('[study]\n# note\ntitel = "a"\n', 3, "study titel: unknown entry; known: title"),
        ("[study]\nfunding = 5\n", 2, "study funding: must be a text in quotes"),
        ('colour = "red"\n', 1, "colour: unknown entry; known: version"),
        ("version = 3\n", 1, "version: must be a text"),
        ('[tables]\ngroup_by = "outcome_status"\n', 2, "must be one of device_class, segment"),
        ('[tables]\ntable_one = ["union_date"]\n', 2, "must be one of"),
        ('[tables]\ntable_one = ["sex",\n "sex"]\n', 2, "the same entry twice"),
        ("[sensitivity]\n\ntolerances_mm = [3, 0]\n", 3, "a number above 0"),
        ("[sensitivity]\nunion_cortices = [5]\n", 2, "whole number from 1 to 4; got 5"),
        ("[sensitivity]\nunion_cortices = 3\n", 2, "must be a list"),
        ('[regression]\noutcome = "age"\n', 2, "regression outcome: must be one of latency_days"),
        ('[regression]\ncovariates = ["sex"]\n', 1, "go together"),
        ("[regression]\nminimum_per_variable = 0\n", 2, "1 or more"),
    ],
)
def test_a_wrong_entry_is_refused_with_file_line_field_and_what_to_do(text, line, words):
    message = refusal(text)
    assert message.startswith(f"plan.toml, line {line}, ")
    assert words in message


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ('kind = "include"', 'kind = "keep"', 5, "rule 1 kind: must be one of include, exclude"),
        ('column = "age_at_surgery_years"', 'column = "age"', 6, "rule 1 column: must be one of"),
        ('test = "at_least"', 'test = "is"', 7, "tested by one of at_least, at_most"),
        ("values = 16", 'values = "16"', 8, "against a number, without quotes"),
        ("values = 16", "values = [16, 18]", 8, "takes one value; got 2"),
        ("values = 16\n", "", 2, "the test at_least needs values"),
        ('ground = "clinical"', 'ground = "luck"', 9, "must be one of clinical, data, design"),
        ('words = "16 years or older"\n', "", 2, "the entry words is missing"),
        ('id = "adults"', 'id = "16 +"', 3, "letters, digits"),
        ('test = "at_least"', 'test = "given"', 8, "takes no values"),
        ('test = "at_least"\nvalues = 16', 'test = "between"\nvalues = [18, 16]', 8, "lower"),
        ("values = 16", "value = 16", 8, "rule 1 value: unknown entry"),
    ],
)
def test_a_wrong_rule_is_refused_with_its_line(old, new, line, words):
    assert old in RULE
    message = refusal(RULE.replace(old, new))
    assert message.startswith(f"plan.toml, line {line}, ")
    assert words in message


def test_a_second_rule_of_one_name_is_refused_where_it_stands():
    assert refusal(RULE + RULE).startswith("plan.toml, line 12, rule 2 id: 'adults' stands more")


def test_a_file_that_cannot_be_read_is_refused_without_its_folder(tmp_path):
    with pytest.raises(UnusableInput, match=r"^The plan gone\.toml cannot be opened"):
        read_series_plan(tmp_path / "gone.toml")
    with pytest.raises(UnusableInput, match=r"not UTF-8 text \(line 2\)"):
        series_plan_from(b"[study]\ntitle = '\xff'\n", name="plan.toml")
    assert "line 1" in refusal("= 3")


def test_a_line_is_found_behind_texts_of_several_lines_that_look_like_entries():
    text = '[study]\ntitle = """\n[tables]\ngroup_by = "x"\n"""\n\n[tables]\ngroup_by = "y"\n'
    assert entry_line(text, ("tables", "group_by")) == 8
    assert entry_line(text, ("study", "title")) == 2
    assert entry_line(text, ("tables", "split_by")) == 7
    assert entry_line(text, ("regression",)) is None
    assert refusal(text).startswith("plan.toml, line 8, tables group_by")


def test_a_days_rule_takes_dates_and_texts_alike():
    rule = RULE.replace("age_at_surgery_years", "surgery_date").replace("at_least", "on_or_after")
    as_date, as_text = (
        plan(rule.replace("values = 16", f"values = {given}")).rules[0]
        for given in ("2021-07-01", '"2021-07-01"')
    )
    assert as_date == as_text
    assert rule_words(as_date) == "Surgery on or after 2021-07-01"
    assert "a day such as" in refusal(rule.replace("values = 16", 'values = "01.07.2021"'))


def test_what_is_known_at_surgery_holds_no_outcome():
    for name in ("union_date", "achieved_gain_mm", "outcome_status", "follow_up_days",
                 "healing_index_days_per_cm", "last_follow_up_date"):  # fmt: skip
        assert not FACTS[name].known_at_surgery, name
        assert name not in BASELINE
    for name in ("age_at_surgery_years", "knee_flexion_baseline_deg", "planned_gain_mm"):
        assert FACTS[name].known_at_surgery, name
        assert name in BASELINE
    assert "possible_follow_up_days" not in BASELINE  # tells of the calendar, not of the patient
    assert all(fact.kind in TESTS for fact in FACTS.values())


def test_the_default_plan_names_every_kind_of_test_that_there_is():
    text = (ROOT / "audit" / "series_default.toml").read_text(encoding="utf-8")
    for test in {test for tests in TESTS.values() for test in tests}:
        assert re.search(rf"\b{test}\b", text), test
