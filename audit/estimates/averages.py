"""Averages of one column of numbers: mean, spread, quantiles, extremes, ratio of totals."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from scipy import special

from audit.estimates.estimate import LEVEL, Estimate
from audit.estimates.inputs import Numbers, check_level, present, present_pairs
from audit.estimates.particulars import Particulars

ONE_VALUE = "one value only: no interval"
ALL_EQUAL = "all values are equal: the interval has no width and understates the doubt"

# A binomial tail that equals half of alpha in exact arithmetic must not miss it by rounding.
_ROUNDING = 1e-12


def mean(values: Any, *, level: float = LEVEL, unit: str = "") -> Estimate:
    """Arithmetic mean with Student's t interval on n - 1 degrees of freedom.

    values: one column of numbers in `unit`; missing values are left out and counted. Without a
    value: not estimable; with one: the value without limits. Raises ValueError for text, dates
    or infinite values. Source: Student 1908, Biometrika 6:1-25.
    """
    check_level(level)
    kept, missing = present(values)
    return mean_estimate(kept, missing=missing, level=level, unit=unit)


def mean_estimate(kept: Numbers, *, missing: int, level: float, unit: str) -> Estimate:
    """`mean` of an array without missing values."""
    n = int(kept.size)
    about = Particulars(method="mean, t interval", n=n, missing=missing, level=level, unit=unit)
    if n == 0:
        return about.nothing("no values")
    centre = float(kept.mean())
    if n == 1:
        return about.estimate(centre, note=ONE_VALUE)
    half = t_multiplier(n - 1, level) * float(kept.std(ddof=1)) / math.sqrt(n)
    return about.estimate(centre, centre - half, centre + half, note=width_note(half, centre))


def standard_deviation(values: Any, *, level: float = LEVEL, unit: str = "") -> Estimate:
    """Sample standard deviation (n - 1) with the chi-squared interval of a normal distribution.

    values: one column of numbers in `unit`; missing values are left out and counted. Fewer than
    two values: not estimable (never 0). The interval is sensitive to skewness. Source: any
    textbook, e.g. Armitage, Berry and Matthews 2002, Statistical Methods in Medical Research.
    """
    check_level(level)
    kept, missing = present(values)
    return deviation_estimate(kept, missing=missing, level=level, unit=unit)


def deviation_estimate(kept: Numbers, *, missing: int, level: float, unit: str) -> Estimate:
    """`standard_deviation` of an array without missing values."""
    n, method = int(kept.size), "standard deviation (n - 1), chi-squared interval"
    about = Particulars(method=method, n=n, missing=missing, level=level, unit=unit)
    if n < 2:
        return about.nothing("a standard deviation needs two values")
    spread = float(kept.std(ddof=1))
    low, high = chi_squared_factors(n - 1, level)
    note = width_note(spread, float(kept.mean()))
    return about.estimate(spread, spread * low, spread * high, note=note)


def median(values: Any, *, level: float = LEVEL, unit: str = "") -> Estimate:
    """Median with the exact interval between two order statistics; see `quantile`."""
    return quantile(values, q=0.5, level=level, unit=unit)


def quantile(values: Any, *, q: float, level: float = LEVEL, unit: str = "") -> Estimate:
    """Quantile q by linear interpolation (R type 7), exact interval between order statistics.

    values: one column of numbers in `unit`; missing values are left out and counted; 0 < q < 1.
    The limits are the l-th and u-th smallest values: l the largest rank with
    P(Binomial(n, q) <= l - 1) <= alpha/2, u its mirror. They hold for any distribution and
    cover at least the level. Where n is too small for such ranks: the value without limits and
    the reason. Sources: Hyndman and Fan 1996, Am Stat 50:361-365 (type 7); Conover 1999,
    Practical Nonparametric Statistics, section 3.2 (interval).
    """
    check_level(level)
    check_quantile(q)
    kept, missing = present(values)
    n, method = int(kept.size), f"{quantile_name(q)}, exact order-statistic interval"
    about = Particulars(method=method, n=n, missing=missing, level=level, unit=unit)
    if n == 0:
        return about.nothing("no values")
    ordered = np.sort(kept)
    value = float(np.quantile(ordered, q))
    lower, upper = order_statistic_ranks(n, q, level)
    if lower < 1 or upper > n:
        need = f"a {100 * level:g} % interval needs {_smallest_n(q, level)} values or more"
        return about.estimate(value, note=need)
    return about.estimate(value, ordered[lower - 1], ordered[upper - 1])


def minimum(values: Any, *, level: float = LEVEL, unit: str = "") -> Estimate:
    """Smallest value seen; no interval, for the sample says little of the unseen extreme.

    values: one column of numbers in `unit`; missing values are left out and counted. Without a
    value: not estimable.
    """
    return _extreme(values, which="smallest", level=level, unit=unit)


def maximum(values: Any, *, level: float = LEVEL, unit: str = "") -> Estimate:
    """Largest value seen; no interval, for the sample says little of the unseen extreme.

    values: one column of numbers in `unit`; missing values are left out and counted. Without a
    value: not estimable.
    """
    return _extreme(values, which="largest", level=level, unit=unit)


def ratio_of_totals(
    numerators: Any, denominators: Any, *, level: float = LEVEL, unit: str = ""
) -> Estimate:
    """Total of the numerators over total of the denominators, e.g. total days / total cm.

    Two columns of one length, denominators 0 or more; a pair that lacks a side is missing. Large
    cases weigh more here than in the mean of the ratios. Linearised (Taylor) variance
    n/(n-1) sum(e^2) / (sum x)^2 with e = y - R x, rows taken as independent, t limits on n - 1
    degrees of freedom. Raises ValueError for negative denominators or unequal lengths. Source:
    Cochran 1977, Sampling Techniques, 3rd ed., section 6.3.
    """
    check_level(level)
    names = ("numerators", "denominators")
    top, bottom, missing = present_pairs(numerators, denominators, names=names)
    if (bottom < 0).any():
        raise ValueError("denominators must be 0 or more")
    return ratio_estimate(top, bottom, missing=missing, level=level, unit=unit)


def ratio_estimate(
    top: Numbers, bottom: Numbers, *, missing: int, level: float, unit: str
) -> Estimate:
    """`ratio_of_totals` of complete pairs."""
    n, total = int(top.size), float(bottom.sum())
    method = "ratio of totals, linearised t interval"
    about = Particulars(method=method, n=n, missing=missing, level=level, unit=unit)
    if total == 0:
        return about.nothing("no complete pairs" if n == 0 else "the denominators add up to 0")
    ratio = float(top.sum()) / total
    if n == 1:
        return about.estimate(ratio, note="one pair only: no interval")
    error = math.sqrt(n / (n - 1) * float(((top - ratio * bottom) ** 2).sum())) / total
    half = t_multiplier(n - 1, level) * error
    return about.estimate(ratio, ratio - half, ratio + half, note=width_note(half, ratio))


def t_multiplier(degrees: float, level: float) -> float:
    """Two-sided Student t multiplier; infinite degrees of freedom give the normal one."""
    tail = 0.5 + level / 2
    return float(special.ndtri(tail) if math.isinf(degrees) else special.stdtrit(degrees, tail))


def chi_squared_factors(degrees: int, level: float) -> tuple[float, float]:
    """What to multiply a standard deviation with for its chi-squared limits."""
    tail = (1 - level) / 2
    largest, smallest = special.chdtri(degrees, tail), special.chdtri(degrees, 1 - tail)
    return math.sqrt(degrees / largest), math.sqrt(degrees / smallest)


def order_statistic_ranks(n: int, q: float, level: float) -> tuple[int, int]:
    """Ranks (from 1) whose values bound quantile q; 0 or n + 1 where there is no such rank."""
    tail = (1 - level) / 2 * (1 + _ROUNDING)
    counts = np.arange(n + 1)
    # P(B <= l - 1) <= tail holds for as many ranks l as counts have so small a lower tail.
    lower = int((special.bdtr(counts, n, q) <= tail).sum())
    # P(B >= u) = P(B > u - 1) <= tail: the first such u.
    upper = 1 + int((special.bdtrc(counts, n, q) > tail).sum())
    return lower, upper


def check_quantile(q: float) -> float:
    """The quantile itself, or ValueError unless it lies between 0 and 1."""
    if not 0.0 < q < 1.0:
        raise ValueError(f"q must lie between 0 and 1, got {q!r}")
    return float(q)


def quantile_name(q: float) -> str:
    """The word for a quantile: median, lower quartile, upper quartile, or quantile 0.9."""
    return {0.5: "median", 0.25: "lower quartile", 0.75: "upper quartile"}.get(q, f"quantile {q:g}")


def width_note(half: float, value: float) -> str:
    """The caution for an interval without width, up to rounding; else an empty note."""
    return ALL_EQUAL if half <= _ROUNDING * abs(value) else ""


def _smallest_n(q: float, level: float) -> int:
    return math.ceil(math.log((1 - level) / 2) / math.log(max(q, 1 - q)) - _ROUNDING)


def _extreme(values: Any, *, which: str, level: float, unit: str) -> Estimate:
    check_level(level)
    kept, missing = present(values)
    n, method = int(kept.size), f"{which} value observed"
    about = Particulars(method=method, n=n, missing=missing, level=level, unit=unit)
    if n == 0:
        return about.nothing("no values")
    value = kept.min() if which == "smallest" else kept.max()
    return about.estimate(value, note="observed value: no interval")
