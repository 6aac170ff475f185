"""Events that can happen more than once: the mean number so far, in each case."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pandas as pd

from audit.estimates.estimate import LEVEL, Estimate, not_estimable
from audit.estimates.product_limit import z_of
from audit.estimates.time_input import (
    TimeData,
    check_level,
    check_time,
    codes_of,
    one_of,
    read_times,
    same_rows,
)

INTERVALS = ("log", "plain")
_BLOCK = 2_000_000


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class MeanCumulativeFunction:
    """Mean number of events a subject by each time.

    n: subjects; events: events of all; missing: rows without data. table: one row an event time:
    time, at_risk, events, mean, std_error (robust), poisson_std_error, low, high. last: end of
    the longest follow-up.
    """

    table: pd.DataFrame
    n: int
    events: int
    missing: int
    interval: str
    level: float
    last: float

    def at(self, t: float) -> Estimate:
        """Mean number of events a subject by time `t`; not estimable beyond all follow-up."""
        t = check_time(t)
        method = f"mean cumulative function, robust {self.interval} interval"
        if self.n == 0 or t > self.last:
            return not_estimable(
                "no subjects" if self.n == 0 else "asked for a time beyond the last follow-up",
                n=self.n,
                missing=self.missing,
                method=method,
                unit="events a subject",
                level=self.level,
            )
        row = int(np.searchsorted(self.table["time"].to_numpy(), t, side="right")) - 1
        value, low, high = 0.0, np.nan, np.nan
        if self.interval == "plain":
            low = high = 0.0
        if row >= 0:
            value, low, high = self.table[["mean", "low", "high"]].iloc[row]
        return Estimate(
            value=float(value),
            low=None if np.isnan(low) else float(low),
            high=None if np.isnan(high) else float(high),
            level=self.level,
            n=self.n,
            missing=self.missing,
            method=method,
            unit="events a subject",
            note="" if row >= 0 else "no event so far, so limits say nothing about the doubt",
        )


def mean_cumulative_function(
    subject: Any,
    times: Any,
    observed: Any,
    entry: Any = None,
    *,
    interval: str = "log",
    level: float = LEVEL,
) -> MeanCumulativeFunction:
    """Mean number of events a subject over time, each subject giving one row an event.

    A subject's rows are its events (observed = 1) and, unless it ends with an event, one row for
    the end of its follow-up (observed = 0); follow-up runs from the smallest `entry` (or 0) to
    the largest time. Two events on one day both count. Sum over event times of events / at risk
    (Nelson 1995, Technometrics 37:147-157); robust variance from each subject's own departures
    (Lawless & Nadeau 1995, Technometrics 37:158-168), so events of one subject may depend on one
    another; poisson_std_error assumes they do not. Log limits are mean x exp(-+ z s / mean). Other
    input rules: `time_input.read_times`, and no empty subject.
    """
    one_of(interval, name="interval", choices=INTERVALS)
    check_level(level)
    same_rows(subject=subject, durations=times, observed=observed, entry=entry)
    data = read_times(times, observed, entry)
    labels = pd.Series(subject).reset_index(drop=True)
    codes, names = codes_of(labels if data.kept is None else labels.iloc[data.kept], name="subject")
    start, stop = _follow_up(data, codes, len(names))
    table = _mean_table(data, codes, (start, stop))
    low, high = _limits(
        table["mean"].to_numpy(), table["std_error"].to_numpy(), interval=interval, level=level
    )
    return MeanCumulativeFunction(
        table=table.assign(low=low, high=high),
        n=len(names),
        events=int(data.event.sum()),
        missing=data.missing,
        interval=interval,
        level=level,
        last=float(stop.max()) if stop.size else 0.0,
    )


def _mean_table(
    data: TimeData, codes: np.ndarray, spans: tuple[np.ndarray, np.ndarray]
) -> pd.DataFrame:
    """Everything but the limits, a row an event time."""
    happened, place = np.unique(data.time[data.event], return_inverse=True)
    events = np.bincount(place, minlength=happened.size)
    at_risk = _number_at_risk(happened, *spans)
    whole = at_risk.astype(np.float64)
    return pd.DataFrame(
        {
            "time": happened,
            "at_risk": at_risk,
            "events": events,
            "mean": np.cumsum(events / whole),
            "std_error": _robust_error(codes[data.event], place, spans, (happened, events, whole)),
            "poisson_std_error": np.sqrt(np.cumsum(events / whole**2)),
        }
    )


def _follow_up(data: TimeData, codes: np.ndarray, subjects: int) -> tuple[np.ndarray, np.ndarray]:
    """Start and end of each subject's follow-up; -1 as the start of those watched from 0."""
    stop = np.full(subjects, -np.inf)
    np.maximum.at(stop, codes, data.time)
    start = np.full(subjects, -1.0)
    if data.entry is not None:
        start = np.full(subjects, np.inf)
        np.minimum.at(start, codes, data.entry)
    return start, stop


def _number_at_risk(happened: np.ndarray, start: np.ndarray, stop: np.ndarray) -> np.ndarray:
    """Subjects with start < time <= end of follow-up."""
    inside = np.searchsorted(np.sort(start), happened, side="left")
    return inside - np.searchsorted(np.sort(stop), happened, side="left")


def _robust_error(
    owner: np.ndarray,
    place: np.ndarray,
    spans: tuple[np.ndarray, np.ndarray],
    steps: tuple[np.ndarray, np.ndarray, np.ndarray],
) -> np.ndarray:
    """Root of the sum over subjects of (own events minus expected ones, each over at risk)^2."""
    start, stop = spans
    happened, events, at_risk = steps
    if happened.size == 0:
        return np.zeros(0)
    expected = events / at_risk**2
    squares = np.zeros(happened.size)
    block = max(1, _BLOCK // happened.size)
    order = np.argsort(owner, kind="stable")
    owner, place = owner[order], place[order]
    for first in range(0, start.size, block):
        who = slice(first, first + block)
        inside = (start[who, None] < happened) & (happened <= stop[who, None])
        change = np.where(inside, -expected, 0.0)
        mine = slice(*np.searchsorted(owner, (first, first + change.shape[0])))
        np.add.at(change, (owner[mine] - first, place[mine]), 1 / at_risk[place[mine]])
        squares += np.sum(np.cumsum(change, axis=1) ** 2, axis=0)
    return np.sqrt(squares)


def _limits(
    mean: np.ndarray, error: np.ndarray, *, interval: str, level: float
) -> tuple[np.ndarray, np.ndarray]:
    half = z_of(level) * error
    if interval == "plain":
        return mean - half, mean + half
    ratio = half / mean
    return mean * np.exp(-ratio), mean * np.exp(ratio)
