"""Estimates as rows of results.csv, and which of two twin rows people are shown."""

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
#: end of the name of a statistic whose interval is taken over patients
CLUSTERED = "_clustered"
#: below so many patients a cluster-robust interval says nothing (Cameron AC, Miller DL. J Hum
#: Resour 2015;50:317-372 on few clusters; the number itself is a local choice)
FEWEST_CLUSTERS = 5


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


def estimate_of(row: pd.Series) -> Estimate:
    """The estimate that stands in a row of results.csv."""

    def number(name: str) -> float | None:
        return None if pd.isna(row[name]) else float(row[name])

    return Estimate(
        value=number("value"),
        low=number("low"),
        high=number("high"),
        level=float(row["level"]),
        n=int(row["n"]),
        missing=int(row["missing"]),
        method=str(row["method"]),
        unit=str(row["unit"]),
        note=str(row["note"]) or "not estimable",
    )


def result_frame(rows: list[dict[str, object]]) -> pd.DataFrame:
    """The tidy table of results in the contract's column order."""
    frame = pd.DataFrame(rows, columns=RESULT_COLUMNS)
    for name in ("value", "low", "high", "level"):
        frame[name] = frame[name].astype(float)
    return frame


def best_rows(rows: pd.DataFrame, patients: int, cases: int) -> dict[str, pd.Series]:
    """statistic -> its row, of the rows of one measure and group.

    The patient-clustered twin takes the place of the plain row wherever a patient gives more than
    one case, unless there are too few patients for it. patients, cases: of the group.
    """
    found: dict[str, pd.Series] = {}
    for _, row in rows.iterrows():
        found.setdefault(row["statistic"], row)
    if FEWEST_CLUSTERS <= patients < cases:
        twins = {name: row for name, row in found.items() if name.endswith(CLUSTERED)}
        found |= {name.removesuffix(CLUSTERED): row for name, row in twins.items()}
    return found
