"""Estimates from sums alone, equal to those from the rows behind them.

Means, deviations and limits of agreement depend on n, mean and sum of squares only. They are taken
from the kit's own estimators on a stand-in sample with those three; the formulas stand there once.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from audit.estimates import averages, proportions, rates
from audit.estimates.agreement import agreement
from audit.estimates.clusters import NO_CLUSTERS, NO_SPREAD
from audit.estimates.estimate import Estimate
from audit.estimates.particulars import Particulars
from audit.estimates.proportions import wilson_limits
from audit.estimates.rates import poisson_limits
from audit.pooling.sums import Sums

PER = 100.0
#: a variance so small beside what it is made from is rounding
_ROUNDING = 1e-20


def stand_in(sums: Sums) -> np.ndarray:
    """A sample with the same n, mean and sum of squares about the mean."""
    n = int(sums["n"])
    if n == 0:
        return np.zeros(0)
    sample = np.full(n, float(sums["total"]) / n)
    if n > 1:
        half = math.sqrt(max(float(sums["squares"]), 0.0) / 2)
        sample[0] += half
        sample[1] -= half
    return sample


def mean_estimates(sums: Sums, *, level: float, unit: str) -> dict[str, Estimate]:
    """mean, mean_clustered, sd."""
    sample, missing = stand_in(sums), int(sums["missing"])
    plain = averages.mean_estimate(sample, missing=missing, level=level, unit=unit)
    spread = averages.deviation_estimate(sample, missing=missing, level=level, unit=unit)
    twin = _symmetric(sums, plain, "mean, cluster-robust t interval")
    return {"mean": plain, "mean_clustered": twin, "sd": spread}


def agreement_estimates(sums: Sums, *, level: float) -> dict[str, Estimate]:
    """bias, bias_clustered, limit_low, limit_high of achieved minus planned gain, mm."""
    sample = np.append(stand_in(sums), np.full(int(sums["missing"]), np.nan))
    found = agreement(sample, np.zeros(sample.size), level=level, unit="mm")
    return {
        "bias": found.bias,
        "bias_clustered": _symmetric(sums, found.bias, "mean, cluster-robust t interval"),
        "limit_low": found.limit_low,
        "limit_high": found.limit_high,
    }


def ratio_estimates(sums: Sums, *, level: float, unit: str) -> dict[str, Estimate]:
    """ratio_of_totals, ratio_of_totals_clustered."""
    about = _about(sums, "ratio of totals, linearised t interval", level, unit)
    name = "ratio of totals, cluster-robust t interval"
    n, base = about.n, float(sums["base"])
    if base == 0:
        plain = about.nothing("no complete pairs" if n == 0 else "the denominators add up to 0")
        twin = _clusters(sums, name, plain).nothing(plain.note)
        return {"ratio_of_totals": plain, "ratio_of_totals_clustered": twin}
    ratio = float(sums["total"]) / base
    if n == 1:
        plain = about.estimate(ratio, note="one pair only: no interval")
    else:
        error = math.sqrt(n / (n - 1) * max(float(sums["squares"]), 0.0)) / base
        half = averages.t_multiplier(n - 1, level) * error
        note = averages.width_note(half, ratio)
        plain = about.estimate(ratio, ratio - half, ratio + half, note=note)
    return {
        "ratio_of_totals": plain,
        "ratio_of_totals_clustered": _symmetric(sums, plain, name),
    }


def share_estimates(sums: Sums, *, level: float, unit: str = "") -> dict[str, Estimate]:
    """proportion (Wilson), proportion_clustered."""
    yes, n, missing = round(sums["total"]), int(sums["n"]), int(sums["missing"])
    plain = proportions.proportion(yes, n, missing=missing, level=level, unit=unit)
    about = _clusters(sums, "proportion, cluster-robust logit interval", plain)
    return {"proportion": plain, "proportion_clustered": _share_twin(sums, about)}


def rate_estimates(sums: Sums, *, level: float, unit: str) -> dict[str, Estimate]:
    """rate (exact Poisson), rate_clustered, both per 100 of the base."""
    plain = rates.rate(
        round(sums["total"]),
        float(sums["base"]),
        per=PER,
        n=int(sums["n"]),
        missing=int(sums["missing"]),
        level=level,
        unit=unit,
    )
    about = _clusters(sums, "rate, cluster-robust log interval", plain)
    return {"rate": plain, "rate_clustered": _rate_twin(sums, about)}


def _about(sums: Sums, method: str, level: float, unit: str) -> Particulars:
    n, missing = int(sums["n"]), int(sums["missing"])
    return Particulars(method=method, n=n, missing=missing, level=level, unit=unit)


def _clusters(sums: Sums, method: str, plain: Estimate) -> Particulars:
    named = f"{method} ({int(sums['people'])} clusters)"
    return _about(sums, named, plain.level, plain.unit)


def _robust_error(sums: Sums) -> float:
    """Cluster-robust standard error of total / base; exactly 0 where the patients do not differ."""
    groups, base = int(sums["people"]), float(sums["base"])
    ratio, spread = float(sums["total"]) / base, float(sums["patient_squares"])
    scale = float(sums["patient_base_squares"]) * max(ratio**2, 1e-6) + abs(float(sums["squares"]))
    if spread <= _ROUNDING * scale:
        return 0.0
    return math.sqrt(groups / (groups - 1) * spread) / base


def _symmetric(sums: Sums, plain: Estimate, method: str) -> Estimate:
    """t limits over patients about the value of the plain twin, or its own where no spread is."""
    about = _clusters(sums, method, plain)
    if plain.value is None:
        return about.nothing(plain.note)
    if sums["people"] < 2:
        return about.estimate(plain.value, note=NO_CLUSTERS)
    error = _robust_error(sums)
    if error == 0:
        notes = [note for note in (plain.note, NO_SPREAD) if note]
        return about.estimate(plain.value, plain.low, plain.high, note="; ".join(notes))
    half = averages.t_multiplier(int(sums["people"]) - 1, plain.level) * error
    return about.estimate(plain.value, plain.value - half, plain.value + half)


def _share_twin(sums: Sums, about: Particulars) -> Estimate:
    n, groups = about.n, int(sums["people"])
    if n == 0:
        return about.nothing("no cases")
    share = float(sums["total"]) / n
    if groups < 2:
        return about.estimate(share, note=NO_CLUSTERS)
    error = _robust_error(sums)
    if error == 0:
        # no spread between patients: at 0 or 1 the correlation counts as 1, else it is not above 0
        number = float(n) if 0 < share < 1 else n**2 / float(sums["patient_base_squares"])
        low, high = wilson_limits(share * number, number, about.level)
        note = f"no spread between clusters: Wilson interval on {number:.4g} effective cases"
        low, high = (0.0 if share == 0 else low), (1.0 if share == 1 else high)
        return about.estimate(share, low, high, note=note)
    half = averages.t_multiplier(groups - 1, about.level) * error / (share * (1 - share))
    return _limits(about, share, half, math.log(share / (1 - share)), _inverse_logit)


def _rate_twin(sums: Sums, about: Particulars) -> Estimate:
    base, groups = float(sums["base"]), int(sums["people"])
    if base == 0:
        return about.nothing("no exposure")
    value = PER * float(sums["total"]) / base
    if groups < 2:
        return about.estimate(value, note=NO_CLUSTERS)
    error = 0.0 if value == 0 else _robust_error(sums)
    if error == 0:
        low, high = (x * PER / base for x in poisson_limits(round(sums["total"]), about.level))
        return about.estimate(value, low, high, note=f"{NO_SPREAD} (exact Poisson)")
    half = averages.t_multiplier(groups - 1, about.level) * error / (float(sums["total"]) / base)
    return _limits(about, value, half, math.log(value), math.exp)


def _inverse_logit(number: float) -> float:
    return 1 / (1 + math.exp(-number))


def _limits(
    about: Particulars, value: float, half: float, centre: float, back: Callable[[float], float]
) -> Estimate:
    return about.estimate(value, back(centre - half), back(centre + half))
