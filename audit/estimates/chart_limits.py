"""Limits of control charts, one formula a kind of number. No rules and no words of signals here.

Sources: Shewhart limits at 3 sigma; individual values mean +/- 2.66 x mean moving range;
proportions and rates per point by its denominator; days between events as individual values of
y ** (1 / 3.6) (Nelson 1994, J Qual Technol 26:239); cases between events with the geometric
spread (Benneyan 2001, Health Care Manag Sci 4:305; formula from memory); moving-range screening
(Nelson 1982, doi 10.1080/00224065.1982.11978811); Laney 2002, doi 10.1081/QEN-120003555.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
from scipy import stats

from audit.estimates.chart_settings import FACTORS, ChartSettings

KINDS = ("individual", "proportion", "rate", "count", "days_between", "cases_between")
COUNTED = ("proportion", "rate", "count")
RANGED = ("individual", "days_between")
BIAS_D2 = 1.128  # mean range of two normal values, in sigmas
RANGE_LIMIT = 3.267  # upper limit of a moving range, in mean moving ranges
TRANSFORM = 3.6


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Series:
    """One series: `values` as drawn (a share or rate where counts came with denominators)."""

    kind: str
    values: np.ndarray
    counts: np.ndarray
    denominators: np.ndarray

    def part(self, span: slice) -> Series:
        """The points of one phase."""
        return Series(
            kind=self.kind,
            values=self.values[span],
            counts=self.counts[span],
            denominators=self.denominators[span],
        )


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Limits:
    """Lines of one phase, one number a point, NaN where the point has no denominator.

    centre, low, high, inner_low, inner_high: as drawn, low cut at 0 and high at 1 where the kind
    cannot go further; low_cut, high_cut: points where that happened; z: distance of the points
    in sigmas; spread: mean moving range, or Laney's sigma of z, or None; ranges_screened: moving
    ranges left out; moving_range_limit: 3.267 mean moving ranges for individual values.
    """

    centre: np.ndarray
    low: np.ndarray
    high: np.ndarray
    inner_low: np.ndarray
    inner_high: np.ndarray
    low_cut: np.ndarray
    high_cut: np.ndarray
    z: np.ndarray
    method: str
    spread: float | None = None
    ranges_screened: int = 0
    moving_range_limit: float | None = None


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class _Model:
    """Centre and sigma on the scale where limits are symmetric."""

    centre: float
    sigma: np.ndarray
    method: str
    spread: float | None = None
    screened: int = 0
    range_limit: float | None = None


def moving_ranges(values: np.ndarray) -> np.ndarray:
    """Absolute steps between neighbours; a step to or from a missing point is left out."""
    ranges = np.abs(np.diff(values))
    return ranges[~np.isnan(ranges)]


def screened_ranges(ranges: np.ndarray) -> np.ndarray:
    """Moving ranges not above 3.267 times their mean, one pass (Nelson 1982)."""
    return ranges[ranges <= RANGE_LIMIT * ranges.mean()]


def why_no_limits(series: Series, use: np.ndarray, settings: ChartSettings) -> str:
    """The reason why this baseline gives no limits, or an empty text."""
    values = series.values[use]
    if series.kind == "days_between" and (values <= 0).any():
        return "events on the same day: a chart of days between needs gaps above 0"
    if series.kind in RANGED or settings.dispersion == "laney":
        ranges = moving_ranges(np.where(use, series.values, np.nan))
        if not ranges.any():
            return "no variation between neighbouring points"
        if series.kind in RANGED:
            return ""
    if values.sum() == 0:
        return "no gap above 0" if series.kind == "cases_between" else "no event in the baseline"
    if series.kind == "proportion" and (values == 1).all():
        return "every case of the baseline has the event"
    return ""


def process_limits(series: Series, use: np.ndarray, settings: ChartSettings) -> Limits:
    """Limits for every point of a phase from its baseline points (`use`, a mask).

    Call `why_no_limits` first. Floors and caps: 0 for everything counted or between events, 1 for
    proportions. The centre line of cases between is the median, as their spread is skewed.
    """
    model = _MODELS[series.kind](series, use, settings)
    drawn = _shown(series)
    z = (_working(series) - model.centre) / model.sigma
    lines = {k: model.centre + k * model.sigma for k in (-3, -2, 2, 3)}
    middle = np.full_like(model.sigma, model.centre)
    if series.kind == "cases_between" or (series.kind in RANGED and settings.centre == "median"):
        middle = np.full_like(model.sigma, np.median(_working(series)[use]))
    floor = -np.inf if series.kind == "individual" else 0.0
    cap = 1.0 if series.kind == "proportion" else np.inf
    return Limits(
        centre=drawn(middle),
        low=drawn(np.clip(lines[-3], floor, cap)),
        high=drawn(np.clip(lines[3], floor, cap)),
        inner_low=drawn(np.clip(lines[-2], floor, cap)),
        inner_high=drawn(np.clip(lines[2], floor, cap)),
        low_cut=lines[-3] <= floor,
        high_cut=lines[3] >= cap,
        z=z,
        method=model.method,
        spread=model.spread,
        ranges_screened=model.screened,
        moving_range_limit=model.range_limit,
    )


def _working(series: Series) -> np.ndarray:
    if series.kind == "days_between":
        return series.values ** (1 / TRANSFORM)
    return series.values


def _shown(series: Series) -> Callable[[np.ndarray], np.ndarray]:
    if series.kind == "days_between":
        return lambda line: line**TRANSFORM
    return lambda line: line


def _individual(series: Series, use: np.ndarray, settings: ChartSettings) -> _Model:
    working = _working(series)
    ranges = moving_ranges(np.where(use, working, np.nan))
    kept = screened_ranges(ranges) if settings.screening == "moving_ranges" else ranges
    between = series.kind == "days_between"
    # The published worked example of days between uses 3 / 1.128, not the rounded 2.66.
    factor = "3/1.128" if between else settings.individual_factor
    screened = len(ranges) - len(kept)
    screening = "off" if settings.screening == "off" else f"on, {screened} moving ranges left out"
    scale = "T chart, individual values of days ** (1/3.6)" if between else "I chart"
    return _Model(
        centre=float(working[use].mean()),
        sigma=np.full(len(working), FACTORS[factor] * kept.mean()),
        method=f"{scale}, mean +/- {factor} x mean moving range, screening {screening}"
        + (", median as centre line" if settings.centre == "median" else ""),
        spread=float(kept.mean()),
        screened=screened,
        range_limit=None if between else float(RANGE_LIMIT * kept.mean()),
    )


def _counted(series: Series, use: np.ndarray, settings: ChartSettings) -> _Model:
    sizes = series.denominators
    centre = float(series.counts[use].sum() / sizes[use].sum())
    share = series.kind == "proportion"
    sigma = np.sqrt(centre * (1 - centre if share else 1) / sizes)
    letter = "P" if share else "U"
    if settings.dispersion == "nominal":
        spread = "sqrt(p(1-p)/n)" if share else "sqrt(u/n)"
        return _Model(centre=centre, sigma=sigma, method=f"{letter} chart, centre +/- 3 {spread}")
    z = np.where(use, (series.values - centre) / sigma, np.nan)
    extra = float(moving_ranges(z).mean() / BIAS_D2)
    method = f"{letter}' chart (Laney 2002), 3 sigma times {extra:.3f}"
    return _Model(centre=centre, sigma=sigma * extra, method=method, spread=extra)


def _count(series: Series, use: np.ndarray, settings: ChartSettings) -> _Model:
    centre = float(series.values[use].mean())
    sigma = np.full(len(use), np.sqrt(centre))
    return _Model(centre=centre, sigma=sigma, method="C chart, centre +/- 3 sqrt(c)")


def _between(series: Series, use: np.ndarray, settings: ChartSettings) -> _Model:
    mean = float(series.values[use].mean())
    return _Model(
        centre=mean,
        sigma=np.full(len(use), np.sqrt(mean * (mean + 1))),
        method="G chart, mean +/- 3 sqrt(g(g+1)), median as centre line",
    )


_MODELS = {
    "individual": _individual,
    "days_between": _individual,
    "proportion": _counted,
    "rate": _counted,
    "count": _count,
    "cases_between": _between,
}


@dataclasses.dataclass(frozen=True, kw_only=True)
class ChartPower:
    """What a P chart can show in one period: exact binomial chances.

    high: upper limit; signal_at: smallest count above it, None where no count can be;
    false_signal, detect: chance of such a count at the base share and at the true share.
    """

    n: int
    high: float
    signal_at: int | None
    false_signal: float
    detect: float


def proportion_chart_power(n: int, *, base: float, true: float) -> ChartPower:
    """Chance that a period of `n` cases lies above the upper limit of a P chart centred at `base`.

    `base` and `true` are shares between 0 and 1. ValueError outside that, or for n under 1.
    """
    if n < 1 or not (0 < base < 1 and 0 <= true <= 1):
        raise ValueError("power needs n of 1 or more, base above 0 and below 1, true from 0 to 1")
    high = base + 3 * float(np.sqrt(base * (1 - base) / n))
    at = int(np.floor(n * high + 1e-9)) + 1
    return ChartPower(
        n=n,
        high=high,
        signal_at=at if at <= n else None,
        false_signal=float(stats.binom.sf(at - 1, n, base)),
        detect=float(stats.binom.sf(at - 1, n, true)),
    )
