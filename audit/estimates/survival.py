"""Time to an event with waiting cases kept in: the product-limit curve and what is read off it."""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Sequence
from typing import Any, Protocol

import numpy as np
import pandas as pd

from audit.estimates.estimate import LEVEL, Estimate, not_estimable
from audit.estimates.product_limit import INTERVALS, limits, product_limit, z_of
from audit.estimates.quantiles_of_time import time_at_level
from audit.estimates.restricted_mean import area_until
from audit.estimates.risk_sets import Counts, before, count_at_times
from audit.estimates.time_input import (
    TimeData,
    check_level,
    check_time,
    one_of,
    read_times,
)

NO_CASES = "no cases"
BEYOND = "asked for a time beyond the last follow-up, where cases are still waiting"
EMPTIED = (
    "with late entry the risk set ran empty while other cases had yet to enter;"
    " start the clock later, when several cases are being watched"
)


class Influence(Protocol):
    """Errors taken over clusters of cases instead of over cases."""

    @property
    def label(self) -> str:
        """Words for the method of an estimate."""

    def area_error(self, survival: np.ndarray, horizon: float) -> float:
        """Standard error of the area under the curve up to the horizon."""


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class SurvivalCurve:
    """A product-limit curve of the share still waiting for the event.

    n: cases in the curve; events: cases that had the event; missing: cases without usable data.
    interval, level: kind and level of the confidence limits; unit: unit of time. influence: set
    where errors are taken over clusters; caution: a note that goes with every estimate.
    """

    n: int
    events: int
    missing: int
    interval: str
    level: float
    unit: str
    counts: Counts = dataclasses.field(repr=False)
    survival: np.ndarray = dataclasses.field(repr=False)
    log_variance: np.ndarray = dataclasses.field(repr=False)
    low: np.ndarray = dataclasses.field(repr=False)
    high: np.ndarray = dataclasses.field(repr=False)
    influence: Influence | None = dataclasses.field(default=None, repr=False)
    caution: str = ""

    @property
    def std_error(self) -> np.ndarray:
        """Standard error of the curve, missing where the curve is 0."""
        with np.errstate(invalid="ignore"):
            return self.survival * np.sqrt(self.log_variance)

    @functools.cached_property
    def _table(self) -> pd.DataFrame:
        counts = self.counts
        return pd.DataFrame(
            {
                "time": counts.time,
                "at_risk": counts.at_risk,
                "events": counts.events,
                "censored": counts.censored,
                "entered": counts.entered,
                "survival": self.survival,
                "std_error": self.std_error,
                "low": self.low,
                "high": self.high,
            }
        )

    @property
    def table(self) -> pd.DataFrame:
        """A new table, one row a distinct time, the first at time 0 (no rows without cases).

        time; at_risk (entry < time <= end); events and censored at that time; entered (since
        the row above); survival just after it; std_error; low, high (missing where undefined).
        """
        return self._table.copy()

    def median(self) -> Estimate:
        """Time by which half have had the event; see `quantile`."""
        return self.quantile(0.5)

    def quantile(self, q: float) -> Estimate:
        """Time by which the share `q` (0.25 = first quarter) have had the event.

        First time at which the curve is at or below 1 - q, and the middle of the flat part when
        the curve equals 1 - q; limits in the same way from the curves of the limits
        (Brookmeyer & Crowley 1982). A limit never reached is None and the note says so.
        """
        if not 0 < q < 1:
            raise ValueError(f"q is the share that has had the event, between 0 and 1; got {q!r}")
        name = "median" if q == 0.5 else f"{q:.4g} quantile of time"
        method = f"Kaplan-Meier {name}, {self.interval} interval"
        if self.n == 0:
            return self._refused(NO_CASES, method)
        value = time_at_level(self.counts.time, self.survival, 1 - q)
        if self._emptied_by(np.inf if value is None else value):
            return self._refused(EMPTIED, method)
        low = time_at_level(self.counts.time, self.low, 1 - q)
        high = time_at_level(self.counts.time, self.high, 1 - q)
        note = "upper limit not reached" if high is None else ""
        if value is None:
            waiting = 100 * self.survival[-1]
            note = f"{name} not reached: {waiting:.0f} % still waiting at the last follow-up"
            high = None
        return self._estimate(value, low, high, method, note)

    def at(self, t: float) -> Estimate:
        """Share still waiting just after time `t`.

        Not estimable beyond the last follow-up while anybody is still waiting there.
        """
        t = check_time(t)
        method = f"Kaplan-Meier, {self.interval} interval"
        if self.n == 0:
            return self._refused(NO_CASES, method, unit="share")
        if t > self.counts.time[-1] and self.survival[-1] > 0:
            return self._refused(BEYOND, method, unit="share")
        if self._emptied_by(t):
            return self._refused(EMPTIED, method, unit="share")
        row = int(np.searchsorted(self.counts.time, t, side="right")) - 1
        low, high = _limit(self.low[row]), _limit(self.high[row])
        note = ""
        if not self.counts.events[: row + 1].any():
            note = "no event so far, so the limits say nothing about the doubt"
        elif low is None:
            note = "everybody at risk has had the event: no limits"
        value = float(self.survival[row])
        return self._estimate(value, low, high, method, note, unit="share")

    def restricted_mean(self, t: float) -> Estimate:
        """Mean time to the event, counting at most `t`: the area under the curve up to `t`.

        Not estimable beyond the last follow-up unless the curve has reached 0. Limits are
        normal, as published, so the upper one can pass `t` in a small sample.
        """
        t = check_time(t)
        method = "restricted mean (area under Kaplan-Meier), normal interval"
        if t == 0:
            raise ValueError("the horizon of a restricted mean must be more than 0")
        if self.n == 0:
            return self._refused(NO_CASES, method)
        if t > self.counts.time[-1] and self.survival[-1] > 0:
            return self._refused(BEYOND, method)
        if self._emptied_by(t):
            return self._refused(EMPTIED, method)
        area, error = self.area(t)
        if error == 0:
            note = f"up to {t:g} {self.unit}; no spread within it, so no limits"
            return self._estimate(area, None, None, method, note)
        half = z_of(self.level) * error
        return self._estimate(area, area - half, area + half, method, f"up to {t:g} {self.unit}")

    def area(self, t: float) -> tuple[float, float]:
        """Area under the curve up to `t` and its standard error, without any check."""
        area, error = area_until(self.counts, self.survival, t)
        if self.influence is not None:
            error = self.influence.area_error(self.survival, t)
        return area, error

    def at_risk_table(self, times: Sequence[float]) -> pd.DataFrame:
        """Numbers to print below a curve: time, at_risk, events, censored, a row a time asked.

        at_risk: cases with entry < t <= end of their time (at 0: all who start there); events
        and censored: those strictly before t. A case that ends at t is still at risk at t, so the
        three add up to everybody who has entered (all cases when there is no late entry).
        """
        asked = np.array([check_time(t) for t in times], dtype=np.float64)
        at_risk, events, censored = before(self.counts, asked)
        return pd.DataFrame(
            {"time": asked, "at_risk": at_risk, "events": events, "censored": censored}
        )

    def cut(self, min_at_risk: int) -> pd.DataFrame:
        """The table up to the last row with at least `min_at_risk` cases at risk, for drawing.

        A curve over a handful of cases is mostly noise (Pocock, Clayton & Altman 2002, Lancet
        359:1686-1689); what is cut is only not drawn, the estimates still use it.
        """
        enough = np.flatnonzero(self.counts.at_risk >= min_at_risk)
        return self._table.iloc[: enough[-1] + 1 if enough.size else 0].copy()

    def _emptied_by(self, t: float) -> bool:
        """True when the curve fell to 0 at or before `t` although cases entered afterwards."""
        if self.counts.starts is None:
            return False
        zero = np.flatnonzero(self.survival <= 0)
        if zero.size == 0 or self.counts.time[zero[0]] > t:
            return False
        return bool(self.counts.entered[zero[0] + 1 :].any())

    def _estimate(
        self,
        value: float | None,
        low: float | None,
        high: float | None,
        method: str,
        note: str,
        unit: str | None = None,
    ) -> Estimate:
        note = "; ".join(part for part in (note, self.caution) if part)
        return Estimate(
            value=value,
            low=low,
            high=high,
            level=self.level,
            n=self.n,
            missing=self.missing,
            method=self._named(method),
            unit=self.unit if unit is None else unit,
            note=note,
        )

    def _refused(self, reason: str, method: str, unit: str | None = None) -> Estimate:
        return not_estimable(
            reason,
            n=self.n,
            missing=self.missing,
            method=self._named(method),
            unit=self.unit if unit is None else unit,
            level=self.level,
        )

    def _named(self, method: str) -> str:
        return method if self.influence is None else f"{method}, {self.influence.label}"


