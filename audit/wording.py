"""One rounding policy and one way to write a number, for every table and text.

Half-up rounding (never cutting); the same decimals for an estimate and its interval; shares always
with numerator and denominator, without decimals below 100 cases and with one from 100 (Cole TJ.
Arch Dis Child 2015;100:608-609, DOI 10.1136/archdischild-2014-307149, and journal house rules).
"""

from __future__ import annotations

import decimal
import math

from audit.estimates.estimate import Estimate

#: digits after the point by unit
DECIMALS: dict[str, int] = {
    "days": 0,
    "weeks": 0,
    "days/cm": 1,
    "months/cm": 2,
    "mm": 1,
    "mm/day": 2,
    "%": 0,
    "degrees": 0,
    "events": 2,
    "cases": 0,
    "events per 100 cases": 1,
    "events per 100 case-months": 1,
    "": 2,
}
MANY = 100
NOT_ESTIMABLE = "not estimable"


def rounded(number: float, decimals: int) -> str:
    """A number rounded half away from zero, with a true minus sign and no negative zero."""
    if math.isinf(number):
        return "no limit"
    step = decimal.Decimal(1).scaleb(-decimals)
    # Through repr: 0.285 is meant as typed, not as the binary number just below it.
    value = decimal.Decimal(repr(float(number))).quantize(step, decimal.ROUND_HALF_UP)
    text = f"{abs(value):f}"
    negative = value < 0 and any(digit in "123456789" for digit in text)
    return f"\N{MINUS SIGN}{text}" if negative else text


def decimals_for(unit: str) -> int:
    """Decimals with which numbers of a unit are shown (1 where the unit is not listed)."""
    return DECIMALS.get(unit, 1)


def span(low: float | None, high: float | None, decimals: int) -> str:
    """Limits in words: "12 to 15", with "open" for a limit that does not exist."""
    sides = [
        "open" if side is None or math.isnan(side) else rounded(side, decimals)
        for side in (low, high)
    ]
    return f"{sides[0]} to {sides[1]}"


def with_interval(estimate: Estimate) -> str:
    """`value (low to high)` in the estimate's unit, or `not estimable`."""
    if estimate.value is None:
        return NOT_ESTIMABLE
    decimals = decimals_for(estimate.unit)
    value = rounded(estimate.value, decimals)
    if estimate.low is None and estimate.high is None:
        return f"{value} (no interval)"
    return f"{value} ({span(estimate.low, estimate.high, decimals)})"


def percent(share: float, n: int) -> str:
    """A share (0-1) as a percentage: no decimals below 100 cases, one from 100."""
    return f"{rounded(100 * share, 1 if n >= MANY else 0)}%"


def count_of(events: int, n: int) -> str:
    """`events/n (p%)`; a bare `0/0` when there is nobody."""
    return f"{events}/{n}" if n == 0 else f"{events}/{n} ({percent(events / n, n)})"


def share_with_interval(estimate: Estimate) -> str:
    """`events/n (p%; low% to high%)` of a share."""
    if estimate.value is None:
        return NOT_ESTIMABLE
    n = estimate.n
    text = f"{round(estimate.value * n)}/{n} ({percent(estimate.value, n)}"
    if estimate.low is None or estimate.high is None:
        return f"{text}; no interval)"
    return f"{text}; {percent(estimate.low, n)} to {percent(estimate.high, n)})"
