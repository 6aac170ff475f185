"""Curves for release: their steps are single people, so they are drawn in coarser ones."""

from __future__ import annotations

import dataclasses
import math
from collections import defaultdict
from collections.abc import Iterable

from audit.disclosure.controlled import ControlledTable
from audit.disclosure.round import to_midpoint
from audit.disclosure.rows import Row

NUMBERS = ("numerator", "denominator", "value", "low", "high")
_DECIMALS = 3
_TINY = 1e-9


def coarse_curves(rows: Iterable[Row], *, step: int) -> dict[int, tuple[float | None, ...]]:
    """Position of each curve point -> (at risk, value, low, high) as released; None stays None.

    Units at risk become midpoints of classes of `step`. The curve is turned into the number of
    units it stands for, out of those at risk at its beginning, and that number into its midpoint:
    it moves only when `step` units have (output-checking guidance: no step of a released curve is
    one person). A curve that falls is read from 1 downwards, one that rises from 0 upwards; the
    last class stays open until everybody has had the event. Points of one curve differ only in
    their day, the dimension whose category is a whole number.
    """
    curves: dict[frozenset[tuple[str, str]], list[tuple[float, Row]]] = defaultdict(list)
    for row in rows:
        if row.statistic == "curve":
            day, rest = _day_and_rest(row)
            curves[rest].append((day, row))
    found: dict[int, tuple[float | None, ...]] = {}
    for points in curves.values():
        ordered = [row for _, row in sorted(points, key=lambda point: point[0])]
        size = max((row.denominator or 0 for row in ordered), default=0)
        falls = _falls(ordered)
        for row in ordered:
            numbers = [
                _coarse(one, size, step, falls=falls) for one in (row.value, row.low, row.high)
            ]
            at_risk = None if row.denominator is None else float(to_midpoint(row.denominator, step))
            found[row.position] = (at_risk, *numbers)
    return found


def named_for_files(controlled: Iterable[ControlledTable]) -> tuple[ControlledTable, ...]:
    """The tables as they are written: where every row is a curve point that was coarsened, the
    columns of counts and of the curve bear the name of their rounding, such as
    `denominator_midpoint6`. Public guidance asks for that; other tables stay as they are."""
    return tuple(
        dataclasses.replace(one, frame=one.frame.rename(columns=release_columns(one)))
        for one in controlled
    )


def release_columns(one: ControlledTable) -> dict[str, str]:
    """Column -> its name in files, for a table of coarsened curves; empty for others."""
    if one.curve_step is None or {*one.frame["statistic"]} != {"curve"}:
        return {}
    return {name: f"{name}_midpoint{one.curve_step}" for name in NUMBERS}


def _day_and_rest(row: Row) -> tuple[float, frozenset[tuple[str, str]]]:
    days = [name for name, category in row.dims.items() if category.isdigit()]
    rest = frozenset((name, word) for name, word in row.dims.items() if name not in days)
    return (float(row.dims[days[0]]) if days else 0.0), rest | {("unit", row.unit)}


def _falls(ordered: list[Row]) -> bool:
    """Whether a curve counts those still waiting: it begins nearer to 1, or comes down."""
    values = [row.value for row in ordered if row.value is not None]
    return bool(values) and (values[0] > values[-1] or values[0] > 0.5)


def _coarse(share: float | None, size: int, step: int, *, falls: bool) -> float | None:
    if share is None or size == 0:
        return None
    reached = (1 - share if falls else share) * size
    units = min(size, math.ceil(reached - _TINY))
    whole = to_midpoint(size, step)
    middle = to_midpoint(max(0, units), step)
    if units < size:
        middle = min(middle, max(0, whole - step))
    coarse = round(middle / whole, _DECIMALS)
    return round(1 - coarse, _DECIMALS) if falls else coarse
