"""Which cases a result row speaks of: a window of time and a group."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd

from audit.periods import last_day
from schemas import vocabulary

ALL = "all"
NOT_RECORDED = "not_recorded"
GROUPINGS: tuple[tuple[str, ...], ...] = (
    (),
    ("device_class",),
    ("segment",),
    ("device_class", "segment"),
)


@dataclasses.dataclass(frozen=True)
class Window:
    """A span of index days: name as in results.csv, first and last day (None = open)."""

    name: str
    first: pd.Timestamp | None = None
    last: pd.Timestamp | None = None

    def holds(self, days: pd.Series) -> pd.Series:
        """True where a day lies in the window."""
        inside = days.notna()
        if self.first is not None:
            inside &= days >= self.first
        if self.last is not None:
            inside &= days <= self.last
        return inside


def windows_for(quarter: pd.Period | None) -> tuple[Window, ...]:
    """`all`, and for a quarter also the quarter and the rolling four quarters that end with it."""
    if quarter is None:
        return (Window(ALL),)
    year = quarter - 3
    return (
        Window(ALL),
        Window(f"quarter:{quarter}", quarter.start_time.normalize(), last_day(quarter)),
        Window(f"year_to:{quarter}", year.start_time.normalize(), last_day(quarter)),
    )


@dataclasses.dataclass(frozen=True)
class Slice:
    """A group of rows of a table in a window, with its names for results.csv."""

    window: str
    group_by: str
    group: str
    rows: pd.DataFrame

    @property
    def keys(self) -> dict[str, str]:
        """The three key columns of a result row."""
        return {"window": self.window, "group_by": self.group_by, "group": self.group}


def slices(
    table: pd.DataFrame, windows: Sequence[Window], groupings: Sequence[tuple[str, ...]] = GROUPINGS
) -> Iterator[Slice]:
    """Every window x group of a table that has `surgery_date` and the grouping columns.

    Groups come in the order of the code lists, combinations joined by "+"; a missing code is the
    group `not_recorded`. `all` stands for every window, even an empty one; an empty group does not.
    """
    for window in windows:
        inside = table.loc[window.holds(table["surgery_date"])]
        for columns in groupings:
            if not columns:
                yield Slice(window.name, ALL, ALL, inside)
                continue
            codes = [inside[name].fillna(NOT_RECORDED) for name in columns]
            labels = codes[0].astype(str)
            for more in codes[1:]:
                labels = labels + "+" + more.astype(str)
            for label in _in_order(labels.unique(), columns):
                chosen = inside.loc[(labels == label).to_numpy()]
                yield Slice(window.name, "+".join(columns), label, chosen)


def _in_order(labels: np.ndarray, columns: tuple[str, ...]) -> list[str]:
    lists = [list(vocabulary.CODE_LISTS.get(name, {})) for name in columns]

    def place(label: str) -> tuple:
        parts = label.split("+")
        known = [
            codes.index(part) if part in codes else len(codes)
            for codes, part in zip(lists, parts, strict=True)
        ]
        return (*known, label)

    return sorted(labels, key=place)
