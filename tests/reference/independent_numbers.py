"""The kinds of number of the independent program, each from its textbook formula.

t interval of a mean, chi-squared interval of a standard deviation (any textbook); Wilson EB. J Am
Stat Assoc 1927;22:209-212; exact Poisson: Garwood F. Biometrika 1936;28:437-442; product limit:
Kaplan EL, Meier P. J Am Stat Assoc 1958;53:457-481, its median by the rule of R's survival package
(middle of a step that lies at exactly one half); agreement: Bland JM, Altman DG. Lancet
1986;1:307-310, exact limits by the noncentral t: Carkeet A. Optom Vis Sci 2015;92:e71-e80
(citations from memory). A number is (n, value, low, high); None = not estimable, or limits that
this program leaves alone.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Iterator
from fractions import Fraction
from typing import Any

from scipy import stats

Z = stats.norm.ppf(0.975)
Number = tuple[int, Any, Any, Any]


def type_7(ordered: list[float], share: float) -> float:
    place = (len(ordered) - 1) * share
    below = math.floor(place)
    above = min(below + 1, len(ordered) - 1)
    return ordered[below] + (place - below) * (ordered[above] - ordered[below])


def averages(values: Iterable[Fraction]) -> Iterator[tuple[str, Number]]:
    """Mean with t interval, standard deviation with chi-squared interval, quartiles, extremes."""
    exact = sorted(values)
    ordered, n = [float(value) for value in exact], len(exact)
    mean, sd, mean_limits, sd_limits = None, None, (None, None), (None, None)
    if n > 0:
        mean = float(sum(exact) / n)
    if n > 1:
        sd = statistics.stdev(ordered)
        half = stats.t.ppf(0.975, n - 1) * sd / math.sqrt(n)
        mean_limits = (mean - half, mean + half)
        chi = stats.chi2.ppf([0.975, 0.025], n - 1)
        sd_limits = tuple(sd * math.sqrt((n - 1) / value) for value in chi)
    yield "mean", (n, mean, *mean_limits)
    yield "sd", (n, sd, *sd_limits)
    for name, share in (("min", 0), ("q1", 0.25), ("median", 0.5), ("q3", 0.75), ("max", 1)):
        yield name, (n, type_7(ordered, share) if n else None, None, None)


def wilson(answers: Iterable[bool]) -> Number:
    seen = list(answers)
    n, share = len(seen), None
    if n == 0:
        return 0, None, None, None
    share = sum(seen) / n
    middle = (share + Z**2 / (2 * n)) / (1 + Z**2 / n)
    half = Z / (1 + Z**2 / n) * math.sqrt(share * (1 - share) / n + Z**2 / (4 * n**2))
    low = middle - half if sum(seen) else 0.0
    return n, share, low, middle + half if sum(seen) < n else 1.0


def poisson_rate(events: int, exposure: Fraction, n: int) -> Number:
    """Events per 100 of exposure with exact limits."""
    if exposure <= 0:
        return n, None, None, None
    per = 100 / float(exposure)
    low = stats.chi2.ppf(0.025, 2 * events) / 2 if events else 0.0
    return n, events * per, low * per, stats.chi2.ppf(0.975, 2 * events + 2) / 2 * per


def agreement(errors: Iterable[Fraction]) -> Iterator[tuple[str, Number]]:
    """Bias and limits of agreement (bias -/+ 1.96 sd) with exact intervals."""
    rows = dict(averages(errors))
    n, bias, low, high = rows["mean"]
    yield "bias", (n, bias, low, high)
    sd = rows["sd"][1]
    if sd is None:
        yield from (("limit_low", (n, None, None, None)), ("limit_high", (n, None, None, None)))
        return
    root = math.sqrt(n)
    near, far = (sd / root * stats.nct.ppf([0.025, 0.975], n - 1, Z * root)).tolist()
    yield "limit_low", (n, bias - Z * sd, bias - far, bias - near)
    yield "limit_high", (n, bias + Z * sd, bias + near, bias + far)


class Curve:
    """Product-limit curve of (entry or None, time, seen); at risk at t: entry < t <= time.

    Who arrived when the time was over was never at risk and is not counted. Once nobody is left
    at risk the curve lies at nought; where others have yet to enter, it says nothing from then on.
    """

    def __init__(self, rows: list[tuple[Fraction | None, Fraction, bool]]):
        rows = [row for row in rows if row[0] is None or row[0] < row[1]]
        self.n, self.end = len(rows), max((time for _, time, _ in rows), default=Fraction(0))
        self.steps: list[tuple[Fraction, Fraction]] = []
        left = Fraction(1)
        for day in sorted({time for _, time, seen in rows if seen}):
            entered = [row for row in rows if row[0] is None or row[0] < day]
            at_risk = sum(time >= day for _, time, _ in entered)
            events = sum(time == day and seen for _, time, seen in entered)
            if events:
                left *= 1 - Fraction(events, at_risk)
                self.steps.append((day, left))
        ended = [day for day, share in self.steps if share == 0]
        self.broken = bool(ended) and any((entry or 0) >= ended[0] for entry, _, _ in rows)

    def at(self, day: int) -> Fraction | None:
        left = ([Fraction(1)] + [share for time, share in self.steps if time <= day])[-1]
        unknown = self.broken if left == 0 else day > self.end
        return None if self.n == 0 or unknown else left

    def median(self) -> Fraction | None:
        half = Fraction(1, 2)
        reached = [number for number, (_, share) in enumerate(self.steps) if share <= half]
        if not reached:
            return None
        day, share = self.steps[reached[0]]
        if share < half:
            return None if share == 0 and self.broken else day
        later = [time for time, _ in self.steps[reached[0] + 1 :]]
        return (day + (later[0] if later else self.end)) / 2

    def area(self, until: int) -> Fraction | None:
        if self.at(until) is None:
            return None
        total, since, left = Fraction(0), Fraction(0), Fraction(1)
        for day, share in self.steps:
            if day >= until:
                break
            total += left * (day - since)
            since, left = day, share
        return total + left * (until - since)
