"""Events that compete: the share that has had each kind of event when another can rule it out."""

from __future__ import annotations

import dataclasses
import functools
from typing import Any

import numpy as np
import pandas as pd
from pandas.api import types

from audit.estimates.estimate import LEVEL, Estimate, not_estimable
from audit.estimates.product_limit import product_limit, z_of
from audit.estimates.risk_sets import Counts, count_at_times
from audit.estimates.survival import BEYOND, EMPTIED, NO_CASES
from audit.estimates.time_input import (
    TimeData,
    check_level,
    check_time,
    one_of,
    read_times,
    same_rows,
)

INTERVALS = ("log-log", "plain")
_UNIT = "share"


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class CumulativeIncidence:
    """Share that has had one kind of event, others competing.

    n: cases; events: those with the event asked for; other_events: those with a competing one;
    missing: cases without usable data; interval, level: kind and level of the limits.
    """

    n: int
    events: int
    other_events: int
    missing: int
    interval: str
    level: float
    unit: str
    counts: Counts = dataclasses.field(repr=False)
    cause_events: np.ndarray = dataclasses.field(repr=False)
    survival: np.ndarray = dataclasses.field(repr=False)
    incidence: np.ndarray = dataclasses.field(repr=False)
    std_error: np.ndarray = dataclasses.field(repr=False)
    low: np.ndarray = dataclasses.field(repr=False)
    high: np.ndarray = dataclasses.field(repr=False)

    @functools.cached_property
    def _table(self) -> pd.DataFrame:
        return pd.DataFrame(
            {
                "time": self.counts.time,
                "at_risk": self.counts.at_risk,
                "events": self.cause_events,
                "other_events": self.counts.events - self.cause_events,
                "censored": self.counts.censored,
                "entered": self.counts.entered,
                "incidence": self.incidence,
                "std_error": self.std_error,
                "low": self.low,
                "high": self.high,
                "event_free": self.survival,
            }
        )

    @property
    def table(self) -> pd.DataFrame:
        """A new table, one row a distinct time, the first at time 0.

        time; at_risk (entry < time <= end); events of the kind asked, other_events, censored,
        all at that time; entered; incidence just after it with std_error, low, high (missing
        where undefined); event_free, the share without any event.
        """
        return self._table.copy()

    def at(self, t: float) -> Estimate:
        """Share that has had the event by time `t`.

        Not estimable beyond the last follow-up while anybody is still without an event.
        """
        t = check_time(t)
        method = f"Aalen-Johansen cumulative incidence, {self.interval} interval"
        refused = _reason(self, t)
        if refused:
            return not_estimable(
                refused,
                n=self.n,
                missing=self.missing,
                method=method,
                unit=_UNIT,
                level=self.level,
            )
        row = int(np.searchsorted(self.counts.time, t, side="right")) - 1
        low, high = self.low[row], self.high[row]
        note = "" if self.cause_events[: row + 1].any() else "no event of this kind so far"
        return Estimate(
            value=float(self.incidence[row]),
            low=None if np.isnan(low) else float(low),
            high=None if np.isnan(high) else float(high),
            level=self.level,
            n=self.n,
            missing=self.missing,
            method=method,
            unit=_UNIT,
            note=note,
        )


def cumulative_incidence(
    durations: Any,
    cause: Any,
    of: Any,
    entry: Any = None,
    *,
    censored: Any = 0,
    interval: str = "log-log",
    level: float = LEVEL,
    missing: int = 0,
    unit: str = "days",
) -> CumulativeIncidence:
    """Share that has had the event `of` by each time, while other causes can rule it out.

    cause: one code or text a row for what ended the time; `censored` is the one that means
    "still waiting". Sum over event times of (share without any event before) x (events of this
    kind / at risk), at the times as they are: ties need no breaking. Aalen & Johansen 1978, Scand
    J Stat 5:141-150; variance by the delta method (Marubini & Valsecchi 1995, Analysing Survival
    Data, section 10.5), which without late entry equals the infinitesimal jackknife; log-log
    limits on the incidence, or plain ones kept within 0 and 1. Other rules and errors:
    `time_input.read_times`.
    """
    one_of(interval, name="interval", choices=INTERVALS)
    check_level(level)
    data, is_cause = read_causes(durations, cause, of, entry, censored=censored)
    counts = count_at_times(data)
    cause_events = events_at(counts.time, data.time[is_cause])
    survival, _ = product_limit(counts)
    incidence, error = incidence_and_error(counts, cause_events, survival)
    low, high = _limits(incidence, error, interval=interval, level=level)
    return CumulativeIncidence(
        n=data.time.size,
        events=int(is_cause.sum()),
        other_events=int(data.event.sum() - is_cause.sum()),
        missing=missing + data.missing,
        interval=interval,
        level=level,
        unit=unit,
        counts=counts,
        cause_events=cause_events,
        survival=survival,
        incidence=incidence,
        std_error=error,
        low=low,
        high=high,
    )


