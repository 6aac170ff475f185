"""The settings of disclosure control: what a file may hold, and what is said of what it may not."""

from __future__ import annotations

import tomllib

import pytest

from audit.disclosure.settings import PRECISION, ControlSettings
from audit.errors import UnusableInput
from audit.intake.control_settings import (
    DEFAULT,
    KNOWN,
    control_settings_from,
    read_control_settings,
)

DECISION = """
[[decision]]
table = "by-sex"
rule = "group"
reason = "known to everybody"
decided_by = "head of department"
"""


def settings(text: str) -> ControlSettings:
    return control_settings_from(text.encode(), name="ours.toml")


def refusal(text: str) -> str:
    with pytest.raises(UnusableInput) as caught:
        settings(text)
    return str(caught.value)


def test_the_kits_own_settings_are_those_of_the_guidance():
    # public output-checking guidance: 7 or fewer redacted, nearest 5, curves in steps of 6
    own = read_control_settings()
    assert (own.threshold, own.base, own.curve_step) == (8, 5, 6)
    assert own.zeros == "show" and own.complementary and own.decisions == ()
    assert own.version and own.justification
    assert own.content == DEFAULT.read_bytes() and own.name == DEFAULT.name


def test_the_kits_file_and_the_code_agree():
    own, plain = read_control_settings(), ControlSettings()
    for name in ("threshold", "averages_people", "base", "zeros", "curve_step", "complementary"):
        assert getattr(own, name) == getattr(plain, name), name
    assert own.precision == PRECISION == plain.precision
    assert {*tomllib.loads(DEFAULT.read_text(encoding="utf-8"))} == {*KNOWN} - {"decision"}


def test_what_a_file_leaves_out_takes_the_kits_value():
    found = settings("threshold = 11\naverages_people = 12\n")
    assert (found.threshold, found.averages_people, found.base) == (11, 12, 5)
    assert found.name == "ours.toml"


def test_a_file_of_another_kind_of_line_ends_reads_the_same():
    text = DEFAULT.read_text(encoding="utf-8").replace("\n", "\r\n")
    found = control_settings_from(b"\xef\xbb\xbf" + text.encode(), name="ours.toml")
    assert found.precision == PRECISION and found.version == read_control_settings().version


def test_decisions_are_read_with_who_and_why():
    text = DECISION + 'decided_on = "2026-11-25"\ncell = { sex = "female" }\n'
    (found,) = settings(text).decisions
    assert (found.table, found.rule, found.decided_by) == ("by-sex", "group", "head of department")
    assert found.cell == {"sex": "female"} and found.decided_on == "2026-11-25"


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("treshold = 8\n", 1, "treshold: unknown entry; known: version"),
        ("\nthreshold = 2\n", 2, "threshold: must be a whole number of 3 or more"),
        ('threshold = "8"\n', 1, "without quotes; got '8'"),
        ("base = true\n", 1, "base: must be a whole number"),
        ("# x\n\nbase = 10\n", 3, "base: must not be above the threshold 8; it is 10"),
        ("averages_people = 5\n", 1, "must not be below the threshold 8; it is 5"),
        ('zeros = "star"\n', 1, "zeros: must be one of show, hide; got 'star'"),
        ('complementary = "yes"\n', 1, "complementary: must be true or false, without quotes"),
        ("version = 3\n", 1, "version: must be a text in quotes"),
        ('[precision]\n"mm" = 1\n"days" = 0\n', 3, "precision days: must be a number above 0"),
        ("precision = 5\n", 1, "precision: must be a table"),
        ("decision = 5\n", 1, "decision: must be a list: write [[decision]]"),
        (
            DECISION.replace("group", "always"),
            4,
            "decision 1 rule: must be one of few_people, group",
        ),
        (DECISION.replace("reason", "# reason"), 2, "decision 1: has no reason"),
        (DECISION.replace("known to everybody", " "), 5, "decision 1 reason: must not be empty"),
        (DECISION + 'cell = "female"\n', 7, "decision 1 cell: must name categories"),
        (DECISION + DECISION + "who = 1\n", 13, "decision 2 who: unknown entry"),
        (DECISION + "decided_on = 2026-11-25\n", 7, "decision 1 decided_on: must be a text"),
    ],
)
def test_a_wrong_entry_is_refused_with_file_line_entry_and_rule(text, line, words):
    said = refusal(text)
    assert said.startswith(f"ours.toml, line {line}, ") and words in said


def test_the_threshold_alone_can_be_the_one_that_does_not_fit():
    # averages_people is the kit's 8 then, and not in the file: the message still says what to set
    said = refusal("threshold = 11\n")
    assert "averages_people: must not be below the threshold 11; it is 8. Set both." in said


def test_what_cannot_be_read_is_said():
    with pytest.raises(UnusableInput, match=r"none\.toml cannot be opened"):
        read_control_settings("none.toml")
    with pytest.raises(UnusableInput, match=r"ours\.toml is not UTF-8 text \(line 2\)"):
        control_settings_from(b"# a\n\xff = 1\n", name="ours.toml")
    assert "ours.toml is not valid TOML" in refusal("threshold = \n")
    assert "nested too deeply" in refusal("a = " + "[" * 4000 + "]" * 4000)
