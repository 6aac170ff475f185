"""The form in which one centre hands its sums to another: no row of a patient, only totals.

An aggregate of level `internal` holds exact sums. It is for departments under an agreement and is
never published: the day on which one person walked can be read from its steps. One of level
`external` holds only what a controlled release shows, as the range in which each number may lie.
"""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Mapping, Sequence

import pandas as pd

from audit.errors import UnusableInput

#: raised by one whenever a column changes its meaning; other versions are refused
FORM_VERSION = 1
LEVELS = ("internal", "external")
HIDDEN = "[c]"
KINDS = ("mean", "share", "rate", "ratio")
KEYS = ["measure", "kind", "group_by", "group"]
COUNTS = ["n", "missing", "people"]
#: total and base: sums of y and x over the rows (x = 1 for a mean or share); the others are sums of
#: e e, e x, x x with e = y - (total / base) x, over rows and over the totals of each patient
SUMS = [
    "total",
    "base",
    "squares",
    "cross",
    "base_squares",
    "patient_squares",
    "patient_cross",
    "patient_base_squares",
]
STATE_COUNTS = ["met", "not_met", "exception", "not_yet_due", "state_missing"]
CURVE_KEYS = ["measure", "group_by", "group"]
CELL_KEYS = ["measure", "statistic", "group_by", "group", "unit"]
RANGES = ["total_low", "total_high", "base_low", "base_high", "value_low", "value_high"]
#: table -> its columns, in the order of its file
COLUMNS: dict[str, list[str]] = {
    "sums": [*KEYS, "unit", "base_unit", *COUNTS, *SUMS, "median", "marker"],
    "curves": [*CURVE_KEYS, "unit", *COUNTS, "events", "marker"],
    "steps": [*CURVE_KEYS, "time", "entered", "events", "competing", "censored"],
    "criteria": [
        "criterion",
        "definition",
        "kind",
        "target",
        "direction",
        *STATE_COUNTS,
        "own_verdict",
        *COUNTS,
        *SUMS,
        "marker",
    ],
    "cells": [*CELL_KEYS, *RANGES, "marker", "reason"],
}
#: columns that name a row of a table once
UNIQUE: dict[str, list[str]] = {
    "sums": KEYS,
    "curves": CURVE_KEYS,
    "steps": [*CURVE_KEYS, "time"],
    "criteria": ["criterion"],
    "cells": CELL_KEYS,
}
WHOLE = {*COUNTS, *STATE_COUNTS, "events", "entered", "competing", "censored"}
NUMBERS = {*WHOLE, *SUMS, *RANGES, "median", "time", "target"}
SHOWN = 6


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Aggregate:
    """What one centre (or several, added up) hands over.

    centres: codes of the centres in it. level: one of `LEVELS`. period: a window as in results.csv.
    cutoff: YYYY-MM-DD. definitions: what decides the numbers, name -> text; two aggregates are
    added only if these agree. fewest_people: sums that rest on fewer people were hidden. tables:
    name -> frame, as in `COLUMNS`; all are there, empty where not used.
    """

    centres: tuple[str, ...]
    level: str
    period: str
    cutoff: str
    definitions: Mapping[str, str]
    fewest_people: int
    tables: Mapping[str, pd.DataFrame]
    notes: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """The centres in words, for messages and notes."""
        return " and ".join(self.centres)

    @property
    def fingerprint(self) -> str:
        """SHA-256 of its tables, by which the same data under another code are recognised."""
        digest = hashlib.sha256()
        for table in COLUMNS:
            frame = self.tables[table][COLUMNS[table]]
            plain = frame.astype({name: float for name in frame.columns if name in NUMBERS})
            digest.update(plain.to_csv(index=False, lineterminator="\n").encode())
        return digest.hexdigest()


def empty_table(name: str) -> pd.DataFrame:
    """A table without rows, its columns of the right kind."""
    kinds = {column: float if column in NUMBERS else object for column in COLUMNS[name]}
    return pd.DataFrame({column: pd.Series(dtype=kind) for column, kind in kinds.items()})


def check_together(aggregates: Sequence[Aggregate]) -> None:
    """UnusableInput unless the aggregates may be added: period, cut-off and definitions agree, and
    no centre and no set of data stands in two of them."""
    if not aggregates:
        raise UnusableInput("There is nothing to pool: give at least one aggregate.")
    first = aggregates[0]
    for other in aggregates[1:]:
        _same("period", first.period, other.period, (first.name, other.name))
        _same("cut-off", first.cutoff, other.cutoff, (first.name, other.name))
        _same_definitions(first, other)
    _no_centre_twice(aggregates)


def _same(what: str, one: str, two: str, names: tuple[str, str]) -> None:
    if one != two:
        raise UnusableInput(
            f"The aggregate of {names[0]} has the {what} {one}, that of {names[1]} has {two}. "
            "Make both again for the same quarter and cut-off."
        )


def _same_definitions(first: Aggregate, other: Aggregate) -> None:
    names = sorted({*first.definitions, *other.definitions})
    different = [
        f"{name} ({first.definitions.get(name, 'none')} and {other.definitions.get(name, 'none')})"
        for name in names
        if first.definitions.get(name) != other.definitions.get(name)
    ]
    if not different:
        return
    more = f"; and {len(different) - SHOWN} more" if len(different) > SHOWN else ""
    raise UnusableInput(
        f"{first.name} and {other.name} measured by other definitions, so their sums cannot be "
        f"added: {'; '.join(different[:SHOWN])}{more}. Agree on them and make both again."
    )


def _no_centre_twice(aggregates: Sequence[Aggregate]) -> None:
    seen: set[str] = set()
    data: dict[str, str] = {}
    for aggregate in aggregates:
        twice = seen & set(aggregate.centres)
        if twice:
            raise UnusableInput(
                f"The centre {sorted(twice)[0]} stands in two aggregates: its patients would count "
                "twice. Leave one out."
            )
        seen |= set(aggregate.centres)
        same = data.setdefault(aggregate.fingerprint, aggregate.name)
        holds = any(len(table) for table in aggregate.tables.values())
        if holds and same != aggregate.name:
            raise UnusableInput(
                f"The aggregates of {same} and {aggregate.name} hold the same numbers to the last "
                "digit: the same data seem to have been given twice. Leave one out."
            )
