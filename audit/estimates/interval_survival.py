"""Time to an event seen only at visits: the curve for intervals (last without, first with].

The plain curve treats the day an event was first seen as the day it happened. This one uses only
what is known: it happened after the last visit without it and on or before the first with it.
"""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pandas as pd

from audit.estimates.estimate import LEVEL, Estimate, not_estimable
from audit.estimates.time_input import (
    check_level,
    check_time,
    codes_of,
    numbers,
    same_rows,
    without_noise,
)
from audit.estimates.turnbull import GAP, fit_masses, log_likelihood, supports_of

METHOD = "interval-censored curve (Turnbull), intervals open on the left"
_LEAST_MASS = 1e-7
_SAME_SHARE = 1e-6


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class IntervalCurve:
    """Share still waiting when the event is known only to lie in an interval.

    n, missing: cases used and left out; gap: what is left to gain in mean log-likelihood by
    moving mass (0 at the maximum); log_likelihood; level and unit as for other estimates.
    """

    n: int
    missing: int
    gap: float
    log_likelihood: float
    level: float
    unit: str
    left: np.ndarray = dataclasses.field(repr=False)
    right: np.ndarray = dataclasses.field(repr=False)
    mass: np.ndarray = dataclasses.field(repr=False)

    @property
    def survival(self) -> np.ndarray:
        """Share still waiting at the right end of each interval of the table."""
        return np.clip(1 - self.mass.cumsum(), 0.0, 1.0)

    @property
    def table(self) -> pd.DataFrame:
        """A row for each interval that carries mass: left, right, mass, survival.

        The mass lies after `left` and up to `right` (at that very time when they are equal;
        `right` is infinite for cases whose event may never come). survival is the share waiting
        at `right`; inside an interval the data do not fix the curve.
        """
        return pd.DataFrame(
            {
                "left": self.left,
                "right": self.right,
                "mass": self.mass,
                "survival": self.survival,
            }
        )

    def median(self) -> Estimate:
        """Time by which half have had the event; see `quantile`."""
        return self.quantile(0.5)

    def quantile(self, q: float) -> Estimate:
        """Latest time by which the share `q` have had the event, the interval being in the note.

        The data fix an interval only: the value is its right end, comparable with a curve on
        the date first seen. No limits are given; see `interval_quantile` for resampled ones.
        """
        name = "median" if q == 0.5 else f"{q:.4g} quantile of time"
        method = f"{name}, {METHOD}"
        row = self._row_of(q)
        if row is None:
            return self._refused("no cases", method)
        if np.isinf(self.right[row]):
            waiting = 100 * (1.0 if row == 0 else self.survival[row - 1])
            reason = f"{name} not reached: {waiting:.0f} % still waiting at the last visits"
            return self._refused(reason, method)
        left, right = self.left[row], self.right[row]
        note = "an exact time" if left == right else f"lies after {left:g} and up to {right:g}"
        return self._estimate(float(right), method, self.unit, note)

    def quantile_interval(self, q: float) -> tuple[float, float] | None:
        """Interval (after, up to] that holds the quantile; infinite end if not reached."""
        row = self._row_of(q)
        return None if row is None else (float(self.left[row]), float(self.right[row]))

    def at(self, t: float) -> Estimate:
        """Share still waiting just after time `t`; not estimable inside an interval with mass."""
        t = check_time(t)
        if self.n == 0:
            return self._refused("no cases", METHOD, unit="share")
        row = int(np.searchsorted(self.right, t, side="right"))
        value = 1.0 if row == 0 else float(self.survival[row - 1])
        if row < self.right.size and self.left[row] < t:
            if np.isinf(self.right[row]):
                reason = "asked for a time beyond the last visits, where cases are still waiting"
            else:
                after = 100 * self.survival[row]
                reason = (
                    f"the visits do not fix the curve after {self.left[row]:g} and before"
                    f" {self.right[row]:g}: between {after:.0f} % and {100 * value:.0f} %"
                )
            return self._refused(reason, METHOD, unit="share")
        return self._estimate(value, METHOD, "share", "no limits exist in closed form")

    def _row_of(self, q: float) -> int | None:
        if not 0 < q < 1:
            raise ValueError(f"q is the share that has had the event, between 0 and 1; got {q!r}")
        if self.n == 0:
            return None
        return int(np.argmax(self.survival <= 1 - q + _SAME_SHARE))

    def _estimate(self, value: float, method: str, unit: str, note: str) -> Estimate:
        return Estimate(
            value=value,
            level=self.level,
            n=self.n,
            missing=self.missing,
            method=method,
            unit=unit,
            note=note,
        )

    def _refused(self, reason: str, method: str, unit: str | None = None) -> Estimate:
        return not_estimable(
            reason,
            n=self.n,
            missing=self.missing,
            method=method,
            unit=self.unit if unit is None else unit,
            level=self.level,
        )


