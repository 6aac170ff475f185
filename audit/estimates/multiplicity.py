"""Several p values at once: adjusted so that looking often is not rewarded."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from audit.estimates.inputs import Numbers, as_numbers, check_choice


def adjust_p_values(p_values: Any, *, method: str = "holm") -> Numbers:
    """Adjusted p values in the order given; a missing p stays missing and is not counted.

    method: holm (Holm 1979, Scand J Stat 6:65-70), bonferroni, hochberg (Hochberg 1988,
    Biometrika 75:800-802) or bh (false discovery rate; Benjamini and Hochberg 1995, J R Stat Soc
    B 57:289-300). Raises ValueError for a p outside 0-1 or another method.
    """
    check_choice(method, _METHODS, name="method")
    given = as_numbers(p_values, name="p_values")
    known = ~np.isnan(given)
    if ((given[known] < 0) | (given[known] > 1)).any():
        raise ValueError("p_values must lie between 0 and 1")
    adjusted = given.copy()
    order = np.argsort(given[known], kind="stable")
    sorted_back = np.empty(order.size)
    sorted_back[order] = np.minimum(_METHODS[method](given[known][order]), 1.0)
    adjusted[known] = sorted_back
    return adjusted


def holm(p_values: Any) -> Numbers:
    """p values adjusted by Holm's step-down method; see `adjust_p_values`."""
    return adjust_p_values(p_values, method="holm")


def _holm(ordered: Numbers) -> Numbers:
    return np.maximum.accumulate(ordered * np.arange(ordered.size, 0, -1))


def _bonferroni(ordered: Numbers) -> Numbers:
    return ordered * ordered.size


def _hochberg(ordered: Numbers) -> Numbers:
    return _least_from_above(ordered * np.arange(ordered.size, 0, -1))


def _bh(ordered: Numbers) -> Numbers:
    return _least_from_above(ordered * ordered.size / np.arange(1, ordered.size + 1))


def _least_from_above(values: Numbers) -> Numbers:
    return np.minimum.accumulate(values[::-1])[::-1]


_METHODS: dict[str, Callable[[Numbers], Numbers]] = {
    "holm": _holm,
    "bonferroni": _bonferroni,
    "hochberg": _hochberg,
    "bh": _bh,
}
