"""Controlled tables as sheets: every cell a number, a text or a marker, none empty."""

from __future__ import annotations

import collections
import dataclasses
import re
from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

import schemas
from audit.disclosure.controlled import MARKERS, ControlledTable
from audit.release.summary.facts import LEVEL_WORDS
from audit.release.summary.gate import base_of, key_columns, number_columns
from audit.release.summary.names import file_stem, sheet_names
from audit.release.summary.notes import NoteIds, in_short
from audit.release.summary.safe_text import safe_text
from audit.release.summary.sheet import (
    NOT_APPLICABLE,
    NOT_AVAILABLE,
    Cell,
    Column,
    ReleasedSheet,
    text_cell,
)
from audit.results.catalogue import MEASURES
from audit.summaries.table import ALL
from schemas import vocabulary

#: name of the cover, of the list of tables, of markers and notes; no table may take them
FRONT = ("cover", "contents", "notes")
AVERAGES = ("mean", "sd", "median", "q1", "q3")
#: statistics that have no interval
WITHOUT_INTERVAL = ("count", "sd", "q1", "q3")
WHOLE = ("numerator", "denominator")
_MEASURES = {one.name: safe_text(one.title) for one in MEASURES}
_CODE = re.compile("[a-z][a-z0-9_]*")
#: in the column of markers, where there is nothing to be marked
SHOWN = "shown"
#: markers of a row whose numbers are not there; the others stand beside a number that is shown
INSTEAD = ("[c]", "[x]", "[z]", "[k]")
MEANINGS: dict[str, tuple[str, str]] = {
    "statistic": ("Statistic", "What the value is: count, share (0 to 1), mean, sd (standard "
                  "deviation), median, q1 and q3 (quartiles), rate or curve (a point of one)."),
    "unit": ("Unit", "Unit of the value and its limits."),
    "numerator": ("Numerator", "Units with the attribute, or events."),
    "denominator": ("Denominator", "Units that the statistic rests on."),
    "value": ("Value", "The statistic, in its unit."),
    "low": ("Lower limit", "Lower limit of the interval of the value."),
    "high": ("Upper limit", "Upper limit of the interval of the value."),
    "method": ("Method", "Name of the method of value and interval."),
    "marker": ("Marker", f"{SHOWN}, or one of the markers that the notes of the release explain."),
    "reason": ("Reason", "The rule by which a number is not shown."),
}  # fmt: skip


def table_sheets(
    controlled: Sequence[ControlledTable], *, level: str, ids: NoteIds
) -> tuple[ReleasedSheet, ...]:
    """One sheet a table, in the order given. ids: of the notes of the release."""
    names = sheet_names([one.table.name for one in controlled], taken=FRONT)
    return tuple(
        _sheet(one, number, _Place(sheet=sheet, level=level, ids=ids))
        for number, (one, sheet) in enumerate(zip(controlled, names, strict=True), start=1)
    )


@dataclasses.dataclass(frozen=True, kw_only=True)
class _Place:
    """Where a table stands: name of its sheet, release level, note numbers of the release."""

    sheet: str
    level: str
    ids: NoteIds


def _sheet(one: ControlledTable, number: int, place: _Place) -> ReleasedSheet:
    table = one.table
    columns = _columns(one)
    rows = _rows(one, columns)
    sheet = ReleasedSheet(
        stem=file_stem(table.name, table.period, level=place.level),
        sheet=place.sheet,
        title=safe_text(f"Table {number}: {table.title}"),
        lines=(),
        columns=columns,
        rows=rows,
        key=tuple(safe_text(name) for name in key_columns(table)),
        facts=_facts(one),
    )
    return dataclasses.replace(sheet, lines=_lines(one, sheet, place))


def _lines(one: ControlledTable, sheet: ReleasedSheet, place: _Place) -> tuple[str, ...]:
    """What stands between title and table: level, size, notes, markers, people, source."""
    table, used = one.table, sheet.markers()
    notes = place.ids.of(table.notes)
    marked = "; ".join(f"{marker} {MARKERS[marker]}" for marker in used)
    lines = (
        f"Release level. {LEVEL_WORDS[place.level]}",
        f"This sheet holds one table of {len(sheet.rows)} rows below one row of headings.",
        f"Period: {table.period}. Population: {table.population}. Counted: {table.counted}.",
        f"No cell is empty. Markers used: {marked}." if used else "No cell is empty.",
        f"Notes: {in_short(notes)}, on the sheet notes." if notes else "This table has no notes.",
        f"Source: {table.source or 'the audit tables of the department'}.",
    )
    return tuple(safe_text(line).replace("..", ".") for line in lines)


