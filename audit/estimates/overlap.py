"""Overlap weights: two groups made alike in their measured case mix, and curves weighted so.

Each row is weighted by its probability of being in the OTHER group, so that the weighted groups
describe the patients for whom either was an option (Li, Morgan & Zaslavsky 2018, J Am Stat Assoc
113:390-400). With a logistic model of the probability, fitted by maximum likelihood, the weighted
means of the model's covariates are exactly equal in both groups (their theorem 3).
"""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from audit.estimates.inputs import Numbers

_STEPS = 60
_CLOSE = 1e-10
#: a logit beyond this on the standardised scale is a group told apart by its covariates
_LARGEST_LOGIT = 25.0


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class LogisticFit:
    """A logistic regression: coef and std_error (intercept first) and the fitted probability of
    every row; all None, with the reason in `note`, where the likelihood has no maximum."""

    coef: Numbers | None
    std_error: Numbers | None
    fitted: Numbers | None
    note: str = ""


def logistic_fit(covariates: Any, yes: Any) -> LogisticFit:
    """Logistic regression with an intercept, maximum likelihood by Newton steps.

    covariates: rows x columns of finite numbers; yes: True/False a row. No missing values: leave
    such rows out first. Not estimable when one answer is absent, a covariate is constant or
    follows from the others, or covariates tell the answers apart (Albert & Anderson 1984,
    Biometrika 71:1-10). Raises ValueError for numbers that are not finite or do not match.
    """
    matrix, answer = _checked(covariates, yes)
    if answer.size == 0 or answer.min() == answer.max():
        return _no_fit("one of the two groups is empty")
    design = _design(matrix)
    if np.linalg.matrix_rank(design) < design.shape[1]:
        return _no_fit("a covariate is constant or follows from the others")
    coef, good = _newton(design, answer, np.ones((1, answer.size)))
    if not good[0]:
        return _no_fit("the covariates tell the two groups apart: no stable fit")
    fitted = _expit(design @ coef[0])
    whole = np.column_stack([np.ones(len(matrix)), matrix])
    information = (whole * (fitted * (1 - fitted))[:, None]).T @ whole
    middle, spread = matrix.mean(axis=0), matrix.std(axis=0)
    slopes = coef[0][1:] / spread
    return LogisticFit(
        coef=np.concatenate(([coef[0][0] - slopes @ middle], slopes)),
        std_error=np.sqrt(np.diag(np.linalg.inv(information))),
        fitted=fitted,
    )


def overlap_weights(probability: Any, first: Any) -> Numbers:
    """Weight of each row: 1 - probability in the first group, probability in the second.

    probability: of being in the first group, 0-1; first: True for rows of the first group.
    Not scaled: divide by the group's sum for shares.
    """
    chance = np.asarray(probability, dtype=np.float64)
    if not ((chance >= 0) & (chance <= 1)).all():
        raise ValueError("probabilities must lie between 0 and 1")
    return np.where(np.asarray(first, dtype=bool), 1 - chance, chance)


def resampled_weights(covariates: Any, first: Any, counts: Any) -> Numbers:
    """Overlap weights of every resample: resamples x rows, the model fitted anew each time.

    counts: resamples x rows, how often each row was drawn; the weights hold those counts. A
    resample whose model has no stable fit is a row of missing values.
    """
    matrix, answer = _checked(covariates, first)
    drawn = np.asarray(counts, dtype=np.float64)
    design = _design(matrix)
    coef, good = _newton(design, answer, drawn)
    both = (drawn @ answer > 0) & (drawn @ (1 - answer) > 0)
    weights = drawn * overlap_weights(_expit(coef @ design.T), answer.astype(bool))
    weights[~(good & both)] = np.nan
    return weights


