"""Groups compared on the share that has had one kind of event while others compete: Gray's test."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from audit.estimates.compare import CurveComparison, comparison_of, used_labels
from audit.estimates.competing import read_causes
from audit.estimates.time_input import codes_of, same_rows


def compare_incidence(
    durations: Any, cause: Any, of: Any, group: Any, *, censored: Any = 0
) -> CurveComparison:
    """Test whether the cumulative incidence of the event `of` differs between groups.

    Compares each group's events of the kind with what the pooled rate of its subdistribution
    predicts (rho = 0). Gray 1988, Ann Stat 16:1141-1154; the variance is that of its section 3,
    with the tie corrections of the program its author published. table: group, n, observed,
    expected. Input as for `cumulative_incidence`, and no empty group.
    """
    same_rows(durations=durations, cause=cause, group=group)
    data, is_cause = read_causes(durations, cause, of, censored=censored)
    codes, labels = codes_of(used_labels(group, data), name="group")
    grid = _grid(data.time, data.event, is_cause, codes, len(labels))
    expected, variance = _score_parts(grid)
    return comparison_of(
        data,
        (codes, labels),
        (grid.wanted.sum(axis=0).astype(np.float64), expected, variance),
        method="Gray's test of equal cumulative incidence",
    )


@dataclasses.dataclass(frozen=True, eq=False)
class _Grid:
    """One row a time with any event, one column a group.

    ahead, after: share without any event just before and just after (Kaplan-Meier);
    incidence: share that has had the wanted event just before.
    """

    at_risk: np.ndarray
    wanted: np.ndarray
    other: np.ndarray
    ahead: np.ndarray
    after: np.ndarray
    incidence: np.ndarray


def _grid(
    time: np.ndarray, event: np.ndarray, is_cause: np.ndarray, codes: np.ndarray, groups: int
) -> _Grid:
    happened = np.unique(time[event])
    place = np.searchsorted(happened, time, side="right")

    def tally(rows: np.ndarray, at: np.ndarray) -> np.ndarray:
        shape = (happened.size + 1, groups)
        cell = at[rows] * groups + codes[rows]
        return np.bincount(cell, minlength=shape[0] * groups).reshape(shape)

    at_risk = tally(np.ones(time.size, dtype=bool), place)[::-1].cumsum(axis=0)[::-1][1:]
    wanted, other = tally(is_cause, place)[1:], tally(event & ~is_cause, place)[1:]
    safe = np.maximum(at_risk, 1)
    after = np.cumprod(1 - (wanted + other) / safe, axis=0)
    first = np.ones((1, groups))
    ahead = np.concatenate((first, after[:-1])) if happened.size else after
    incidence = np.cumsum(ahead * wanted / safe, axis=0)
    before = np.concatenate((0 * first, incidence[:-1])) if happened.size else incidence
    return _Grid(at_risk, wanted, other, ahead, after, before)


def _score_parts(grid: _Grid) -> tuple[np.ndarray, np.ndarray]:
    """Expected events of each group, and the variance of observed minus expected."""
    groups = grid.at_risk.shape[1]
    risk = np.divide(grid.at_risk, grid.ahead, out=np.zeros(grid.ahead.shape), where=grid.ahead > 0)
    pooled = risk.sum(axis=1)
    weighted = risk * (1 - grid.incidence)
    total = grid.wanted.sum(axis=1)
    ratio = np.divide(total, weighted.sum(axis=1), out=np.zeros(total.size), where=total > 0)
    expected = ratio @ weighted
    step = np.divide(total, pooled, out=np.zeros(total.size), where=pooled > 0)
    free = 1 - np.cumsum(step)
    free_before = np.concatenate(([1.0], free[:-1])) if free.size else free
    share = np.divide(risk, pooled[:, None], out=np.zeros(risk.shape), where=pooled[:, None] > 0)
    # pull[t, i, k]: how the score of group i answers to a change in group k at time t.
    pull = risk[:, :, None] * (np.eye(groups) - share[:, None, :])
    rate = np.divide(step, free_before, out=np.zeros(step.size), where=free_before > 0)
    summed = np.cumsum(pull * rate[:, None, None], axis=0)
    variance = np.zeros((groups, groups))
    for k in range(groups):
        for direct, lost, size in _sources(grid, free, step, pooled, k):
            change = direct[:, None] * pull[:, :, k] + lost[:, None] * (
                summed[-1:, :, k] - summed[:, :, k]
            )
            variance += (change * size[:, None]).T @ change
    return expected, variance


def _sources(
    grid: _Grid, free: np.ndarray, step: np.ndarray, pooled: np.ndarray, k: int
) -> list[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """For the wanted and the other events of group k: direct effect, later effect, variance.

    Under no difference the wanted events follow the pooled rate `step`; the others are taken as
    they fell. Both variances carry a correction for ties.
    """
    ahead, after, at_risk = grid.ahead[:, k], grid.after[:, k], grid.at_risk[:, k]
    present = (at_risk > 0) & (ahead > 0)
    kept = np.divide(free, after, out=np.zeros(free.size), where=after > 0)
    total = grid.wanted.sum(axis=1)
    tied = 1 - np.divide(
        total - 1, pooled * ahead - 1, out=np.zeros(free.size), where=(total > 1) & present
    )
    safe = np.maximum(at_risk, 1)
    wanted = np.where(present, tied * ahead * step / safe, 0.0)
    other = grid.other[:, k]
    tied = 1 - np.divide(other - 1, safe - 1, out=np.zeros(free.size), where=other > 1)
    rival = np.where(present & (after > 0), tied * ahead**2 * other / safe**2, 0.0)
    return [(np.ones(free.size), 1 - kept, wanted), (np.zeros(free.size), kept, rival)]
