"""How unlike two groups are at the start: standardised differences for a baseline table.

A standardised difference does not grow with the number of cases, as a p value does. It describes
balance; it tests nothing. Limits, where given, use the large-sample variance
(n1 + n2)/(n1 n2) + d^2/(2(n1 + n2)) (Hedges and Olkin 1985, Statistical Methods for
Meta-Analysis; used for all three kinds by Yang and Dalton 2012, SAS Global Forum, paper 335).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from audit.estimates.estimate import LEVEL, Estimate
from audit.estimates.inputs import (
    Numbers,
    as_column,
    as_numbers,
    as_yes_no,
    check_choice,
    check_level,
    present,
)
from audit.estimates.particulars import Particulars

FORMS = {
    "austin": "standardised difference (root of the mean variance)",
    "cohen": "standardised difference (pooled standard deviation)",
    "hedges": "standardised difference (pooled, small-sample corrected)",
}
_ROUNDING = 1e-12


def standardised_difference(
    first: Any, second: Any, *, form: str = "austin", level: float = LEVEL
) -> Estimate:
    """Mean of the first group minus mean of the second, in standard deviations.

    first, second: a column of numbers each; missing values are left out and counted. form: austin
    divides by sqrt((s1^2 + s2^2)/2) (Austin 2009, Stat Med 28:3083-3107), cohen by the pooled
    standard deviation, hedges multiplies cohen by the exact small-sample factor (Hedges 1981,
    J Educ Stat 6:107-128). Sample variances (n - 1). Fewer than two values in a group, or no
    spread but different means: not estimable.
    """
    check_choice(form, FORMS, name="form")
    (one, lost1), (two, lost2) = present(first, name="first"), present(second, name="second")
    about = _about(FORMS[form], (one.size, two.size), lost1 + lost2, level)
    if min(one.size, two.size) < 2:
        return about.nothing("two values or more are needed in each group")
    freedom = one.size + two.size - 2
    if form == "austin":
        variance = (one.var(ddof=1) + two.var(ddof=1)) / 2
    else:
        squares = (one.size - 1) * one.var(ddof=1) + (two.size - 1) * two.var(ddof=1)
        variance = squares / freedom
    factor = _hedges_factor(freedom) if form == "hedges" else 1.0
    gap = float(one.mean() - two.mean())
    return _scaled(about, gap * factor, float(variance), (one.size, two.size))


def standardised_difference_yes_no(first: Any, second: Any, *, level: float = LEVEL) -> Estimate:
    """(p1 - p2) / sqrt((p1(1-p1) + p2(1-p2))/2) of two columns of yes/no answers (Austin 2009).

    Missing answers are left out and counted. An empty group, or shares of 0 and 1 that differ:
    not estimable; equal shares give 0.
    """
    columns = as_yes_no(first, name="first"), as_yes_no(second, name="second")
    one, two = (column[~np.isnan(column)] for column in columns)
    lost = sum(int(np.isnan(column).sum()) for column in columns)
    about = _about("standardised difference of two shares", (one.size, two.size), lost, level)
    if min(one.size, two.size) == 0:
        return about.nothing("no values in " + ("both groups" if about.n == 0 else "one group"))
    p1, p2 = float(one.mean()), float(two.mean())
    return _scaled(about, p1 - p2, _share_variance(p1, p2), (one.size, two.size))


def standardised_difference_categories(
    first: Any, second: Any, *, level: float = LEVEL
) -> Estimate:
    """One distance between two groups over all categories of a column, 0 or more.

    first, second: a column of labels each; missing labels are left out and counted. The
    Mahalanobis distance of the category shares, the first category dropped (Yang and Dalton
    2012). An empty group, or groups without a category in common: not estimable.
    """
    columns = as_column(first, name="first"), as_column(second, name="second")
    one, two = (column.dropna() for column in columns)
    lost = sum(int(column.isna().sum()) for column in columns)
    sizes = (len(one), len(two))
    about = _about("standardised difference over categories", sizes, lost, level)
    if min(sizes) == 0:
        return about.nothing("no values in " + ("both groups" if about.n == 0 else "one group"))
    counts = pd.concat([one.value_counts(), two.value_counts()], axis=1).fillna(0).to_numpy()
    return _distance(about, counts[:, 0] / sizes[0], counts[:, 1] / sizes[1], sizes)


def standardised_difference_of_shares(first: Any, second: Any) -> Estimate:
    """The same from shares alone: two numbers p1 and p2, or two lists over the same categories.

    Numbers keep their sign (p1 - p2); lists give the distance over categories. No interval, for
    the counts are not known. Raises ValueError unless shares lie in 0-1 and lists add up to 1.
    """
    if np.ndim(first) == 0 and np.ndim(second) == 0:
        p1, p2 = _shares([first, second])
        about = _about("standardised difference of two shares", (0, 0), 0, LEVEL)
        return _scaled(about, p1 - p2, _share_variance(p1, p2), None)
    one, two = _shares(first), _shares(second)
    if one.size != two.size or max(abs(one.sum() - 1), abs(two.sum() - 1)) > 1e-6:
        raise ValueError("both lists must have the same categories and add up to 1")
    about = _about("standardised difference over categories", (0, 0), 0, LEVEL)
    return _distance(about, one, two, None)


def _about(method: str, sizes: tuple[int, int], missing: int, level: float) -> Particulars:
    return Particulars(
        method=method,
        n=int(sum(sizes)),
        missing=missing,
        level=check_level(level),
        unit="standard deviations",
    )


def _shares(values: Any) -> Numbers:
    shares = as_numbers(values, name="shares")
    if np.isnan(shares).any() or (shares < 0).any() or (shares > 1).any():
        raise ValueError("shares must lie between 0 and 1")
    return shares


def _share_variance(p1: float, p2: float) -> float:
    return (p1 * (1 - p1) + p2 * (1 - p2)) / 2


def _hedges_factor(freedom: int) -> float:
    """Exact factor gamma(m/2) / (sqrt(m/2) gamma((m-1)/2)) for m degrees of freedom."""
    logs = special.gammaln(freedom / 2) - special.gammaln((freedom - 1) / 2)
    return float(np.exp(logs) / math.sqrt(freedom / 2))


def _scaled(
    about: Particulars, gap: float, variance: float, sizes: tuple[int, int] | None
) -> Estimate:
    if variance <= 0:
        if gap == 0:
            return about.estimate(0.0, note="no spread in either group: no interval")
        return about.nothing("no spread in either group, yet they differ")
    return _with_limits(about, gap / math.sqrt(variance), sizes)


def _distance(
    about: Particulars, one: Numbers, two: Numbers, sizes: tuple[int, int] | None
) -> Estimate:
    used = (one + two) > 0
    p1, p2 = one[used][1:], two[used][1:]
    gap = p1 - p2
    spread = (np.diag(p1) - np.outer(p1, p1) + np.diag(p2) - np.outer(p2, p2)) / 2
    solved = np.linalg.pinv(spread, hermitian=True) @ gap if gap.size else gap
    # Outside the span of the variances, the distance has no bound.
    if not np.allclose(spread @ solved, gap, rtol=0, atol=1e-9):
        return about.nothing("the groups are separated by a category: the distance has no bound")
    return _with_limits(about, math.sqrt(max(float(gap @ solved), 0.0)), sizes, least=0.0)


def _with_limits(
    about: Particulars,
    value: float,
    sizes: tuple[int, int] | None,
    *,
    least: float = -math.inf,
) -> Estimate:
    if sizes is None:
        return about.estimate(value, note="from shares alone: no interval")
    n1, n2 = sizes
    error = math.sqrt((n1 + n2) / (n1 * n2) + value**2 / (2 * (n1 + n2)))
    half = float(special.ndtri(0.5 + about.level / 2)) * error
    return about.estimate(value, max(value - half, least), value + half)