def read_causes(
    durations: Any, cause: Any, of: Any, entry: Any = None, *, censored: Any = 0
) -> tuple[TimeData, np.ndarray]:
    """Checked times, and for each row kept whether it ended with the event `of`."""
    same_rows(durations=durations, cause=cause, entry=entry)
    labels = (
        cause
        if isinstance(cause, pd.Series)
        else pd.Series(cause if isinstance(cause, np.ndarray) else list(cause))
    )
    if isinstance(labels.dtype, pd.CategoricalDtype):
        labels = labels.astype(labels.cat.categories.dtype)
    absent = labels.isna().to_numpy()
    is_text = not types.is_numeric_dtype(labels.dtype)
    asked_text = isinstance(of, str), isinstance(censored, str)
    if not absent.all() and (is_text, is_text) != asked_text:
        raise ValueError("cause, of and censored must be all texts or all numbers")
    if of == censored:
        raise ValueError("of must be an event, not the code for still waiting")
    event = np.where(absent, np.nan, (labels != censored).to_numpy(dtype=float, na_value=0.0))
    plain = np.asarray(entry) if isinstance(entry, pd.Series) else entry
    times = durations.reset_index(drop=True) if isinstance(durations, pd.Series) else durations
    data = read_times(times, event, plain)
    is_cause = (labels == of).to_numpy(dtype=bool, na_value=False)
    return data, data.take(is_cause)


def events_at(time: np.ndarray, happened: np.ndarray) -> np.ndarray:
    """How many of the times `happened` fall on each of the sorted distinct times."""
    return np.bincount(np.searchsorted(time, happened), minlength=time.size)


def incidence_and_error(
    counts: Counts, cause_events: np.ndarray, survival: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Cumulative incidence after each time, and its delta-method standard error.

    Var F(t) is a sum over times s <= t: (F(t) - F(s))^2 d / (n (n - d)), plus
    S(s-)^2 d1 (n - d1) / n^3, minus 2 (F(t) - F(s)) S(s-) d1 / n^2. Expanded in powers of F(t),
    each part is a running sum. Where all at risk have an event the first term is 0.
    """
    at_risk = np.maximum(counts.at_risk, 1).astype(np.float64)
    ahead = np.concatenate(([1.0], survival[:-1]))[: survival.size]
    step = ahead * cause_events / at_risk
    incidence = np.cumsum(step)
    left = at_risk * (at_risk - counts.events)
    any_event = np.divide(counts.events, left, out=np.zeros(left.size), where=left > 0)
    cross = step / at_risk
    own = ahead**2 * cause_events * (at_risk - cause_events) / at_risk**3
    square = np.cumsum(any_event)
    linear = np.cumsum(any_event * incidence + cross)
    constant = np.cumsum(any_event * incidence**2 + 2 * incidence * cross + own)
    variance = incidence**2 * square - 2 * incidence * linear + constant
    return incidence, np.sqrt(np.maximum(variance, 0.0))


def _limits(
    incidence: np.ndarray, error: np.ndarray, *, interval: str, level: float
) -> tuple[np.ndarray, np.ndarray]:
    z = z_of(level)
    if interval == "plain":
        low, high = incidence - z * error, incidence + z * error
        return np.clip(low, 0.0, 1.0), np.clip(high, 0.0, 1.0)
    with np.errstate(all="ignore"):
        inside = (incidence > 0) & (incidence < 1)
        share = np.where(inside, incidence, np.nan)
        power = np.exp(-z * error / (share * np.log(share)))
        return share**power, share ** (1 / power)


def _reason(curve: CumulativeIncidence, t: float) -> str:
    """Why the incidence at `t` cannot be given; empty when it can."""
    if curve.n == 0:
        return NO_CASES
    if t > curve.counts.time[-1] and curve.survival[-1] > 0:
        return BEYOND
    zero = np.flatnonzero(curve.survival <= 0)
    if curve.counts.starts is None or zero.size == 0 or curve.counts.time[zero[0]] > t:
        return ""
    return EMPTIED if curve.counts.entered[zero[0] + 1 :].any() else ""
