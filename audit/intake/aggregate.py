"""Reads the aggregates that centres hand over; everything is checked before it is added up."""

from __future__ import annotations

import hashlib
import json
import pathlib
import re
from collections.abc import Iterable, Mapping
from typing import Any

import pandas as pd

from audit.errors import UnusableInput
from audit.intake.aggregate_checks import checked_table, faults_of_steps
from audit.intake.aggregate_form import (
    COLUMNS,
    FORM_VERSION,
    LEVELS,
    Aggregate,
    check_together,
    empty_table,
)
from audit.intake.csv_text import read_grid

FORM = "sums of a centre, without a row of a patient"
RECORD = "aggregate-{level}.json"
#: fields of the record beside form and version -> kind
FIELDS: dict[str, type] = {
    "centres": list,
    "level": str,
    "period": str,
    "cutoff": str,
    "definitions": dict,
    "fewest_people": int,
    "files": dict,
    "notes": list,
}
PERIOD = re.compile(r"all|(quarter|year_to):\d{4}Q[1-4]")
DAY = re.compile(r"\d{4}-\d{2}-\d{2}")
CENTRE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,31}")
_FILE = re.compile(r"[a-z-]+\.csv")


def read_aggregates(folders: Iterable[str | pathlib.Path]) -> tuple[Aggregate, ...]:
    """The aggregates of several folders, which may be added up.

    Raises UnusableInput as `read_aggregate`, and where they do not belong together: another period
    or cut-off, other definitions, a centre or the same data twice.
    """
    found = tuple(read_aggregate(folder) for folder in folders)
    check_together(found)
    return found


def read_aggregate(folder: str | pathlib.Path) -> Aggregate:
    """The aggregate in a folder.

    Raises UnusableInput for a folder without one (or with two), a form of another version, a file
    that is missing or was changed, and for a table that is not as it was written; the message names
    file, line, column and rule, never a value.
    """
    home = pathlib.Path(folder)
    record = _record(home)
    tables = {name: empty_table(name) for name in COLUMNS}
    for name, entry in record["files"].items():
        tables[name] = _table(home, name, entry)
    steps = str(record["files"].get("steps", {}).get("name", "steps"))
    faults_of_steps(tables["curves"], tables["steps"], name=steps)
    return Aggregate(
        centres=tuple(record["centres"]),
        level=record["level"],
        period=record["period"],
        cutoff=record["cutoff"],
        definitions=record["definitions"],
        fewest_people=record["fewest_people"],
        tables=tables,
        notes=tuple(record["notes"]),
    )


def _record(home: pathlib.Path) -> dict[str, Any]:
    names = [RECORD.format(level=level) for level in LEVELS]
    try:
        there = [home / name for name in names if (home / name).is_file()]
        content = there[0].read_bytes() if len(there) == 1 else b""
    except OSError:
        there = []
    if len(there) != 1:
        found = "holds two" if there else "holds none"
        raise UnusableInput(
            f"{home.name} {found}: give the folder of one aggregate, with {' or '.join(names)}."
        )
    name = there[0].name
    try:
        record = json.loads(content.decode("utf-8-sig"))
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError):
        raise UnusableInput(f"{name} is not valid JSON: ask for the aggregate again.") from None
    _check_version(record, name)
    _check_fields(record, name)
    return record


def _check_version(record: Any, name: str) -> None:
    if not isinstance(record, dict) or record.get("form") != FORM:
        raise UnusableInput(f"{name} is no aggregate of this kit: its form is not named so.")
    version = record.get("version")
    if version != FORM_VERSION or isinstance(version, bool):
        known = version if isinstance(version, int) and not isinstance(version, bool) else "unknown"
        raise UnusableInput(
            f"{name} has version {known} of the form, this kit reads {FORM_VERSION}: make all "
            "aggregates with one version of the kit."
        )


def _check_fields(record: Mapping[str, Any], name: str) -> None:
    for field, kind in FIELDS.items():
        if not isinstance(record.get(field), kind) or isinstance(record.get(field), bool):
            raise UnusableInput(f"{name}: {field} is missing or of another kind.")
    rules = {
        "level": record["level"] in LEVELS and name == RECORD.format(level=record["level"]),
        "period": bool(PERIOD.fullmatch(record["period"])),
        "cutoff": bool(DAY.fullmatch(record["cutoff"])),
        "fewest_people": record["fewest_people"] >= 1,
        "centres": _codes(record["centres"]),
        "definitions": _texts(record["definitions"].values()),
        "notes": _texts(record["notes"]),
        "files": all(_is_entry(key, entry) for key, entry in record["files"].items()),
    }
    for field, good in rules.items():
        if not good:
            raise UnusableInput(f"{name}: {field} is not as this kit writes it.")


def _codes(centres: list[Any]) -> bool:
    good = all(isinstance(code, str) and CENTRE.fullmatch(code) for code in centres)
    return good and 0 < len(centres) == len(set(centres))


def _texts(values: Iterable[Any]) -> bool:
    return all(isinstance(value, str) for value in values)


def _is_entry(table: str, entry: Any) -> bool:
    """A file of the folder itself, never a path that leads out of it."""
    good = table in COLUMNS and isinstance(entry, dict) and {*entry} == {"name", "sha256"}
    return good and _texts(entry.values()) and bool(_FILE.fullmatch(entry["name"]))


def _table(home: pathlib.Path, table: str, entry: Mapping[str, str]) -> pd.DataFrame:
    name = entry["name"]
    try:
        content = (home / name).read_bytes()
    except OSError:
        raise UnusableInput(f"{name} is missing: ask for the whole aggregate again.") from None
    if hashlib.sha256(content).hexdigest() != entry["sha256"]:
        raise UnusableInput(
            f"{name} was changed after it was written (its SHA-256 is another): ask for the "
            "aggregate again, and do not open and save it in a spreadsheet program."
        )
    return checked_table(table, read_grid(content, name=name).frame, name=name)
