"""From the entries of a register to criteria: every entry is checked, and the message says where.

A message names the file, the line where it is known, the criterion, the entry, the rule and what
to write instead.
"""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any, NoReturn

from audit.criteria.criterion import (
    AGES,
    DIRECTIONS,
    EXCEPTION_CODES,
    INDEX_DATES,
    LEVELS,
    MEASURES,
    STATISTICS,
    UNITS,
    AcceptedReason,
    Criterion,
    unit_of,
)
from audit.errors import UnusableInput
from schemas import vocabulary

#: (number of the criterion from 1, its entry or None, number of the exception or None) -> line;
#: number 0 stands for the entries of the register itself
LineOf = Callable[[int, str | None, int | None], int | None]

TOP_LEVEL = ("version", "criterion")
TEXTS = ("id", "words", "measure", "source")
ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]*")
EXCEPTION_KEYS = ("column", "is", "words")


@dataclasses.dataclass(frozen=True)
class _Place:
    """Where in which file an entry stands, and how to complain about it."""

    name: str
    number: int
    id: str
    line_of: LineOf

    def refuse(self, key: str | None, rule: str, item: int | None = None) -> NoReturn:
        line = self.line_of(self.number, key, item)
        where = self.name if line is None else f"{self.name}, line {line}"
        raise UnusableInput(f"{where}, criterion {self.number} ({self.id}): {rule}")


def _unknown_line(number: int, key: str | None, item: int | None) -> int | None:
    return None


def criteria_from(
    register: Mapping[str, Any], *, name: str, line_of: LineOf = _unknown_line
) -> tuple[Criterion, ...]:
    """The criteria of a register that was read from a file called `name`.

    line_of: the line of an entry, for messages. Raises UnusableInput with the file, the line, the
    criterion, the entry and the rule for the first entry that is missing or wrong.
    """
    for key in register:
        if key not in TOP_LEVEL:
            line = line_of(0, key, None)
            where = name if line is None else f"{name}, line {line}"
            raise UnusableInput(
                f"{where}: unknown entry {key!r}; a register holds version and [[criterion]]."
            )
    entries = register.get("criterion")
    if not isinstance(entries, list) or not entries:
        raise UnusableInput(f"{name} holds no [[criterion]]: add at least one.")
    criteria: list[Criterion] = []
    for number, entry in enumerate(entries, 1):
        if not isinstance(entry, Mapping):
            raise UnusableInput(f"{name}: criterion {number} is no table: write [[criterion]].")
        place = _Place(name, number, str(entry.get("id", "without id")), line_of)
        found = _criterion(entry, place)
        if found.id.lower() in {one.id.lower() for one in criteria}:
            rule = f"the criterion id {found.id!r} stands more than once. Give each its own."
            place.refuse("id", rule)
        criteria.append(found)
    return tuple(criteria)


def _criterion(entry: Mapping[str, Any], place: _Place) -> Criterion:
    known = {field.name: field for field in dataclasses.fields(Criterion)}
    for key in entry:
        if key not in known:
            place.refuse(key, f"unknown entry {key!r}; known: {', '.join(known)}.")
    for key, field in known.items():
        if field.default is dataclasses.MISSING and key not in entry:
            place.refuse(None, f"the entry {key!r} is missing. Add it.")
    _check_texts(entry, place)
    for key, allowed in (
        ("statistic", STATISTICS),
        ("direction", DIRECTIONS),
        ("age", AGES),
        ("target_level", LEVELS),
        ("index_date", INDEX_DATES),
    ):
        _one_of(entry.get(key, allowed[0]), allowed, place, key)
    _check_days(entry, place)
    _check_measure(entry, place)
    _check_target(entry, place)
    _check_minimum(entry, place)
    if entry["target_level"] == "local" and not str(entry.get("reason", "")).strip():
        place.refuse(
            "target_level",
            "a local target needs a reason. Add reason, with why it departs from what is "
            "published, or that nothing is.",
        )
    lists = {key: _codes(entry.get(key, ()), key, place) for key in ("device_class", "segment")}
    exceptions = _exceptions(entry.get("exceptions", ()), place)
    target = float(entry["target"])
    return Criterion(**{**entry, "target": target, "exceptions": exceptions, **lists})


def _check_texts(entry: Mapping[str, Any], place: _Place) -> None:
    for key in (*TEXTS, "reason"):
        given = entry.get(key, "")
        if not isinstance(given, str):
            place.refuse(key, f"{key} must be a text in quotes.")
        if key in TEXTS and not given.strip():
            place.refuse(key, f"{key} is empty. Fill it in.")
    if not ID.fullmatch(entry["id"]):
        place.refuse(
            "id",
            "id must be made of letters, digits, _ and - only, because files and actions are named "
            "by it.",
        )


