"""Between which numbers a pooled answer lies when some of its parts are hidden or rounded.

Each centre gives a range for each of its numbers. The ranges here are certain, not likely: the
answer from the true numbers lies inside whatever they are. They hold no sampling doubt.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np
from scipy import optimize


@dataclasses.dataclass(frozen=True)
class Range:
    """low and high of a number; either may be infinite where nothing bounds it."""

    low: float
    high: float

    @property
    def exact(self) -> bool:
        """True where the number is known."""
        return self.low == self.high


UNKNOWN = Range(-math.inf, math.inf)


def total_range(parts: Sequence[Range]) -> Range:
    """The range of a sum."""
    return Range(sum(part.low for part in parts), sum(part.high for part in parts))


def share_range(events: Sequence[Range], sizes: Sequence[Range]) -> Range:
    """The range of sum(events) / sum(sizes) where no part has more events than size.

    Lowest: fewest events in most cases. Highest: most events in the fewest cases that hold them,
    since one more event with its case never lowers a share. UNKNOWN without any case.
    """
    most = sum(size.high for size in sizes)
    if most <= 0:
        return UNKNOWN
    low = sum(event.low for event in events) / most if math.isfinite(most) else 0.0
    pairs = [
        (min(event.high, size.high), size.low) for event, size in zip(events, sizes, strict=True)
    ]
    top, bottom = sum(top for top, _ in pairs), sum(max(pair) for pair in pairs)
    high = top / bottom if bottom > 0 and math.isfinite(top) else 1.0
    if top == 0:
        high = 0.0
    return Range(max(low, 0.0), min(high, 1.0))


def rate_range(events: Sequence[Range], exposures: Sequence[Range], *, per: float) -> Range:
    """The range of per x sum(events) / sum(exposures); events are not bounded by exposure."""
    event, exposure = total_range(events), total_range(exposures)
    if exposure.high <= 0:
        return UNKNOWN
    low = per * event.low / exposure.high if math.isfinite(exposure.high) else 0.0
    high = per * event.high / exposure.low if exposure.low > 0 else math.inf
    return Range(max(low, 0.0), high)


def mean_range(means: Sequence[Range], sizes: Sequence[Range]) -> Range:
    """The range of the mean weighted by size.

    A weighted mean of given values is lowest with the most weight on the smallest of them: all
    cuts of the ordered values are tried (a linear-fractional programme takes its optimum at a
    vertex of the box, and only such vertices can be optimal). Sizes that may be 0 can drop out.
    """
    parts = [(mean, size) for mean, size in zip(means, sizes, strict=True) if size.high > 0]
    if not parts:
        return UNKNOWN
    low = _lowest([(mean.low, size) for mean, size in parts])
    high = -_lowest([(-mean.high, size) for mean, size in parts])
    return Range(low, high)


def _lowest(parts: list[tuple[float, Range]]) -> float:
    if any(value == -math.inf for value, _ in parts):
        return -math.inf
    if all(size.low == 0 for _, size in parts):
        return min(value for value, _ in parts)
    if any(math.isinf(size.high) for _, size in parts):
        # a size without bound can outweigh the rest
        free = min(value for value, size in parts if math.isinf(size.high))
        rest = [(value, Range(size.low, min(size.high, 1e300))) for value, size in parts]
        return min(free, _lowest(rest))
    ordered = sorted(parts, key=lambda part: part[0])
    tried = []
    for cut in range(len(ordered) + 1):
        weights = [size.high if at < cut else size.low for at, (_, size) in enumerate(ordered)]
        if sum(weights) > 0:
            top = sum(w * value for w, (value, _) in zip(weights, ordered, strict=True) if w > 0)
            tried.append(top / sum(weights))
    return min(tried)


def deviation_range(
    means: Sequence[Range], deviations: Sequence[Range], sizes: Sequence[Range]
) -> Range:
    """A range that holds the pooled standard deviation (n - 1).

    Sum of squares = within the centres, (n - 1) sd^2, and between them, n (mean - pooled mean)^2.
    The pooled mean makes the second least, so any other centre bounds it from above, and the least
    over the box bounds it from below. It may be wider than need be. UNKNOWN where a part is not
    bounded or fewer than two rows are certain.
    """
    parts = zip(means, deviations, sizes, strict=True)
    held = [part for part in parts if part[2].high > 0]
    if not held:
        return UNKNOWN
    means, deviations, sizes = zip(*held, strict=True)
    fewest, most = (sum(size.low for size in sizes), sum(size.high for size in sizes))
    bounded = all(math.isfinite(x) for part in (*means, *sizes) for x in (part.low, part.high))
    if not bounded or most < 2 or not math.isfinite(most):
        return UNKNOWN
    within_low = within_high = 0.0
    for size, spread in zip(sizes, deviations, strict=True):
        within_low += max(size.low - 1, 0.0) * max(spread.low, 0.0) ** 2
        # one value has no deviation, whatever is not shown for it
        within_high += (size.high - 1) * spread.high**2 if size.high > 1 else 0.0
    between_low, between_high = _between(means, sizes)
    low = math.sqrt((within_low + between_low) / (most - 1))
    high = math.sqrt((within_high + between_high) / (fewest - 1)) if fewest >= 2 else math.inf
    return Range(low, high)


def _between(means: Sequence[Range], sizes: Sequence[Range]) -> tuple[float, float]:
    low = np.array([mean.low for mean in means])
    high = np.array([mean.high for mean in means])
    fewest = np.array([size.low for size in sizes])
    most = np.array([size.high for size in sizes])

    def least(centre: float) -> float:
        away = np.maximum(np.maximum(low - centre, centre - high), 0.0)
        return float((fewest * away**2).sum())

    def greatest(centre: float) -> float:
        away = np.maximum(np.abs(low - centre), np.abs(high - centre))
        return float((most * away**2).sum())

    ends = (float(low.min()), float(high.max()))
    if ends[0] == ends[1]:
        return least(ends[0]), greatest(ends[0])
    fine = {"xatol": 1e-12 * max(abs(ends[0]), abs(ends[1]), 1.0)}
    found = optimize.minimize_scalar(greatest, bounds=ends, method="bounded", options=fine)
    # any centre bounds the spread from above; from below only the true minimum does, which is
    # convex: a tangent at the point found, reaching to the far end, stays below it
    nearest = optimize.minimize_scalar(least, bounds=ends, method="bounded", options=fine)
    away = np.where(
        nearest.x < low, nearest.x - low, np.where(nearest.x > high, nearest.x - high, 0)
    )
    slope = abs(2 * float((fewest * away).sum()))
    floor = max(least(nearest.x) - slope * (ends[1] - ends[0]), 0.0)
    return floor, greatest(found.x)


def extreme_range(values: Sequence[Range]) -> Range:
    """From the smallest to the largest of the parts: holds any weighted mean of them, and the
    median of all rows when the parts are medians."""
    if not values:
        return UNKNOWN
    return Range(min(value.low for value in values), max(value.high for value in values))
