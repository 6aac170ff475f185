"""Whether a hazard ratio is steady over time: the assumption behind Cox regression."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import special

from audit.estimates.cox_scores import CoxData, cox_scores
from audit.estimates.product_limit import product_limit
from audit.estimates.regression import CoxModel
from audit.estimates.risk_sets import count_at_times
from audit.estimates.time_input import TimeData, one_of

TRANSFORMS = ("km", "rank", "identity", "log")
SCORE_TEST = "score test (R package survival since 2020)"
APPROXIMATION = "approximation of Grambsch & Therneau 1994"


def proportional_hazards_check(model: CoxModel, *, transform: str = "km") -> pd.DataFrame:
    """Whether each hazard ratio is steady over time: covariate, chi2, df, p, formula, words.

    Two formulas, both named in `formula`, since programs differ: the score test for a
    coefficient that changes with g(time) (also for all covariates together), and the older
    approximation from scaled residuals (Grambsch & Therneau 1994, Biometrika 81:515-526).
    transform: g is "km" (1 - Kaplan-Meier just before), "rank" (among all times for the score
    test, among event times for the approximation), "identity" or "log". Raises
    ValueError for a model that was not estimable. A large p is not proof of a steady ratio.
    """
    one_of(transform, name="transform", choices=TRANSFORMS)
    if model.data is None:
        raise ValueError("the model was not estimable, so its assumption cannot be checked")
    names = list(model.table["covariate"])
    scores = cox_scores(model.data, model.table["coef"].to_numpy())
    moment = _moments(model.data, scores.case, transform)
    current = _score_tests(scores.spread, moment @ scores.residual, moment)
    if transform == "rank":
        moment = _centred(_ranks(model.data.time[scores.case]))
    inverse = np.linalg.inv(scores.information)
    size = np.diag(inverse) * np.sum(moment**2) / scores.case.size
    older = (inverse @ (moment @ scores.residual)) ** 2 / size
    parts = [
        _check_rows([*names, "all together"], current, SCORE_TEST, last_df=len(names)),
        _check_rows(names, older, APPROXIMATION, last_df=1),
    ]
    return pd.concat(parts, ignore_index=True)


def _moments(data: CoxData, case: np.ndarray, transform: str) -> np.ndarray:
    """g(time) of each event, less its mean."""
    time = data.time[case]
    if transform == "identity":
        return _centred(time)
    if transform == "log":
        if (time <= 0).any():
            raise ValueError("an event at time 0 has no logarithm; take another transform")
        return _centred(np.log(time))
    if transform == "rank":
        return _centred(_ranks(data.time)[case])
    entry = None if (data.entry <= 0).all() else data.entry
    counts = count_at_times(TimeData(data.time, data.event, entry, 0, None))
    ahead = np.concatenate(([1.0], product_limit(counts)[0]))
    return _centred(1 - ahead[np.searchsorted(counts.time, time, side="left")])


def _centred(values: np.ndarray) -> np.ndarray:
    return values - values.mean()


def _ranks(values: np.ndarray) -> np.ndarray:
    """Ranks from 1, ties sharing their mean rank."""
    _, place, tied = np.unique(values, return_inverse=True, return_counts=True)
    return (tied.cumsum() - (tied - 1) / 2)[place]


def _score_tests(spread: np.ndarray, push: np.ndarray, moment: np.ndarray) -> np.ndarray:
    """Score tests for each covariate and for all: coefficient + theta x g(time), theta = 0."""
    size = push.size
    plain, once, twice = (np.tensordot(moment**power, spread, axes=1) for power in (0, 1, 2))
    whole = np.block([[plain, once], [once, twice]])
    chosen = [[position] for position in range(size)] + [list(range(size))]
    found = []
    for extra in chosen:
        index = [*range(size), *(size + position for position in extra)]
        score = np.concatenate((np.zeros(size), push[extra]))
        found.append(score @ np.linalg.solve(whole[np.ix_(index, index)], score))
    return np.array(found)


def _check_rows(names: list[str], chi2: np.ndarray, formula: str, *, last_df: int) -> pd.DataFrame:
    df = np.ones(len(names), dtype=int)
    df[-1] = last_df
    p = special.chdtrc(df, chi2)
    words = np.where(
        p < 0.05,
        "the hazard ratio seems to change over time",
        "no sign that the hazard ratio changes over time",
    )
    return pd.DataFrame(
        {"covariate": names, "chi2": chi2, "df": df, "p": p, "formula": formula, "words": words}
    )
