"""Grids of text to typed tables, however the grids were obtained."""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.intake.grid import CellRemark, Grid, Opened
from audit.intake.identity.cells import refuse_identifying_cells, text_queries
from audit.intake.identity.headings import refuse_identifying_headings
from audit.intake.identity.ids import id_queries
from audit.intake.lines import sort_lines
from audit.intake.parse import headless_queries, plain_heading, tidy_headings, typed_table
from audit.intake.queries import join_queries, queries_for, source_query
from audit.intake.tables import Tables
from schemas import TABLES


def tables_from_opened(opened: Opened) -> Tables:
    """Typed tables from a source as it was read.

    All headings of all tables are checked, then the cells of all columns that are not in the
    contract (identity guard), before any cell is parsed. Raises UnusableInput as
    `parse.tidy_headings`, `refuse_identifying_headings` and `refuse_identifying_cells`.
    """
    refuse_identifying_headings(
        {table: _headings(grid.frame) for table, grid in opened.grids.items()}
    )
    log: list[dict] = []
    ready = {}
    for table, grid in opened.grids.items():
        ready[table], changes = tidy_headings(table, grid.frame)
        log += changes
        log += [
            {"table": table, "column": one.column, "change": one.change, "cells": one.cells}
            for one in grid.changes
        ]
    refuse_identifying_cells(ready)
    frames: dict[str, pd.DataFrame] = {}
    queries = [_stray_query(opened.noun, name, table) for name, table in opened.strays]
    kept_out = []
    for table in TABLES:
        grid = opened.grids.get(table, Grid(pd.DataFrame({"row": pd.Series(dtype="int64")})))
        frame, asked = _without_doubtful(table, ready.get(table, grid.frame), grid.cell_remarks)
        lines = sort_lines(table, frame, grid)
        frames[table], unread, changes = typed_table(table, lines.rows)
        log += changes
        queries += [*asked, *headless_queries(table, grid.frame), *lines.queries, unread]
        kept_out += lines.kept_out
    queries += [*id_queries(frames), *text_queries(frames)]
    return Tables(
        frames=frames,
        queries=join_queries(queries),
        cleaning=pd.DataFrame(log, columns=["table", "column", "change", "cells"]),
        inputs=opened.inputs,
        given=frozenset(opened.grids),
        kept_out=pd.concat(kept_out, ignore_index=True),
    )


def _headings(frame: pd.DataFrame) -> list[str]:
    return [str(name) for name in frame.columns if name != "row"]


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
