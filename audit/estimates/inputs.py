"""The gate in front of every estimator: columns to plain arrays, bad input to a clear error.

No message repeats a value of the data: the name of the argument and the rule only.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Numbers = NDArray[np.floating]
Codes = NDArray[np.intp]

_NUMERIC_KINDS = frozenset(
    {"integer", "floating", "mixed-integer-float", "boolean", "decimal", "empty", "integer-na"}
)
_YES_NO = {"yes": 1.0, "no": 0.0}


def as_column(values: Any, *, name: str) -> pd.Series:
    """One column as a Series (itself if it is one); ValueError for a text or a table."""
    if isinstance(values, pd.Series):
        # Categories with different lists cannot be counted side by side; their values can.
        categories = isinstance(values.dtype, pd.CategoricalDtype)
        return values.astype(values.cat.categories.dtype) if categories else values
    if isinstance(values, str) or np.ndim(values) != 1:
        raise ValueError(f"{name} must be one column of values")
    if isinstance(values, np.ndarray | pd.api.extensions.ExtensionArray | pd.Index):
        return pd.Series(values)
    return pd.Series(list(values), dtype=None if len(values) else float)


def as_numbers(values: Any, *, name: str = "values") -> Numbers:
    """One column of numbers as a float array; None, NaN and NA become NaN.

    Raises ValueError for text, dates, infinite values or more than one dimension.
    """
    column = as_column(values, name=name)
    kind = pd.api.types.infer_dtype(column, skipna=True)
    if kind not in _NUMERIC_KINDS:
        raise ValueError(f"{name} must be numbers, not {kind}")
    numbers = column.to_numpy(dtype=np.float64, na_value=np.nan)
    if np.isinf(numbers).any():
        raise ValueError(f"{name} must be finite")
    return numbers


def as_yes_no(values: Any, *, name: str = "events") -> Numbers:
    """One column of yes/no answers as 1.0, 0.0 and NaN; True/False, 1/0 or the words yes/no.

    Raises ValueError for anything else.
    """
    column = as_column(values, name=name)
    if pd.api.types.infer_dtype(column, skipna=True) == "string":
        answers = column.map(_YES_NO).to_numpy(dtype=float)
        if np.isnan(answers).sum() != column.isna().sum():
            raise ValueError(f"{name} must be yes or no (or True/False, 1/0)")
        return answers
    numbers = as_numbers(column, name=name)
    if not np.isin(numbers[~np.isnan(numbers)], (0.0, 1.0)).all():
        raise ValueError(f"{name} must be yes or no (or True/False, 1/0)")
    return numbers


def present(values: Any, *, name: str = "values") -> tuple[Numbers, int]:
    """The values that are there, and how many are missing."""
    numbers = as_numbers(values, name=name)
    known = ~np.isnan(numbers)
    return numbers[known], int(numbers.size - known.sum())


def present_pairs(
    first: Any, second: Any, *, names: tuple[str, str]
) -> tuple[Numbers, Numbers, int]:
    """Both members of every complete pair, and how many pairs lack a side."""
    check_aligned(first, second, names=names)
    one, two = as_numbers(first, name=names[0]), as_numbers(second, name=names[1])
    known = ~(np.isnan(one) | np.isnan(two))
    return one[known], two[known], int(one.size - known.sum())


def cluster_codes(cluster: Any) -> Codes:
    """One number from 0 for each cluster, the same whatever the order of the rows.

    Raises ValueError where a row has no cluster: such a row cannot be placed or left out safely.
    """
    column = as_column(cluster, name="cluster")
    if column.isna().any():
        raise ValueError("cluster has missing values: every row needs the id of its cluster")
    codes, ids = pd.factorize(column)
    by_name = sorted(range(len(ids)), key=lambda code: str(ids[code]))
    rank = np.empty(len(ids), dtype=np.intp)
    rank[by_name] = np.arange(len(ids))
    return rank[codes]


def check_aligned(first: Any, second: Any, *, names: tuple[str, str]) -> None:
    """Raises ValueError where two columns differ in length or carry different row labels."""
    if len(first) != len(second):
        raise ValueError(f"{names[0]} and {names[1]} must have the same length")
    labelled = isinstance(first, pd.Series) and isinstance(second, pd.Series)
    if labelled and not first.index.equals(second.index):
        raise ValueError(f"{names[0]} and {names[1]} must have the same index")


def check_level(level: float) -> float:
    """The level itself, or ValueError unless it lies between 0 and 1."""
    if not 0.0 < level < 1.0:
        raise ValueError(f"level must lie between 0 and 1, got {level!r}")
    return float(level)


def check_choice(given: str, allowed: Collection[str], *, name: str) -> str:
    """The choice itself, or ValueError with the list of choices and the one given."""
    if given not in allowed:
        raise ValueError(f"{name} must be one of {sorted(allowed)}, got {given!r}")
    return given


def check_count(count: Any, *, name: str) -> int:
    """A whole number of 0 or more as int; ValueError for anything else, missing included."""
    whole = isinstance(count, int | float | np.integer | np.floating) and not isinstance(
        count, bool
    )
    if not whole or not math.isfinite(count) or count < 0 or count != int(count):
        raise ValueError(f"{name} must be a whole number of 0 or more")
    return int(count)


def check_amount(amount: Any, *, name: str) -> float:
    """A finite number of 0 or more as float; ValueError for anything else, missing included."""
    number = isinstance(amount, int | float | np.integer | np.floating)
    if not number or isinstance(amount, bool) or not math.isfinite(amount) or amount < 0:
        raise ValueError(f"{name} must be a finite number of 0 or more")
    return float(amount)
