"""From the entries of a plan to its rules of selection."""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Mapping
from typing import Any

from audit.plan.facts import CODE, DAY, FACTS, NUMBER, TEST_WORDS, TESTS, YES_NO, Fact
from audit.plan.place import Path, Place
from audit.plan.series_plan import GROUNDS, KINDS, SelectionRule, Value

ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]*")
NEEDED = ("id", "words", "kind", "column", "test", "ground")
KNOWN = (*NEEDED, "values")
_PRESENCE = ("given", "not_given")


def rules_from(given: Any, place: Place) -> tuple[SelectionRule, ...]:
    """The rules in their order. Raises UnusableInput for the first entry that is wrong."""
    if not isinstance(given, list) or any(not isinstance(one, Mapping) for one in given):
        place.refuse(("rule",), "must be tables: write [[rule]] above each rule.")
    rules: list[SelectionRule] = []
    for number, entry in enumerate(given):
        found = _rule(entry, ("rule", number), place)
        if found.id.lower() in {one.id.lower() for one in rules}:
            place.refuse(
                ("rule", number, "id"), f"{found.id!r} stands more than once. Give each its own."
            )
        rules.append(found)
    return tuple(rules)


def _rule(entry: Mapping[str, Any], path: Path, place: Place) -> SelectionRule:
    for key in entry:
        if key not in KNOWN:
            place.refuse((*path, key), f"unknown entry; known: {', '.join(KNOWN)}.")
    for key in NEEDED:
        if key not in entry:
            place.refuse(path, f"the entry {key} is missing. Add it.")
        if not isinstance(entry[key], str) or not entry[key].strip():
            place.refuse((*path, key), "must be a text in quotes, and not empty.")
    if not ID.fullmatch(entry["id"]):
        place.refuse((*path, "id"), "must be made of letters, digits, _ and - only.")
    place.one_of((*path, "kind"), entry["kind"], KINDS)
    place.one_of((*path, "ground"), entry["ground"], GROUNDS)
    fact = FACTS[place.one_of((*path, "column"), entry["column"], tuple(FACTS))]
    test = entry["test"]
    if test not in TESTS[fact.kind]:
        place.refuse(
            (*path, "test"),
            f"{fact.name} ({fact.kind}) is tested by one of {', '.join(TESTS[fact.kind])}; "
            f"got {test!r}.",
        )
    values = _values(entry, fact, path, place)
    return SelectionRule(
        id=entry["id"],
        words=" ".join(entry["words"].split()),
        kind=entry["kind"],
        column=fact.name,
        test=test,
        values=values,
        ground=entry["ground"],
    )


def _values(entry: Mapping[str, Any], fact: Fact, path: Path, place: Place) -> tuple[Value, ...]:
    where, test = (*path, "values"), entry["test"]
    given = entry.get("values", [])
    listed = list(given) if isinstance(given, list) else [given]
    if test in _PRESENCE:
        if listed:
            place.refuse(where, f"the test {test} takes no values. Delete the entry.")
        return ()
    if not listed:
        place.refuse(where if "values" in entry else path, f"the test {test} needs values. Add it.")
    wanted = {"is": None, "is_not": None, "between": 2}.get(test, 1)
    if wanted is not None and len(listed) != wanted:
        words = "two values, the lower first" if wanted == 2 else "one value"
        place.refuse(where, f"the test {test} takes {words}; got {len(listed)}.")
    values = tuple(_value(one, fact, where, place) for one in listed)
    if test == "between" and values[0] > values[1]:  # type: ignore[operator]
        place.refuse(where, "the lower of the two values must stand first.")
    return values


def _value(given: Any, fact: Fact, where: Path, place: Place) -> Value:
    if fact.kind in (CODE, YES_NO):
        return place.one_of(where, given, tuple(fact.codes))
    if fact.kind == NUMBER:
        if (
            isinstance(given, bool)
            or not isinstance(given, int | float)
            or not math.isfinite(given)
        ):
            place.refuse(where, f"{fact.name} is held against a number, without quotes.")
        return float(given)
    if fact.kind == DAY:
        return _day(given, fact, where, place)
    if not isinstance(given, str) or not given.strip():
        place.refuse(where, f"{fact.name} is held against texts in quotes.")
    return given.strip()


def _day(given: Any, fact: Fact, where: Path, place: Place) -> datetime.date:
    """A day, written as a date of TOML or as a text YYYY-MM-DD."""
    if isinstance(given, datetime.datetime):
        given = str(given)
    if isinstance(given, datetime.date):
        return given
    try:
        return datetime.datetime.strptime(str(given), "%Y-%m-%d").date()
    except ValueError:
        place.refuse(where, f"{fact.name} is held against a day such as 2021-07-01.")


def rule_words(rule: SelectionRule) -> str:
    """What a rule tests, in words made from the rule itself: "Age at surgery at least 16 years"."""
    fact = FACTS[rule.column]
    opening = f"{fact.title} {TEST_WORDS[rule.test]}"
    if rule.test in _PRESENCE:
        return opening
    if rule.test == "between":
        shown = " to ".join(_shown(one, fact) for one in rule.values)
    else:
        shown = " or ".join(_shown(one, fact) for one in rule.values)
    return f"{opening} {shown}{' ' + fact.unit if fact.unit else ''}"


def _shown(value: Value, fact: Fact) -> str:
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, datetime.date):
        return value.isoformat()
    return fact.codes.get(value, value).lower() if fact.codes else value
