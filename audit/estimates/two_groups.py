"""Two groups of numbers without a normal curve: rank tests with the shift that they test.

The p value is exact where there are no ties and fewer than 50 values a group; with ties it is
the normal approximation with tie and continuity correction (an exact table for untied ranks is
wrong then). The limits of the shift invert the same test: two of the ordered differences.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from scipy import special, stats

from audit.estimates.comparison import Comparison
from audit.estimates.estimate import LEVEL, Estimate
from audit.estimates.inputs import Numbers, check_level, present, present_pairs
from audit.estimates.particulars import Particulars

EXACT_BELOW = 50
_ROUNDING = 1e-12


def mann_whitney(first: Any, second: Any, *, level: float = LEVEL, unit: str = "") -> Comparison:
    """Mann-Whitney test with the Hodges-Lehmann shift, first minus second.

    first, second: a column of numbers each; missing values are left out and counted. statistic:
    pairs in which the first is larger, ties half (R's W). estimate: the median of all differences
    first - second in `unit`. An empty group: not estimable. Sources: Mann and Whitney 1947, Ann
    Math Stat 18:50-60; Hodges and Lehmann 1963, Ann Math Stat 34:598-611; interval: Hollander
    and Wolfe 1999, Nonparametric Statistical Methods, section 4.3.
    """
    check_level(level)
    (one, lost1), (two, lost2) = present(first, name="first"), present(second, name="second")
    exact = max(one.size, two.size) < EXACT_BELOW and not _ties(np.concatenate([one, two]))
    kind = "exact" if exact else "normal approximation with tie and continuity correction"
    test = f"Mann-Whitney test, {kind}"
    about = Particulars(
        method=f"Hodges-Lehmann shift, interval of the {test}",
        n=int(one.size + two.size),
        missing=lost1 + lost2,
        level=level,
        unit=unit,
    )
    if min(one.size, two.size) == 0:
        reason = "no values in " + ("both groups" if about.n == 0 else "one group")
        return Comparison(estimate=about.nothing(reason), method=test, note=reason)
    differences = np.sort((one[:, None] - two[None, :]).ravel())
    if not exact and np.ptp(np.concatenate([one, two])) == 0:
        return _all_tied(about, differences, test)
    if exact:
        ways = math.comb(one.size + two.size, one.size)
        rank = _critical_rank(_mann_whitney_counts(one.size, two.size), ways, level)
    else:
        rank = _normal_rank(differences.size, _mann_whitney_spread(one, two), level)
    tails = {
        side: stats.mannwhitneyu(
            one, two, alternative=side, method="exact" if exact else "asymptotic"
        )
        for side in ("two-sided", "greater", "less")
    }
    return _comparison(_shift(about, differences, rank), test, tails)


def wilcoxon_signed_rank(
    first: Any, second: Any, *, level: float = LEVEL, unit: str = ""
) -> Comparison:
    """Wilcoxon's signed-rank test of pairs with the Hodges-Lehmann shift, first minus second.

    Two columns of one length in `unit`; a pair that lacks a side is missing, a pair without a
    difference is left out of the test and said in `note`. statistic: sum of the positive ranks
    (R's V). estimate: the median of all averages of two differences. No pair, or no difference
    at all: no test. Sources: Wilcoxon 1945, Biometrics Bull 1:80-83; Hollander and Wolfe 1999,
    Nonparametric Statistical Methods, section 3.3.
    """
    check_level(level)
    one, two, missing = present_pairs(first, second, names=("first", "second"))
    gaps = _settled(one - two)
    moved = gaps[gaps != 0]
    equal = int(gaps.size - moved.size)
    exact = moved.size < EXACT_BELOW and equal == 0 and not _ties(np.abs(moved))
    kind = "exact" if exact else "normal approximation with tie and continuity correction"
    test = f"Wilcoxon signed-rank test, {kind}"
    about = Particulars(
        method=f"Hodges-Lehmann shift of pairs, interval of the {test}",
        n=int(gaps.size),
        missing=missing,
        level=level,
        unit=unit,
    )
    if moved.size == 0:
        if gaps.size == 0:
            return Comparison(estimate=about.nothing("no pairs"), method=test, note="no pairs")
        return _all_tied(about, gaps, test)
    averages = _walsh_averages(moved)
    if exact:
        rank = _critical_rank(_signed_rank_counts(moved.size), 2**moved.size, level)
    else:
        rank = _normal_rank(averages.size, _signed_rank_spread(moved), level)
    tails = _signed_rank_tails(moved, exact=exact)
    note = f"{equal} pairs without a difference left out" if equal else ""
    return _comparison(_shift(about, averages, rank), test, tails, note=note)


def _signed_rank_tails(moved: Numbers, *, exact: bool) -> dict[str, Any]:
    method = "exact" if exact else "asymptotic"
    return {
        side: stats.wilcoxon(moved, alternative=side, correction=not exact, method=method)
        for side in ("two-sided", "greater", "less")
    }


def _comparison(
    estimate: Estimate, test: str, tails: dict[str, Any], *, note: str = ""
) -> Comparison:
    return Comparison(
        estimate=estimate,
        method=test,
        statistic=float(tails["greater"].statistic),
        p_value=float(tails["two-sided"].pvalue),
        p_greater=float(tails["greater"].pvalue),
        p_less=float(tails["less"].pvalue),
        note=note,
    )


def _all_tied(about: Particulars, differences: Numbers, test: str) -> Comparison:
    reason = "all values are equal: there is nothing to rank"
    shift = about.estimate(float(np.median(differences)), note=f"{reason}; no interval")
    return Comparison(estimate=shift, method=test, note=reason)


def _shift(about: Particulars, ordered: Numbers, rank: int) -> Estimate:
    """The median of the ordered differences between those at a rank from either end."""
    value = float(np.median(ordered))
    if rank < 1:
        return about.estimate(value, note=f"too few values for a {100 * about.level:g} % interval")
    return about.estimate(value, ordered[rank - 1], ordered[-rank])


def _critical_rank(counts: Numbers, ways: int, level: float) -> int:
    """Largest k with P(statistic <= k - 1) <= alpha/2; 0 where even the extreme is too likely."""
    reached = np.cumsum(counts) / float(ways)
    return int((reached <= (1 - level) / 2 * (1 + _ROUNDING)).sum())


def _normal_rank(total: int, spread: float, level: float) -> int:
    """The same from the normal curve with continuity correction, `total` pairs of values."""
    edge = total / 2 - 0.5 - float(special.ndtri(0.5 + level / 2)) * spread
    return max(0, math.floor(edge) + 1)


def _mann_whitney_counts(n1: int, n2: int) -> Numbers:
    """Ways to each value of the statistic, from 0 to the middle of its range; no ties."""
    counts = np.zeros(n1 * n2 // 2 + 1)
    counts[0] = 1.0
    # Gaussian binomial coefficient: multiply by (1 - x^(n2+i)), divide by (1 - x^i).
    for i in range(1, n1 + 1):
        step = n2 + i
        if step < counts.size:
            counts[step:] -= counts[:-step].copy()
        for start in range(i, counts.size):
            counts[start] += counts[start - i]
    return counts


def _signed_rank_counts(n: int) -> Numbers:
    """Ways to each sum of ranks, from 0 to the middle of its range; no ties."""
    counts = np.zeros(n * (n + 1) // 4 + 1)
    counts[0] = 1.0
    for rank in range(1, n + 1):
        if rank < counts.size:
            counts[rank:] += counts[:-rank].copy()
    return counts


def _mann_whitney_spread(one: Numbers, two: Numbers) -> float:
    """Standard deviation of the statistic at any shift that ties no pair: ties within groups."""
    n = one.size + two.size
    ties = _tie_sum(one) + _tie_sum(two)
    return math.sqrt(one.size * two.size / 12 * (n + 1 - ties / (n * (n - 1))))


def _signed_rank_spread(moved: Numbers) -> float:
    n = moved.size
    return math.sqrt(n * (n + 1) * (2 * n + 1) / 24 - _tie_sum(moved) / 48)


def _walsh_averages(gaps: Numbers) -> Numbers:
    rows, columns = np.triu_indices(gaps.size)
    return np.sort((gaps[rows] + gaps[columns]) / 2)


def _settled(gaps: Numbers) -> Numbers:
    """Differences without the noise of subtraction, which would split ties (0.3 - 0.1, 0.2)."""
    largest = float(np.abs(gaps).max()) if gaps.size else 0.0
    return np.round(gaps, 12 - math.ceil(math.log10(largest))) if largest > 0 else gaps


def _tie_sum(values: Numbers) -> float:
    sizes = np.unique(values, return_counts=True)[1].astype(float)
    return float((sizes**3 - sizes).sum())


def _ties(values: Numbers) -> bool:
    return bool(np.unique(values).size < values.size)
