"""A folder of CSV files as a source. Files are opened read-only and nothing is written beside."""

from __future__ import annotations

import difflib
import hashlib
import pathlib

import pandas as pd

from audit.errors import UnusableInput
from audit.intake.csv_text import Grid, read_grid
from audit.intake.parse import tidy_headings, typed_table
from audit.intake.queries import join_queries, queries_for, source_query
from audit.intake.tables import InputFile, Tables, kept_out_rows
from schemas import REQUIRED_TABLES, TABLES

TOO_WIDE = {
    "rule": "more_cells_than_headings",
    "severity": "error",
    "message": "The line has more cells than there are headings, so its cells may have shifted; "
    "it is not used. Put texts that hold a separator in quotes.",
}
TOO_NARROW = {
    "rule": "fewer_cells_than_headings",
    "severity": "warning",
    "message": "The line has fewer cells than there are headings; the rest was taken as empty. "
    "Check that no cell is left out.",
}


def read_folder(folder: pathlib.Path) -> Tables:
    """All case tables of a folder (`cases.csv`, `patients.csv`, ...).

    Raises UnusableInput when a required table or column is missing or a file cannot be read.
    """
    paths = _table_paths(folder)
    grids: dict[str, Grid] = {}
    inputs = []
    for table, path in paths.items():
        content = _content(path)
        grids[table] = read_grid(content, name=path.name)
        digest = hashlib.sha256(content).hexdigest()
        inputs.append(InputFile(table, path.name, digest, len(grids[table].frame)))
    return tables_from_grids(grids, inputs=tuple(inputs), strays=_strays(folder, paths))


def _table_paths(folder: pathlib.Path) -> dict[str, pathlib.Path]:
    try:
        files = sorted(path for path in folder.iterdir() if path.is_file())
    except OSError:
        raise UnusableInput("The source folder cannot be opened: check the permissions.") from None
    paths = {}
    for path in files:
        table = path.stem.lower()
        if path.suffix.lower() == ".csv" and table in TABLES:
            if table in paths:
                raise UnusableInput(f"There are two files for table {table}: keep one of them.")
            paths[table] = path
    for table in REQUIRED_TABLES:
        if table not in paths:
            shown = ", ".join(path.name for path in files[:12]) or "no file"
            raise UnusableInput(
                f"The source has no {table}.csv. Required: "
                + " and ".join(f"{name}.csv" for name in REQUIRED_TABLES)
                + f"; found: {shown}."
            )
    return {table: paths[table] for table in TABLES if table in paths}


def _content(path: pathlib.Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError:
        raise UnusableInput(f"{path.name} cannot be opened: check the permissions.") from None


def _strays(folder: pathlib.Path, paths: dict[str, pathlib.Path]) -> list[tuple[str, str]]:
    """CSV files whose name nearly is a table's: (file name, table it may be)."""
    found = []
    for path in sorted(folder.glob("*.csv")):
        if path in paths.values():
            continue
        absent = [table for table in TABLES if table not in paths]
        near = difflib.get_close_matches(path.stem.lower(), absent, n=1, cutoff=0.75)
        if near:
            found.append((path.name, near[0]))
    return found


def tables_from_grids(
    grids: dict[str, Grid],
    *,
    inputs: tuple[InputFile, ...],
    strays: list[tuple[str, str]] | None = None,
) -> Tables:
    """Typed tables from grids of text, however they were obtained.

    All headings are checked (identity guard first) before any cell is parsed.
    """
    log: list[dict] = []
    ready = {}
    for table, grid in grids.items():
        ready[table], changes = tidy_headings(table, grid.frame)
        log += changes
    frames: dict[str, pd.DataFrame] = {}
    queries = [
        source_query(
            table,
            "",
            rule="file_not_used",
            message=f"The file {name} was not used; if it is the table {table}, rename it.",
        )
        for name, table in strays or []
    ]
    kept_out = []
    for table in TABLES:
        grid = grids.get(table, Grid(pd.DataFrame({"row": pd.Series(dtype="int64")})))
        frame, asked, changes = typed_table(table, ready.get(table, grid.frame))
        log += changes
        queries += [asked, *_line_queries(table, frame, grid)]
        wide = frame["row"].isin(grid.too_wide)
        kept_out.append(kept_out_rows(table, frame.loc[wide], TOO_WIDE["rule"]))
        frames[table] = frame.loc[~wide].reset_index(drop=True)
    return Tables(
        frames=frames,
        queries=join_queries(queries),
        cleaning=pd.DataFrame(log, columns=["table", "column", "change", "cells"]),
        inputs=inputs,
        given=frozenset(grids),
        kept_out=pd.concat(kept_out, ignore_index=True),
    )


def _line_queries(table: str, frame: pd.DataFrame, grid: Grid) -> list[pd.DataFrame]:
    parts = [source_query(table, "", rule=rule, message=message) for rule, message in grid.remarks]
    for lines, words in ((grid.too_wide, TOO_WIDE), (grid.too_narrow, TOO_NARROW)):
        failed = frame["row"].isin(lines)
        parts.append(queries_for(frame, failed, table=table, column="", words=words))
    return parts
