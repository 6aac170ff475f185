"""What is worked out from released counts: shares, rates, intervals; and averages, rounded.

Nothing here looks at an exact count: an interval of the exact counts would give them away.
"""

from __future__ import annotations

import dataclasses
import math

from scipy import stats

from audit.disclosure.round import to_base, to_digits, to_step
from audit.disclosure.rows import Row
from audit.disclosure.settings import ControlSettings
from audit.estimates.estimate import LEVEL
from audit.estimates.proportions import wilson_limits
from audit.estimates.rates import poisson_limits

SHARE_DECIMALS = 3
#: significant digits of a rate, of an exposure in time, and of an average whose unit has no step
DIGITS = 2
PER = 100.0


@dataclasses.dataclass(frozen=True)
class Numbers:
    """The released numbers of one row; None where there is none or it is hidden."""

    numerator: float | None = None
    denominator: float | None = None
    value: float | None = None
    low: float | None = None
    high: float | None = None


def released_share(
    row: Row, numerator: int, denominator: int, settings: ControlSettings
) -> Numbers:
    """numerator / denominator, with Wilson's interval (Wilson 1927, J Am Stat Assoc 22:209-212).

    Where a patient gives several units the interval takes the rounded number of patients as its
    size: units of one patient are read as telling the same. No interval where the exact share has
    none.
    """
    share = numerator / denominator
    counts = Numbers(numerator, denominator, round(share, SHARE_DECIMALS))
    if row.low is None:
        return counts
    size = _people(row, denominator, settings)
    low, high = wilson_limits(share * size, size, LEVEL)
    return dataclasses.replace(
        counts, low=round(low, SHARE_DECIMALS), high=round(high, SHARE_DECIMALS)
    )


def released_rate(
    row: Row, numerator: int, cases: int | None, settings: ControlSettings
) -> Numbers:
    """Events per 100 of a rounded exposure, with Garwood's interval (1936, Biometrika 28:437-442).

    cases: the released cases of a rate over cases; a time and the rate are rounded to two
    significant digits. Several events of one patient are not independent: the interval is that
    of the rounded number of patients with an event, stretched to the number of events.
    """
    exposure = released_exposure(row, cases)
    if not exposure:
        return Numbers(numerator, exposure)
    counts = Numbers(numerator, exposure, to_digits(PER * numerator / exposure, DIGITS))
    if row.low is None:
        return counts
    having = min(numerator, to_base(row.people_with or 0, settings.base))
    each = numerator / having if having else 1.0
    low, high = (PER * each * limit / exposure for limit in poisson_limits(having, LEVEL))
    return dataclasses.replace(counts, low=to_digits(low, DIGITS), high=to_digits(high, DIGITS))


def released_exposure(row: Row, cases: int | None) -> float | None:
    """What a rate is over: the released cases, or a time to significant digits."""
    if row.units is not None or row.exposure is None:
        return cases
    return to_digits(row.exposure, DIGITS)


def released_average(
    row: Row, denominator: int | None, sd: float | None, settings: ControlSettings
) -> Numbers:
    """An average at the stated precision.

    Only a mean has limits, and they are made of what is released: mean, standard deviation and the
    rounded number of patients, by Student's t. sd: the released standard deviation of the cell.
    """
    if row.value is None:
        return Numbers(denominator=denominator)
    value = _precise(row.value, row.unit, settings)
    numbers = Numbers(denominator=denominator, value=value)
    if row.statistic != "mean" or row.low is None or sd is None or denominator is None:
        return numbers
    size = _people(row, denominator, settings)
    if size < 2:
        return numbers
    half = float(stats.t.ppf(0.5 + LEVEL / 2, size - 1)) * sd / math.sqrt(size)
    return dataclasses.replace(
        numbers,
        low=_precise(value - half, row.unit, settings),
        high=_precise(value + half, row.unit, settings),
    )


def _precise(value: float, unit: str, settings: ControlSettings) -> float:
    step = settings.precision.get(unit)
    return to_digits(value, DIGITS) if step is None else to_step(value, step)


def _people(row: Row, denominator: int, settings: ControlSettings) -> int:
    """The size an interval may count on: the rounded patients, at most the released units."""
    if row.people is None or row.people == row.denominator:
        return denominator
    return max(1, min(denominator, to_base(row.people, settings.base)))