def _check_days(entry: Mapping[str, Any], place: _Place) -> None:
    days = entry.get("matures_after_days", 0)
    if isinstance(days, bool) or not isinstance(days, int) or days < 0:
        place.refuse(
            "matures_after_days",
            "matures_after_days must be a whole number, 0 or more, without quotes.",
        )
    if entry["statistic"] != "median_time":
        return
    if days:
        place.refuse(
            "matures_after_days",
            "a time to an event keeps waiting cases in, so it has no maturity. Delete "
            "matures_after_days.",
        )
    if entry.get("index_date", INDEX_DATES[0]) != INDEX_DATES[0]:
        place.refuse(
            "index_date",
            f"a time to an event counts by its {INDEX_DATES[0]}. Delete index_date.",
        )


def _check_measure(entry: Mapping[str, Any], place: _Place) -> None:
    measure = entry["measure"]
    _one_of(measure, tuple(MEASURES), place, "measure")
    if entry["statistic"] not in MEASURES[measure]:
        place.refuse(
            "statistic",
            f"statistic of {measure} must be {' or '.join(MEASURES[measure])}; "
            f"got {entry['statistic']!r}.",
        )
    unit = entry.get("unit", "") or unit_of(measure)
    _one_of(unit, UNITS, place, "unit")
    if unit != unit_of(measure):
        place.refuse("unit", f"{measure} counts one a {unit_of(measure)}, not a {unit}.")


def _check_target(entry: Mapping[str, Any], place: _Place) -> None:
    target = entry["target"]
    number = isinstance(target, int | float) and not isinstance(target, bool)
    if not number or not math.isfinite(target):
        place.refuse("target", "target must be a number, without quotes, for example 0.95.")
    if entry["statistic"] == "proportion" and not 0 <= target <= 1:
        place.refuse("target", "target of a proportion must be a share from 0 to 1: 0.95 for 95 %.")
    if entry["statistic"] in ("rate", "median_time") and target < 0:
        place.refuse("target", f"target of a {entry['statistic']} must be 0 or more.")


def _check_minimum(entry: Mapping[str, Any], place: _Place) -> None:
    given = entry.get("minimum_completeness")
    if given is None:
        return
    if isinstance(given, bool) or not isinstance(given, int | float) or not 0 <= given <= 1:
        place.refuse(
            "minimum_completeness",
            "minimum_completeness must be a share from 0 to 1, for example 0.8.",
        )


def _codes(given: Any, key: str, place: _Place) -> tuple[str, ...]:
    if not isinstance(given, Sequence) or isinstance(given, str):
        place.refuse(key, f'{key} must be a list, for example ["{vocabulary.codes(key)[0]}"].')
    for code in given:
        _one_of(code, vocabulary.codes(key), place, key)
    return tuple(given)


def _exceptions(given: Any, place: _Place) -> tuple[AcceptedReason, ...]:
    example = '{ column = "outcome_status", is = ["died"], words = "died" }'
    if not isinstance(given, Sequence) or isinstance(given, str):
        place.refuse("exceptions", f"exceptions must be a list of tables such as {example}.")
    found = []
    for item, entry in enumerate(given, 1):
        if isinstance(entry, AcceptedReason):
            found.append(entry)
            continue
        if not isinstance(entry, Mapping) or set(entry) != set(EXCEPTION_KEYS):
            place.refuse(
                "exceptions",
                f"exception {item} must hold column, is and words and nothing else, such as "
                f"{example}.",
                item,
            )
        found.append(_exception(entry, item, place))
    return tuple(found)


def _exception(entry: Mapping[str, Any], item: int, place: _Place) -> AcceptedReason:
    column, named, words = (entry[key] for key in EXCEPTION_KEYS)
    known = tuple(EXCEPTION_CODES)
    if column not in known:
        rule = f"column of exception {item} must be one of {', '.join(known)}; got {column!r}."
        place.refuse("exceptions", rule, item)
    allowed = EXCEPTION_CODES[column]
    codes = (named,) if isinstance(named, str) else named
    if not isinstance(codes, Sequence) or not codes or any(one not in allowed for one in codes):
        place.refuse(
            "exceptions",
            f"is of exception {item} must name one or more of {', '.join(allowed)}; got {named!r}.",
            item,
        )
    if not isinstance(words, str) or not words.strip():
        place.refuse("exceptions", f"words of exception {item} are empty. Fill them in.", item)
    return AcceptedReason(column=column, codes=tuple(codes), words=words)


def _one_of(given: Any, allowed: Sequence[str], place: _Place, key: str) -> None:
    if given not in allowed:
        place.refuse(key, f"{key} must be one of {', '.join(allowed)}; got {given!r}.")