def interval_survival_curve(
    lower: Any, upper: Any, *, level: float = LEVEL, missing: int = 0, unit: str = "days"
) -> IntervalCurve:
    """Non-parametric maximum-likelihood curve for events known to lie in (lower, upper].

    lower: last time without the event (0 or more); upper: first time with it, `inf` while still
    waiting, equal to lower for a time known exactly. A row with both empty counts as missing; a
    row with one empty is an error, since an empty upper end must not drop a waiting case.
    Turnbull 1976, J R Stat Soc B 38:290-295; fitted as described in `turnbull.fit_masses`, to a
    gap of at most 1e-6 (ArithmeticError otherwise). Where several sets of masses fit equally
    well, one of them is given.
    """
    check_level(level)
    low, high, kept = read_intervals(lower, upper)
    left, right, mass, gap, best = _fit(low, high)
    return IntervalCurve(
        n=low.size,
        missing=missing + len(lower) - kept.size,
        gap=gap,
        log_likelihood=best,
        level=level,
        unit=unit,
        left=left,
        right=right,
        mass=mass,
    )


def interval_quantile(
    lower: Any,
    upper: Any,
    *,
    q: float = 0.5,
    cluster: Any = None,
    resamples: int = 1000,
    seed: int = 20260930,
) -> Estimate:
    """A quantile of the interval-censored curve with limits from resampled clusters.

    cluster: label of the patient a row belongs to (rows themselves when not given); whole
    clusters are drawn with replacement by a generator of its own, so the caller's random state
    is untouched and the same seed gives the same limits. Limits are percentiles of the
    resampled values at level 0.95; "not reached" ranks above every time. They are rough: theory
    warrants no better for this curve (Sen & Xu 2015, Comput Stat Data Anal 81:121-129).
    """
    found = interval_survival_curve(lower, upper).quantile(q)
    low, high, kept = read_intervals(lower, upper)
    if cluster is None:
        codes, count = np.arange(low.size), low.size
    else:
        same_rows(lower=lower, upper=upper, cluster=cluster)
        labels = pd.Series(cluster).reset_index(drop=True).iloc[kept]
        codes, names = codes_of(labels, name="cluster")
        count = len(names)
    if count < 2:
        return dataclasses.replace(found, note=f"{found.note}; one cluster only, so no limits")
    if resamples < 1:
        raise ValueError("resamples must be 1 or more")
    rng = np.random.default_rng(seed)
    order = np.argsort(codes, kind="stable")
    borders = np.searchsorted(codes[order], np.arange(count + 1))
    members = [order[borders[code] : borders[code + 1]] for code in range(count)]
    values = np.empty(resamples)
    for draw in range(resamples):
        rows = np.concatenate([members[code] for code in rng.integers(0, count, count)])
        values[draw] = _resampled(low[rows], high[rows], q)
    return _with_percentiles(found, values, count)


def read_intervals(lower: Any, upper: Any) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Checked lower and upper ends of the complete rows, and the positions of these rows."""
    same_rows(lower=lower, upper=upper)
    low, high = numbers(lower, name="lower"), numbers(upper, name="upper")
    if (np.isnan(low) ^ np.isnan(high)).any():
        raise ValueError(
            "a row has only one end of its interval; write inf as the upper end of a case that"
            " is still waiting"
        )
    kept = np.flatnonzero(~np.isnan(low))
    low, high = without_noise(low[kept]), without_noise(high[kept])
    if not np.isfinite(low).all() or (low < 0).any():
        raise ValueError("lower must be finite and 0 or more")
    if (low > high).any():
        raise ValueError("lower must not be above upper")
    return low, high, kept


def _fit(
    low: np.ndarray, high: np.ndarray, *, aim: float = GAP / 100
) -> tuple[np.ndarray, np.ndarray, np.ndarray, float, float]:
    """Intervals with mass, their masses, the gap and the log-likelihood."""
    if low.size == 0:
        return np.zeros(0), np.zeros(0), np.zeros(0), 0.0, 0.0
    supports = supports_of(low, high)
    weight = np.bincount(supports.case_row).astype(np.float64)
    mass, gap = fit_masses(supports, weight, aim=aim)
    best = log_likelihood(supports, mass, weight)
    used = mass > _LEAST_MASS
    return supports.left[used], supports.right[used], mass[used], gap, best


def _resampled(low: np.ndarray, high: np.ndarray, q: float) -> float:
    _, right, mass, _, _ = _fit(low, high, aim=GAP)
    return float(right[np.argmax(1 - mass.cumsum() <= 1 - q + _SAME_SHARE)])


def _with_percentiles(found: Estimate, values: np.ndarray, clusters: int) -> Estimate:
    ordered = np.sort(values)
    tail = (1 - found.level) / 2
    low, high = (
        float(ordered[int(np.ceil(share * (ordered.size - 1)))]) for share in (tail, 1 - tail)
    )
    note = f"{found.note}; {values.size} resamples of {clusters} clusters"
    if np.isinf(high):
        note += "; upper limit not reached"
    return dataclasses.replace(
        found,
        low=None if np.isinf(low) else low,
        high=None if np.isinf(high) else high,
        method=f"{found.method}, percentile bootstrap",
        note=note,
    )
