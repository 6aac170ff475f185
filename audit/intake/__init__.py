"""The way in: a source of case tables, read whole, with nothing dropped in silence."""

from __future__ import annotations

import pathlib
from collections.abc import Mapping

import pandas as pd

from audit.errors import UnusableInput
from audit.intake.assemble import tables_from_opened
from audit.intake.grid import Grid, Opened
from audit.intake.queries import as_text
from audit.intake.sources import open_source, source_name
from audit.intake.tables import InputFile, Tables
from schemas import REQUIRED_TABLES

__all__ = [
    "InputFile",
    "Opened",
    "Tables",
    "open_source",
    "read_source",
    "source_name",
    "tables_from_frames",
    "tables_from_opened",
]


def read_source(source: str | pathlib.Path) -> Tables:
    """The case tables of a source, typed, with the questions that reading raised.

    source: a folder of CSV files, an `.xlsx` workbook, or a database URL. Cells that cannot be
    read are missing in the tables and asked about in `queries`. Raises UnusableInput (one clear
    message, no patient value) when the source does not exist, a required table or column is
    missing, a file is not a table, or a column could identify a person.
    """
    return tables_from_opened(open_source(source))


def tables_from_frames(frames: Mapping[str, pd.DataFrame]) -> Tables:
    """The same from data frames in memory (for notebooks and tests): dates as datetimes or ISO
    texts, codes as text, numbers as numbers. `row` is counted from 2, as in a file with headings.
    """
    grids = {}
    for table, frame in frames.items():
        texts = {str(name): as_text(frame[name]) for name in frame.columns if name != "row"}
        grid = pd.DataFrame(texts, index=frame.index).reset_index(drop=True)
        rows = frame["row"].to_numpy() if "row" in frame else range(2, len(frame) + 2)
        grid.insert(0, "row", rows)
        grids[table] = Grid(grid.astype({name: object for name in texts}))
    for table in REQUIRED_TABLES:
        if table not in grids:
            raise UnusableInput(f"The source has no table {table}.")
    return tables_from_opened(Opened(grids, ()))
