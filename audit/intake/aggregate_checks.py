"""Whether the tables of an aggregate can be true: kinds, keys, and counts that must agree."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from audit.errors import UnusableInput
from audit.intake.aggregate_form import (
    COLUMNS,
    COUNTS,
    CURVE_KEYS,
    HIDDEN,
    KINDS,
    NUMBERS,
    RANGES,
    SUMS,
    UNIQUE,
    WHOLE,
)

#: columns that may be empty although the row is shown
MAY_BE_EMPTY = {"median", "marker", "reason", "unit", "own_verdict"}
#: columns that are empty where the row is hidden
HIDDEN_WITH = {*SUMS, "median", "events", "met", "not_met"}
#: sums that may be below 0
SIGNED = {"total", "cross", "patient_cross", "median", "value_low", "value_high", "target"}
#: an end of a range that is not there: nothing bounds the number on that side
OPEN_RANGES = {*RANGES}


def checked_table(table: str, grid: pd.DataFrame, *, name: str) -> pd.DataFrame:
    """The table with numbers for texts; grid: text cells with `row`, the line in the file.

    Raises UnusableInput with file, line, column and rule for the first fault.
    """
    columns = COLUMNS[table]
    if list(grid.columns[1:]) != columns:
        raise UnusableInput(f"{name}: its columns must be {', '.join(columns)}, in this order.")
    records = []
    for record in grid.to_dict("records"):
        line = int(record["row"])
        records.append({column: _cell(column, record, name, line) for column in columns})
        _check_row(records[-1], table, name, line)
    frame = pd.DataFrame(records, columns=columns)
    frame = frame.astype({column: float for column in columns if column in NUMBERS})
    again = frame.duplicated(UNIQUE[table])
    if again.any():
        line = int(grid["row"].iloc[int(np.flatnonzero(again)[0])])
        raise UnusableInput(
            f"{name}, line {line}: a row with the same {', '.join(UNIQUE[table])} stands above."
        )
    return frame


def faults_of_steps(curves: pd.DataFrame, steps: pd.DataFrame, *, name: str) -> None:
    """UnusableInput unless the steps of each curve add up to it and nobody leaves before entering.

    A hidden curve has no steps."""
    by_key = {key: own for key, own in steps.groupby(CURVE_KEYS, sort=False)}
    for record in curves.to_dict("records"):
        key = tuple(record[column] for column in CURVE_KEYS)
        own = by_key.pop(key, None)
        hidden = record["marker"] == HIDDEN
        good = own is None if hidden else _adds_up(record, own)
        if not good:
            raise UnusableInput(
                f"{name}: the steps of {key[0]} for {key[1]} {key[2]} do not add up to their curve."
            )
    if by_key:
        key = next(iter(by_key))
        raise UnusableInput(f"{name}: there is no curve for the steps of {key[0]}, {key[2]}.")


def _adds_up(record: dict, steps: pd.DataFrame | None) -> bool:
    if steps is None:
        return record["n"] == 0
    ordered = steps.sort_values("time")
    left = ordered[["events", "competing", "censored"]].sum(axis=1)
    entered, time = ordered["entered"], ordered["time"]
    sums = entered.sum() == record["n"] and left.sum() == record["n"]
    # at a time after the start only those can leave who entered before it
    before = entered.cumsum() - entered.where(time > 0, 0)
    return bool(sums and ordered["events"].sum() == record["events"] and
                (left.cumsum() <= before).all())  # fmt: skip


def _cell(column: str, record: dict, name: str, line: int) -> str | float:
    text = str(record[column]).strip()
    hidden = str(record.get("marker", "")).strip() == HIDDEN and column in HIDDEN_WITH
    if column not in NUMBERS:
        if not text and column not in MAY_BE_EMPTY:
            raise UnusableInput(f"{name}, line {line}, column {column}: the cell is empty.")
        return text
    if not text:
        if hidden or column in MAY_BE_EMPTY or column in OPEN_RANGES:
            return math.nan
        raise UnusableInput(f"{name}, line {line}, column {column}: the cell is empty.")
    if hidden and not (column == "base" and _counts_rows(record)):
        raise UnusableInput(f"{name}, line {line}, column {column}: the row is hidden, yet shown.")
    return _number(text, column, f"{name}, line {line}, column {column}")


def _number(text: str, column: str, where: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise UnusableInput(f"{where}: a number with a decimal point is wanted.")
    if column in WHOLE and number != int(number):
        raise UnusableInput(f"{where}: a whole number is wanted.")
    if number < 0 and column not in SIGNED:
        raise UnusableInput(f"{where}: it may not be below 0.")
    return number


def _counts_rows(record: dict) -> bool:
    return str(record.get("base_unit", "")).strip() in ("rows", "cases")


def _check_row(row: dict, table: str, name: str, line: int) -> None:
    where = f"{name}, line {line}"
    if "marker" in row and row["marker"] not in ("", HIDDEN):
        raise UnusableInput(f"{where}, column marker: empty or {HIDDEN} is wanted.")
    if "kind" in row and row["kind"] not in KINDS:
        raise UnusableInput(f"{where}, column kind: one of {', '.join(KINDS)} is wanted.")
    if {*COUNTS} <= {*row} and row["people"] > row["n"]:
        raise UnusableInput(f"{where}, column people: more people than rows.")
    if row.get("kind") == "share" and row["total"] > row["n"]:
        raise UnusableInput(f"{where}, column total: more yes than answers.")
    for side in ("total", "base", "value") if table == "cells" else ():
        if row[f"{side}_low"] > row[f"{side}_high"]:
            raise UnusableInput(f"{where}, column {side}_low: above {side}_high.")
