"""What every way in gives before anything is typed: cells as a person sees them, and remarks."""

from __future__ import annotations

import dataclasses

import pandas as pd

from audit.intake.tables import InputFile

#: the remark on a column that has the name under which a grid numbers its rows
ROW_NOT_READ = ("unknown_column", "The column row is not in the contract; it was not read.")


@dataclasses.dataclass(frozen=True)
class CellRemark:
    """A question about some cells of one column that reading itself raised.

    column: heading as the source has it. rows: the lines asked about. severity: with "error" the
    cells are taken as missing. value: what the question shows; None = the cell as read.
    """

    column: str
    rows: frozenset[int]
    rule: str
    severity: str
    message: str
    value: str | None = None


@dataclasses.dataclass(frozen=True)
class Change:
    """An automatic change made while reading: column, what was done, how many cells."""

    column: str
    change: str
    cells: int


@dataclasses.dataclass(frozen=True)
class Grid:
    """Cells as typed. frame: one text column a heading plus `row`, the line that a person sees.

    An empty cell is "" or missing. remarks: what was noticed of the whole table, as (rule,
    message). too_wide, too_narrow: lines with more or fewer cells than there are headings.
    cell_remarks: what was noticed of single cells. changes: automatic changes.
    """

    frame: pd.DataFrame
    remarks: tuple[tuple[str, str], ...] = ()
    too_wide: tuple[int, ...] = ()
    too_narrow: tuple[int, ...] = ()
    cell_remarks: tuple[CellRemark, ...] = ()
    changes: tuple[Change, ...] = ()


@dataclasses.dataclass(frozen=True)
class Opened:
    """A source as it was read, before typing. grids: table name -> Grid. inputs: what was read.

    strays: files, sheets or tables whose name nearly is a table's: (name, table it may be).
    noun: what the source calls them ("file", "sheet", "database table").
    """

    grids: dict[str, Grid]
    inputs: tuple[InputFile, ...]
    strays: tuple[tuple[str, str], ...] = ()
    noun: str = "file"
