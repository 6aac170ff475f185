"""One column of a table sheet: its texts, and the questions that its cells raise.

A spreadsheet changes what people type: 007 becomes 7, 1-2 a day, 38 the 38th day of 1900. What
can be read right is; what cannot is asked about and kept out of use.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import functools
from collections.abc import Collection, Iterable, Sequence
from typing import Any

import numpy as np

from audit.intake.cells import SPREADSHEET
from audit.intake.grid import CellRemark, Change
from audit.intake.workbook.cells import TypedCells, typed_cells
from audit.intake.workbook.marks import Area, Marks, Places, styled_cells
from audit.intake.workbook.sheet import SheetXml
from audit.intake.workbook.xml import Book

DAY_LIKE = (dt.date, dt.time, dt.timedelta)
#: before this day spreadsheet programs disagree on what a stored number means (ISO/IEC 29500-1,
#: 18.17.4.1: the 1900 system counts a 29 February 1900 that never was)
FIRST_SURE_DAY = dt.date(1900, 3, 1)
#: rule, severity and message of the questions about single cells
IDENTIFIER_AS_DATE = (
    "identifier_stored_as_date",
    "error",
    "A spreadsheet turned this identifier into a date. Format the column as text and write the "
    "identifier again.",
)
EARLY_DAY = (
    "date_before_march_1900",
    "error",
    "The cell is formatted as a date and holds a small number, which spreadsheet programs show as "
    "different days of 1900. Write the day again, or format the cell as a number.",
)
ERROR_VALUE = (SPREADSHEET[0], "error", SPREADSHEET[1])
NO_VALUE = (
    "formula_without_value",
    "error",
    "The cell holds a formula whose result is not stored. Open the workbook in a spreadsheet "
    "program, let it calculate, save it and try again; or write the value.",
)
YES_NO = {True: "yes", False: "no"}


@dataclasses.dataclass(frozen=True)
class SheetFacts:
    """What is known of a sheet beside its values. rows: the line of each value, from 1."""

    xml: SheetXml
    marks: Marks
    rows: Sequence[int]
    book: Book

    def used(self, places: Places, column: ContractColumn) -> set[int]:
        """The rows of a column that are among the places and hold data."""
        found = places.get(column.number)
        return found.intersection(self.rows) if found else set()

    def covered(self, areas: Sequence[Area], column: ContractColumn) -> set[int]:
        """The rows with data that the areas cover in a column, but for an area's first cell."""
        rows = np.asarray(self.rows)
        steps = np.zeros(len(rows) + 1, dtype=int)
        for top, left, bottom, right in areas:
            if left <= column.number <= right:
                first = top + 1 if left == column.number else top
                low, high = rows.searchsorted([first, bottom + 1])
                steps[low] += low < high
                steps[high] -= low < high
        return set(rows[steps.cumsum()[:-1] > 0].tolist())

    @functools.cached_property
    def with_hours(self) -> Places:
        """The cells whose format shows an hour."""
        styles = self.book.formats.with_hours
        return styled_cells(self.xml.cells, styles) if styles else {}

    @functools.cached_property
    def with_unit(self) -> Places:
        """The cells whose format shows a number as something else than it is."""
        styles = self.book.formats.with_unit
        return styled_cells(self.xml.cells, styles) if styles else {}


@dataclasses.dataclass(frozen=True)
class ContractColumn:
    """A column that the contract knows. name: heading as it stands; number: its place, from 1."""

    name: str
    number: int
    kind: str
    codes: str = ""


@dataclasses.dataclass
class Findings:
    """What was noticed while reading; grows column by column."""

    remarks: list[tuple[str, str]] = dataclasses.field(default_factory=list)
    cell_remarks: list[CellRemark] = dataclasses.field(default_factory=list)
    changes: list[Change] = dataclasses.field(default_factory=list)

    def remark(self, rule: str, message: str) -> None:
        self.remarks.append((rule, message))

    def ask(self, column: str, rows: Iterable[int], words: tuple[str, str, str]) -> None:
        """words: rule, severity and message of a question about single cells."""
        chosen = frozenset(rows)
        if chosen:
            self.cell_remarks.append(CellRemark(column, chosen, *words))


def rows_shown(rows: Collection[int], most: int = 5) -> str:
    """Rows in words: "row 4", "rows 4, 5 and 12 more"."""
    ordered = sorted(rows)
    shown = ", ".join(str(row) for row in ordered[:most])
    rest = f" and {len(ordered) - most} more" if len(ordered) > most else ""
    return f"row{'s' if len(ordered) > 1 else ''} {shown}{rest}"


