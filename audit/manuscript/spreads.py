"""Checks of ranges, standard deviations, intervals, rounding, and means of whole numbers.

Largest variance for a range, with and without the mean: Popoviciu T. Mathematica (Cluj)
1935;9:129-145; Bhatia R, Davis C. Am Math Mon 2000;107:353-357. Smallest variance when both ends
of the range are values: the inequality of von Szokefalvi Nagy, range squared / 2n (1918, from
memory). Means of whole numbers: Brown NJL, Heathers JAJ. Soc Psychol Personal Sci 2017;8:363-369,
DOI 10.1177/1948550616673876.
"""

from __future__ import annotations

import math
from fractions import Fraction

from audit.estimates.proportions import proportion
from audit.manuscript.claim import Claim, Finding
from audit.manuscript.numbers import Printed, cut, half_up, written
from audit.manuscript.verdicts import compared

HUNDRED = Fraction(100)
#: powers of ten by which a lost decimal point makes a number too large
LOST_POINT = (10, 100, 1000)
NORMAL_975 = 1.959963984540054


def inside_range(claim: Claim) -> Finding:
    """Whether a printed mean (or median, or estimate) lies inside the printed limits.

    With n: whether a mean of n values is possible when one of them lies at each end.
    """
    figure, low, high = (claim.need(column) for column in ("printed", "low", "high"))
    span = f"{low.text} to {high.text}"
    if low.value > high.value:
        return Finding("disagree", span, None, "the lower limit is above the upper one")
    if low.low <= figure.high and figure.low <= high.high:
        return _mean_possible(claim, figure, (low, high))
    if not figure.decimals:
        for power in LOST_POINT:
            if low.value <= figure.value / power <= high.value:
                shifted = written(figure.value / power, len(str(power)) - 1)
                note = f"outside {span}; {shifted} would lie inside"
                return Finding("copy-error", "outside", None, note)
    return Finding("disagree", "outside", None, f"outside {span}")


def sd_possible(claim: Claim) -> Finding:
    """Whether a printed SD can come from n values with the printed range (and mean, if given).

    Lenient: every printed number may be rounded, and the SD may have n or n - 1 below.
    """
    figure, low, high = (claim.need(column) for column in ("printed", "low", "high"))
    size = claim.n or 0
    if size < 2 or low.value > high.value:
        note = "an SD needs two values" if size < 2 else "the lower limit is above the upper one"
        return Finding("disagree", "–", None, note)
    mean = claim.numbers[0] if claim.numbers else None
    if mean is not None and not _feasible(mean, (low, high), size):
        note = "no such mean of so many values with that range"
        return Finding("disagree", "–", None, note)
    least = _smallest_squares(mean, (low.high, high.low), size) / size
    most = _largest_squares(mean, (low.low, high.high), size) / (size - 1)
    spare = figure.decimals + 1
    words = " to ".join(written(Fraction(math.sqrt(one)), spare) for one in (least, most))
    if max(figure.low, Fraction(0)) ** 2 > most:
        return Finding("disagree", words, None, "the SD is too large for the range and n")
    if figure.high**2 < least:
        return Finding("disagree", words, None, "the SD is too small for the range and n")
    return Finding("agree", words, None, "an SD between these is possible")


def rounding(claim: Claim) -> Finding:
    """An unrounded number and what was printed for it."""
    return compared(claim.printed, claim.numbers[0].value)


def mean_of_whole_numbers(claim: Claim) -> Finding:
    """Whether n whole numbers (days, degrees, events) can have the printed mean."""
    figure, size = claim.need("printed"), claim.n or 0
    if size == 0:
        return Finding("not-identifiable", "–", None, "n is 0")
    near = math.floor(figure.value * size)
    for way, verdict, note in (
        (half_up, "attainable", ""),
        (cut, "truncated", "only where the digits were cut, not rounded half up"),
    ):
        sums = [
            total
            for total in range(near - 1, near + 3)
            if way(Fraction(total, size), figure.decimals) == figure.value
        ]
        if sums:
            words = ", ".join(f"{total}/{size}" for total in sums)
            return Finding(verdict, words, None, note)
    shown = ", ".join(
        f"{total}/{size} = {written(Fraction(total, size), figure.decimals + 1)}"
        for total in (near, near + 1)
    )
    return Finding("disagree", "none", None, f"no sum of whole numbers gives it: {shown}")


