"""What all measures share: a value, or the reason why there is none."""

from __future__ import annotations

import numpy as np
import pandas as pd

DAYS_PER_MONTH = 30.4375
MM_PER_CM = 10.0
SHORTEST_GAIN_MM = 10.0
GREY_GAIN_MM = 30.0

Reasons = list[tuple[pd.Series, str]]


def measured(name: str, values: pd.Series, reasons: Reasons) -> pd.DataFrame:
    """Columns `name` and `name_reason`.

    values: one a case. reasons: (True where it applies, reason) in order; the first that applies
    empties the value and stands in `name_reason`, which is missing where there is a value. A value
    that is missing for no listed reason gets `inputs_missing`.
    """
    reason = pd.Series(np.nan, index=values.index, dtype=object)
    for applies, text in reasons:
        applies = applies.fillna(False).astype(bool)
        reason = reason.mask(reason.isna() & applies, text)
    value = values.mask(reason.notna())
    reason = reason.mask(value.isna() & reason.isna(), "inputs_missing")
    return pd.DataFrame({name: value, f"{name}_reason": reason})


def with_case(rows: pd.DataFrame, cases: pd.DataFrame, *columns: str) -> pd.DataFrame:
    """Rows of another table with columns of their case added (every case_id is known)."""
    lookup = cases.set_index("case_id")
    added = {name: rows["case_id"].map(lookup[name]).astype(lookup[name].dtype) for name in columns}
    return rows.assign(**added)


def days_between(later: pd.Series, earlier: pd.Series) -> pd.Series:
    """Days from earlier to later as float; missing where either is."""
    return (later - earlier) / pd.Timedelta(days=1)


def per_centimetre(days: pd.Series, gain_mm: pd.Series) -> pd.Series:
    """days / (gain in cm); missing below 10 mm gained, where no index is formed."""
    return days / (gain_mm.where(gain_mm >= SHORTEST_GAIN_MM) / MM_PER_CM)


def gain_reasons(cases: pd.DataFrame) -> Reasons:
    """Why a case has no usable gain at the end of distraction."""
    gain = cases["achieved_gain_mm"]
    return [
        (gain.isna() & cases["distraction_end_date"].isna(), "distraction_not_finished"),
        (gain.isna(), "no_achieved_gain"),
    ]


def index_reasons(cases: pd.DataFrame) -> Reasons:
    """Why no per-centimetre index is formed, as far as the gain goes."""
    return [
        *gain_reasons(cases),
        (cases["achieved_gain_mm"] < SHORTEST_GAIN_MM, "length_under_10mm"),
    ]