def _columns(one: ControlledTable) -> tuple[Column, ...]:
    numbers = number_columns(one)
    found = []
    for name in (str(name) for name in one.frame.columns):
        if name in one.table.dimensions:
            found.append(_dimension(name, one.frame[name]))
        elif name in numbers:
            found.append(_number(name, one.frame[name]))
        else:
            heading, meaning = MEANINGS[name]
            found.append(Column(name=name, heading=heading, kind="text", meaning=meaning))
    return tuple(found)


def _dimension(name: str, cells: pd.Series) -> Column:
    title, meaning = _contract_words(name)
    codes = list(dict.fromkeys(text_cell(cell) for cell in cells))
    words = {code: _category_words(name, code) for code in codes}
    often = collections.Counter(words.values())  # words must tell categories apart
    words = {code: f"{one} ({code})" if often[one] > 1 else one for code, one in words.items()}
    return Column(
        name=safe_text(name),
        heading=safe_text(title),
        kind="text",
        meaning=safe_text(f"{meaning} {ALL} = over all categories."),
        categories=words,
    )


def _contract_words(name: str) -> tuple[str, str]:
    """(title, meaning) of a dimension: those of the contract column of this name if it has one."""
    for contract in schemas.TABLES.values():
        if name in contract.columns:
            column = contract.columns[name]
            return str(column.title), str(column.description)
    words = name.replace("_", " ").strip()
    return words[:1].upper() + words[1:], f"Category of {words}."


def _category_words(name: str, code: str) -> str:
    """The words for a category: of a code list, of a measure, else the code with blanks in it."""
    if name in vocabulary.CODE_LISTS and code in vocabulary.CODE_LISTS[name]:
        return vocabulary.label(name, code)
    if name == "measure" and code in _MEASURES:
        return _MEASURES[code]
    words = code.replace("_", " ") if _CODE.fullmatch(code) else code
    return words[:1].upper() + words[1:]


def _number(name: str, cells: pd.Series) -> Column:
    base = base_of(name)
    heading, meaning = MEANINGS[base]
    rounding = name.partition("_")[2]
    if rounding:
        heading = f"{heading} ({rounding})"
        meaning = f"{meaning} Rounded by the rule {rounding}."
    shown = pd.to_numeric(cells, errors="coerce").dropna()
    whole = base in WHOLE and bool((shown % 1 == 0).all())
    return Column(name=name, heading=heading, kind="whole" if whole else "number", meaning=meaning)


def _rows(one: ControlledTable, columns: Sequence[Column]) -> tuple[tuple[Cell, ...], ...]:
    names = [str(name) for name in one.frame.columns]
    given = _given(one)
    rows = []
    for values in one.frame.itertuples(index=False, name=None):
        row = dict(zip(names, values, strict=True))
        rows.append(
            tuple(
                _text(row, name, tied=name in one.table.tied)
                if column.kind == "text"
                else _number_cell(row, name, given=given)
                for name, column in zip(names, columns, strict=True)
            )
        )
    return tuple(rows)


def _given(one: ControlledTable) -> set[tuple[str, str]]:
    """(statistic, number column) of which the table shows a number anywhere."""
    statistics = one.frame["statistic"].astype(str)
    return {
        (statistic, name)
        for name in number_columns(one)
        for statistic in statistics[one.frame[name].notna()]
    }


def _text(row: Mapping[str, Any], name: str, *, tied: bool) -> str:
    """A text; one that goes with a hidden value bears the marker of that value."""
    value = row[name]
    if not pd.isna(value) and str(value).strip():
        return text_cell(value)
    if name == "marker":
        return SHOWN
    return (_instead(row) if tied else "") or NOT_APPLICABLE


def _number_cell(row: Mapping[str, Any], name: str, *, given: set[tuple[str, str]]) -> Cell:
    """The number; where there is none, the marker that says why."""
    value = row[name]
    if not pd.isna(value):
        number = float(value)
        return int(number) if number % 1 == 0 else number
    base, statistic = base_of(name), str(row["statistic"])
    if base == "numerator" and statistic in AVERAGES:
        return NOT_APPLICABLE
    if base in ("low", "high") and statistic in WITHOUT_INTERVAL:
        return NOT_APPLICABLE
    return _instead(row) or (
        NOT_AVAILABLE if base == "value" or (statistic, name) in given else NOT_APPLICABLE
    )


def _instead(row: Mapping[str, Any]) -> str:
    marker = row["marker"]
    return str(marker) if marker in INSTEAD else ""


def _facts(one: ControlledTable) -> dict[str, object]:
    """Entries of the sidecar that the standard has no name for."""
    table = one.table
    return {
        "tableName": table.name,
        "period": safe_text(table.period),
        "population": safe_text(table.population),
        "counted": safe_text(table.counted),
        "notes": [safe_text(note) for note in table.notes],
        "controls": [safe_text(words) for words in one.controls],
        "flags": [safe_text(words) for words in one.flags],
        "hiddenCells": {"primary": one.hidden[0], "secondary": one.hidden[1]},
    }
