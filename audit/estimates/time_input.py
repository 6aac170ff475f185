"""The one gate for times to an event: everything that fits a curve reads its input here.

Columns are taken by position. Two pandas columns with different row labels are refused, because
matching by position would then pair the wrong cases; plain arrays and lists have no labels and
are taken as they come. No message repeats a value, since the values belong to patients.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from pandas.api import types

ROUND_TO = 9
"""Decimals kept of a time, so that 0.3 and 0.1 + 0.2 are one time and not two."""

_NUMBER_LIKE = frozenset({"integer", "floating", "mixed-integer-float", "boolean", "empty"})


@dataclasses.dataclass(frozen=True, eq=False)
class TimeData:
    """Checked times: `entry` is None when everybody is followed from time 0.

    missing: rows where duration and event were both empty; they are not in the arrays.
    kept: positions in the caller's columns of the rows that are.
    """

    time: np.ndarray
    event: np.ndarray
    entry: np.ndarray | None
    missing: int
    kept: np.ndarray | None

    def take(self, labels: np.ndarray) -> np.ndarray:
        """Another column of the caller, without the rows that were left out as missing."""
        return labels if self.kept is None else labels[self.kept]

    def subset(self, rows: np.ndarray | slice) -> TimeData:
        """The same data for the rows where `rows` is true."""
        entry = None if self.entry is None else self.entry[rows]
        return TimeData(self.time[rows], self.event[rows], entry, 0, None)


def read_times(durations: Any, observed: Any, entry: Any = None) -> TimeData:
    """Check times, event marks and times of late entry, and merge float noise.

    durations: numbers, finite, 0 or more. observed: True/False or 1/0 for every row; there is
    no default, since a forgotten column must not turn every case into an event. entry: time
    from which a case was watched, 0 or more and before its duration. A row counts as missing
    only when duration and event are both empty; half a row is an error. Raises ValueError.
    """
    same_rows(durations=durations, observed=observed, entry=entry)
    time = numbers(durations, name="durations")
    event = numbers(observed, name="observed", allow_bool=True)
    start = None if entry is None else numbers(entry, name="entry")
    kept = _complete_rows(time, event)
    missing = 0 if kept is None else time.size - kept.size
    if kept is not None:
        time, event = time[kept], event[kept]
        start = None if start is None else start[kept]
    _refuse_bad_times(time, name="durations")
    if event.dtype.kind != "b" and not ((event == 0) | (event == 1)).all():
        raise ValueError("observed must hold only True/False or 1/0; other codes were found")
    time = without_noise(time)
    return TimeData(time, event.astype(bool), _entry(start, time), missing, kept)


def same_rows(**columns: Any) -> None:
    """Raise ValueError unless all columns given are as long and, if labelled, labelled alike."""
    given = {name: column for name, column in columns.items() if column is not None}
    absent = [name for name in ("durations", "observed", "cause") if columns.get(name, 0) is None]
    if absent:
        raise ValueError(f"{absent[0]} must be given: it has no default")
    for name, column in given.items():
        if not hasattr(column, "__len__") or isinstance(column, str | bytes):
            raise ValueError(f"{name} must be a column of values, not a single value")
    if len({len(column) for column in given.values()}) > 1:
        raise ValueError(f"{_listed(given)} must be equally long")
    labels = [column.index for column in given.values() if isinstance(column, pd.Series)]
    if any(not labels[0].equals(other) for other in labels[1:]):
        raise ValueError(
            f"{_listed(given)} have different row labels; take them from one table,"
            " or pass .to_numpy() to match them by position"
        )


def numbers(values: Any, *, name: str, allow_bool: bool = False) -> np.ndarray:
    """A one-dimensional float array (or bool, where allowed) with NaN for empty cells."""
    plain = values.to_numpy() if isinstance(values, pd.Series) else values
    if isinstance(plain, np.ndarray) and plain.ndim == 1:
        if plain.dtype.kind in "iuf":
            return plain.astype(np.float64, copy=False)
        if plain.dtype.kind == "b" and allow_bool:
            return plain
    series = values if isinstance(values, pd.Series) else pd.Series(_plain(values, name=name))
    is_bool = types.is_bool_dtype(series.dtype)
    numeric = types.is_numeric_dtype(series.dtype) and not types.is_complex_dtype(series.dtype)
    if not numeric and not (types.is_object_dtype(series.dtype) and _number_like(series)):
        raise ValueError(f"{name} must be numbers, not texts or dates")
    if (is_bool or _holds_bool(series)) and not allow_bool:
        raise ValueError(f"{name} must be numbers, not True/False")
    if is_bool and not series.isna().any():
        return series.to_numpy(dtype=bool)
    return series.to_numpy(dtype=np.float64, na_value=np.nan)


def without_noise(time: np.ndarray) -> np.ndarray:
    """Times rounded to nine decimals; whole numbers are returned as they are."""
    if whole(time):
        return time
    return np.round(time, ROUND_TO)


def codes_of(labels: Any, *, name: str) -> tuple[np.ndarray, list[Any]]:
    """Position of each row's label in the sorted list of labels; an empty label is refused."""
    plain = labels.to_numpy() if isinstance(labels, pd.Series) else labels
    if isinstance(plain, np.ndarray) and plain.ndim == 1 and plain.dtype.kind in "iub":
        return _codes_of_integers(plain)
    column = labels if isinstance(labels, pd.Series) else pd.Series(_plain(labels, name=name))
    codes, found = pd.factorize(column, sort=False)
    if (codes < 0).any():
        raise ValueError(f"{name} has empty labels; leave those rows out and count them first")
    values = list(found)
    try:
        order = sorted(range(len(values)), key=values.__getitem__)
    except TypeError:
        order = sorted(range(len(values)), key=lambda position: str(values[position]))
    place = np.empty(len(values), dtype=np.intp)
    place[order] = np.arange(len(values))
    return place[codes], [values[position] for position in order]


