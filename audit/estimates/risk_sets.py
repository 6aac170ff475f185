"""Counts at each distinct time: who was at risk, who had the event, who left, who entered."""

from __future__ import annotations

import dataclasses

import numpy as np

from audit.estimates.time_input import TimeData, is_tally


@dataclasses.dataclass(frozen=True, eq=False)
class Counts:
    """One value a distinct time, the first always time 0 (none at all for an empty sample).

    at_risk: cases with entry < time <= end of their own time; at time 0 all who start there.
    entered: cases that joined since the row above, so that at_risk = the row above - its events
        - its censored + entered.
    starts: times of late entry, sorted; None when everybody starts at 0.
    """

    time: np.ndarray
    at_risk: np.ndarray
    events: np.ndarray
    censored: np.ndarray
    entered: np.ndarray
    starts: np.ndarray | None


def count_at_times(data: TimeData) -> Counts:
    """Counts at every distinct end of follow-up, in order of time.

    Needs one sort, or only a tally when the times are whole numbers of modest size.
    """
    if data.time.size == 0:
        none = np.zeros(0, dtype=np.int64)
        return Counts(np.zeros(0), none, none, none, none, None)
    time, events, leaving = _tally(data.time, data.event)
    if time[0] > 0:
        time, events, leaving = (np.concatenate(([0], part)) for part in (time, events, leaving))
    time = time.astype(np.float64, copy=False)
    remaining = leaving[::-1].cumsum()[::-1]
    starts = None if data.entry is None else np.sort(data.entry)
    outside = (
        np.zeros(time.size, dtype=np.int64) if starts is None else _still_outside(starts, time)
    )
    entered = np.concatenate(([data.time.size - outside[0]], outside[:-1] - outside[1:]))
    return Counts(time, remaining - outside, events, leaving - events, entered, starts)


def before(counts: Counts, times: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """At any times: number at risk, and events and censorings strictly before each time.

    Someone whose time ends at t is still at risk at t, so the event of that day is not yet
    counted there: at risk + events + censored is everybody who has entered.
    """
    row = np.searchsorted(counts.time, times, side="left")
    events = np.concatenate(([0], counts.events.cumsum()))[row]
    censored = np.concatenate(([0], counts.censored.cumsum()))[row]
    total = int(counts.events.sum() + counts.censored.sum())
    outside = 0 if counts.starts is None else _still_outside(counts.starts, times)
    return total - events - censored - outside, events, censored


def group_counts(data: TimeData, codes: np.ndarray, groups: int) -> tuple[np.ndarray, np.ndarray]:
    """At risk and events at each event time (rows) in each group (columns); no late entry."""
    if is_tally(data.time):
        leaving = _by_day(data.time, codes, groups)
        events = _by_day(data.time[data.event], codes[data.event], groups, days=len(leaving))
        seen = np.flatnonzero(events.sum(axis=1))
        return leaving[::-1].cumsum(axis=0)[::-1][seen], events[seen]
    happened = np.unique(data.time[data.event])
    at_risk = np.empty((happened.size, groups), dtype=np.int64)
    events = np.empty_like(at_risk)
    for group in range(groups):
        mine = codes == group
        own = np.sort(data.time[mine])
        at_risk[:, group] = own.size - np.searchsorted(own, happened, side="left")
        own = np.sort(data.time[mine & data.event])
        upto = np.searchsorted(own, happened, side="right")
        events[:, group] = np.diff(upto, prepend=0)
    return at_risk, events


def _by_day(time: np.ndarray, codes: np.ndarray, groups: int, *, days: int = 0) -> np.ndarray:
    """Rows a day (row) and code (column), for whole times."""
    code = time.astype(np.int64)
    days = days or int(code.max()) + 1
    code *= groups
    code += codes
    return np.bincount(code, minlength=days * groups).reshape(days, groups)


def _still_outside(starts: np.ndarray, times: np.ndarray) -> np.ndarray:
    """Cases that have not entered before each time; those that start at 0 are inside at 0."""
    side = np.searchsorted(starts, times, side="left")
    at_zero = np.searchsorted(starts, 0.0, side="right")
    return starts.size - np.where(times > 0, side, at_zero)


def _tally(time: np.ndarray, event: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Distinct times, events at each, cases leaving (with or without the event) at each."""
    if is_tally(time):
        counts = _by_day(time, event, 2)
        leaving = counts.sum(axis=1)
        seen = np.flatnonzero(leaving)
        return seen, counts[seen, 1], leaving[seen]
    ordered = np.sort(time)
    first = np.flatnonzero(np.concatenate(([True], ordered[1:] != ordered[:-1])))
    distinct = ordered[first]
    leaving = np.diff(np.concatenate((first, [ordered.size])))
    happened = np.sort(time[event])
    upto = np.searchsorted(happened, distinct, side="right")
    return distinct, np.diff(np.concatenate(([0], upto))), leaving
