"""Shares, rates and intervals that say more of the counts behind them than the printed counts do.

A share of exact counts beside rounded ones, or an interval made from the exact n, gives the exact
numbers away: 0.692 beside 10 of 15 can only be 9 of 13.
"""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from audit.disclosure.controlled import ControlledTable
from audit.disclosure.equations import Release, with_rows
from audit.disclosure.solve import Equations
from audit.estimates.estimate import LEVEL
from audit.estimates.proportions import wilson_limits

_PER = re.compile(r"per (\d+)")
#: a rate is printed to two significant digits: at most this share away
_RATE_PRECISION = 0.05
#: pairs of counts tried for one interval
_MOST_PAIRS = 2000


@dataclasses.dataclass(frozen=True)
class _Ratio:
    """A printed row: its variables (None where it has none), printed counts, value and limits, and
    half a unit of their last digits."""

    statistic: str
    places: tuple[int | None, int | None]
    printed: tuple[float, float]
    value: float
    low: float
    high: float
    scale: float
    half: float
    half_of_limits: float


def leaking(release: Release, tables: Sequence[ControlledTable], equations: Equations) -> Equations:
    """The equations with what shares, rates and intervals add to the printed counts.

    A value that is what the printed counts give adds nothing: it was made from them. Any other must
    come from the exact counts: numerator / denominator lies within half a unit of its last digit.
    Wilson's interval of a share, Student's of a mean (with the standard deviation beside it) and
    the chi-squared one of a standard deviation, where they are those of exact counts, leave only
    the counts that give them. Where the exact numbers are known, what they disobey is not used.
    """
    true = release.variables["true"].to_numpy(dtype=float)
    more, low, high = [], equations.low.copy(), equations.high.copy()
    for row in _ratios(release, tables):
        more += _value_rows(row, true)
        _limit_boxes(row, true, low, high)
    return with_rows(dataclasses.replace(equations, low=low, high=high), more)


def _ratios(release: Release, tables: Sequence[ControlledTable]) -> Iterator[_Ratio]:
    places = {
        (table, row, quantity): int(variable)
        for table, row, quantity, variable in release.numbers[
            ["table", "row", "quantity", "variable"]
        ].itertuples(index=False)
    }
    for at, one in enumerate(tables):
        frame = one.frame
        groups = [*frame.groupby("statistic")]
        halves = {str(name): _half(part[["value"]]) for name, part in groups}
        of_limits = {str(name): _half(part[["low", "high"]]) for name, part in groups}
        columns = ["statistic", "unit", "numerator", "denominator", "value", "low", "high"]
        for row, record in enumerate(frame[columns].to_dict("records")):
            if math.isnan(record["value"]) and math.isnan(record["low"]):
                continue
            both = (places.get((at, row, "numerator")), places.get((at, row, "denominator")))
            half = halves[str(record["statistic"])]
            if record["statistic"] == "rate":
                half = max(half, _RATE_PRECISION * abs(record["value"]))
            yield _Ratio(
                str(record["statistic"]),
                both,
                (float(record["numerator"]), float(record["denominator"])),
                value=float(record["value"]),
                low=float(record["low"]),
                high=float(record["high"]),
                scale=_scale(str(record["statistic"]), str(record["unit"])),
                half=half,
                half_of_limits=of_limits[str(record["statistic"])],
            )


def _scale(statistic: str, unit: str) -> float:
    if statistic == "share":
        return 100.0 if unit == "%" else 1.0
    found = _PER.search(unit)
    return float(found[1]) if found else math.nan


def _half(columns: pd.DataFrame) -> float:
    """Half a unit of the last digit printed in some columns."""
    printed = columns.to_numpy(dtype=float).ravel()
    digits = max((_decimals(value) for value in printed[~np.isnan(printed)]), default=0)
    return float(0.5 * 10.0**-digits)


def _decimals(value: float) -> int:
    return next((digits for digits in range(7) if round(value, digits) == value), 7)


def _value_rows(row: _Ratio, true: np.ndarray) -> list[tuple[dict[int, float], float, float]]:
    numerator, denominator = row.places
    unusable = math.isnan(row.scale) or math.isnan(row.value)
    if row.statistic not in ("share", "rate") or unusable:
        return []
    if numerator is None or denominator is None or numerator == denominator:
        return []
    above, below = row.printed
    slack = row.half + 1e-9
    if below > 0 and abs(row.scale * above / below - row.value) <= slack:
        return []
    exact = row.scale * true[numerator] - row.value * true[denominator]
    if abs(exact) > slack * true[denominator] + 1e-9:
        return []
    return [
        ({numerator: row.scale, denominator: slack - row.value}, 0.0, np.inf),
        ({numerator: row.scale, denominator: -slack - row.value}, -np.inf, 0.0),
    ]


def _limit_boxes(row: _Ratio, true: np.ndarray, low: np.ndarray, high: np.ndarray) -> None:
    """Narrows the limits of the counts to those that give the printed interval."""
    made = _INTERVALS.get(row.statistic)
    places = row.places if row.statistic == "share" else row.places[1:]
    if made is None or math.isnan(row.low) or math.isnan(row.high) or None in places:
        return
    at = np.array(places, dtype=int)
    spans = high[at] - low[at] + 1
    if not np.isfinite(true[at]).all() or spans.prod() > _MOST_PAIRS:
        return
    printed = row.printed if row.statistic == "share" else row.printed[1:]
    if _agrees(made, row, printed) or not _agrees(made, row, tuple(true[at])):
        return
    tried = np.stack(
        [grid.ravel() for grid in np.meshgrid(*(np.arange(low[one], high[one] + 1) for one in at))]
    )
    kept = tried[:, [_agrees(made, row, tuple(counts)) for counts in tried.T]]
    low[at], high[at] = kept.min(axis=1), kept.max(axis=1)


def _agrees(made: Callable[..., Any], row: _Ratio, counts: tuple[float, ...]) -> bool:
    if any(math.isnan(count) for count in counts):
        return False
    limits = made(row, *counts)
    if limits is None:
        return False
    slack = row.half_of_limits + 1e-9
    return abs(limits[0] - row.low) <= slack and abs(limits[1] - row.high) <= slack


def _share_limits(row: _Ratio, above: float, below: float) -> tuple[float, float] | None:
    if not 0 <= above <= below or below < 1:
        return None
    least, most = wilson_limits(above, below, LEVEL)
    return least * row.scale, most * row.scale


def _sd_limits(row: _Ratio, n: float) -> tuple[float, float] | None:
    if n < 2:
        return None
    tails = special.chdtri(n - 1, (0.5 - LEVEL / 2, 0.5 + LEVEL / 2))
    return tuple(row.value * np.sqrt((n - 1) / tails))  # type: ignore[return-value]


_INTERVALS: dict[str, Callable[..., tuple[float, float] | None]] = {
    "share": _share_limits,
    "sd": _sd_limits,
}
