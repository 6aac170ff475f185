"""Estimates as rows of results.csv."""

from __future__ import annotations

import pandas as pd

from audit.estimates.estimate import Estimate
from audit.results.groups import Slice

RESULT_COLUMNS = [
    "measure",
    "statistic",
    "window",
    "group_by",
    "group",
    "n",
    "missing",
    "value",
    "low",
    "high",
    "level",
    "method",
    "unit",
    "note",
]


def result_row(
    measure: str, statistic: str, part: Slice, estimate: Estimate, *, note: str = ""
) -> dict[str, object]:
    """One row; `note` goes before the estimate's own."""
    return {
        "measure": measure,
        "statistic": statistic,
        **part.keys,
        "n": estimate.n,
        "missing": estimate.missing,
        "value": estimate.value,
        "low": estimate.low,
        "high": estimate.high,
        "level": estimate.level,
        "method": estimate.method,
        "unit": estimate.unit,
        "note": "; ".join(words for words in (note, estimate.note) if words),
    }


def result_frame(rows: list[dict[str, object]]) -> pd.DataFrame:
    """The tidy table of results in the contract's column order."""
    frame = pd.DataFrame(rows, columns=RESULT_COLUMNS)
    for name in ("value", "low", "high", "level"):
        frame[name] = frame[name].astype(float)
    return frame
