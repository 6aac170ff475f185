"""Reads the settings of disclosure control (TOML)."""

from __future__ import annotations

import math
import pathlib
from collections.abc import Mapping
from typing import Any

from audit.disclosure_rules import DECISION_RULES, ZEROS, ControlSettings, Decision
from audit.intake.toml_text import entry_line, read_content, toml_entries
from audit.plan.place import Path, Place

DEFAULT = pathlib.Path(__file__).resolve().parents[1] / "disclosure_default.toml"
#: whole numbers -> the least that a file may set
WHOLE = {"threshold": 3, "averages_people": 3, "base": 3, "curve_step": 3}
TEXTS = ("version", "justification")
KNOWN = (*TEXTS, *WHOLE, "zeros", "complementary", "precision", "decision")
DECISION_KEYS = ("table", "rule", "cell", "reason", "decided_by", "decided_on")
NEEDED = ("table", "rule", "reason", "decided_by")


def read_control_settings(path: str | pathlib.Path | None = None) -> ControlSettings:
    """The settings of a file, or the kit's own. A file replaces the kit's settings as a whole; what
    it leaves out takes the kit's value, except decisions, which only a file can hold.

    Raises UnusableInput when the file cannot be read or an entry is wrong: file, line, entry, rule.
    """
    home = DEFAULT if path is None else pathlib.Path(path)
    return control_settings_from(read_content(home, what="The disclosure settings"), name=home.name)


def control_settings_from(content: bytes, *, name: str) -> ControlSettings:
    """The settings that a file called `name` holds. Raises as `read_control_settings`."""
    text, entries = toml_entries(content, label=name, form="the kit's own settings show the form")
    place = Place(name, lambda path: entry_line(text, path))
    place.only_known((), entries, KNOWN)
    given: dict[str, Any] = {key: _text(entries, (key,), place) for key in TEXTS if key in entries}
    given |= {key: _whole(entries[key], key, place) for key in WHOLE if key in entries}
    given |= _switches(entries, place)
    if "precision" in entries:
        given["precision"] = _precision(entries["precision"], place)
    _fit(ControlSettings(), given, place)
    return ControlSettings(
        **given,
        decisions=_decisions(entries.get("decision", []), place),
        name=name,
        content=content,
    )


def _text(entries: Mapping[str, Any], path: Path, place: Place) -> str:
    given = entries[str(path[-1])]
    if not isinstance(given, str):
        place.refuse(path, "must be a text in quotes.")
    return " ".join(given.split())


def _whole(given: Any, key: str, place: Place) -> int:
    if isinstance(given, bool) or not isinstance(given, int) or given < WHOLE[key]:
        place.refuse(
            (key,),
            f"must be a whole number of {WHOLE[key]} or more, without quotes; got {given!r}.",
        )
    return given


def _switches(entries: Mapping[str, Any], place: Place) -> dict[str, Any]:
    found: dict[str, Any] = {}
    if "zeros" in entries:
        found["zeros"] = place.one_of(("zeros",), entries["zeros"], ZEROS)
    if "complementary" in entries:
        if not isinstance(entries["complementary"], bool):
            place.refuse(("complementary",), "must be true or false, without quotes.")
        found["complementary"] = entries["complementary"]
    return found


def _precision(given: Any, place: Place) -> dict[str, float]:
    if not isinstance(given, Mapping):
        place.refuse(("precision",), "must be a table: write [precision].")
    for unit, step in given.items():
        number = isinstance(step, int | float) and not isinstance(step, bool)
        if not number or not math.isfinite(step) or step <= 0:
            place.refuse(
                ("precision", unit), f"must be a number above 0, without quotes; got {step!r}."
            )
    return {unit: float(step) for unit, step in given.items()}


def _fit(own: ControlSettings, given: Mapping[str, Any], place: Place) -> None:
    """The numbers must go together; the one that the file sets is named."""
    threshold = given.get("threshold", own.threshold)
    people = given.get("averages_people", own.averages_people)
    base = given.get("base", own.base)
    if people < threshold:
        place.refuse(
            ("averages_people",),
            f"must not be below the threshold {threshold}; it is {people}. Set both.",
        )
    if base > threshold:
        place.refuse(
            ("base",), f"must not be above the threshold {threshold}; it is {base}. Set both."
        )


def _decisions(given: Any, place: Place) -> tuple[Decision, ...]:
    if not isinstance(given, list):
        place.refuse(("decision",), "must be a list: write [[decision]] above each.")
    return tuple(_decision(one, number, place) for number, one in enumerate(given))


def _decision(given: Any, number: int, place: Place) -> Decision:
    path: Path = ("decision", number)
    if not isinstance(given, Mapping):
        place.refuse(path, "must be a table: write [[decision]].")
    place.only_known(path, given, DECISION_KEYS)
    for key in NEEDED:
        if key not in given:
            place.refuse(path, f"has no {key}. An exception is argued and recorded: add it.")
    cell = given.get("cell", {})
    if not isinstance(cell, Mapping) or not all(isinstance(one, str) for one in cell.values()):
        place.refuse((*path, "cell"), 'must name categories, as { sex = "female" }.')
    texts = {
        key: _text(given, (*path, key), place)
        for key in DECISION_KEYS
        if key in given and key != "cell"
    }
    for key in NEEDED:
        if not texts[key]:
            place.refuse((*path, key), "must not be empty.")
    place.one_of((*path, "rule"), texts["rule"], DECISION_RULES)
    return Decision(**texts, cell=dict(cell))
