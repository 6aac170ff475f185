"""Data queries: a question back to whoever entered the value, one row each."""

from __future__ import annotations

import datetime
from collections.abc import Iterable

import numpy as np
import pandas as pd

from audit.intake.tables import QUERY_COLUMNS

_NONE = pd.DataFrame({name: pd.Series(dtype=object) for name in QUERY_COLUMNS})


def empty_queries() -> pd.DataFrame:
    """No questions."""
    return _NONE.copy()


def queries_for(
    frame: pd.DataFrame, failed: pd.Series, *, table: str, column: str, words: dict[str, str]
) -> pd.DataFrame:
    """One query for every failed row.

    frame: the table, with `row`. failed: bool, aligned. words: rule, severity and message.
    The value shown is the cell as read.
    """
    chosen = frame.loc[np.asarray(failed, dtype=bool)]
    if chosen.empty:
        return empty_queries()
    out = pd.DataFrame(index=range(len(chosen)), columns=QUERY_COLUMNS, dtype=object)
    out["table"] = table
    out["row"] = chosen["row"].to_numpy()
    out["case_id"] = chosen["case_id"].to_numpy() if "case_id" in chosen else ""
    out["column"] = column
    out["value"] = as_text(chosen[column]).to_numpy() if column in chosen else ""
    for name, text in words.items():
        out[name] = text
    return out.fillna("")


def source_query(
    table: str, column: str, *, rule: str, message: str, severity: str = "warning"
) -> pd.DataFrame:
    """One question about a whole column or file: it has no row."""
    return pd.DataFrame(
        [[table, "", "", column, "", rule, severity, message]], columns=QUERY_COLUMNS
    )


def as_text(values: pd.Series, *, timed: bool = False) -> pd.Series:
    """Cells as a person would type them: ISO days, times to the second, numbers without a
    trailing .0; "" where missing. Any dtype will do, also cells of mixed kinds. timed: a time of
    00:00 is written out too, as a column of moments needs it.
    """
    if values.dtype.kind == "M":
        moments = values.dt.round("s").dt.strftime("%Y-%m-%d %H:%M:%S").fillna("")
        shorter = moments.str.removesuffix(":00")
        return shorter if timed else shorter.str.removesuffix(" 00:00")
    texts = values.astype(object).where(values.notna(), "")
    return texts.map(lambda value: _cell_text(value, timed=timed))


def _cell_text(value: object, *, timed: bool) -> str:
    if isinstance(value, float | np.floating):
        return str(value).removesuffix(".0")
    if isinstance(value, datetime.datetime):
        moment = value.isoformat(" ", "seconds").removesuffix(":00")
        return moment if timed else moment.removesuffix(" 00:00")
    return str(value)


def join_queries(parts: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """All questions in one table, empty parts left out."""
    filled = [part for part in parts if not part.empty]
    return pd.concat(filled, ignore_index=True) if filled else empty_queries()
