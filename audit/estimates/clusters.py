"""Clustered twins: the same values, with intervals that allow for several cases of one patient.

Means, shares, rates and ratios of totals are ratio estimators with the cluster-robust variance
G/(G-1) sum_g U_g^2 / (sum x)^2, U_g the sum of y - R x over cluster g, and t limits on G - 1
degrees of freedom (Liang and Zeger 1986, Biometrika 73:13-22; the G/(G-1) form is called CR1 in
Cameron and Miller 2015, J Hum Resour 50:317-372). Quantiles have the cluster bootstrap.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np

from audit.estimates.averages import (
    check_quantile,
    mean_estimate,
    quantile_name,
    ratio_estimate,
    t_multiplier,
)
from audit.estimates.estimate import LEVEL, Estimate
from audit.estimates.inputs import (
    Codes,
    Numbers,
    as_numbers,
    as_yes_no,
    check_aligned,
    check_level,
    cluster_codes,
)
from audit.estimates.particulars import Particulars
from audit.estimates.proportions import wilson_limits
from audit.estimates.rates import check_scale, poisson_limits
from audit.estimates.resampling import (
    RESAMPLES,
    SEED,
    QuantileStatistic,
    bootstrap_estimate,
    draw,
)

NO_CLUSTERS = "fewer than two clusters: no interval"
NO_SPREAD = "the clusters do not differ: interval as for independent rows"
_ROUNDING = 1e-12


def clustered_mean(values: Any, cluster: Any, *, level: float = LEVEL, unit: str = "") -> Estimate:
    """Mean of all rows with the cluster-robust t interval; value as `mean`.

    values: numbers in `unit`; cluster: the id of each row's cluster. Rows without a value are
    missing; a missing id raises ValueError. No values: not estimable; fewer than two clusters:
    the value without limits; clusters that do not differ at all: the plain interval, said in note.
    """
    sample = _gather(as_numbers(values), None, cluster, labels=(values, cluster))
    about = sample.about("mean, cluster-robust t interval", level, unit)
    if about.n == 0:
        return about.nothing("no values")
    plain = mean_estimate(sample.top, missing=sample.missing, level=level, unit=unit)
    return _symmetric(about, sample, plain)


def clustered_ratio_of_totals(
    numerators: Any, denominators: Any, cluster: Any, *, level: float = LEVEL, unit: str = ""
) -> Estimate:
    """Total over total with the cluster-robust t interval; value as `ratio_of_totals`.

    Rows that lack a side are missing; negative denominators or a missing cluster id raise
    ValueError. Denominators that add up to 0: not estimable; otherwise as `clustered_mean`.
    """
    check_aligned(numerators, denominators, names=("numerators", "denominators"))
    bottom = as_numbers(denominators, name="denominators")
    if (bottom < 0).any():
        raise ValueError("denominators must be 0 or more")
    top = as_numbers(numerators, name="numerators")
    sample = _gather(top, bottom, cluster, labels=(numerators, cluster))
    about = sample.about("ratio of totals, cluster-robust t interval", level, unit)
    plain = ratio_estimate(
        sample.top, sample.bottom, missing=sample.missing, level=level, unit=unit
    )
    return about.nothing(plain.note) if plain.value is None else _symmetric(about, sample, plain)


def clustered_proportion(
    events: Any, cluster: Any, *, level: float = LEVEL, unit: str = ""
) -> Estimate:
    """Share of rows with the event; cluster-robust t limits on the logit scale, so within 0-1.

    events: yes/no for each row (True/False, 1/0 or the words); rows without an answer are
    missing; a missing cluster id raises ValueError. At no or all events, or where the clusters do
    not differ at all: Wilson interval on the effective number of rows (see `effective_number`),
    said in note. Logit limits: Korn and Graubard 1998, Surv Methodol 24:193-201 compare them.
    """
    sample = _gather(as_yes_no(events), None, cluster, labels=(events, cluster))
    about = sample.about("proportion, cluster-robust logit interval", level, unit)
    if about.n == 0:
        return about.nothing("no cases")
    share = sample.ratio
    if sample.groups < 2:
        return about.estimate(share, note=NO_CLUSTERS)
    if sample.error == 0:
        number = _effective(sample.top, sample.codes)
        low, high = wilson_limits(share * number, number, level)
        note = f"no spread between clusters: Wilson interval on {number:.4g} effective cases"
        low, high = (0.0 if share == 0 else low), (1.0 if share == 1 else high)
        return about.estimate(share, low, high, note=note)
    half = t_multiplier(sample.groups - 1, level) * sample.error / (share * (1 - share))
    centre = math.log(share / (1 - share))
    low, high = (1 / (1 + math.exp(-x)) for x in (centre - half, centre + half))
    return about.estimate(share, low, high)


def clustered_rate(
    events: Any,
    exposure: Any,
    cluster: Any,
    *,
    per: float = 1.0,
    level: float = LEVEL,
    unit: str = "",
) -> Estimate:
    """Events per `per` units of exposure; cluster-robust t limits on the log scale, so above 0.

    events and exposure: a number of 0 or more for each row; rows that lack one are missing; a
    missing cluster id raises ValueError. No exposure: not estimable. No events, or clusters that
    do not differ at all: the exact Poisson interval, said in note. `n` counts rows.
    """
    check_aligned(events, exposure, names=("events", "exposure"))
    top, bottom = as_numbers(events, name="events"), as_numbers(exposure, name="exposure")
    for column, name in ((top, "events"), (bottom, "exposure")):
        if (column < 0).any():
            raise ValueError(f"{name} must be 0 or more")
    factor = check_scale(per)
    sample = _gather(top, bottom, cluster, labels=(events, cluster))
    about = sample.about("rate, cluster-robust log interval", level, unit)
    total = float(sample.bottom.sum())
    if total == 0:
        return about.nothing("no exposure")
    value = sample.ratio * factor
    if sample.groups < 2:
        return about.estimate(value, note=NO_CLUSTERS)
    if sample.error == 0:
        low, high = (x * factor / total for x in poisson_limits(round(sample.top.sum()), level))
        return about.estimate(value, low, high, note=f"{NO_SPREAD} (exact Poisson)")
    half = t_multiplier(sample.groups - 1, level) * sample.error / sample.ratio
    return about.estimate(value, value * math.exp(-half), value * math.exp(half))


def clustered_median(
    values: Any,
    cluster: Any,
    *,
    resamples: int = RESAMPLES,
    seed: int = SEED,
    level: float = LEVEL,
    unit: str = "",
) -> Estimate:
    """Median of all rows with the cluster bootstrap interval; see `clustered_quantile`."""
    return clustered_quantile(
        values, cluster, q=0.5, resamples=resamples, seed=seed, level=level, unit=unit
    )


def clustered_quantile(
    values: Any,
    cluster: Any,
    *,
    q: float,
    resamples: int = RESAMPLES,
    seed: int = SEED,
    level: float = LEVEL,
    unit: str = "",
) -> Estimate:
    """Quantile q of all rows (value as `quantile`) with the cluster bootstrap interval.

    Rows without a value are missing; a missing cluster id raises ValueError. No values: not
    estimable; fewer than two clusters: the value without limits. See `cluster_bootstrap`.
    """
    check_level(level)
    check_quantile(q)
    sample = _gather(as_numbers(values), None, cluster, labels=(values, cluster))
    statistic = QuantileStatistic(sample.top, sample.codes, q)
    drawn = draw(statistic, sample.codes, missing=sample.missing, resamples=resamples, seed=seed)
    return bootstrap_estimate(drawn, name=quantile_name(q), level=level, unit=unit)


def effective_number(values: Any, cluster: Any) -> Estimate:
    """How many independent rows the clustered rows are worth: n / design effect, at most n.

    The design effect is 1 + (m - 1) ICC, with m = sum(m_g^2) / n the mean cluster size as a row
    sees it, and the intra-cluster correlation of the one-way analysis of variance for unequal
    cluster sizes (Donner 1986, Int Stat Rev 54:67-82). A correlation below 0 counts as 0, so the
    number is never above n. Where all values are equal the correlation cannot be seen and counts
    as 1, the cautious bound. Rows without a value are missing. No interval.
    """
    sample = _gather(as_numbers(values), None, cluster, labels=(values, cluster))
    about = sample.about("effective number of rows, n / design effect", LEVEL, "rows")
    if about.n == 0:
        return about.nothing("no values")
    return about.estimate(_effective(sample.top, sample.codes), note="no interval")


@dataclasses.dataclass(frozen=True, eq=False)
class _Sample:
    """Complete rows y, x, cluster numbers; ratio and its robust standard error (0: no spread)."""

    top: Numbers
    bottom: Numbers
    codes: Codes
    missing: int
    groups: int
    ratio: float
    error: float

    def about(self, method: str, level: float, unit: str) -> Particulars:
        return Particulars(
            method=f"{method} ({self.groups} clusters)",
            n=int(self.top.size),
            missing=self.missing,
            level=check_level(level),
            unit=unit,
        )


def _gather(
    top: Numbers, bottom: Numbers | None, cluster: Any, *, labels: tuple[Any, Any]
) -> _Sample:
    check_aligned(*labels, names=("values", "cluster"))
    codes = cluster_codes(cluster)
    below = np.ones(top.size) if bottom is None else bottom
    known = ~(np.isnan(top) | np.isnan(below))
    top, below, missing = top[known], below[known], int((~known).sum())
    # Clusters are numbered again, for those without any usable row do not count.
    ids, codes = np.unique(codes[known], return_inverse=True)
    groups, total = int(ids.size), float(below.sum())
    ratio = float(top.sum()) / total if total > 0 else math.nan
    size = float(np.abs(top).sum() + abs(ratio) * np.abs(below).sum())
    error = math.nan
    if total > 0:
        error = _robust_error(top - ratio * below, codes, groups, size=size) / total
    return _Sample(top, below, codes, missing, groups, ratio, error)


def _robust_error(residuals: Numbers, codes: Codes, groups: int, *, size: float = 0.0) -> float:
    """Square root of G/(G-1) sum U_g^2; exactly 0 where the sums vanish up to rounding.

    size: sum of what the residuals are differences of, where that is larger than they are.
    """
    if groups < 2:
        return math.nan
    sums = np.bincount(codes, weights=residuals, minlength=groups)
    size = max(size, float(np.abs(residuals).sum()))
    if float(np.abs(sums).max()) <= _ROUNDING * size:
        return 0.0
    return math.sqrt(groups / (groups - 1) * float((sums**2).sum()))


def _symmetric(about: Particulars, sample: _Sample, plain: Estimate) -> Estimate:
    """t limits about the value of the plain twin, or its own limits where no spread is seen."""
    value = float(plain.value if plain.value is not None else math.nan)
    if sample.groups < 2:
        return about.estimate(value, note=NO_CLUSTERS)
    if sample.error == 0:
        notes = [note for note in (plain.note, NO_SPREAD) if note]
        return about.estimate(value, plain.low, plain.high, note="; ".join(notes))
    half = t_multiplier(sample.groups - 1, about.level) * sample.error
    return about.estimate(value, value - half, value + half)


def _effective(values: Numbers, codes: Codes) -> float:
    sizes = np.bincount(codes).astype(float)
    n, groups = float(values.size), sizes.size
    if groups == n:
        return n
    as_seen = float((sizes**2).sum()) / n
    centre, sums = values.mean(), np.bincount(codes, weights=values)
    total = float(((values - centre) ** 2).sum())
    if groups < 2 or total <= _ROUNDING * float((values**2).sum()):
        return n / as_seen
    between = float((sizes * (sums / sizes - centre) ** 2).sum())
    mean_between, mean_within = between / (groups - 1), (total - between) / (n - groups)
    typical = (n - as_seen) / (groups - 1)
    icc = (mean_between - mean_within) / (mean_between + (typical - 1) * mean_within)
    return n / (1 + (as_seen - 1) * min(max(icc, 0.0), 1.0))
