"""Shares of cases: one proportion and the difference between two, from counts."""

from __future__ import annotations

import math
from typing import Any

from scipy import special

from audit.estimates.estimate import LEVEL, Estimate
from audit.estimates.inputs import check_choice, check_count, check_level
from audit.estimates.particulars import Particulars


def proportion(
    events: Any,
    n: Any,
    *,
    method: str = "wilson",
    missing: int = 0,
    level: float = LEVEL,
    unit: str = "",
) -> Estimate:
    """Share of n cases with the event (0 to 1), with an interval also at 0 and at n events.

    events, n: whole numbers, 0 <= events <= n; missing: cases whose answer is not known, carried
    through. method: wilson (score interval without continuity correction; Wilson 1927, J Am Stat
    Assoc 22:209-212), exact (Clopper and Pearson 1934, Biometrika 26:404-413) or jeffreys
    (equal-tailed Beta(events + 1/2, n - events + 1/2) with 0 at no events and 1 at n; Brown, Cai
    and DasGupta 2001, Stat Sci 16:101-133). n = 0: not estimable. Raises ValueError for other
    counts or methods.
    """
    check_level(level)
    check_choice(method, _LIMITS, name="method")
    happened, total = check_events(events, n)
    label = {"wilson": "Wilson", "exact": "exact (Clopper-Pearson)", "jeffreys": "Jeffreys"}[method]
    about = Particulars(
        method=f"proportion, {label} interval", n=total, missing=missing, level=level, unit=unit
    )
    if total == 0:
        return about.nothing("no cases")
    return about.estimate(happened / total, *_LIMITS[method](happened, total, level))


def proportion_difference(e1: Any, n1: Any, e2: Any, n2: Any, *, level: float = LEVEL) -> Estimate:
    """Share of the first group minus share of the second, e1/n1 - e2/n2 (-1 to 1).

    Whole numbers, 0 <= e <= n in each group; a group without cases: not estimable. Interval:
    Newcombe's square-and-add of the two Wilson intervals, no continuity correction (method 10
    of Newcombe 1998, Stat Med 17:873-890). `n` counts both groups.
    """
    check_level(level)
    x1, t1 = check_events(e1, n1, names=("e1", "n1"))
    x2, t2 = check_events(e2, n2, names=("e2", "n2"))
    method = "difference of two proportions, Newcombe interval"
    about = Particulars(method=method, n=t1 + t2, level=level)
    if t1 == 0 or t2 == 0:
        return about.nothing("no cases in " + ("both groups" if t1 == t2 else "one group"))
    p1, p2 = x1 / t1, x2 / t2
    low1, high1 = wilson_limits(x1, t1, level)
    low2, high2 = wilson_limits(x2, t2, level)
    low = p1 - p2 - math.hypot(p1 - low1, high2 - p2)
    high = p1 - p2 + math.hypot(high1 - p1, p2 - low2)
    return about.estimate(p1 - p2, low, high)


def check_events(
    events: Any, n: Any, *, names: tuple[str, str] = ("events", "n")
) -> tuple[int, int]:
    """Both counts as int, or ValueError unless whole and 0 <= events <= n."""
    happened, total = check_count(events, name=names[0]), check_count(n, name=names[1])
    if happened > total:
        raise ValueError(f"{names[0]} must not exceed {names[1]}")
    return happened, total


def wilson_limits(events: float, n: float, level: float) -> tuple[float, float]:
    """Wilson's score limits; events and n may be effective (not whole) numbers, n > 0."""
    z2 = float(special.ndtri(0.5 + level / 2)) ** 2
    centre = (events + z2 / 2) / (n + z2)
    half = math.sqrt(z2 * (events * (n - events) / n + z2 / 4)) / (n + z2)
    # In exact arithmetic the limit is 0 or 1 there; rounding would leave a tiny remainder.
    low = 0.0 if events == 0 else centre - half
    high = 1.0 if events == n else centre + half
    return low, high


def exact_limits(events: int, n: int, level: float) -> tuple[float, float]:
    """Clopper and Pearson's exact limits from the beta distribution."""
    tail = (1 - level) / 2
    low = 0.0 if events == 0 else special.betaincinv(events, n - events + 1, tail)
    high = 1.0 if events == n else special.betaincinv(events + 1, n - events, 1 - tail)
    return float(low), float(high)


def jeffreys_limits(events: int, n: int, level: float) -> tuple[float, float]:
    """Equal-tailed limits of the Jeffreys posterior, 0 at no events and 1 at n events."""
    tail, a, b = (1 - level) / 2, events + 0.5, n - events + 0.5
    low = 0.0 if events == 0 else special.betaincinv(a, b, tail)
    high = 1.0 if events == n else special.betaincinv(a, b, 1 - tail)
    return float(low), float(high)


_LIMITS = {"wilson": wilson_limits, "exact": exact_limits, "jeffreys": jeffreys_limits}
