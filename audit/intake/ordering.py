"""One order for the rows of a table, whatever order they arrived in."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd


def in_order(frame: pd.DataFrame, columns: Sequence[str]) -> pd.DataFrame:
    """The rows sorted by these columns in turn, under a new index; missing values come last.

    Texts sort by code point, so that no language setting of a machine plays a part. Rows that
    agree in all these columns keep their order. A frame already in order is returned as it is.
    """
    order = order_of(frame, columns)
    return frame if order is None else frame.take(order).reset_index(drop=True)


def order_of(frame: pd.DataFrame, columns: Sequence[str]) -> np.ndarray | None:
    """Positions of the rows as `in_order` puts them; None when they lie in order already."""
    if len(frame) < 2 or not columns or _lies_in_order(frame, columns):
        return None
    return np.lexsort([_places(frame[name]) for name in reversed(columns)])


def _lies_in_order(frame: pd.DataFrame, columns: Sequence[str]) -> bool:
    # neighbours that no column so far has told apart
    alike = np.arange(len(frame) - 1)
    for name in columns:
        places = _places(frame[name])
        before, after = places[alike], places[alike + 1]
        if (after < before).any():
            return False
        alike = alike[after == before]
        if not len(alike):
            break
    return True


def _places(values: pd.Series) -> np.ndarray:
    """Numbers that sort as the values do, the largest where a value is missing."""
    if values.dtype.kind == "f":
        numbers = values.to_numpy(dtype="float64")
        return np.where(np.isnan(numbers), np.inf, numbers)
    if values.dtype.kind == "M":
        moments = values.to_numpy(dtype="datetime64[ns]").astype("int64")
        return np.where(values.isna(), np.iinfo("int64").max, moments)
    codes, known = pd.factorize(values, sort=True)
    return np.where(codes < 0, len(known), codes)
