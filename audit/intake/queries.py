"""Data queries: a question back to whoever entered the value, one row each."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from audit.intake.tables import QUERY_COLUMNS


def empty_queries() -> pd.DataFrame:
    """No questions."""
    return pd.DataFrame({name: pd.Series(dtype=object) for name in QUERY_COLUMNS})


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


def as_text(values: pd.Series) -> pd.Series:
    """Cells as a person would type them: ISO days, numbers without a trailing .0."""
    if values.dtype.kind == "M":
        days = values.dt.strftime("%Y-%m-%d %H:%M").str.removesuffix(" 00:00")
        return days.fillna("")
    if values.dtype.kind == "f":
        return values.map(lambda x: "" if np.isnan(x) else repr(float(x)).removesuffix(".0"))
    return values.fillna("").astype(str)


def join_queries(parts: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """All questions in one table, empty parts left out."""
    filled = [part for part in parts if not part.empty]
    return pd.concat(filled, ignore_index=True) if filled else empty_queries()
