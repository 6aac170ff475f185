"""The last look before a table is written: only what control has passed, in its own form.

What fails here is a fault of the kit, not of the person at the keyboard: ValueError names table
and column, never a number.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

import pandas as pd

from audit.disclosure.controlled import MARKERS, ControlledTable
from audit.disclosure.round import to_base
from audit.disclosure.settings import ControlSettings
from audit.release.summary.names import NAME
from audit.summaries.table import STATISTICS, SummaryTable
from schemas.leaving import CATEGORY, CENTRE, LEAVING

#: text columns beside the dimensions; method need not be there
TEXTS = ("statistic", "unit", "method", "marker", "reason")
MUST_HAVE = ("statistic", "unit", "value", "marker", "reason")
#: numbers by which the hidden one would be known
HIDES = ("numerator", "value", "low", "high")
#: a number column; curves bear the name of their rounding
NUMBERS = re.compile(r"(numerator|denominator|value|low|high)(_[a-z0-9]+)?")
#: how a column of the contract may leave as a dimension of a table
AS_DIMENSION = (CATEGORY, CENTRE)
#: a word such as criterion may name a column of the actions and, in a table, something else
_ON_PATIENTS = [columns for columns in LEAVING.values() if {"patient_id", "case_id"} & set(columns)]
CONFIDENTIAL = "[c]"
#: statistics whose counts are rounded, and those counts
ROUNDED, COUNTS = ("count", "share"), ("numerator", "denominator")


def check_release(
    controlled: Sequence[ControlledTable], *, level: str, settings: ControlSettings | None
) -> None:
    """ValueError unless these tables may be written at this level.

    Checked: there is one; all were controlled at this level; name and period tell each apart;
    columns and statistics are those of a controlled table, no others, and the allow-list of the
    contract lets each dimension out; every row is named once; markers are in the list; a row marked
    confidential holds a reason and no number; all numbers are finite; for an external release,
    counts are multiples of the base, and none or as large as the smallest that may be shown, unless
    a decision on few people is recorded for the table.
    """
    if not controlled:
        raise ValueError("a release needs at least one table")
    seen: set[tuple[str, str]] = set()
    for one in controlled:
        name = one.table.name
        if one.level != level:
            raise ValueError(f"table {name} was controlled for {one.level}, not for {level}")
        if not NAME.fullmatch(name):
            raise ValueError(f"name of a table: lower case, digits, single dashes; got {name!r}")
        if (name, one.table.period) in seen:
            raise ValueError(f"table {name} comes twice for one period")
        seen.add((name, one.table.period))
        _check_columns(one)
        _check_keys(one)
        _check_cells(one)
        if level == "external" and settings is not None:
            _check_rounding(one, settings)


def number_columns(one: ControlledTable) -> list[str]:
    """The columns of a controlled table that hold numbers, in order."""
    texts = {*one.table.dimensions, *TEXTS}
    return [str(name) for name in one.frame.columns if name not in texts]


def base_of(column: str) -> str:
    """The name of a number column without that of its rounding: value for value_midpoint6."""
    return column.partition("_")[0]


def key_columns(table: SummaryTable) -> list[str]:
    """The columns that tell the rows of a table apart."""
    own = [name for name in table.dimensions if name not in table.tied]
    return [*own, "statistic", "unit"]


def _check_columns(one: ControlledTable) -> None:
    table, columns = one.table.name, [str(name) for name in one.frame.columns]
    forbidden = [name for name in columns if not _may_leave(name)]
    unknown = [name for name in number_columns(one) if not NUMBERS.fullmatch(name)]
    if forbidden or unknown:
        raise ValueError(f"table {table} may not hold: {', '.join(forbidden + unknown)}")
    held = {*columns, *(base_of(name) for name in number_columns(one))}
    lacking = [name for name in (*one.table.dimensions, *MUST_HAVE) if name not in held]
    if lacking:
        raise ValueError(f"table {table} lacks: {', '.join(lacking)}")
    if len({name.casefold() for name in columns}) < len(columns):
        raise ValueError(f"table {table} holds a column twice")


def _may_leave(column: str) -> bool:
    """False for a column of a table on patients that is not let out as a category."""
    ways = {columns[column] for columns in _ON_PATIENTS if column in columns}
    return not ways or bool(ways & set(AS_DIMENSION))


def _check_keys(one: ControlledTable) -> None:
    table, frame = one.table.name, one.frame
    if not len(frame):
        raise ValueError(f"table {table} has no rows")
    key = key_columns(one.table)
    for name in key:
        texts = frame[name].astype("string")
        if texts.isna().any() or (texts.str.strip() == "").any():
            raise ValueError(f"table {table}: a cell of {name} is empty")
    if frame.duplicated(key).any():
        raise ValueError(f"table {table} names a row twice by {', '.join(key)}")
    other = sorted(set(frame["statistic"].astype(str)) - set(STATISTICS))
    if other:
        raise ValueError(
            f"statistic must be one of {', '.join(STATISTICS)}; got {', '.join(other)}"
        )


def _check_cells(one: ControlledTable) -> None:
    table, frame = one.table.name, one.frame
    markers = frame["marker"].astype("string").fillna("")
    if not markers.isin(["", *MARKERS]).all():
        raise ValueError(f"table {table}: a marker is none of {', '.join(MARKERS)}")
    hidden = markers == CONFIDENTIAL
    reasons = frame["reason"].astype("string").fillna("").str.strip()
    if (reasons[hidden] == "").any():
        raise ValueError(f"table {table} hides a number without a reason")
    for name in number_columns(one):
        numbers = pd.to_numeric(frame[name], errors="coerce")
        if (numbers.isna() & frame[name].notna()).any():
            raise ValueError(f"table {table}: {name} holds something that is no number")
        if numbers.dropna().map(math.isinf).any():
            raise ValueError(f"table {table}: {name} holds an infinite number")
        if base_of(name) in HIDES and numbers[hidden].notna().any():
            raise ValueError(f"table {table}: {name} shows a number that is marked confidential")


def _check_rounding(one: ControlledTable, settings: ControlSettings) -> None:
    """Exact counts in a table that calls itself controlled are found here."""
    decided = any(one.table.name == each.table for each in settings.decided("few_people"))
    least = 0 if decided else to_base(settings.threshold, settings.base)
    rows = one.frame.loc[one.frame["statistic"].isin(ROUNDED)]
    for name in set(COUNTS) & set(number_columns(one)):
        counts = pd.to_numeric(rows[name]).dropna()
        if (counts % settings.base != 0).any():
            raise ValueError(
                f"table {one.table.name}: {name} is not rounded to multiples of {settings.base}"
            )
        if ((counts > 0) & (counts < least)).any():
            raise ValueError(
                f"table {one.table.name}: {name} shows a count that rests on few people"
            )
