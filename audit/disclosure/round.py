"""Rounding of what is released. Nothing here knows whether a number may be shown."""

from __future__ import annotations

import decimal
import math


def to_base(count: int, base: int) -> int:
    """The multiple of `base` nearest to a count, the higher one where two are as near.

    The usual rounding of official health statistics: after redaction, to the nearest 5.
    """
    return (2 * count + base) // (2 * base) * base


def to_midpoint(count: int, step: int) -> int:
    """A count as the midpoint of its class of `step`: with 6, 0 stays, 1-6 become 3, 7-12 become 9.

    Public output-checking guidance for survival curves, whose steps are single people. With an even
    step the midpoint is the lower of the two middle counts, so 3 in 1-6.
    """
    return 0 if count == 0 else math.ceil(count / step) * step - step // 2


def to_step(value: float, step: float) -> float:
    """A number rounded to the nearest multiple of `step`, half away from zero."""
    grid = decimal.Decimal(repr(float(step)))
    steps = (decimal.Decimal(repr(float(value))) / grid).quantize(
        decimal.Decimal(1), decimal.ROUND_HALF_UP
    )
    return float(steps * grid) + 0.0


def to_digits(value: float, digits: int) -> float:
    """A number rounded to so many significant digits, half away from zero; 0 stays 0."""
    if value == 0 or not math.isfinite(value):
        return value
    number = decimal.Decimal(repr(float(value)))
    grid = decimal.Decimal(1).scaleb(number.adjusted() - digits + 1)
    return float(number.quantize(grid, decimal.ROUND_HALF_UP))
