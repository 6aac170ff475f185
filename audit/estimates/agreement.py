"""Two measurements of the same thing: bias, limits of agreement, repeatability, concordance."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

from scipy import special, stats

from audit.estimates.averages import (
    chi_squared_factors,
    deviation_estimate,
    mean_estimate,
    t_multiplier,
    width_note,
)
from audit.estimates.estimate import LEVEL, Estimate
from audit.estimates.inputs import (
    Numbers,
    check_amount,
    check_choice,
    check_level,
    present_pairs,
)
from audit.estimates.particulars import Particulars

# The 97.5 % point of the normal distribution: limits that hold 95 % of the differences.
MULTIPLIER = 1.959963984540054
INTERVALS = {
    "exact": "exact noncentral-t interval",
    "approx_1999": "approximate interval of 1999",
    "approx_1986": "approximate interval of 1986",
}


@dataclasses.dataclass(frozen=True, kw_only=True)
class Agreement:
    """Bias, both limits of agreement and the standard deviation of the differences a - b."""

    bias: Estimate
    limit_low: Estimate
    limit_high: Estimate
    sd: Estimate
    multiplier: float


@dataclasses.dataclass(frozen=True, kw_only=True)
class Repeatability:
    """Within-subject standard deviation and the repeatability coefficient made from it."""

    within_subject_sd: Estimate
    coefficient: Estimate
    multiplier: float


@dataclasses.dataclass(frozen=True, kw_only=True)
class Concordance:
    """Lin's coefficient and its two factors: correlation (precision) x bias correction."""

    coefficient: Estimate
    pearson: float | None
    bias_correction: float | None


def agreement(
    a: Any,
    b: Any,
    *,
    multiplier: float = MULTIPLIER,
    interval: str = "exact",
    level: float = LEVEL,
    unit: str = "",
) -> Agreement:
    """Bias mean(a - b) and limits of agreement bias -/+ multiplier x sd, each with its interval.

    a, b: two columns of one length in `unit`; a pair that lacks a side is missing. The bias has a
    t interval. interval, for the limits: exact (one limit at a time from the noncentral t
    distribution; Carkeet 2015, Optom Vis Sci 92:e71-e80), approx_1999 (Bland and Altman 1999,
    Stat Methods Med Res 8:135-160) or approx_1986 (standard error sqrt(3/n) sd; Bland and Altman
    1986, Lancet i:307-310, who used the multiplier 2). One pair: bias only. The limits need
    differences that are roughly normal and unrelated to size.
    """
    check_level(level)
    check_choice(interval, INTERVALS, name="interval")
    times = check_amount(multiplier, name="multiplier")
    one, two, missing = present_pairs(a, b, names=("a", "b"))
    differences = one - two
    method = f"limit of agreement, multiplier {times:.4g}, {INTERVALS[interval]}"
    about = Particulars(
        method=method, n=int(differences.size), missing=missing, level=level, unit=unit
    )
    return Agreement(
        bias=mean_estimate(differences, missing=missing, level=level, unit=unit),
        limit_low=_limit(about, differences, -times, interval),
        limit_high=_limit(about, differences, times, interval),
        sd=deviation_estimate(differences, missing=missing, level=level, unit=unit),
        multiplier=times,
    )


def _limit(about: Particulars, differences: Numbers, times: float, interval: str) -> Estimate:
    n = about.n
    if n < 2:
        return about.nothing("limits of agreement need two pairs")
    bias, sd = float(differences.mean()), float(differences.std(ddof=1))
    limit, tail = bias + times * sd, (1 - about.level) / 2
    if interval == "exact":
        # (bias - limit) / (sd / sqrt n) follows a noncentral t with this noncentrality.
        centre = -times * math.sqrt(n)
        points = [float(stats.nct.ppf(p, n - 1, centre)) for p in (1 - tail, tail)]
        low, high = (bias - point * sd / math.sqrt(n) for point in points)
    else:
        share = 3 / n if interval == "approx_1986" else 1 / n + times**2 / (2 * (n - 1))
        half = t_multiplier(n - 1, about.level) * sd * math.sqrt(share)
        low, high = limit - half, limit + half
    return about.estimate(limit, low, high, note=width_note(sd, bias))


