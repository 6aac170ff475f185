"""The rows of an exact summary table, one at a time, and which of them speak of the same people."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping

import pandas as pd

from audit.summaries.table import ALL, COLUMNS, STATISTICS, SummaryTable

#: how units of rates over cases end; other rates are over a time
PER_CASES = "per 100 cases"
AVERAGES = ("mean", "sd", "median", "q1", "q3")
Cell = frozenset[tuple[str, str]]
#: (population, period, categories other than `ALL`, units, people): one number of a release
CellId = tuple[str, str, Cell, int, int]


@dataclasses.dataclass(frozen=True)
class Row:
    """One row. dims: the key dimensions with their categories. Numbers are None where missing.
    exposure: the denominator of a rate, which can be a time; other statistics have a whole one."""

    table: SummaryTable
    position: int
    statistic: str
    unit: str
    dims: Mapping[str, str]
    numerator: int | None
    denominator: int | None
    exposure: float | None
    people_with: int | None
    people: int | None
    value: float | None
    low: float | None
    high: float | None

    @property
    def of_events(self) -> bool:
        """True when the numerator counts events, of which a person can have any number."""
        return self.statistic == "rate" or "event" in (self.unit or self.table.counted).lower()

    @property
    def units(self) -> int | None:
        """How many units the row is over: the denominator, of a rate only where it is cases."""
        if self.exposure is None or not self.unit.endswith(PER_CASES):
            return self.denominator
        return int(self.exposure) if self.exposure == math.floor(self.exposure) else None

    @property
    def cell(self) -> Cell:
        """The categories that the row is about, without dimensions that hold `ALL`."""
        return frozenset(pair for pair in self.dims.items() if pair[1] != ALL)

    def numerator_id(self) -> CellId | None:
        """Which number of the release the numerator is; None where it or its people are missing.

        Two tables that count the same people in the same categories have the same number there,
        and it must be released, or hidden, as one.
        """
        if self.numerator is None or self.people_with is None:
            return None
        about = self.table
        return (about.population, about.period, self.cell, self.numerator, self.people_with)


def key_dimensions(table: SummaryTable) -> tuple[str, ...]:
    """The dimensions that tell the cells of a table apart."""
    return tuple(name for name in table.dimensions if name not in table.tied)


def rows_of(table: SummaryTable) -> list[Row]:
    """The rows of a table in their order.

    Raises ValueError (name of the table, never a number) when columns are missing, a statistic is
    not in the list, two rows have one key, or counts are not whole numbers of 0 or more.
    """
    frame = table.frame
    lost = [name for name in (*table.dimensions, *COLUMNS) if name not in frame.columns]
    if lost:
        raise ValueError(f"summary table {table.name}: no column {', '.join(lost)}")
    keys = key_dimensions(table)
    if frame.duplicated([*keys, "statistic", "unit"]).any():
        raise ValueError(f"summary table {table.name}: two rows have the same key")
    return [
        _row(table, position, record, keys)
        for position, record in enumerate(frame.to_dict("records"))
    ]


def _row(table: SummaryTable, position: int, record: dict, keys: tuple[str, ...]) -> Row:
    statistic = str(record["statistic"])
    if statistic not in STATISTICS:
        raise ValueError(
            f"summary table {table.name}: statistic must be one of {', '.join(STATISTICS)}; "
            f"got {statistic!r}"
        )
    timed = statistic == "rate"
    below = None if timed else _whole(record["denominator"], table, "denominator")
    return Row(
        table=table,
        position=position,
        statistic=statistic,
        unit="" if pd.isna(record["unit"]) else str(record["unit"]),
        dims={name: str(record[name]) for name in keys},
        numerator=_whole(record["numerator"], table, "numerator"),
        denominator=below,
        exposure=_number(record["denominator"]) if timed else None,
        people_with=_whole(record["people_with"], table, "people_with"),
        people=_whole(record["people"], table, "people"),
        value=_number(record["value"]),
        low=_number(record["low"]),
        high=_number(record["high"]),
    )


def _whole(number: object, table: SummaryTable, name: str) -> int | None:
    value = _number(number)
    if value is None:
        return None
    if value < 0 or value != math.floor(value):
        raise ValueError(f"summary table {table.name}: {name} must be whole numbers of 0 or more")
    return int(value)


def _number(value: object) -> float | None:
    return None if pd.isna(value) else float(value)  # type: ignore[call-overload, arg-type]
