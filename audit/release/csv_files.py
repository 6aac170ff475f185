"""Tables as CSV files: UTF-8, ISO days, full precision, and no cell that a spreadsheet runs."""

from __future__ import annotations

import pathlib
import re

import pandas as pd

#: a text that starts with one of these is taken for a formula by spreadsheet programs
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")


def harmless(text: object) -> object:
    """The text with an apostrophe before it when it could run as a formula; numbers, dates and
    everything that is no text stay as they are."""
    if not isinstance(text, str) or not text.startswith(FORMULA_STARTS):
        return text
    return text if _NUMBER.fullmatch(text) else "'" + text


def printable(frame: pd.DataFrame) -> pd.DataFrame:
    """The frame as it is written: yes/no for truth values, ISO days, harmless texts."""
    out = {}
    for name in frame.columns:
        column = frame[name]
        if column.dtype.kind == "M":
            out[name] = column.dt.strftime("%Y-%m-%d")
        elif isinstance(column.dtype, pd.BooleanDtype) or column.dtype.kind == "b":
            out[name] = column.astype("boolean").map({True: "yes", False: "no"}, na_action="ignore")
        elif column.dtype.kind in "fi":
            out[name] = column
        else:
            out[name] = column.map(harmless, na_action="ignore")
    return pd.DataFrame(out, index=frame.index)


def write_csv(frame: pd.DataFrame, path: pathlib.Path) -> None:
    """Write a table: comma, UTF-8, LF, missing = empty, floats to their last digit."""
    printable(frame).to_csv(path, index=False, lineterminator="\n", encoding="utf-8")
