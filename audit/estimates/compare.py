"""Groups compared: the log-rank family, the share waiting at one time, and restricted means."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from audit.estimates.estimate import Estimate, not_estimable
from audit.estimates.product_limit import z_of
from audit.estimates.risk_sets import group_counts
from audit.estimates.survival import SurvivalCurve
from audit.estimates.time_input import TimeData, check_time, codes_of, one_of, read_times, same_rows

WEIGHTS = ("logrank", "rho1")
_NAMES = {"logrank": "log-rank test", "rho1": "Peto & Peto weighted log-rank test (rho = 1)"}


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class CurveComparison:
    """A test of no difference between groups.

    chi2, df, p: the statistic, its degrees of freedom and p value; chi2 and p are None where
    not estimable and `note` says why. groups, sizes, observed, expected: one value a group.
    """

    chi2: float | None
    df: int
    p: float | None
    groups: list[Any]
    sizes: np.ndarray = dataclasses.field(repr=False)
    observed: np.ndarray = dataclasses.field(repr=False)
    expected: np.ndarray = dataclasses.field(repr=False)
    n: int
    missing: int
    method: str
    note: str = ""

    @property
    def table(self) -> pd.DataFrame:
        """A new table, one row a group: group, n, observed, expected."""
        return pd.DataFrame(
            {
                "group": self.groups,
                "n": self.sizes,
                "observed": self.observed,
                "expected": self.expected,
            }
        )


@dataclasses.dataclass(frozen=True, kw_only=True)
class Contrast:
    """First minus second, with its test: `difference` with limits, `chi2` on 1 df and `p`."""

    difference: Estimate
    std_error: float | None
    chi2: float | None
    p: float | None
    method: str


def compare_curves(
    durations: Any,
    observed: Any,
    group: Any,
    strata: Any = None,
    *,
    weights: str = "logrank",
) -> CurveComparison:
    """Test whether the times to the event differ between groups, within strata if given.

    group, strata: one label a row, none empty. weights: "logrank" (every event counts alike;
    Mantel 1966, Cancer Chemother Rep 50:163-170) or "rho1" (early events count more: each is
    weighted by the pooled Kaplan-Meier share just before it; Peto & Peto 1972, Harrington &
    Fleming 1982, Biometrika 69:553-566). Observed minus expected and its hypergeometric variance
    are summed over strata. Other input rules: `time_input.read_times`.
    """
    one_of(weights, name="weights", choices=WEIGHTS)
    same_rows(durations=durations, observed=observed, group=group, strata=strata)
    data = read_times(durations, observed)
    codes, labels = codes_of(used_labels(group, data), name="group")
    layers = np.zeros(codes.size, dtype=np.intp)
    if strata is not None:
        layers = codes_of(used_labels(strata, data), name="strata")[0]
    observed, expected, variance = _sum_over_strata(data, codes, layers, len(labels), weights)
    return comparison_of(
        data,
        (codes, labels),
        (observed, expected, variance),
        method=_NAMES[weights] + (", stratified" if strata is not None else ""),
    )


def comparison_of(
    data: TimeData,
    coded: tuple[np.ndarray, list[Any]],
    sums: tuple[np.ndarray, np.ndarray, np.ndarray],
    *,
    method: str,
) -> CurveComparison:
    """The test made from observed and expected events and the variance of their difference."""
    codes, labels = coded
    observed, expected, variance = sums
    chi2, df, note = _quadratic_form(observed - expected, variance)
    if len(labels) < 2:
        note = "fewer than two groups to compare"
    return CurveComparison(
        chi2=chi2,
        df=df,
        p=None if chi2 is None else float(special.chdtrc(df, chi2)),
        groups=labels,
        sizes=np.bincount(codes, minlength=len(labels)),
        observed=observed,
        expected=expected,
        n=data.time.size,
        missing=data.missing,
        method=method,
        note=note,
    )


def compare_at(first: SurvivalCurve, second: SurvivalCurve, *, t: float) -> Contrast:
    """Share still waiting at time `t`, first curve minus second, with a test at that time alone.

    Test: difference of the log(-log) shares over its standard error, both from the step values
    at `t` (Klein, Logan, Harhoff & Andersen 2007, Stat Med 26:4505-4519). Limits of the
    difference: normal, from the two Greenwood errors, kept within -1 and 1. Not estimable where
    one of the shares is not, and no test where one of them is 0 or 1.
    """
    t = _common_time(first, second, t)
    method = "difference of Kaplan-Meier shares at one time, complementary log-log test"
    pair = [first.at(t), second.at(t)]
    refused = _first_reason(pair)
    if refused:
        return _no_contrast(refused, first, second, method=method, unit="share")
    rows = [int(np.searchsorted(c.counts.time, t, side="right")) - 1 for c in (first, second)]
    share = np.array([first.survival[rows[0]], second.survival[rows[1]]])
    variance = np.array([first.log_variance[rows[0]], second.log_variance[rows[1]]])
    value = float(share[0] - share[1])
    if ((share <= 0) | (share >= 1)).any():
        note = "a share of 0 or 1 has no standard error: no limits and no test"
        difference = _difference(value, None, first, second, method=method, unit="share", note=note)
        return Contrast(difference=difference, std_error=None, chi2=None, p=None, method=method)
    logs = np.log(share)
    chi2 = float(np.diff(np.log(-logs))[0] ** 2 / np.sum(variance / logs**2))
    error = float(np.sqrt(np.sum(share**2 * variance)))
    difference = _difference(value, error, first, second, method=method, unit="share")
    return _contrast(difference, error, chi2)


def restricted_mean_difference(
    first: SurvivalCurve, second: SurvivalCurve, *, t: float
) -> Contrast:
    """Restricted mean time up to `t`, first curve minus second, with limits and a z test.

    Refused (not estimable) beyond the shorter of the two follow-ups. Royston & Parmar 2013, BMC
    Med Res Methodol 13:152; standard errors as in `SurvivalCurve.restricted_mean`.
    """
    t = _common_time(first, second, t)
    method = "difference of restricted means, normal interval"
    refused = _first_reason([first.restricted_mean(t), second.restricted_mean(t)])
    if refused:
        return _no_contrast(refused, first, second, method=method, unit=first.unit)
    areas = [curve.area(t) for curve in (first, second)]
    value = areas[0][0] - areas[1][0]
    error = float(np.hypot(areas[0][1], areas[1][1]))
    note = f"up to {t:g} {first.unit}"
    if error == 0:
        note += "; no spread within it, so no limits and no test"
        difference = _difference(
            value, None, first, second, method=method, unit=first.unit, note=note
        )
        return Contrast(difference=difference, std_error=None, chi2=None, p=None, method=method)
    difference = _difference(value, error, first, second, method=method, unit=first.unit, note=note)
    return _contrast(difference, error, (value / error) ** 2)


def _common_time(first: SurvivalCurve, second: SurvivalCurve, t: float) -> float:
    if (first.level, first.unit) != (second.level, second.unit):
        raise ValueError("the two curves must have the same level and the same unit of time")
    return check_time(t)


def used_labels(labels: Any, data: TimeData) -> Any:
    """The labels of the rows that are used."""
    if data.kept is None:
        return labels
    return pd.Series(labels).reset_index(drop=True).iloc[data.kept]


def _sum_over_strata(
    data: TimeData, codes: np.ndarray, layers: np.ndarray, groups: int, weights: str
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Observed, expected and variance of their difference, summed over strata."""
    observed, expected = np.zeros(groups), np.zeros(groups)
    variance = np.zeros((groups, groups))
    for layer in range(int(layers.max()) + 1 if layers.size else 0):
        rows = layers == layer if layers.any() else slice(None)
        part = data.subset(rows)
        at_risk, events = group_counts(part, codes[rows], groups)
        sums = _log_rank_sums(at_risk, events, weights)
        observed += sums[0]
        expected += sums[1]
        variance += sums[2]
    return observed, expected, variance


