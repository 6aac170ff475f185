"""The sign-off: two people who looked independently, what they found, and at which files.

The kit writes the form with the hash of the manifest; names, roles, dates and outcomes are typed
by the checkers. The form names staff, so it stands beside the folder that leaves, not in it.
After the output-checking rules of trusted research environments: two trained checkers, independent
of one another, outcome approve, change or reject.
"""

from __future__ import annotations

import datetime
import re
import tomllib
import unicodedata
from collections.abc import Mapping, Sequence
from typing import Any

OUTCOMES = ("approve", "change", "reject")
CHECKERS = 2
FIELDS = ("name", "role", "date", "outcome")
#: key -> what each checker answers with yes or no
QUESTIONS: dict[str, str] = {
    "small_numbers": "Is every number that rests on few people hidden, averages and curves too?",
    "subtraction": "Did you try to work out hidden numbers from totals, shares and other tables, "
    "and fail?",
    "earlier_releases": "Did you compare with earlier releases, and does nothing come out?",
    "whole_groups": "Is every number about none or all of a group decided on above, or absent?",
    "outsider": "Do you hold it unlikely that a determined outsider recognises anybody?",
    "no_identifiers": "Is it free of names, days, free text, serial numbers and other identifiers?",
}


def sign_off_name(level: str) -> str:
    """The file name of the sign-off of a release level."""
    return f"sign-off-{level}.toml"


def blank_sign_off(
    manifest_sha256: str, *, level: str, flags: Sequence[tuple[str, str]] = ()
) -> str:
    """The empty form. flags: (id, words) of what needs a recorded decision."""
    lines = [
        f"# Sign-off of the release, level {level}. Two people fill this in, each for themselves.",
        "# Type between the quotation marks. Keep this file in the department.",
        "",
        f'level = "{level}"',
        "# the files that were checked; when one changes, this hash no longer fits",
        f'manifest_sha256 = "{manifest_sha256}"',
    ]
    for key, words in flags:
        lines += ["", "[[decision]]", f"# {words}", f'flag = "{key}"']
        lines += ['decision = ""  # release or change', 'reason = ""', 'decided_by = ""  # a role']
    for number in range(1, CHECKERS + 1):
        lines += ["", f"# checker {number}", "[[checker]]", 'name = ""', 'role = ""']
        lines += ['date = ""     # such as 2026-11-30', 'outcome = ""  # approve, change or reject']
        for key, question in QUESTIONS.items():
            lines += [f"# {question}", f'{key} = ""  # yes or no']
    return "\n".join(lines) + "\n"


def parse_sign_off(text: str) -> dict[str, Any] | str:
    """The form as typed, or a sentence that says in which line it cannot be read."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        line = re.search(r"line (\d+)", str(error))
        where = f" in line {line[1]}" if line else " at its end"
        return (
            f"the sign-off cannot be read{where}: every answer stands between two straight "
            'quotation marks, like outcome = "approve"'
        )


def sign_off_problems(
    form: Mapping[str, Any], *, level: str, manifest_sha256: str, flags: Sequence[str] = ()
) -> list[str]:
    """What keeps a form from being a sign-off, one sentence each; none when both approve.

    flags: ids that need a decision to release. No name that was typed is repeated.
    """
    problems = []
    if form.get("level") != level:
        problems.append(f"the sign-off is not for level {level}")
    if form.get("manifest_sha256") != manifest_sha256:
        problems.append("the sign-off is for other files: the hash of the manifest does not fit")
    checkers = _entries(form, "checker")
    if len(checkers) != CHECKERS:
        problems.append(f"the sign-off needs {CHECKERS} checkers; it has {len(checkers)}")
    for number, checker in enumerate(checkers, start=1):
        problems += _checker_problems(checker, f"checker {number}")
    names = [_same(checker.get("name")) for checker in checkers]
    named = [name for name in names if name]
    if len(set(named)) < len(named):
        problems.append("the checkers are one person: two people must sign")
    return problems + _decision_problems(form, flags)


def _entries(form: Mapping[str, Any], name: str) -> list[Mapping[str, Any]]:
    found = form.get(name, [])
    found = found if isinstance(found, list) else [found]
    return [entry for entry in found if isinstance(entry, Mapping)]


def _checker_problems(checker: Mapping[str, Any], who: str) -> list[str]:
    empty = [field for field in FIELDS if not str(checker.get(field, "")).strip()]
    problems = [f"{who}: still empty: {', '.join(empty)}"] if empty else []
    if "date" not in empty and not _is_day(checker["date"]):
        problems.append(f"{who}: date is not a day like 2026-11-30")
    if "outcome" not in empty:
        outcome = str(checker["outcome"]).strip().casefold()
        if outcome not in OUTCOMES:
            problems.append(f"{who}: outcome must be one of {', '.join(OUTCOMES)}")
        elif outcome != "approve":
            problems.append(f"{who} did not approve: outcome {outcome}")
    not_yes = [key for key in QUESTIONS if str(checker.get(key, "")).strip().casefold() != "yes"]
    if not_yes:
        problems.append(f"{who}: not answered with yes: {', '.join(not_yes)}")
    return problems


def _decision_problems(form: Mapping[str, Any], flags: Sequence[str]) -> list[str]:
    decisions = {str(entry.get("flag")): entry for entry in _entries(form, "decision")}
    problems = []
    for flag in flags:
        entry = decisions.get(flag, {})
        decision = str(entry.get("decision", "")).strip().casefold()
        if decision != "release":
            problems.append(f"{flag}: no decision to release is recorded")
            continue
        problems += [
            f"{flag}: {field} is empty"
            for field in ("reason", "decided_by")
            if not str(entry.get(field, "")).strip()
        ]
    return problems


def _is_day(value: object) -> bool:
    if isinstance(value, datetime.datetime):
        return False
    if isinstance(value, datetime.date):
        return True
    text = str(value).strip()
    if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", text):
        return False
    try:
        datetime.date.fromisoformat(text)
    except ValueError:
        return False
    return True


def _same(name: object) -> str:
    """A name as it is compared: without case, accents, titles' dots and the order of its words."""
    plain = unicodedata.normalize("NFKD", str(name or "")).casefold()
    letters = "".join(sign for sign in plain if not unicodedata.combining(sign))
    return " ".join(sorted(re.findall(r"\w+", letters)))
