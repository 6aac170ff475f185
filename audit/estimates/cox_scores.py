"""Partial likelihood with Efron's handling of ties: scores, information and residuals.

The coefficients come from a library; what it lacks is worked out here from the same likelihood.
Efron 1977, J Am Stat Assoc 72:557-565: of d tied events the l-th (l = 0 .. d - 1) is compared
with the risk set in which each of the d counts 1 - l/d.
"""

from __future__ import annotations

import dataclasses

import numpy as np


@dataclasses.dataclass(frozen=True, eq=False)
class CoxData:
    """Checked columns: `entry` and `stratum` always present (0 when not used)."""

    time: np.ndarray
    event: np.ndarray
    entry: np.ndarray
    stratum: np.ndarray
    covariates: np.ndarray


@dataclasses.dataclass(frozen=True, eq=False)
class CoxScores:
    """Likelihood quantities at given coefficients.

    information: p x p. Of each event (all strata, one after the other): case (its row), residual
    (covariates minus the mean of its risk set: Schoenfeld) and spread (p x p variance of the
    covariates in its risk set). score_residual: one row a case; the rows add up to the score.
    """

    log_likelihood: float
    information: np.ndarray
    case: np.ndarray
    residual: np.ndarray
    spread: np.ndarray
    score_residual: np.ndarray


def cox_scores(data: CoxData, coefficients: np.ndarray) -> CoxScores:
    """Everything above, for all strata together."""
    # Centring changes none of the results and keeps the exponentials within range.
    covariates = data.covariates - data.covariates.mean(axis=0)
    linear = covariates @ coefficients
    score_residual = np.zeros_like(covariates)
    likelihood, case, residual, spread = 0.0, [], [], []
    for stratum in np.unique(data.stratum):
        rows = np.flatnonzero(data.stratum == stratum)
        if not data.event[rows].any():
            continue
        part = _Stratum(data, covariates, linear, rows)
        likelihood += part.log_likelihood()
        score_residual[rows] = part.score_residuals()
        case.append(rows[part.dead])
        residual.append(part.residuals())
        spread.append(part.spread)
    spreads = np.concatenate(spread)
    return CoxScores(
        log_likelihood=likelihood,
        information=spreads.sum(axis=0),
        case=np.concatenate(case),
        residual=np.concatenate(residual),
        spread=spreads,
        score_residual=score_residual,
    )


class _Stratum:
    """Risk sets of one stratum; flat arrays have one row an event, in order of time."""

    def __init__(
        self, data: CoxData, covariates: np.ndarray, linear: np.ndarray, rows: np.ndarray
    ) -> None:
        self.time, self.entry, self.event = data.time[rows], data.entry[rows], data.event[rows]
        self.x, self.linear = covariates[rows], linear[rows]
        self.risk = np.exp(self.linear)
        happened = np.flatnonzero(self.event)
        self.dead = happened[np.argsort(self.time[happened], kind="stable")]
        self.times, first, tied = np.unique(
            self.time[self.dead], return_index=True, return_counts=True
        )
        self.first, self.tie = first, np.repeat(np.arange(first.size), tied)
        self.fraction = (np.arange(self.dead.size) - first[self.tie]) / tied[self.tie]
        self._risk_sets()

    def _risk_sets(self) -> None:
        weighted = self.risk[:, None] * self.x
        squared = weighted[:, :, None] * self.x[:, None, :]
        total = self._at_events(self.risk)
        first = self._at_events(weighted)
        second = self._at_events(squared)
        self.total = total
        self.mean = first / total[:, None]
        self.spread = second / total[:, None, None] - self.mean[:, :, None] * self.mean[:, None, :]

    def _at_events(self, amount: np.ndarray) -> np.ndarray:
        """Sum over the risk set of each event, tied events counting with their fraction."""
        inside = self._from(self.time, amount) - self._from(self.entry, amount)
        of_ties = np.add.reduceat(amount[self.dead], self.first, axis=0)
        shape = (-1,) + (1,) * (amount.ndim - 1)
        return inside[self.tie] - self.fraction.reshape(shape) * of_ties[self.tie]

    def _from(self, moment: np.ndarray, amount: np.ndarray) -> np.ndarray:
        """At each event time, the sum over cases whose `moment` is that time or later."""
        order = np.argsort(moment, kind="stable")
        summed = amount[order][::-1].cumsum(axis=0)[::-1]
        padded = np.concatenate((summed, np.zeros((1, *amount.shape[1:]))))
        return padded[np.searchsorted(moment[order], self.times, side="left")]

    def log_likelihood(self) -> float:
        return float(self.linear[self.dead].sum() - np.log(self.total).sum())

    def residuals(self) -> np.ndarray:
        """Covariates of each event minus the mean of its risk set, ties sharing one mean."""
        tied = np.diff(np.append(self.first, self.dead.size))
        mean = np.add.reduceat(self.mean, self.first, axis=0) / tied[:, None]
        return self.x[self.dead] - mean[self.tie]

    def score_residuals(self) -> np.ndarray:
        """Each case's share of the score: observed minus expected over its time at risk."""
        rate = 1 / self.total
        pull = self.mean * rate[:, None]
        rates = np.concatenate(([0.0], np.add.reduceat(rate, self.first).cumsum()))
        zero = np.zeros((1, pull.shape[1]))
        pulls = np.concatenate((zero, np.add.reduceat(pull, self.first, axis=0).cumsum(axis=0)))
        stop = np.searchsorted(self.times, self.time, side="right")
        start = np.searchsorted(self.times, self.entry, side="right")
        during = self.x * (rates[stop] - rates[start])[:, None] - (pulls[stop] - pulls[start])
        found = -self.risk[:, None] * during
        found[self.dead] += self.residuals() + self._own_tie(rate, pull)
        return found

    def _own_tie(self, rate: np.ndarray, pull: np.ndarray) -> np.ndarray:
        """What a tied event owes less to the risk set of its own time, by Efron's fractions."""
        less = np.add.reduceat(self.fraction * rate, self.first)[self.tie]
        pulled = np.add.reduceat(self.fraction[:, None] * pull, self.first, axis=0)[self.tie]
        return self.risk[self.dead, None] * (self.x[self.dead] * less[:, None] - pulled)