def survival_curve(
    durations: Any,
    observed: Any,
    entry: Any = None,
    *,
    interval: str = "log-log",
    level: float = LEVEL,
    missing: int = 0,
    unit: str = "days",
) -> SurvivalCurve:
    """Product-limit curve of the share still waiting, with late entry if `entry` is given.

    durations: time to the event or to the end of being watched; observed: whether the event was
    seen (mandatory); entry: time from which the case was watched. missing: cases that belong in
    but have no time at all, on top of rows where duration and event are both empty. Input rules
    and errors: `time_input.read_times`. Kaplan & Meier 1958, J Am Stat Assoc 53:457-481;
    standard error of Greenwood 1926; log-log limits of Kalbfleisch & Prentice 1980.
    """
    one_of(interval, name="interval", choices=INTERVALS)
    check_level(level)
    data = read_times(durations, observed, entry)
    return curve_of(data, interval=interval, level=level, missing=missing, unit=unit)


def curve_of(
    data: TimeData,
    *,
    interval: str = "log-log",
    level: float = LEVEL,
    missing: int = 0,
    unit: str = "days",
) -> SurvivalCurve:
    """The curve of data that already passed the input gate."""
    counts = count_at_times(data)
    parts = (counts, *product_limit(counts))
    return curve_from(data, parts, interval=interval, level=level, missing=missing, unit=unit)


