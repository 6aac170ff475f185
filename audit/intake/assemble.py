"""Grids of text to typed tables, however the grids were obtained."""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.intake.grid import CellRemark, Grid, Opened
from audit.intake.parse import plain_heading, tidy_headings, typed_table
from audit.intake.queries import join_queries, queries_for, source_query
from audit.intake.tables import Tables, kept_out_rows
from schemas import TABLES

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


def tables_from_opened(opened: Opened) -> Tables:
    """Typed tables from a source as it was read.

    All headings of all tables are checked (identity guard first) before any cell is parsed.
    Raises UnusableInput as `parse.tidy_headings`.
    """
    log: list[dict] = []
    ready = {}
    for table, grid in opened.grids.items():
        ready[table], changes = tidy_headings(table, grid.frame)
        log += changes
        log += [
            {"table": table, "column": one.column, "change": one.change, "cells": one.cells}
            for one in grid.changes
        ]
    frames: dict[str, pd.DataFrame] = {}
    queries = [_stray_query(opened.noun, name, table) for name, table in opened.strays]
    kept_out = []
    for table in TABLES:
        grid = opened.grids.get(table, Grid(pd.DataFrame({"row": pd.Series(dtype="int64")})))
        frame, asked = _without_doubtful(table, ready.get(table, grid.frame), grid.cell_remarks)
        frame, unread, changes = typed_table(table, frame)
        log += changes
        queries += [*asked, unread, *_line_queries(table, frame, grid)]
        wide = frame["row"].isin(grid.too_wide)
        kept_out.append(kept_out_rows(table, frame.loc[wide], TOO_WIDE["rule"]))
        frames[table] = frame.loc[~wide].reset_index(drop=True)
    return Tables(
        frames=frames,
        queries=join_queries(queries),
        cleaning=pd.DataFrame(log, columns=["table", "column", "change", "cells"]),
        inputs=opened.inputs,
        given=frozenset(opened.grids),
        kept_out=pd.concat(kept_out, ignore_index=True),
    )


def _stray_query(noun: str, name: str, table: str) -> pd.DataFrame:
    words = f"The {noun} {name} was not used; if it is the table {table}, rename it."
    return source_query(table, "", rule="file_not_used", message=words)


def _without_doubtful(
    table: str, frame: pd.DataFrame, remarks: tuple[CellRemark, ...]
) -> tuple[pd.DataFrame, list[pd.DataFrame]]:
    """(table in which the cells that reading could not vouch for are empty, the questions)."""
    asked = []
    named = {plain_heading(str(name)): name for name in frame.columns}
    for remark in remarks:
        column = named.get(plain_heading(remark.column))
        if column is None:
            continue
        failed = frame["row"].isin(remark.rows)
        shown = frame if remark.value is None else frame.assign(**{column: remark.value})
        words = {"rule": remark.rule, "severity": remark.severity, "message": remark.message}
        asked.append(queries_for(shown, failed, table=table, column=str(column), words=words))
        if remark.severity == "error":
            frame = frame.assign(**{column: frame[column].mask(failed, np.nan)})
    return frame, asked


def _line_queries(table: str, frame: pd.DataFrame, grid: Grid) -> list[pd.DataFrame]:
    parts = [source_query(table, "", rule=rule, message=message) for rule, message in grid.remarks]
    for lines, words in ((grid.too_wide, TOO_WIDE), (grid.too_narrow, TOO_NARROW)):
        failed = frame["row"].isin(lines)
        parts.append(queries_for(frame, failed, table=table, column="", words=words))
    return parts
