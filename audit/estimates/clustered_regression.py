"""Regression of a number or a yes/no answer, with errors that allow for several rows of a patient.

Least squares, or logistic regression by maximum likelihood; the errors are the cluster-robust
sandwich with the factor G/(G-1) x (N-1)/(N-K) and t limits on G - 1 degrees of freedom (Liang and
Zeger 1986, Biometrika 73:13-22; the factor as in Cameron and Miller 2015, J Hum Resour
50:317-372). Times to an event have `regression.cox_model`.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from audit.estimates.estimate import LEVEL
from audit.estimates.inputs import (
    Codes,
    Numbers,
    as_numbers,
    as_yes_no,
    check_choice,
    check_level,
    cluster_codes,
)
from audit.estimates.overlap import logistic_fit

METHODS = {
    "linear": "linear regression",
    "logistic": "logistic regression",
}
INTERCEPT = "intercept"
TERM_COLUMNS = ["covariate", "coef", "std_error", "value", "low", "high", "p"]
#: below so many clusters robust errors tend to be too small (Cameron and Miller 2015, section
#: VI; the number is a local choice)
FEW_CLUSTERS = 10


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class ClusteredModel:
    """A fitted model, or the reason in `note` why there is none.

    table: one row a covariate, the intercept last: `TERM_COLUMNS`; value is the coefficient of a
    linear model and the odds ratio of a logistic one, with its limits; all missing where not
    estimable. n, clusters: rows and clusters used; events: rows with yes (None for a number);
    missing: rows left out for an empty cell.
    """

    table: pd.DataFrame
    n: int
    events: int | None
    clusters: int
    missing: int
    method: str
    note: str
    level: float

    @property
    def estimable(self) -> bool:
        """True when the model could be fitted."""
        return bool(self.table["coef"].notna().all())


@dataclasses.dataclass(frozen=True, eq=False)
class _Data:
    design: Numbers
    answer: Numbers
    codes: Codes
    clusters: int
    missing: int


def clustered_regression(
    table: pd.DataFrame,
    *,
    outcome: str,
    covariates: Sequence[str],
    cluster: str,
    kind: str = "linear",
    level: float = LEVEL,
) -> ClusteredModel:
    """Coefficients (linear) or odds ratios (logistic) with cluster-robust t limits.

    outcome, covariates and cluster name columns of `table`: numbers or True/False; code categories
    as 0/1 columns first. kind: `linear` or `logistic`, whose outcome is yes/no. Rows with an empty
    outcome or covariate are left out and counted; a row without a cluster raises ValueError. Not
    estimable with fewer clusters than coefficients, a constant covariate or one that follows from
    the others, or covariates that tell the answers apart.
    """
    check_choice(kind, METHODS, name="kind")
    data = _gather(table, outcome, list(covariates), cluster, yes_no=kind == "logistic")
    about: dict[str, Any] = {
        "n": data.answer.size,
        "events": int(data.answer.sum()) if kind == "logistic" else None,
        "clusters": data.clusters,
        "missing": data.missing,
        "method": f"{METHODS[kind]}, cluster-robust t interval ({data.clusters} clusters)",
        "level": check_level(level),
    }
    reason = _why_not(data)
    fitted = None
    if not reason:
        fitted, reason = _linear(data) if kind == "linear" else _logistic(data)
    if fitted is None:
        return ClusteredModel(table=_terms(covariates, None), note=reason, **about)
    coef, error = fitted
    half = float(special.stdtrit(data.clusters - 1, 0.5 + level / 2)) * error
    ends = np.column_stack([coef, coef - half, coef + half])
    tail = special.stdtr(data.clusters - 1, -np.abs(coef / error))
    numbers = np.column_stack([coef, error, ends if kind == "linear" else np.exp(ends), 2 * tail])
    note = (
        f"only {data.clusters} clusters: the limits tend to be too narrow"
        if data.clusters < FEW_CLUSTERS
        else ""
    )
    return ClusteredModel(table=_terms(covariates, numbers), note=note, **about)


def _gather(
    table: pd.DataFrame, outcome: str, covariates: list[str], cluster: str, *, yes_no: bool
) -> _Data:
    if not covariates or len({outcome, cluster, *covariates}) < len(covariates) + 2:
        raise ValueError("covariates must name one column or more, each column once")
    absent = [name for name in (outcome, cluster, *covariates) if name not in table]
    if absent:
        raise ValueError(f"the table has no column {', '.join(map(repr, absent))}")
    answer = (as_yes_no if yes_no else as_numbers)(table[outcome], name=outcome)
    columns = [as_numbers(table[name], name=name) for name in covariates]
    design = np.column_stack([*columns, np.ones(answer.size)])
    codes = cluster_codes(table[cluster])
    known = ~(np.isnan(answer) | np.isnan(design).any(axis=1))
    # Clusters are numbered again, for those without any usable row do not count.
    ids, codes = np.unique(codes[known], return_inverse=True)
    return _Data(design[known], answer[known], codes, int(ids.size), int((~known).sum()))


def _why_not(data: _Data) -> str:
    """Reason not to fit at all; empty when there is none."""
    rows, terms = data.design.shape
    if rows == 0:
        return "no complete rows"
    if data.clusters <= terms:
        return f"{data.clusters} clusters for {terms} coefficients: too few for robust errors"
    centred = data.design[:, :-1] - data.design[:, :-1].mean(axis=0)
    spread = centred.std(axis=0)
    if (spread == 0).any() or np.linalg.matrix_rank(centred / spread) < terms - 1:
        return "a covariate is constant or follows from the others"
    return ""


def _linear(data: _Data) -> tuple[tuple[Numbers, Numbers] | None, str]:
    # One step from numbers of one size: columns in mm and in years differ by a thousand.
    scale = np.sqrt((data.design**2).mean(axis=0))
    design = data.design / scale
    bread = np.linalg.inv(design.T @ design)
    coef = np.linalg.lstsq(design, data.answer, rcond=None)[0]
    residual = data.answer - design @ coef
    if np.abs(residual).max() <= 1e-12 * np.abs(data.answer).max():
        return None, "the covariates give the outcome exactly: no spread left to judge by"
    error = _robust_error(design * residual[:, None], bread, data)
    return (coef / scale, error / scale), ""


def _logistic(data: _Data) -> tuple[tuple[Numbers, Numbers] | None, str]:
    if data.answer.min() == data.answer.max():
        return None, "every answer is the same"
    fit = logistic_fit(data.design[:, :-1], data.answer.astype(bool))
    if fit.coef is None or fit.fitted is None:
        return None, "the covariates tell the answers apart: no stable fit"
    weight = fit.fitted * (1 - fit.fitted)
    scale = np.sqrt((data.design**2).mean(axis=0))
    design = data.design / scale
    bread = np.linalg.inv((design * weight[:, None]).T @ design)
    error = _robust_error(design * (data.answer - fit.fitted)[:, None], bread, data) / scale
    return (np.concatenate([fit.coef[1:], fit.coef[:1]]), error), ""


def _robust_error(score: Numbers, bread: Numbers, data: _Data) -> Numbers:
    """Roots of the diagonal of the sandwich: scores are summed within clusters first."""
    rows, terms = score.shape
    summed = np.zeros((data.clusters, terms))
    np.add.at(summed, data.codes, score)
    factor = data.clusters / (data.clusters - 1) * (rows - 1) / (rows - terms)
    influence = summed @ bread
    return np.sqrt(factor * (influence**2).sum(axis=0))


def _terms(covariates: Sequence[str], numbers: Numbers | None) -> pd.DataFrame:
    names = [*covariates, INTERCEPT]
    filled = np.full((len(names), 6), np.nan) if numbers is None else numbers
    out = pd.DataFrame(filled, columns=TERM_COLUMNS[1:])
    out.insert(0, "covariate", names)
    return out