def weighted_waiting(times: tuple[Any, Any, Any], weights: Any, at: Any) -> Numbers:
    """Share still waiting at fixed times, weighted Kaplan-Meier: rows of `weights` x times.

    times: duration, observed and entry of every row, no missing values; weights: one row of
    weights a curve. At each event time the weighted events are divided by the weighted rows at
    risk (Cole & Hernan 2004, Comput Methods Programs Biomed 75:45-49; Xie & Liu 2005, Stat Med
    24:3089-3110). Missing after the last follow-up of a curve that has not come down to 0, and
    wherever a weight is missing. Equal weights give the plain estimate.
    """
    duration, entry = (np.asarray(times[place], dtype=np.float64) for place in (0, 2))
    observed = np.asarray(times[1], dtype=bool)
    weight = np.atleast_2d(np.asarray(weights, dtype=np.float64))
    moments = np.unique(duration[observed])
    # Everybody without late entry is at risk from before time 0, so that time 0 counts.
    start = np.where(entry > 0, entry, -1.0)
    at_risk = (duration[None, :] >= moments[:, None]) & (start[None, :] < moments[:, None])
    events = (duration[None, :] == moments[:, None]) & observed[None, :]
    total, reached = weight @ at_risk.T, weight @ events.T
    share = np.divide(reached, total, out=np.zeros_like(total), where=total > 0)
    ahead = np.cumprod(np.clip(1 - share, 0, 1), axis=1)
    ahead = np.column_stack([np.ones(len(weight)), ahead])
    day = np.asarray(at, dtype=np.float64)
    found = ahead[:, np.searchsorted(moments, day, side="right")]
    last = np.where(weight > 0, duration[None, :], -np.inf).max(axis=1, initial=-np.inf)
    unseen = (day[None, :] > last[:, None]) & (found > 0)
    unknown = np.isnan(weight).any(axis=1, keepdims=True)
    return np.where(unseen | unknown, np.nan, found)


def effective_size(weights: Any) -> float:
    """Rows that equal weights would need for the same precision: (sum w)^2 / sum w^2 (Kish 1965,
    Survey Sampling); 0 without any weight."""
    weight = np.asarray(weights, dtype=np.float64)
    squares = float(np.sum(weight**2))
    return float(weight.sum()) ** 2 / squares if squares else 0.0


def cluster_draws(codes: Any, *, resamples: int, seed: int) -> Numbers:
    """How often each row is drawn when whole clusters are: resamples x rows.

    codes: cluster number of every row, 0 upwards. The generator is the call's own.
    """
    clusters = np.asarray(codes, dtype=np.intp)
    groups = int(clusters.max()) + 1
    shares = np.full(groups, 1 / groups)
    drawn = np.random.default_rng(seed).multinomial(groups, shares, size=resamples)
    return drawn[:, clusters].astype(np.float64)


def _checked(covariates: Any, yes: Any) -> tuple[Numbers, Numbers]:
    matrix = np.asarray(covariates, dtype=np.float64)
    answer = np.asarray(yes, dtype=bool).astype(np.float64)
    if matrix.ndim != 2 or answer.shape != (len(matrix),):
        raise ValueError("covariates must be rows x columns, with one answer a row")
    if not np.isfinite(matrix).all():
        raise ValueError("covariates must be finite: leave out rows with missing values")
    return matrix, answer


def _design(matrix: Numbers) -> Numbers:
    """Intercept and standardised covariates; constant ones are 0."""
    spread = matrix.std(axis=0)
    centred = matrix - matrix.mean(axis=0)
    scaled = np.divide(centred, spread, out=np.zeros_like(matrix), where=spread > 0)
    return np.column_stack([np.ones(len(matrix)), scaled])


def _expit(logit: Numbers) -> Numbers:
    return 1 / (1 + np.exp(-np.clip(logit, -500, 500)))


def _newton(design: Numbers, answer: Numbers, counts: Numbers) -> tuple[Numbers, np.ndarray]:
    """Coefficients of many fits at once, one row of case counts each, and which can be trusted."""
    rows, size = design.shape
    products = (design[:, :, None] * design[:, None, :]).reshape(rows, size * size)
    coef = np.zeros((len(counts), size))
    good = np.ones(len(counts), dtype=bool)
    step = np.full(len(counts), np.inf)
    for _ in range(_STEPS):
        fitted = _expit(coef @ design.T)
        score = (counts * (answer - fitted)) @ design
        curvature = ((counts * fitted * (1 - fitted)) @ products).reshape(-1, size, size)
        sizes = np.linalg.eigvalsh(curvature)
        good &= sizes[:, 0] > 1e-9 * np.maximum(sizes[:, -1], 1e-9)
        curvature[~good] = np.eye(size)
        move = np.linalg.solve(curvature, score[:, :, None])[:, :, 0]
        move[~good] = 0.0
        coef += np.clip(move, -5, 5)
        step = np.abs(move).max(axis=1)
        if step.max() < _CLOSE:
            break
    drawn_logit = np.abs(coef @ design.T).max(axis=1)
    return coef, good & (step < _CLOSE * 100) & (drawn_logit < _LARGEST_LOGIT)


def _no_fit(reason: str) -> LogisticFit:
    return LogisticFit(coef=None, std_error=None, fitted=None, note=reason)
