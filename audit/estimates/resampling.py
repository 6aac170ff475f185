"""Bootstrap machinery: whole clusters are drawn again, so that a patient's cases stay together.

A resample draws as many clusters as there are, with replacement. A resample is a row of counts
(how often each cluster was drawn), so the named statistics are matrix sums, and the median a
weighted count over values sorted once. With few clusters every distinct resample is listed with
its probability instead, and no chance is left in the limits.
"""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Callable, Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from audit.estimates.estimate import Estimate
from audit.estimates.inputs import (
    Codes,
    Numbers,
    check_choice,
    check_count,
    check_level,
)
from audit.estimates.particulars import Particulars

RESAMPLES = 2000
SEED = 20260101
FEW_CLUSTERS = 10
INTERVALS = ("percentile", "bca")

# Cells of the largest table of weights held in memory at once.
_CELLS = 4_000_000
# More failing resamples than this share, and the rest no longer stands for the sample.
_FAILING = 0.05
_ROUNDING = 1e-12

Draws = NDArray[np.int32]
Weighted = Callable[[Codes], Numbers]


@dataclasses.dataclass(frozen=True, eq=False)
class Resamples:
    """The bootstrap distribution: values, their probabilities, and what a BCa interval needs.

    value: the statistic of the sample itself; values: of each resample (missing where it has
    none); weights: probability of each; statistic: gives a value for each row of cluster counts;
    groups: number of clusters; enumerated: all distinct resamples are there, none by chance.
    """

    value: float
    values: Numbers
    weights: Numbers
    statistic: Weighted
    groups: int
    enumerated: bool
    n: int
    missing: int

    def failing(self) -> float:
        """Share of the resamples that give no value."""
        return float(self.weights[np.isnan(self.values)].sum())

    def standard_error(self) -> float:
        """Standard deviation of the bootstrap distribution."""
        values, weights = self._usable()
        centre = float((weights * values).sum())
        return math.sqrt(float((weights * (values - centre) ** 2).sum()))

    def quantiles(self, shares: tuple[float, ...]) -> tuple[float, ...]:
        """Smallest values whose cumulative probability reaches each share (R type 1)."""
        values, weights = self._usable()
        order = np.argsort(values, kind="stable")
        reached = np.cumsum(weights[order])
        places = np.searchsorted(reached, np.asarray(shares) - _ROUNDING)
        return tuple(float(x) for x in values[order][np.minimum(places, values.size - 1)])

    def bias_correction(self) -> float:
        """z0: normal quantile of the share below the sample's value, ties counted half."""
        values, weights = self._usable()
        close = np.isclose(values, self.value, rtol=_ROUNDING, atol=0)
        share = weights[(values < self.value) & ~close].sum() + weights[close].sum() / 2
        return float(special.ndtri(share))

    def acceleration(self) -> float:
        """Skewness of the statistic over the clusters left out in turn, divided by 6."""
        left_out = self.statistic(
            np.ones((self.groups, self.groups), dtype=int) - np.eye(self.groups, dtype=int)
        )
        distance = left_out.mean() - left_out
        spread = float((distance**2).sum()) ** 1.5
        return float((distance**3).sum()) / (6 * spread) if spread > 0 else 0.0

    def limits(
        self, level: float, *, interval: str = "percentile"
    ) -> tuple[float | None, float | None]:
        """Limits of the percentile or of the bias-corrected and accelerated (bca) interval.

        No bca interval exists where all resamples lie on one side of the value, or where it
        cannot be had without one of the clusters: both limits are None.
        """
        check_choice(interval, INTERVALS, name="interval")
        tail = (1 - check_level(level)) / 2
        shares: tuple[float, ...] = (tail, 1 - tail)
        if interval == "bca":
            z0, a = self.bias_correction(), self.acceleration()
            if not (math.isfinite(z0) and math.isfinite(a)):
                return None, None
            shifted = [z0 + float(special.ndtri(share)) for share in shares]
            shares = tuple(float(special.ndtr(z0 + z / (1 - a * z))) for z in shifted)
        low, high = self.quantiles(shares)
        return low, high

    def _usable(self) -> tuple[Numbers, Numbers]:
        known = ~np.isnan(self.values)
        return self.values[known], self.weights[known] / self.weights[known].sum()


def draw(weighted: Weighted, codes: Codes, *, missing: int, resamples: int, seed: int) -> Resamples:
    """Evaluates a weighted statistic on the sample, each resample and each cluster left out."""
    if check_count(resamples, name="resamples") < 1:
        raise ValueError("resamples must be 1 or more")
    groups = int(codes.max()) + 1 if codes.size else 0
    if groups == 0:
        nothing = np.empty(0)
        return Resamples(math.nan, nothing, nothing, weighted, 0, True, 0, missing)
    value = float(weighted(np.ones((1, groups), dtype=np.intp))[0])
    enumerated = math.comb(2 * groups - 1, groups) <= resamples
    if enumerated:
        counts, weights = _all_resamples(groups)
    else:
        counts = _random_resamples(groups, resamples, seed)
        weights = np.full(resamples, 1 / resamples)
    values = _in_blocks(weighted, counts, rows=codes.size)
    return Resamples(value, values, weights, weighted, groups, enumerated, int(codes.size), missing)