def curve_from(
    data: TimeData,
    parts: tuple[Counts, np.ndarray, np.ndarray],
    *,
    interval: str,
    level: float,
    missing: int,
    unit: str,
) -> SurvivalCurve:
    """The curve from its counts, its shares and the variances of their logarithms."""
    counts, survival, log_variance = parts
    low, high = limits(survival, log_variance, interval=interval, level=level)
    if counts.time.size and counts.events[0] == 0:
        low[0] = high[0] = 1.0
    return SurvivalCurve(
        n=data.time.size,
        events=int(counts.events.sum()),
        missing=missing + data.missing,
        interval=interval,
        level=level,
        unit=unit,
        counts=counts,
        survival=survival,
        log_variance=log_variance,
        low=low,
        high=high,
    )


def follow_up(
    durations: Any,
    observed: Any,
    *,
    level: float = LEVEL,
    missing: int = 0,
    unit: str = "days",
) -> SurvivalCurve:
    """Curve of the length of follow-up: the end of watching is the event, the event censors.

    Its median is the usual "median follow-up" (Schemper & Smith 1996, Control Clin Trials
    17:343-346). Input as for `survival_curve`.
    """
    data = read_times(durations, observed)
    turned = dataclasses.replace(data, event=~data.event)
    return curve_of(turned, level=check_level(level), missing=missing, unit=unit)


def cumulative_hazard(
    durations: Any, observed: Any, entry: Any = None, *, level: float = LEVEL
) -> pd.DataFrame:
    """Nelson-Aalen cumulative hazard: time, at_risk, events, hazard, std_error, low, high.

    Hazard is the sum of d/n and its variance the sum of d/n^2; limits on the log scale, missing
    before the first event. Nelson 1972, Technometrics 14:945-966; Aalen 1978, Ann Stat
    6:701-726. Tied events are one step, not smoothed. Input as for `survival_curve`.
    """
    z = z_of(check_level(level))
    counts = count_at_times(read_times(durations, observed, entry))
    at_risk = np.maximum(counts.at_risk, 1)
    hazard = np.cumsum(counts.events / at_risk)
    error = np.sqrt(np.cumsum(counts.events / at_risk.astype(np.float64) ** 2))
    ratio = np.divide(z * error, hazard, out=np.full(hazard.size, np.nan), where=hazard > 0)
    return pd.DataFrame(
        {
            "time": counts.time,
            "at_risk": counts.at_risk,
            "events": counts.events,
            "hazard": hazard,
            "std_error": error,
            "low": hazard * np.exp(-ratio),
            "high": hazard * np.exp(ratio),
        }
    )


def _limit(value: float) -> float | None:
    return None if np.isnan(value) else float(value)
