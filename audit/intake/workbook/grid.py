"""One table sheet to a grid: where its headings stand, its rows, and what a person may not see."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from audit.errors import UnusableInput
from audit.intake.grid import ROW_NOT_READ, Grid
from audit.intake.parse import plain_heading
from audit.intake.workbook.cells import Cells, typed_cells
from audit.intake.workbook.columns import (
    ContractColumn,
    Findings,
    SheetFacts,
    column_texts,
    rows_shown,
)
from audit.intake.workbook.marks import Area
from audit.intake.workbook.xml import column_letters
from schemas import TABLES

#: headings are looked for in so many lines from the first that holds anything
HEADING_LINES = 10
MERGED_BLANK = (
    "merged_cells",
    "warning",
    "The cell belongs to merged cells, of which only the first holds a value; it was read as "
    "empty. Undo the merge and write the value into each cell that it is true for.",
)
MERGED_FILLED = (
    "merged_cells",
    "error",
    "The cell is covered by merged cells and holds a value that nobody sees. Undo the merge and "
    "check the value.",
)


def heading_line(table: str, cells: Cells, *, merged: Sequence[Area], place: str) -> int:
    """The index of the row of headings in `cells.rows`.

    The first line, among the first ten, that holds all required headings; else the line that
    holds most of the contract's, so that what is missing can be named. place: file and sheet for
    messages. Raises UnusableInput when no line holds any, or when the headings are spread over
    lines or merged cells.
    """
    contract = TABLES[table].columns
    required = {name for name, column in contract.items() if column.required}
    lines = [
        {plain_heading(_heading(value)) for value in row} for row in cells.rows[:HEADING_LINES]
    ]
    for at, names in enumerate(lines):
        if required <= names:
            return at
    known = [len(names & set(contract)) for names in lines]
    at = known.index(max(known))
    if known[at] == 0:
        raise UnusableInput(
            f"{place}: no line with the headings of the table {table} stands in its first "
            f"{HEADING_LINES} lines. Write the headings ({', '.join(sorted(required))}, ...) into "
            "the first line."
        )
    line = cells.first_row + at
    cut = any(top <= line <= bottom for top, _, bottom, _ in merged)
    if cut or required <= set().union(*lines):
        missing = ", ".join(sorted(required - lines[at]))
        raise UnusableInput(
            f"{place}: the headings stand in merged cells or in more than one line, so {missing} "
            "cannot be found. Undo the merge and write all headings into one line, each in its "
            "own cell."
        )
    return at


def _heading(value: Any) -> str:
    return " ".join(typed_cells([value]).texts[0].split())


def build_grid(
    table: str, cells: Cells, *, head: int, facts: SheetFacts, findings: Findings
) -> Grid:
    """The grid of a table sheet.

    head: index of the row of headings. facts: of the sheet, whose `rows` are those of `cells`
    below the headings, in order, without the empty ones. findings: what was noticed before.
    """
    names = [_heading(value) for value in cells.rows[head]]
    chosen = [cells.rows[row - cells.first_row] for row in facts.rows]
    values = list(zip(*chosen, strict=True)) if chosen else [()] * len(names)
    numbers = range(cells.first_column, cells.first_column + len(names))
    texts: dict[int, list[str]] = {}
    for name, number, column in zip(names, numbers, values, strict=True):
        known = _contract_column(table, name, number)
        if known is not None:
            texts[number] = column_texts(column, known, facts, findings)
            _ask_about_merges(known, texts[number], facts, findings)
        elif name == "row":
            findings.remarks.append(ROW_NOT_READ)
        elif name:
            texts[number] = typed_cells(column).texts
    bare = {
        number: typed_cells(column).texts
        for number, name, column in zip(numbers, names, values, strict=True)
        if not name
    }
    _remark_bare_columns(bare, findings)
    _remark_hidden(dict(zip(numbers, names, strict=True)), facts, findings)
    headings = [names[number - cells.first_column] for number in texts]
    frame = _frame(list(texts.values()), headings, facts.rows)
    return Grid(
        frame,
        remarks=tuple(findings.remarks),
        cell_remarks=tuple(findings.cell_remarks),
        changes=tuple(findings.changes),
    )


def _frame(
    columns: Sequence[list[str]], headings: Sequence[str], rows: Sequence[int]
) -> pd.DataFrame:
    block = np.empty((len(columns), len(rows)), dtype=object)
    for at, texts in enumerate(columns):
        block[at] = texts
    frame = pd.DataFrame(block.T, columns=pd.Index(headings, dtype=object))
    frame.insert(0, "row", np.array(rows, dtype="int64"))
    return frame


def filled_rows(cells: Cells, *, head: int) -> list[int]:
    """The rows below the headings, as a person counts them, that hold more than blanks."""
    first = cells.first_row
    return [
        first + at
        for at, row in enumerate(cells.rows)
        if at > head and any(type(value) is not str or value.strip() for value in row)
    ]


def _contract_column(table: str, name: str, number: int) -> ContractColumn | None:
    column = TABLES[table].columns.get(plain_heading(name))
    if column is None:
        return None
    return ContractColumn(name, number, column.metadata["kind"], column.metadata["codes"])


def _ask_about_merges(
    column: ContractColumn, texts: Sequence[str], facts: SheetFacts, findings: Findings
) -> None:
    if facts.marks.merged:
        covered = facts.covered(facts.marks.merged, column)
        pairs = zip(facts.rows, texts, strict=True)
        filled = {row for row, text in pairs if row in covered and text.strip()}
        findings.ask(column.name, covered - filled, MERGED_BLANK)
        findings.ask(column.name, filled, MERGED_FILLED)


def _remark_bare_columns(texts: dict[int, list[str]], findings: Findings) -> None:
    found = {number: sum(bool(text.strip()) for text in cells) for number, cells in texts.items()}
    found = {number: count for number, count in found.items() if count}
    if found:
        letters = ", ".join(column_letters(number) for number in list(found)[:12])
        total = sum(found.values())
        findings.remark(
            "column_without_heading",
            f"{total} cell{'s stand' if total > 1 else ' stands'} in columns without a heading "
            f"({letters}) and {'were' if total > 1 else 'was'} not used. Write the headings above "
            "them, or empty the columns.",
        )


def _remark_hidden(names: dict[int, str], facts: SheetFacts, findings: Findings) -> None:
    rows = facts.marks.hidden_rows.intersection(facts.rows)
    if rows:
        findings.remark(
            "hidden_rows",
            f"{_counted(len(rows), 'row')} with values, hidden by hand or by a filter, "
            f"{'were' if len(rows) > 1 else 'was'} read ({rows_shown(rows)}). Show all rows, and "
            "delete what is not meant.",
        )
    hidden = [
        name
        for number, name in names.items()
        if name and any(low <= number <= high for low, high in facts.marks.hidden_columns)
    ]
    if hidden:
        findings.remark(
            "hidden_columns",
            f"{_counted(len(hidden), 'hidden column')} {'were' if len(hidden) > 1 else 'was'} read "
            f"({', '.join(hidden[:12])}). Show all columns, and delete what is not meant.",
        )


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"
