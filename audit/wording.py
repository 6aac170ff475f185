"""One rounding policy and one way to write a number, for every table and text.

Half-up rounding (never cutting); the same decimals for an estimate and its interval; shares always
with numerator and denominator, without decimals below 100 cases and with one from 100; a mean with
as many decimals as give its standard deviation two significant digits; ratios by the rule of four
(Cole TJ. Arch Dis Child 2015;100:608-609, DOI 10.1136/archdischild-2014-307149, table 1, and
journal house rules).
"""

from __future__ import annotations

import decimal
import math
from typing import TypeGuard

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
#: significant digits of a standard deviation
SPREAD_DIGITS = 2
#: a ratio whose first digit is at least this needs one digit fewer
FOUR = 4
#: how P values are written; the first is used unless a journal asks for another
P_POLICIES = ("ama", "annals", "cole")


def rounded(number: float, decimals: int) -> str:
    """A number rounded half away from zero, with a true minus sign and no negative zero."""
    if math.isinf(number):
        return "no limit"
    # Through repr: 0.285 is meant as typed, not as the binary number just below it.
    return _written(decimal.Decimal(repr(float(number))), decimals)


def _written(number: decimal.Decimal, decimals: int) -> str:
    step = decimal.Decimal(1).scaleb(-decimals)
    value = number.quantize(step, decimal.ROUND_HALF_UP)
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
    return f"{hundredths(share, 1 if n >= MANY else 0)}%"


def hundredths(share: float, decimals: int) -> str:
    """A share (0-1) times 100, rounded as in `rounded`, without a sign after it.

    The point is moved, not the number multiplied: 100 x 0.575 is just below 57.5.
    """
    return _written(decimal.Decimal(repr(float(share))).scaleb(2), decimals)


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


def decimals_from_spread(spread: float, *, fewest: int = 0) -> int:
    """Decimals that give a standard deviation two significant digits (Cole 2015, table 1).

    fewest: not fewer than this; 0 keeps whole units, -1 lets 568 become 570. A spread of 0 or one
    without limit tells nothing of the decimals needed and gives `fewest`.
    """
    if not math.isfinite(spread) or spread == 0:
        return fewest
    return max(fewest, SPREAD_DIGITS - 1 - _exponent(spread, SPREAD_DIGITS))


def mean_decimals(spread: float | None, unit: str) -> int:
    """Decimals of a mean in a table: those its SD asks for, but never fewer than the unit's own nor
    more than two beyond them, which an SD next to nothing would ask for."""
    own = decimals_for(unit)
    return min(decimals_from_spread(spread, fewest=own), own + 2) if _present(spread) else own


def mean_sd(mean: float | None, sd: float | None, *, fewest: int = 0) -> str:
    """`mean (SD)`, both with the decimals that the SD asks for; never with a plus-minus sign.

    One value has no SD: `mean (no SD)`. No mean: `not estimable`.
    """
    if not _present(mean):
        return NOT_ESTIMABLE
    if not _present(sd):
        return f"{rounded(mean, max(1, fewest))} (no SD)"
    decimals = decimals_from_spread(sd, fewest=fewest)
    return f"{rounded(mean, decimals)} ({rounded(sd, decimals)})"


def median_quartiles(
    median: float | None, q1: float | None, q3: float | None, *, unit: str = ""
) -> str:
    """`median (lower quartile to upper quartile)` in the decimals of the unit."""
    if not _present(median):
        return NOT_ESTIMABLE
    decimals = decimals_for(unit)
    return f"{rounded(median, decimals)} ({span(q1, q3, decimals)})"


def ratio(value: float) -> str:
    """A risk, rate, odds or hazard ratio by the rule of four: three decimals below 0.4, two below
    4, one below 40, else none, and so on downwards (Cole TJ. BMJ 2015;350:h1845)."""
    if value <= 0 or not math.isfinite(value):
        return rounded(value, 0)
    shown = rounded(value, _four_decimals(value))
    # 0.3999 would be 0.400: what is printed decides
    return rounded(value, _four_decimals(float(shown)))


def _four_decimals(value: float) -> int:
    fours = decimal.Decimal(repr(float(value))) / FOUR
    return max(0, 1 - fours.adjusted()) if fours else 0


def ratio_with_interval(estimate: Estimate) -> str:
    """`ratio (low to high)`, each by the rule of four, or `not estimable`."""
    if estimate.value is None:
        return NOT_ESTIMABLE
    if estimate.low is None and estimate.high is None:
        return f"{ratio(estimate.value)} (no interval)"
    sides = [ratio(side) if _present(side) else "open" for side in (estimate.low, estimate.high)]
    return f"{ratio(estimate.value)} ({sides[0]} to {sides[1]})"


def p_value(p: float, *, policy: str = "ama") -> str:
    """A P value without its letter: `0.03`, `<0.001`; never 0.000 and never a word.

    ama: two decimals; three below 0.01, and where two would turn a value below 0.05 into 0.05
    (AMA Manual of Style, 11th ed., 2020, chapter 19). annals: three decimals up to 0.20, two above
    (Annals of Internal Medicine, statistical guidance for authors). cole: one significant digit
    (Cole 2015, table 1). Raises ValueError for a policy not in the list and a P outside 0 to 1.
    """
    if policy not in P_POLICIES:
        raise ValueError(f"policy must be one of {', '.join(P_POLICIES)}; got {policy!r}")
    if not 0 <= p <= 1:
        raise ValueError("a P value lies between 0 and 1")
    if p < 0.001:
        return "<0.001"
    highest = ">0.9" if policy == "cole" else ">0.99"
    decimals = _P_DECIMALS[policy](p)
    shown = rounded(p, decimals)
    return highest if float(shown) > float(highest[1:]) else shown


def _ama_decimals(p: float) -> int:
    crosses = p < 0.05 <= float(rounded(p, 2))
    return 3 if p < 0.01 or crosses else 2


def _annals_decimals(p: float) -> int:
    return 3 if p <= 0.20 else 2


def _cole_decimals(p: float) -> int:
    return -_exponent(p, 1)


_P_DECIMALS = {"ama": _ama_decimals, "annals": _annals_decimals, "cole": _cole_decimals}


def _exponent(number: float, digits: int) -> int:
    """The power of ten of a number once it is rounded to so many significant digits."""
    value = abs(decimal.Decimal(repr(float(number))))
    step = decimal.Decimal(1).scaleb(value.adjusted() - digits + 1)
    return value.quantize(step, decimal.ROUND_HALF_UP).adjusted()


def _present(number: float | None) -> TypeGuard[float]:
    return number is not None and not math.isnan(number)
