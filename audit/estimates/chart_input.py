"""The input gate of the control charts: columns in, checked arrays out."""

from __future__ import annotations

from typing import Any

import numpy as np

from audit.estimates.chart_limits import KINDS, Series
from audit.estimates.inputs import as_numbers, check_aligned, check_choice

WITH_DENOMINATORS = ("proportion", "rate")


def read_series(values: Any, denominators: Any, *, kind: str) -> Series:
    """A checked series; missing stays missing, and no value is repeated in an error.

    ValueError for an unknown kind, text, infinite or negative numbers, fractional counts, counts
    above their cases, denominators missing where the kind needs them (or given where it does
    not), unequal lengths, or columns with different indexes.
    """
    check_choice(kind, KINDS, name="kind")
    numbers = as_numbers(values, name="values")
    if not len(numbers):
        raise ValueError("values: there is no point to chart")
    if kind != "individual":
        _check_not_negative(numbers, "values")
    if kind not in ("individual", "days_between"):
        _check_whole(numbers, "values")
    if (denominators is not None) != (kind in WITH_DENOMINATORS):
        need = "needs" if kind in WITH_DENOMINATORS else "takes no"
        raise ValueError(f"kind {kind!r} {need} denominators")
    if denominators is None:
        unit = np.full(len(numbers), np.nan)
        return Series(kind=kind, values=numbers, counts=numbers, denominators=unit)
    check_aligned(values, denominators, names=("values", "denominators"))
    return _with_denominators(numbers, as_numbers(denominators, name="denominators"), kind)


def _with_denominators(counts: np.ndarray, sizes: np.ndarray, kind: str) -> Series:
    _check_not_negative(sizes, "denominators")
    if kind == "proportion":
        _check_whole(sizes, "denominators")
        if (counts > sizes).any():
            raise ValueError(f"counts above their cases at positions {_positions(counts > sizes)}")
    known = (sizes > 0) & ~np.isnan(counts)
    usable = np.where(known, sizes, np.nan)
    return Series(
        kind=kind,
        values=counts / usable,
        counts=np.where(known, counts, np.nan),
        denominators=np.where(sizes > 0, sizes, np.nan),
    )


def _check_not_negative(numbers: np.ndarray, name: str) -> None:
    if (numbers < 0).any():
        raise ValueError(f"{name} must not be negative; positions {_positions(numbers < 0)}")


def _check_whole(numbers: np.ndarray, name: str) -> None:
    part = numbers != np.floor(numbers)
    part &= ~np.isnan(numbers)
    if part.any():
        raise ValueError(f"{name} must be whole numbers; positions {_positions(part)}")


def _positions(flags: np.ndarray) -> str:
    """The first five positions, counted from 1 as on the chart."""
    found = np.flatnonzero(flags) + 1
    more = ", ..." if len(found) > 5 else ""
    return ", ".join(str(i) for i in found[:5]) + more