def interval_behind_share(claim: Claim) -> Finding:
    """Which 95% interval of a share the printed limits are: Wilson, exact, Jeffreys or Wald.

    Wald: p plus or minus 1.96 standard errors; it is named because papers print it, and it is too
    short near 0 and 100% (Brown, Cai & DasGupta. Stat Sci 2001;16:101-133).
    """
    count, total = int(claim.numbers[0].value), int(claim.need("total").value)
    low, high = claim.need("low"), claim.need("high")
    if not total > 0 or count > total:
        return Finding("not-identifiable", "–", None, "the count is larger than the total")
    found = {
        {"wilson": "Wilson", "exact": "exact", "jeffreys": "Jeffreys"}[method]: _limits(
            proportion(count, total, method=method).low,
            proportion(count, total, method=method).high,
        )
        for method in ("wilson", "exact", "jeffreys")
    }
    found["Wald"] = _wald(count, total)
    shown = {
        name: f"{written(limits[0], low.decimals)} to {written(limits[1], high.decimals)}"
        for name, limits in found.items()
    }
    same = [
        name
        for name, limits in found.items()
        if half_up(limits[0], low.decimals) == low.value
        and half_up(limits[1], high.decimals) == high.value
    ]
    words = "; ".join(f"{name} {limits}" for name, limits in shown.items())
    if not same:
        return Finding("disagree", words, None, "the printed interval is none of these")
    caution = ": too short near 0 and 100%" if same == ["Wald"] else ""
    return Finding("agree", shown[same[0]], None, f"{' or '.join(same)} interval{caution}")


def _limits(low: float | None, high: float | None) -> tuple[Fraction, Fraction]:
    return HUNDRED * Fraction(low or 0.0), HUNDRED * Fraction(1.0 if high is None else high)


def _wald(count: int, total: int) -> tuple[Fraction, Fraction]:
    share = count / total
    half = NORMAL_975 * math.sqrt(share * (1 - share) / total)
    return HUNDRED * Fraction(share - half), HUNDRED * Fraction(share + half)


def _mean_possible(claim: Claim, figure: Printed, ends: tuple[Printed, Printed]) -> Finding:
    if claim.n is None:
        return Finding("agree", "inside", None, "")
    if claim.n < 1 or not _feasible(figure, ends, claim.n):
        note = f"inside, but no mean of {claim.n} values when one lies at each end"
        return Finding("disagree", "inside", None, note)
    return Finding("agree", "inside", None, f"possible for {claim.n} values")


def _feasible(mean: Printed, ends: tuple[Printed, Printed], size: int) -> bool:
    """Whether n values, the smallest and the largest at the ends, can have the mean."""
    low, high = ends
    if size == 1:
        return low.low < high.high and low.high > high.low
    least = ((size - 1) * low.low + high.low) / size
    most = (low.high + (size - 1) * high.high) / size
    return mean.high >= least and mean.low <= most


def _largest_squares(mean: Printed | None, ends: tuple[Fraction, Fraction], size: int) -> Fraction:
    """The largest sum of squared distances from the mean of `size` values between the ends."""
    low, high = ends
    if mean is None:
        half = size // 2
        return (high - low) ** 2 * half * (size - half) / size
    centre = min(max((low + high) / 2, mean.low), mean.high)
    return max(size * (high - centre) * (centre - low), Fraction(0))


def _smallest_squares(mean: Printed | None, ends: tuple[Fraction, Fraction], size: int) -> Fraction:
    """The smallest such sum when one value lies at each end and the rest lie together."""
    low, high = ends
    if low >= high:
        return Fraction(0)
    middle = (low + high) / 2
    centre = middle if mean is None else min(max(middle, mean.low), mean.high)
    apart = (centre - low) ** 2 + (high - centre) ** 2
    rest = (2 * centre - low - high) ** 2 / (size - 2) if size > 2 else Fraction(0)
    return apart + rest