def column_texts(
    values: Sequence[Any], column: ContractColumn, facts: SheetFacts, findings: Findings
) -> list[str]:
    """The texts of a contract column; what its cells raise is added to `findings`."""
    cells = typed_cells(values)
    texts = cells.texts
    if column.codes == "yes_no" and bool in cells.types:
        flags = [type(value) is bool for value in values]
        texts = [
            YES_NO[value] if flag else text
            for value, flag, text in zip(values, flags, texts, strict=True)
        ]
        words = "TRUE or FALSE read as yes or no"
        findings.changes.append(Change(column.name, words, sum(flags)))
    if column.kind == "moment" and cells.types & {dt.date, dt.datetime}:
        texts = _with_midnights(values, texts, column, facts)
    _ask_about_types(values, cells, column, facts, findings)
    _ask_about_formulas(column, facts, findings)
    if column.kind in ("number", "whole") and float in cells.types:
        _ask_about_units(column, facts, findings)
    return texts


def _with_midnights(
    values: Sequence[Any], texts: list[str], column: ContractColumn, facts: SheetFacts
) -> list[str]:
    """Midnight is written out where the cell shows an hour; a day alone stays a day alone."""
    timed = facts.used(facts.with_hours, column)
    return [
        f"{text} 00:00"
        if len(text) == 10
        and (type(value) is dt.datetime or (type(value) is dt.date and row in timed))
        else text
        for value, text, row in zip(values, texts, facts.rows, strict=True)
    ]


def _ask_about_types(
    values: Sequence[Any],
    cells: TypedCells,
    column: ContractColumn,
    facts: SheetFacts,
    findings: Findings,
) -> None:
    if column.kind == "identifier" and float in cells.types:
        numbers = _rows_of(values, facts.rows, (float,))
        findings.remark(
            "identifier_stored_as_number",
            f"Column {column.name}: {_cells(numbers)} a number ({rows_shown(numbers)}), in which "
            "zeros in front are lost (007 becomes 7). Format the column as text and check the "
            "values.",
        )
    if column.kind == "code" or not cells.types & {*DAY_LIKE, dt.datetime}:
        return
    if column.kind == "identifier":
        findings.ask(column.name, _rows_of(values, facts.rows, DAY_LIKE), IDENTIFIER_AS_DATE)
    elif column.kind == "text":
        days = _rows_of(values, facts.rows, DAY_LIKE)
        findings.remark(
            "text_stored_as_date",
            f"Column {column.name}: {_cells(days)} a date or time ({rows_shown(days)}); a "
            "spreadsheet turns texts such as 1-2 into dates. Check them and format the column as "
            "text.",
        )
    elif not facts.book.counts_from_1904:
        early = {
            value
            for value in cells.distinct
            if isinstance(value, dt.date) and _day(value) < FIRST_SURE_DAY
        }
        if early:
            pairs = zip(values, facts.rows, strict=True)
            findings.ask(column.name, [row for value, row in pairs if value in early], EARLY_DAY)


def _ask_about_formulas(column: ContractColumn, facts: SheetFacts, findings: Findings) -> None:
    marks = facts.marks
    findings.ask(column.name, facts.used(marks.errors, column), ERROR_VALUE)
    formulas = facts.used(marks.formulas, column)
    if marks.spilled:
        formulas |= facts.covered(marks.spilled, column)
    unvalued = facts.used(marks.unvalued, column)
    if facts.book.waits_for_calculation:
        unvalued |= facts.used(marks.zeros, column)
    findings.ask(column.name, unvalued, NO_VALUE)
    valued = formulas - unvalued
    if valued:
        plural = "s" if len(valued) > 1 else ""
        by_hand = " The workbook is set to calculate by hand: calculate before saving."
        findings.remark(
            "formula_cells",
            f"Column {column.name}: {len(valued)} formula{plural} ({rows_shown(valued)}); the "
            "results stored at the last saving were read. Replace formulas by values where you can."
            + (by_hand if facts.book.calculated_by_hand else ""),
        )


def _ask_about_units(column: ContractColumn, facts: SheetFacts, findings: Findings) -> None:
    shown = facts.used(facts.with_unit, column)
    if shown:
        findings.remark(
            "number_shown_with_unit",
            f"Column {column.name}: {_cells(shown)} a number that its format shows with a unit, a "
            f"percent sign or in thousands ({rows_shown(shown)}); the bare number was read. Check "
            "that it has the unit of the column and use a plain format.",
        )


def _cells(rows: Collection[int]) -> str:
    return "1 cell holds" if len(rows) == 1 else f"{len(rows)} cells hold"


def _rows_of(values: Sequence[Any], rows: Sequence[int], types: tuple[type, ...]) -> list[int]:
    return [row for value, row in zip(values, rows, strict=True) if isinstance(value, types)]


def _day(value: dt.date) -> dt.date:
    return value.date() if isinstance(value, dt.datetime) else value