def _log_rank_sums(
    at_risk: np.ndarray, events: np.ndarray, weights: str
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    total, died = at_risk.sum(axis=1).astype(np.float64), events.sum(axis=1)
    weight = np.ones(total.size)
    if weights == "rho1" and total.size:
        weight = np.concatenate(([1.0], np.cumprod(1 - died / total)[:-1]))
    share = at_risk / total[:, None]
    observed = weight @ events
    expected = weight @ (died[:, None] * share)
    scale = (
        weight**2
        * died
        * np.divide(total - died, total - 1, out=np.zeros(total.size), where=total > 1)
    )
    variance = np.diag(scale @ share) - (scale[:, None] * share).T @ share
    return observed, expected, variance


def _quadratic_form(score: np.ndarray, variance: np.ndarray) -> tuple[float | None, int, str]:
    """Chi-squared of a score whose parts add up to 0, its degrees of freedom, reason if none.

    The degrees of freedom are the rank of the variance: a group never at risk at an event time
    adds none, nor do groups that no stratum brings together.
    """
    if score.size == 2 and variance[0, 0] > 0:
        return float(score[0] ** 2 / variance[0, 0]), 1, ""
    size, axes = np.linalg.eigh(variance) if score.size else (score, variance)
    kept = size > 1e-10 * max(size.max(initial=0.0), 1e-300)
    df = int(kept.sum())
    if df == 0:
        return None, df, "no event at a time when two groups were at risk"
    return float(np.sum((axes.T @ score)[kept] ** 2 / size[kept])), df, ""


def _first_reason(pair: list[Estimate]) -> str:
    return next((estimate.note for estimate in pair if not estimate.estimable), "")


def _difference(
    value: float,
    error: float | None,
    first: SurvivalCurve,
    second: SurvivalCurve,
    *,
    method: str,
    unit: str,
    note: str = "",
) -> Estimate:
    half = None if error is None else z_of(first.level) * error
    low = None if half is None else value - half
    high = None if half is None else value + half
    if unit == "share" and low is not None and high is not None:
        low, high = max(-1.0, low), min(1.0, high)
    return Estimate(
        value=value,
        low=low,
        high=high,
        level=first.level,
        n=first.n + second.n,
        missing=first.missing + second.missing,
        method=method,
        unit=unit,
        note=note,
    )


def _contrast(difference: Estimate, error: float, chi2: float) -> Contrast:
    p = float(special.chdtrc(1, chi2))
    return Contrast(
        difference=difference, std_error=error, chi2=chi2, p=p, method=difference.method
    )


def _no_contrast(
    reason: str, first: SurvivalCurve, second: SurvivalCurve, *, method: str, unit: str
) -> Contrast:
    refused = not_estimable(
        reason,
        n=first.n + second.n,
        missing=first.missing + second.missing,
        method=method,
        unit=unit,
        level=first.level,
    )
    return Contrast(difference=refused, std_error=None, chi2=None, p=None, method=method)