def repeatability(
    first: Any,
    second: Any,
    *,
    multiplier: float = MULTIPLIER,
    level: float = LEVEL,
    unit: str = "",
) -> Repeatability:
    """Within-subject sd of two repeats, sqrt(sum d^2 / 2n); coefficient multiplier sqrt(2) sd.

    Two columns of one length in `unit`; a pair that lacks a side is missing. The mean difference
    is taken as 0, so the chi-squared interval has n degrees of freedom. No pair: not estimable.
    Source: Bland and Altman 1999, Stat Methods Med Res 8:135-160, section 3.
    """
    check_level(level)
    times = check_amount(multiplier, name="multiplier") * math.sqrt(2)
    one, two, missing = present_pairs(first, second, names=("first", "second"))
    n = int(one.size)
    about = Particulars(method="", n=n, missing=missing, level=level, unit=unit)
    parts = {
        "within_subject_sd": (1.0, "within-subject standard deviation"),
        "coefficient": (times, f"repeatability coefficient, multiplier {multiplier:.4g}"),
    }
    estimates = {}
    for part, (factor, name) in parts.items():
        named = dataclasses.replace(about, method=f"{name}, chi-squared interval (n)")
        if n == 0:
            estimates[part] = named.nothing("no complete pairs")
            continue
        value = factor * math.sqrt(float(((one - two) ** 2).mean()) / 2)
        low, high = chi_squared_factors(n, level)
        note = width_note(value, float(one.mean()))
        estimates[part] = named.estimate(value, value * low, value * high, note=note)
    return Repeatability(**estimates, multiplier=float(multiplier))


def lin_ccc(a: Any, b: Any, *, level: float = LEVEL) -> Estimate:
    """Lin's concordance correlation coefficient (-1 to 1) of two columns; see `concordance`."""
    return concordance(a, b, level=level).coefficient


def concordance(a: Any, b: Any, *, level: float = LEVEL) -> Concordance:
    """Lin's concordance coefficient with its factors: correlation and bias correction.

    a, b: two columns of one length; a pair that lacks a side is missing. Variances divide by n;
    limits by Fisher's z with the corrected variance (Lin 1989, Biometrics 45:255-268; erratum
    2000, Biometrics 56:324-325). Fewer than two pairs or a constant column: not estimable; two
    pairs, no correlation or perfect concordance: no limits.
    """
    check_level(level)
    one, two, missing = present_pairs(a, b, names=("a", "b"))
    method = "Lin concordance coefficient, Fisher z interval"
    about = Particulars(method=method, n=int(one.size), missing=missing, level=level)
    if about.n < 2 or one.std() == 0 or two.std() == 0:
        reason = "two complete pairs or more and values that vary are needed"
        return Concordance(coefficient=about.nothing(reason), pearson=None, bias_correction=None)
    spread, shift = float(one.std() * two.std()), float(two.mean() - one.mean())
    covariance = float(((one - one.mean()) * (two - two.mean())).mean())
    ccc = 2 * covariance / float(one.var() + two.var() + shift**2)
    r = covariance / spread
    return Concordance(
        coefficient=_ccc_estimate(about, ccc, r, shift**2 / spread),
        pearson=r,
        bias_correction=2 * spread / float(one.var() + two.var() + shift**2),
    )


def _ccc_estimate(about: Particulars, ccc: float, r: float, u2: float) -> Estimate:
    """Limits from Lin's variance of z; u2 is the squared location shift over both deviations."""
    if about.n < 3 or r == 0 or abs(ccc) >= 1 - 1e-12:
        return about.estimate(ccc, note="no interval: two pairs, no correlation or all on one line")
    variance = (
        (1 - r**2) * ccc**2 * (1 - ccc**2) / r**2
        + 2 * ccc**3 * (1 - ccc) * u2 / r
        - 0.5 * ccc**4 * u2**2 / r**2
    ) / ((about.n - 2) * (1 - ccc**2) ** 2)
    half = float(special.ndtri(0.5 + about.level / 2)) * math.sqrt(max(variance, 0.0))
    centre = math.atanh(ccc)
    return about.estimate(ccc, math.tanh(centre - half), math.tanh(centre + half))
