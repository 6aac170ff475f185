"""Grids of text to typed tables: a cell that cannot be read becomes a query, never a guess."""

from __future__ import annotations

import difflib

import numpy as np
import pandas as pd

from audit.errors import UnusableInput
from audit.intake.identity import refuse_identifying_columns
from audit.intake.queries import empty_queries, join_queries, queries_for, source_query
from audit.intake.tables import kind_of
from schemas import TABLES

NUMBER = r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?"
FORMS: dict[str, tuple[str, str, str]] = {
    "number": (
        "not_a_number",
        NUMBER,
        "Write a plain number with a decimal point and no unit; leave the cell empty if unknown.",
    ),
    "whole": ("not_a_whole_number", r"[+-]?\d+(\.0*)?", "Write a whole number without a unit."),
    "day": (
        "not_a_date",
        r"\d{4}-\d{2}-\d{2}",
        "Write the day as YYYY-MM-DD; leave the cell empty if unknown.",
    ),
    "moment": (
        "not_a_date_and_time",
        r"\d{4}-\d{2}-\d{2}[ T]\d{2}:\d{2}(:\d{2})?",
        "Write day and time as YYYY-MM-DD HH:MM.",
    ),
}


def plain_heading(heading: str) -> str:
    """A heading with blanks around it, capitals and inner blanks forgiven."""
    return heading.strip().lower().replace(" ", "_")


def tidy_headings(table: str, frame: pd.DataFrame) -> tuple[pd.DataFrame, list[dict]]:
    """Headings as in the contract (case and blanks forgiven, and logged).

    Raises UnusableInput for a heading that stands twice, for one that could identify people, and
    for a required column that is missing.
    """
    contract = TABLES[table].columns
    given = [name for name in frame.columns if name != "row"]
    refuse_identifying_columns(table, given, known=set(contract))
    plain = {name: plain_heading(name) for name in given}
    renamed = {old: new for old, new in plain.items() if new in contract and new != old}
    frame = frame.rename(columns=renamed)
    names = [name for name in frame.columns if name != "row"]
    twice = sorted({name for name in names if names.count(name) > 1 and name})
    if twice:
        raise UnusableInput(
            f"Table {table}: the heading {twice[0]!r} stands more than once. Keep one column of "
            "that name and try again."
        )
    missing = [name for name, column in contract.items() if column.required and name not in names]
    if missing:
        raise UnusableInput(
            f"Table {table}: the required column {missing[0]!r} is missing"
            + (f" (and {', '.join(missing[1:])})" if missing[1:] else "")
            + f". Add it to the headings and try again; found: {_shown(names)}."
        )
    log = [
        {"table": table, "column": new, "change": "heading spelt as in the contract", "cells": 1}
        for new in renamed.values()
    ]
    return frame.loc[:, [name for name in frame.columns if name != ""]], log


def _shown(names: list[str], most: int = 12) -> str:
    rest = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + rest if names else "nothing"


def typed_table(table: str, frame: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame, list[dict]]:
    """One table typed: (frame, queries, cleaning log).

    frame holds `row`, every contract column (missing where the source has none) and the unknown
    columns as text. A cell that does not have the form of its kind is missing in the frame and
    an error in the queries.
    """
    queries: list[pd.DataFrame] = []
    log: list[dict] = []
    typed: dict[str, pd.Series] = {"row": frame["row"].astype("int64")}
    contract = TABLES[table].columns
    for name in contract:
        if name not in frame:
            typed[name] = _missing(kind_of(table, name), frame.index)
            continue
        text, trimmed = _trimmed(frame[name])
        if trimmed:
            change = "blanks around the value removed"
            log.append({"table": table, "column": name, "change": change, "cells": trimmed})
        typed[name], failed = typed_values(text, kind_of(table, name))
        queries.append(_unreadable(table, name, frame.assign(**{name: text}), failed))
    for name in frame.columns:
        if name not in typed:
            typed[name] = frame[name]
            queries.append(_unknown_column(table, str(name)))
    return pd.DataFrame(typed), join_queries(queries), log


def _missing(kind: str, index: pd.Index) -> pd.Series:
    if kind in ("day", "moment"):
        return pd.Series(pd.NaT, index=index, dtype="datetime64[ns]")
    return pd.Series(np.nan, index=index, dtype=float if kind in ("number", "whole") else object)


def _trimmed(values: pd.Series) -> tuple[pd.Series, int]:
    values = values.astype("string")
    stripped = values.str.strip()
    changed = int((stripped.ne(values) & values.notna() & stripped.ne("")).sum())
    return stripped.astype(object).where(stripped.ne("").fillna(False), np.nan), changed


def typed_values(text: pd.Series, kind: str) -> tuple[pd.Series, pd.Series]:
    """(values of the kind, True where a cell could not be read). Missing stays missing."""
    given = text.notna()
    if kind not in FORMS:
        return text, pd.Series(False, index=text.index)
    matches = text.astype("string").str.fullmatch(FORMS[kind][1])
    well_formed = given & matches.fillna(False).astype(bool)
    if kind in ("number", "whole"):
        values = pd.to_numeric(text.where(well_formed), errors="coerce")
        values = values.where(np.isfinite(values))
    else:
        values = _moments(text.where(well_formed))
    return values, given & values.isna()


def _moments(text: pd.Series) -> pd.Series:
    iso = text.str.replace("T", " ", regex=False)
    values = pd.to_datetime(iso, format="ISO8601", errors="coerce")
    return values.astype("datetime64[ns]")


def _unreadable(table: str, name: str, frame: pd.DataFrame, failed: pd.Series) -> pd.DataFrame:
    if not failed.any():
        return empty_queries()
    rule, _, message = FORMS[kind_of(table, name)]
    words = {"rule": rule, "severity": "error", "message": message}
    return queries_for(frame, failed, table=table, column=name, words=words)


def _unknown_column(table: str, name: str) -> pd.DataFrame:
    near = difflib.get_close_matches(name.lower(), list(TABLES[table].columns), n=1, cutoff=0.75)
    hint = f" If {near[0]} is meant, rename the heading." if near else ""
    message = f"This column is not in the contract; it is kept and never used.{hint}"
    return source_query(table, name, rule="unknown_column", message=message)
