"""Checks in the cells of the entry workbook, made from the contracts.

Gives plain options and formulas; writes nothing. A check that looks at other rows or another
table must not ignore blanks: a spreadsheet program that ignores them takes any value while one
of the cells it looks at is empty.
"""

from __future__ import annotations

import dataclasses
import datetime
from typing import Any

from xlsxwriter.utility import xl_col_to_name

from audit.release.entry.words import cell_hint, refusal
from schemas import TABLES
from schemas.rules import VALUE_RULES
from schemas.rules.dates import OLDEST

#: rows with checks: of a table with one row a thing, one row a visit, one row a session
KEYED_ROWS, VISIT_ROWS, SESSION_ROWS = 2_000, 20_000, 100_000
CODE_SHEET = "Code lists"
OLDEST_DAY: datetime.date = OLDEST.date()
#: columns in which a day that lies ahead cannot be right
PAST_DAYS = {(rule.table, rule.column) for rule in VALUE_RULES if rule.id == "date_in_future"}
TOMORROW = "TODAY()+1"
NOT_MY_ROW = (
    "No row of {parent} has this id yet. Correct it, or keep it and add the row to {parent}."
)
USED_ALREADY = "This id stands in another row of {table} already. Each row needs an id of its own."


@dataclasses.dataclass(frozen=True)
class Place:
    """One column of a table sheet. letter: its column letter; last: the last row with checks."""

    table: str
    column: str
    letter: str
    last: int

    @property
    def cells(self) -> str:
        """The range that is checked, as "B2:B2001"."""
        return f"{self.letter}2:{self.letter}{self.last}"

    @property
    def fixed(self) -> str:
        """The same range for a formula that is copied down."""
        return f"${self.letter}$2:${self.letter}${self.last}"

    @property
    def first(self) -> str:
        """The first cell, to which formulas are written."""
        return f"{self.letter}2"


def places_of(table: str) -> list[Place]:
    """The columns of a table in the order of the contract."""
    last = covered_rows(table) + 1
    return [
        Place(table, column, xl_col_to_name(place), last)
        for place, column in enumerate(TABLES[table].columns)
    ]


def covered_rows(table: str) -> int:
    """How many rows of a table have checks."""
    contract = TABLES[table]
    kinds = {column.metadata["kind"] for column in contract.columns.values()}
    if "moment" in kinds:
        return SESSION_ROWS
    return KEYED_ROWS if key_of(table) else VISIT_ROWS


def key_of(table: str) -> str | None:
    """The column whose values must differ from row to row, if the table has one."""
    return (TABLES[table].metadata or {}).get("key")


def parent_of(table: str, column: str) -> str | None:
    """The other table in which an id must stand, or None."""
    return next((name for name in TABLES if name != table and key_of(name) == column), None)


def codes_name(codes: str) -> str:
    """The workbook's name for the cells of a code list."""
    return f"codes_{codes}"


def ids_name(table: str) -> str:
    """The workbook's name for the ids of a table."""
    return f"ids_{table}"


def validation_of(place: Place) -> dict[str, Any]:
    """The check of a column as the options of `Worksheet.data_validation`."""
    contract = TABLES[place.table].columns[place.column]
    title, hint = cell_hint(place.table, place.column)
    error_title, error = refusal(place.table, place.column, past=is_past(place))
    options: dict[str, Any] = {
        "input_title": title,
        "input_message": hint,
        "error_title": error_title,
        "error_message": error,
        "ignore_blank": not contract.required,
    }
    return options | _condition(place)


def _condition(place: Place) -> dict[str, Any]:
    metadata = TABLES[place.table].columns[place.column].metadata
    kind, limits = metadata["kind"], metadata["limits"]
    if kind == "identifier":
        return _id_condition(place)
    if kind == "code":
        return {"validate": "list", "source": f"={codes_name(metadata['codes'])}"}
    if kind in ("number", "whole"):
        word = "decimal" if kind == "number" else "integer"
        return {"validate": word, **_between(limits.low, limits.high)}
    if kind in ("day", "moment"):
        last = f"={last_moment(place)}" if is_past(place) else None
        return {"validate": "date", **_between(OLDEST_DAY, last)}
    return {"validate": "any"}


