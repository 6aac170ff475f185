"""Grids of text to typed tables: a cell that cannot be read becomes a query, never a guess."""

from __future__ import annotations

import difflib
import re

import numpy as np
import pandas as pd

from audit.errors import UnusableInput
from audit.intake.cells import Column, read_column, seen_text
from audit.intake.identity.cells import CODES
from audit.intake.identity.headings import refuse_identifying_headings
from audit.intake.queries import join_queries, queries_for, source_query
from audit.intake.tables import kind_of
from schemas import TABLES

#: numbers that some registers write for "unknown"
SENTINELS = (99, 999, 9999, -9, -99, -999)
#: so many cells, and this share of the column, make a number worth asking about ...
SENTINEL_LEAST, SENTINEL_SHARE = 5, 0.05
#: ... where no other value lies within this distance, or the others go in steps that it does not
SENTINEL_ALONE, SENTINEL_STEP, STEP_SHARE = 10, 5, 0.9


def plain_heading(heading: str) -> str:
    """A heading with blanks around it, capitals, inner blanks and line breaks forgiven."""
    return re.sub(r"\s", "_", seen_text(heading).lower())


def tidy_headings(table: str, frame: pd.DataFrame) -> tuple[pd.DataFrame, list[dict]]:
    """Headings as in the contract (case and blanks forgiven, and logged).

    Raises UnusableInput for a heading that stands twice, for one that could identify people, and
    for a required column that is missing. A message names no heading of a line that holds none of
    the contract: it may be a patient's.
    """
    contract = TABLES[table].columns
    given = [name for name in frame.columns if name != "row"]
    refuse_identifying_headings({table: map(str, given)})
    plain = {name: plain_heading(str(name)) for name in given}
    renamed = {old: new for old, new in plain.items() if new in contract and new != old}
    frame = frame.rename(columns=renamed)
    names = [name for name in frame.columns if name != "row"]
    _refuse_unusable(table, names)
    log = [
        {"table": table, "column": new, "change": "heading spelt as in the contract", "cells": 1}
        for new in renamed.values()
    ]
    return frame.loc[:, [name for name in frame.columns if name != ""]], log


def _refuse_unusable(table: str, names: list[str]) -> None:
    contract = TABLES[table].columns
    known = set(names) & set(contract)
    twice = sorted({name for name in names if names.count(name) > 1 and name})
    if twice and known:
        raise UnusableInput(
            f"Table {table}: the heading {twice[0]!r} stands more than once. Keep one column of "
            "that name and try again."
        )
    missing = [name for name, column in contract.items() if column.required and name not in names]
    if missing:
        found = f"found: {_shown(names)}"
        if not known:
            found = (
                "no heading of the contract was found. Headings stand in one line above the data, "
                "each in a cell of its own"
            )
        raise UnusableInput(
            f"Table {table}: the required column {missing[0]!r} is missing"
            + (f" (and {', '.join(missing[1:])})" if missing[1:] else "")
            + f". Add it to the headings and try again; {found}."
        )


def _shown(names: list[str], most: int = 12) -> str:
    rest = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + rest if names else "nothing"


def headless_queries(table: str, frame: pd.DataFrame) -> list[pd.DataFrame]:
    """A question for every column that has cells and no heading; such a column is not used."""
    places = [place for place, name in enumerate(frame.columns) if name == ""]
    return [
        source_query(
            table,
            "",
            rule="column_without_heading",
            message=f"Column {place} has cells and no heading: it is not used. Write its heading "
            "above it, or empty the column.",
        )
        for place in places
        if frame.iloc[:, place].fillna("").astype(str).str.strip().ne("").any()
    ]


def typed_table(table: str, frame: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame, list[dict]]:
    """One table typed: (frame, queries, cleaning log).

    frame holds `row`, every contract column (missing where the source has none) and the unknown
    columns as text. A cell that does not have the form of its kind is missing in the frame and
    an error in the queries.
    """
    queries: list[pd.DataFrame] = []
    log: list[dict] = []
    typed: dict[str, pd.Series] = {"row": frame["row"].astype("int64")}
    for name, contract in TABLES[table].columns.items():
        kind = kind_of(table, name)
        if name not in frame:
            typed[name] = _missing(kind, frame.index)
            continue
        coded = kind == "identifier" or (table, name) in CODES
        column = read_column(frame[name], kind, unit=contract.metadata["unit"], coded=coded)
        typed[name] = column.values
        log += [
            {"table": table, "column": name, "change": change, "cells": cells}
            for change, cells in column.changes.items()
        ]
        if column.rules is not None:
            queries.append(_unreadable(table, name, frame, column))
        if kind in ("number", "whole"):
            queries += _sentinels(table, name, column.values)
    for name in frame.columns:
        if name not in typed:
            typed[name] = frame[name]
            queries.append(_unknown_column(table, str(name)))
    return pd.DataFrame(typed), join_queries(queries), log


def _missing(kind: str, index: pd.Index) -> pd.Series:
    if kind in ("day", "moment"):
        return pd.Series(pd.NaT, index=index, dtype="datetime64[ns]")
    return pd.Series(np.nan, index=index, dtype=float if kind in ("number", "whole") else object)


def _unreadable(table: str, name: str, frame: pd.DataFrame, column: Column) -> pd.DataFrame:
    failed = column.failed
    words = {"rule": "", "severity": "error", "message": ""}
    chosen = frame.loc[failed].assign(**{name: column.text[failed]})
    everyone = np.ones(len(chosen), dtype=bool)
    part = queries_for(chosen, pd.Series(everyone), table=table, column=name, words=words)
    return part.assign(rule=column.rules[failed], message=column.messages[failed])  # type: ignore[index]


def _sentinels(table: str, name: str, values: pd.Series) -> list[pd.DataFrame]:
    """A question for each number that may stand for "unknown" all over the column."""
    numbers = values.dropna().to_numpy()
    limits = TABLES[table].columns[name].metadata["limits"]
    out = []
    for number in SENTINELS:
        if not _within(number, limits.low, limits.high):
            continue
        count = int((numbers == number).sum())
        if count < max(SENTINEL_LEAST, SENTINEL_SHARE * len(numbers)):
            continue
        others = numbers[numbers != number]
        alone = not (np.abs(others - number) <= SENTINEL_ALONE).any()
        in_steps = len(others) and (others % SENTINEL_STEP == 0).mean() >= STEP_SHARE
        if alone or in_steps:
            message = (
                f"The number {number} stands in {count} cells of the column. If it means unknown, "
                "leave those cells empty."
            )
            out.append(source_query(table, name, rule="repeated_placeholder", message=message))
    return out


def _within(number: float, low: float | None, high: float | None) -> bool:
    return (low is None or number >= low) and (high is None or number <= high)


def _unknown_column(table: str, name: str) -> pd.DataFrame:
    near = difflib.get_close_matches(name.lower(), list(TABLES[table].columns), n=1, cutoff=0.75)
    hint = f" If {near[0]} is meant, rename the heading." if near else ""
    message = f"This column is not in the contract; it is kept and never used.{hint}"
    return source_query(table, name, rule="unknown_column", message=message)