def bootstrap_estimate(drawn: Resamples, *, name: str, level: float, unit: str) -> Estimate:
    """The percentile interval of a bootstrap distribution, or the value alone with the reason."""
    how = "all resamples listed" if drawn.enumerated else f"{drawn.values.size} resamples"
    method = f"{name}, cluster bootstrap percentile interval ({how})"
    about = Particulars(method=method, n=drawn.n, missing=drawn.missing, level=level, unit=unit)
    if math.isnan(drawn.value):
        return about.nothing("no values" if drawn.n == 0 else "the statistic has no value here")
    groups = drawn.groups
    if groups < 2:
        return about.estimate(drawn.value, note="fewer than two clusters: no interval")
    failing = drawn.failing()
    if failing > _FAILING:
        return about.estimate(drawn.value, note=f"{failing:.0%} of the resamples give no value")
    notes = [f"{failing:.1%} of the resamples give no value and are left out"] if failing else []
    if groups < FEW_CLUSTERS:
        notes.append(f"only {groups} clusters: the interval tends to be too narrow")
    low, high = drawn.limits(level)
    return about.estimate(drawn.value, low, high, note="; ".join(notes))


class RatioStatistic:
    """Total over total for each row of cluster counts: mean, proportion and rate."""

    def __init__(self, top: Numbers, bottom: Numbers, codes: Codes) -> None:
        groups = int(codes.max()) + 1 if codes.size else 0
        self._top = np.bincount(codes, weights=top, minlength=groups)
        self._bottom = np.bincount(codes, weights=bottom, minlength=groups)

    def __call__(self, counts: Codes) -> Numbers:
        top, bottom = counts @ self._top, counts @ self._bottom
        return np.divide(top, bottom, out=np.full(top.shape, np.nan), where=bottom != 0)


class QuantileStatistic:
    """Linear-interpolation quantile (as numpy) of the rows that each row of counts repeats."""

    def __init__(self, values: Numbers, codes: Codes, q: float) -> None:
        order = np.argsort(values, kind="stable")
        self._values, self._codes, self._q = values[order], codes[order], q

    def __call__(self, counts: Codes) -> Numbers:
        reached = np.cumsum(counts.astype(np.int32)[:, self._codes], axis=1, dtype=np.int32)
        place = (reached[:, -1] - 1) * self._q
        below = np.floor(place).astype(np.int32)
        low = self._ranked(reached, below)
        high = self._ranked(reached, np.minimum(below + 1, reached[:, -1] - 1))
        share, step = place - below, high - low
        # Both halves as numpy.quantile has them, so that the result is the same to the last bit.
        return np.where(share < 0.5, low + step * share, high - step * (1 - share))

    def _ranked(self, reached: Draws, rank: Draws) -> Numbers:
        """The value at a rank from 0 in each resample: the first whose running count passes it."""
        return self._values[np.argmax(reached > rank[:, None], axis=1)]


class TableStatistic:
    """A function of a table, called on the rows that each row of counts repeats."""

    def __init__(
        self, table: pd.DataFrame, codes: Codes, function: Callable[[pd.DataFrame], float]
    ) -> None:
        self._table, self._function = table, function
        groups = int(codes.max()) + 1 if codes.size else 0
        self._rows = [np.flatnonzero(codes == group) for group in range(groups)]

    def __call__(self, counts: Codes) -> Numbers:
        return np.array([self._once(row) for row in counts])

    def _once(self, row: Codes) -> float:
        places = np.concatenate([np.tile(self._rows[g], row[g]) for g in np.flatnonzero(row)])
        result = self._function(self._table.iloc[places].reset_index(drop=True))
        number = math.nan if result is None or result is pd.NA else float(result)
        return number if math.isfinite(number) else math.nan


def _random_resamples(groups: int, resamples: int, seed: int) -> Codes:
    """So many rows of cluster counts, each of as many draws as there are clusters."""
    drawn = np.random.default_rng(seed).integers(groups, size=(resamples, groups))
    cells = drawn + groups * np.arange(resamples)[:, None]
    counts = np.bincount(cells.ravel(), minlength=groups * resamples)
    return counts.reshape(resamples, groups)


def _in_blocks(weighted: Weighted, counts: Codes, *, rows: int) -> Numbers:
    """The statistic of every row of counts, a block at a time to bound the memory."""
    size = max(1, _CELLS // max(rows, 1))
    starts = range(0, len(counts), size)
    return np.concatenate([weighted(counts[start : start + size]) for start in starts])


def _all_resamples(groups: int) -> tuple[Codes, Numbers]:
    """Every distinct row of cluster counts and its multinomial probability."""
    counts = np.array(list(_compositions(groups, groups)))
    ways = special.gammaln(groups + 1) - special.gammaln(counts + 1).sum(axis=1)
    return counts, np.exp(ways - groups * math.log(groups))


def _compositions(total: int, parts: int) -> Iterator[tuple[int, ...]]:
    """All ways to write a total as an ordered sum of so many numbers of 0 or more."""
    for bars in itertools.combinations(range(total + parts - 1), parts - 1):
        edges = (-1, *bars, total + parts - 1)
        yield tuple(high - low - 1 for low, high in itertools.pairwise(edges))
