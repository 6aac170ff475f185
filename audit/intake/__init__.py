"""The way in: a source of case tables, read whole, with nothing dropped in silence."""

from __future__ import annotations

import pathlib
from collections.abc import Mapping

import pandas as pd

from audit.errors import UnusableInput
from audit.intake.csv_text import Grid
from audit.intake.folder import read_folder, tables_from_grids
from audit.intake.queries import as_text
from audit.intake.tables import InputFile, Tables

__all__ = ["InputFile", "Tables", "read_source", "tables_from_frames"]


def read_source(source: str | pathlib.Path) -> Tables:
    """The case tables of a source, typed, with the questions that reading raised.

    source: a folder of CSV files. Cells that cannot be read are missing in the tables and asked
    about in `queries`. Raises UnusableInput (one clear message, no patient value) when the source
    does not exist, a required table or column is missing, a file is not a table, or a column
    could identify a person.
    """
    folder = pathlib.Path(source)
    if not folder.exists():
        raise UnusableInput("The source does not exist: check the path that you typed.")
    if not folder.is_dir():
        raise UnusableInput("The source must be a folder that holds patients.csv and cases.csv.")
    return read_folder(folder)


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
    for table in ("patients", "cases"):
        if table not in grids:
            raise UnusableInput(f"The source has no table {table}.")
    return tables_from_grids(grids, inputs=())