def _between(low: Any, high: Any) -> dict[str, Any]:
    if low is not None and high is not None:
        return {"criteria": "between", "minimum": low, "maximum": high}
    if high is not None:
        return {"criteria": "<=", "value": high}
    # Any number is possible, but it must be a number.
    return {"criteria": ">=", "value": -1e15 if low is None else low}


def _id_condition(place: Place) -> dict[str, Any]:
    parent = parent_of(place.table, place.column)
    if place.column == key_of(place.table):
        return {
            "validate": "custom",
            "value": f"={_count(place.fixed, place.first)}=1",
            "ignore_blank": False,
            "error_title": "This id is used already",
            "error_message": USED_ALREADY.format(table=place.table),
        }
    if parent is None:
        return {"validate": "any"}
    return {
        "validate": "custom",
        "value": f"={_count(ids_name(parent), place.first)}>0",
        "ignore_blank": False,
        "error_type": "warning",
        "error_title": "No such row yet",
        "error_message": NOT_MY_ROW.format(parent=parent),
    }


def is_past(place: Place) -> bool:
    """Whether the contract's rules refuse a later day than today in this column."""
    return (place.table, place.column) in PAST_DAYS


def last_moment(place: Place) -> str:
    """Formula of the last day or moment that may be typed today."""
    kind = TABLES[place.table].columns[place.column].metadata["kind"]
    return "TODAY()" if kind == "day" else TOMORROW


def marks_of(place: Place, *, last_letter: str) -> list[tuple[str, str]]:
    """(mark, formula true for a cell to be marked) of a column, the gravest first.

    They also see what was pasted, which the checks on typing do not. last_letter: the last column
    of the contract, to tell whether a row has been begun.
    """
    contract = TABLES[place.table].columns[place.column]
    limits = contract.metadata["limits"]
    first = place.first
    marks = []
    if place.column == key_of(place.table):
        marks.append(("repeated", _if_filled(first, f"{_count(place.fixed, first)}>1")))
    wrong = _wrong(place)
    if wrong:
        marks.append(("unusable", _if_filled(first, wrong)))
    if contract.required:
        begun = f"COUNTA($A2:${last_letter}2)>0"
        marks.append(("missing", f"=AND(LEN({first})=0,{begun})"))
    outside = _outside(first, limits.usual_low, limits.usual_high)
    if outside:
        marks.append(("unusual", f"=AND(ISNUMBER({first}),OR({','.join(outside)}))"))
    return marks


def _if_filled(first: str, condition: str) -> str:
    return f"=IF(LEN({first})=0,FALSE,{condition})"


def _count(cells: str, first: str) -> str:
    """How many cells hold the same text, letter for letter: a plain count takes "007" for 7 and
    "C*" for every id with a C."""
    return f"SUMPRODUCT(--EXACT({cells},{first}))"


def _wrong(place: Place) -> str:
    metadata = TABLES[place.table].columns[place.column].metadata
    first, kind, limits = place.first, metadata["kind"], metadata["limits"]
    parent = parent_of(place.table, place.column)
    if parent is not None:
        return f"{_count(ids_name(parent), first)}=0"
    if kind == "code":
        return f"{_count(codes_name(metadata['codes']), first)}=0"
    if kind in ("day", "moment"):
        oldest = f"DATE({OLDEST_DAY.year},{OLDEST_DAY.month},{OLDEST_DAY.day})"
        sides = [f"{first}<{oldest}"] + [f"{first}>={TOMORROW}"] * is_past(place)
        return f"IF(ISNUMBER({first}),OR({','.join(sides)}),TRUE)"
    if kind in ("number", "whole"):
        sides = _outside(first, limits.low, limits.high)
        sides += [f"{first}<>INT({first})"] * (kind == "whole")
        return f"IF(ISNUMBER({first}),OR({','.join(sides) or 'FALSE'}),TRUE)"
    return ""


def _outside(first: str, low: float | None, high: float | None) -> list[str]:
    below = [] if low is None else [f"{first}<{low:g}"]
    return below if high is None else [*below, f"{first}>{high:g}"]
