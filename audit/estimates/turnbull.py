"""Likelihood machinery for times known only to an interval: masses that fit the data best.

Every interval becomes a run of integer codes: 2k for "exactly at the k-th distinct time" and
2k + 1 for "after it, before the next one". (L, R] then starts at 2k(L) + 1 and ends at 2k(R), an
exact time starts and ends at its own 2k, and touching intervals (0, 4] and (4, 8] do not
overlap. Turnbull 1976, J R Stat Soc B 38:290-295.
"""

from __future__ import annotations

import dataclasses

import numpy as np
from scipy import optimize

GAP = 1e-6
"""Convergence: largest relative gain in likelihood that a bit of mass moved anywhere could give."""
MAX_ROUNDS = 5000


@dataclasses.dataclass(frozen=True, eq=False)
class Supports:
    """Intervals that can carry mass, and for each case the run of them inside its own interval.

    left, right: bounds (left open unless equal to right); first, last: position of the run;
    a case that shares both with others stands once, with `case_row` leading to it.
    """

    left: np.ndarray
    right: np.ndarray
    first: np.ndarray
    last: np.ndarray
    case_row: np.ndarray


def supports_of(lower: np.ndarray, upper: np.ndarray) -> Supports:
    """Maximal intersections of the cases' intervals."""
    times = np.unique(np.concatenate((lower, upper)))
    start = 2 * np.searchsorted(times, lower) + (lower < upper)
    stop = 2 * np.searchsorted(times, upper)
    starts, stops = np.unique(start), np.unique(stop)
    # Mass can sit only where a start is followed by a stop before the next start.
    nearest = stops[np.searchsorted(stops, starts)]
    following = np.append(starts[1:], np.iinfo(np.int64).max)
    kept = nearest < following
    begin, end = starts[kept], nearest[kept]
    first = np.searchsorted(begin, start, side="left")
    last = np.searchsorted(end, stop, side="right") - 1
    runs, case_row = np.unique(first * (begin.size + 1) + last, return_inverse=True)
    first, last = np.divmod(runs, begin.size + 1)
    return Supports(times[begin // 2], times[end // 2], first, last, case_row)


def fit_masses(
    supports: Supports, weight: np.ndarray, *, aim: float = GAP / 100
) -> tuple[np.ndarray, float]:
    """Masses that maximise the likelihood, and the gap that remains.

    weight: number of cases a row of the supports; aim: gap at which to stop. Alternates one
    self-consistency (EM) step with one iterative convex minorant step on the cumulated masses,
    halved until the likelihood does not fall (Wellner & Zhan 1997, J Am Stat Assoc 92:945-959).
    The gap is the largest derivative of the mean log-likelihood minus 1, which is 0 at the
    maximum and bounds what is still to be gained per case (Gentleman & Geyer 1994, Biometrika
    81:618-623). Raises ArithmeticError when the gap stays above 1e-6.
    """
    kept = weight > 0
    first, stop = supports.first[kept], supports.last[kept] + 1
    share = weight[kept] / weight.sum()
    mass = np.full(supports.left.size, 1.0 / supports.left.size)
    best, gap = mass, np.inf
    for _ in range(MAX_ROUNDS):
        gain = _gain(mass, first, stop, share)
        now = float(gain.max() - 1)
        if now < gap:
            best, gap = mass, now
        if gap <= aim:
            break
        mass = mass * gain
        mass = _minorant_step(mass / mass.sum(), first, stop, share)
    if gap > GAP:
        raise ArithmeticError("the interval-censored likelihood did not converge")
    return best, max(gap, 0.0)


def log_likelihood(supports: Supports, mass: np.ndarray, weight: np.ndarray) -> float:
    """Log-likelihood of the masses."""
    kept = weight > 0
    inside = _inside(mass, supports.first[kept], supports.last[kept] + 1)
    return float(np.sum(weight[kept] * np.log(inside)))


def _inside(mass: np.ndarray, first: np.ndarray, stop: np.ndarray) -> np.ndarray:
    total = np.concatenate(([0.0], mass.cumsum()))
    return total[stop] - total[first]


def _gain(mass: np.ndarray, first: np.ndarray, stop: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Derivative of the mean log-likelihood with respect to each mass."""
    pull = share / np.maximum(_inside(mass, first, stop), 1e-300)
    ends = np.bincount(first, pull, mass.size + 1) - np.bincount(stop, pull, mass.size + 1)
    return ends.cumsum()[:-1]


def _minorant_step(
    mass: np.ndarray, first: np.ndarray, stop: np.ndarray, share: np.ndarray
) -> np.ndarray:
    """One damped Newton step with a diagonal Hessian, projected on rising curves from 0 to 1."""
    size = mass.size
    if size < 2:
        return mass
    inside = np.maximum(_inside(mass, first, stop), 1e-12)
    slope, bend = share / inside, share / inside**2
    tally = np.bincount
    # Derivatives with respect to the cumulated mass at the inner borders 1 .. size - 1.
    grad = (tally(stop, slope, size + 1) - tally(first, slope, size + 1))[1:-1]
    curve = (tally(stop, bend, size + 1) + tally(first, bend, size + 1))[1:-1]
    curve = np.maximum(curve, 1e-10)
    now = mass.cumsum()[:-1]
    target = optimize.isotonic_regression(now + grad / curve, weights=curve).x
    target = np.clip(target, 0.0, 1.0)
    goal = np.diff(target, prepend=0.0, append=1.0)
    before = np.sum(share * np.log(inside))
    step = 1.0
    for _ in range(20):
        trial = np.maximum(mass + step * (goal - mass), 0.0)
        found = _inside(trial, first, stop)
        if found.min() > 0 and np.sum(share * np.log(found)) >= before:
            return trial / trial.sum()
        step /= 2
    return mass
