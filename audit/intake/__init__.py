"""The way in: a source of case tables, read whole, with nothing dropped in silence."""

from __future__ import annotations

import pathlib
from collections.abc import Mapping

import numpy as np
import pandas as pd

from audit.errors import UnusableInput
from audit.intake.assemble import tables_from_opened
from audit.intake.grid import Grid, Opened
from audit.intake.parse import plain_heading
from audit.intake.queries import as_text
from audit.intake.sources import open_source, source_name
from audit.intake.tables import InputFile, Tables, columns_of_kind
from schemas import REQUIRED_TABLES, TABLES

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

    Raises UnusableInput as `read_source`, and for a table that the contract does not know.
    """
    for table in frames:
        if table not in TABLES:
            raise UnusableInput(f"Tables must be of {', '.join(TABLES)}; got {table!r}.")
    for table in REQUIRED_TABLES:
        if table not in frames:
            raise UnusableInput(f"The source has no table {table}.")
    grids = {table: Grid(_text_cells(table, frame)) for table, frame in frames.items()}
    return tables_from_opened(Opened(grids, ()))


def _text_cells(table: str, frame: pd.DataFrame) -> pd.DataFrame:
    """The cells of a frame as text beside `row`. Headings may repeat: that is judged later."""
    places = np.flatnonzero(frame.columns != "row")
    names = [str(name) for name in frame.columns[places]]
    moments = columns_of_kind(table, "moment")
    texts = {
        place: as_text(frame.iloc[:, place], timed=plain_heading(name) in moments).to_numpy()
        for place, name in zip(places, names, strict=True)
    }
    grid = pd.DataFrame(texts, index=range(len(frame)), columns=places, dtype=object)
    grid.columns = pd.Index(names, dtype=object)
    rows = pd.Series(np.arange(2, len(frame) + 2))
    if len(places) < len(frame.columns):
        rows = pd.to_numeric(frame.loc[:, frame.columns == "row"].iloc[:, 0], errors="coerce")
        if rows.isna().any() or (rows % 1 != 0).any() or rows.duplicated().any():
            raise UnusableInput(
                f"Table {table}: the column 'row' must number the rows: whole numbers, each once. "
                "Leave it out, and rows are counted from 2."
            )
    grid.insert(0, "row", rows.to_numpy(dtype="int64"))
    return grid
