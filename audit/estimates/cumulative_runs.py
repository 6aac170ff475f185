"""How many cases pass until a CUSUM of single cases signals, and the decision limit that follows.

The average run length of a Bernoulli CUSUM (Steiner et al. 2000, Biostatistics 1:441) from the
balance of its states: the sum is held on a fine grid, as in the Markov chain approach that the
paper uses, with linear interpolation between grid points.
"""

from __future__ import annotations

import dataclasses
import functools
import math

import numpy as np

GRID = 400
#: decision limits are tried in these steps
STEP = 0.05
HIGHEST = 12.0


@dataclasses.dataclass(frozen=True, kw_only=True)
class RunLengths:
    """decision: the limit; on_target: cases until a false signal, changed: until a true one."""

    decision: float
    on_target: float
    changed: float


def bernoulli_cusum_arl(
    *, risk: float, odds_ratio: float, decision: float, true_risk: float
) -> float:
    """Average number of cases until a Bernoulli CUSUM that starts at 0 signals.

    risk: the chance of an event for which the weights are made; odds_ratio: the change it looks
    for; true_risk: the chance that really holds. ValueError for chances not between 0 and 1, an
    odds ratio of 1, 0 or less, or a decision of 0 or less.
    """
    if not (0 < risk < 1 and 0 < true_risk < 1):
        raise ValueError("risk and true_risk must lie between 0 and 1")
    if not (0 < odds_ratio < math.inf) or odds_ratio == 1 or not decision > 0:
        raise ValueError("odds_ratio must be above 0 and not 1, decision above 0")
    common = math.log(1 - risk + odds_ratio * risk)
    steps = ((math.log(odds_ratio) - common, true_risk), (-common, 1 - true_risk))
    grid = np.linspace(0, decision, GRID + 1)
    moves = np.zeros((len(grid), len(grid)))
    for step, chance in steps:
        _add_move(moves, np.maximum(grid + step, 0) / decision * GRID, chance)
    return float(np.linalg.solve(np.eye(len(grid)) - moves, np.ones(len(grid)))[0])


def _add_move(moves: np.ndarray, places: np.ndarray, chance: float) -> None:
    """Puts `chance` on the two grid points round each place; a place past the end has signalled."""
    rows = np.flatnonzero(places <= GRID)
    below = np.floor(places[rows]).astype(int)
    part = places[rows] - below
    above = np.minimum(below + 1, GRID)
    np.add.at(moves, (rows, below), chance * (1 - part))
    np.add.at(moves, (rows, above), chance * part)


def changed_risk(risk: float, odds_ratio: float) -> float:
    """The risk whose odds are `odds_ratio` times those of `risk`."""
    return odds_ratio * risk / (1 - risk + odds_ratio * risk)


@functools.lru_cache(maxsize=64)
def decision_for(*, risk: float, odds_ratio: float, cases: float) -> RunLengths:
    """The smallest decision limit with at least `cases` cases, on average, to a false signal.

    The average run length never falls as the limit rises, so the limit is found by halving, in
    steps of 0.05. ValueError where even the highest limit signals sooner, or as
    `bernoulli_cusum_arl`.
    """

    def length(place: int, true_risk: float) -> float:
        return bernoulli_cusum_arl(
            risk=risk, odds_ratio=odds_ratio, decision=place * STEP, true_risk=true_risk
        )

    low, high = 1, round(HIGHEST / STEP)
    if length(high, risk) < cases:
        raise ValueError(f"no decision limit up to {HIGHEST:g} gives so long a run")
    while low < high:
        middle = (low + high) // 2
        if length(middle, risk) >= cases:
            high = middle
        else:
            low = middle + 1
    worse = changed_risk(risk, odds_ratio)
    return RunLengths(decision=low * STEP, on_target=length(low, risk), changed=length(low, worse))