def is_tally(time: np.ndarray) -> bool:
    """Whether times are whole numbers of modest size, so that counting needs no sorting."""
    return bool(time.size) and time.max() <= 4 * time.size + 1024 and bool(whole(time))


def whole(time: np.ndarray) -> bool:
    """Whether all times are whole numbers."""
    return bool((np.rint(time) == time).all())


def one_of(value: str, *, name: str, choices: Sequence[str]) -> str:
    """`value` when it is on the list, else ValueError that repeats the list and the value."""
    if value not in choices:
        raise ValueError(f"{name} must be one of {', '.join(choices)}; got {value!r}")
    return value


def check_level(level: float) -> float:
    """`level` when it lies between 0 and 1, else ValueError."""
    if not 0 < level < 1:
        raise ValueError(f"level must lie between 0 and 1, such as 0.95; got {level!r}")
    return level


def check_time(t: float) -> float:
    """A single time of the caller, 0 or more and finite, rounded like the data."""
    if not np.isfinite(t) or t < 0:
        raise ValueError("a time asked for must be a finite number, 0 or more")
    return round(float(t), ROUND_TO)


def _codes_of_integers(labels: np.ndarray) -> tuple[np.ndarray, list[Any]]:
    if labels.size == 0:
        return np.zeros(0, dtype=np.intp), []
    low, high = int(labels.min()), int(labels.max())
    if high - low > 4 * labels.size + 1024:
        found, codes = np.unique(labels, return_inverse=True)
        return codes, found.tolist()
    shifted = labels.astype(np.int64) - low
    present = np.flatnonzero(np.bincount(shifted))
    place = np.zeros(high - low + 1, dtype=np.intp)
    place[present] = np.arange(present.size)
    return place[shifted], (present + low).astype(labels.dtype).tolist()


def _listed(columns: dict[str, Any]) -> str:
    return " and ".join(columns)


def _plain(values: Any, *, name: str) -> Any:
    if isinstance(values, np.ndarray) and values.ndim != 1:
        raise ValueError(f"{name} must have one dimension")
    if isinstance(values, np.ndarray | pd.Index | pd.api.extensions.ExtensionArray):
        return values
    listed = list(values)
    return listed if listed else np.empty(0)


def _number_like(series: pd.Series) -> bool:
    return types.infer_dtype(series, skipna=True) in _NUMBER_LIKE


def _holds_bool(series: pd.Series) -> bool:
    if not types.is_object_dtype(series.dtype):
        return False
    return any(isinstance(value, bool | np.bool_) for value in series)


def _complete_rows(time: np.ndarray, event: np.ndarray) -> np.ndarray | None:
    """Positions of complete rows, or None when that is all of them."""
    no_time = np.isnan(time)
    no_event = np.isnan(event) if event.dtype.kind == "f" else np.zeros(time.size, dtype=bool)
    if not no_time.any() and not no_event.any():
        return None
    if (no_time & ~no_event).any():
        raise ValueError("a row has an event mark without a duration")
    if (no_event & ~no_time).any():
        raise ValueError("a row has a duration without an event mark")
    return np.flatnonzero(~no_time)


def _refuse_bad_times(time: np.ndarray, *, name: str) -> None:
    if not np.isfinite(time).all():
        raise ValueError(f"{name} must be finite")
    if time.size and time.min() < 0:
        raise ValueError(f"{name} must be 0 or more; negative ones were found")


def _entry(start: np.ndarray | None, time: np.ndarray) -> np.ndarray | None:
    if start is None:
        return None
    if np.isnan(start).any():
        raise ValueError("entry must be given for every row; use 0 for cases watched from time 0")
    _refuse_bad_times(start, name="entry")
    start = without_noise(start)
    # Entry 0 is no late entry: such a case may also leave on day 0.
    if ((start >= time) & (start > 0)).any():
        raise ValueError("entry must come before the duration; such a case was never watched")
    return start
