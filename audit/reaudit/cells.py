"""Two or three versions of one table, cell by cell."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Mapping, Sequence

import numpy as np
import pandas as pd

from audit.reaudit.typed import ABSOLUTE, RELATIVE

Value = float | str | None
Row = Mapping[str, Value]
#: columns of standards.csv that say what a row is about, and are compared as definitions
DESCRIBING = (
    "criterion",
    "words",
    "population",
    "measure",
    "statistic",
    "window",
    "direction",
    "index_date",
    "level",
    "method",
    "unit",
    "note",
    "target_level",
    "reason",
    "source",
    "unit_of_analysis",
)
#: columns that the measure and the state of each case decide alone; the others (a verdict held
#: back, completeness) can also move with facts that no measure uses
DECIDED = (
    "n",
    "missing",
    "not_yet_due",
    "value",
    "low",
    "high",
    "target",
    "eligible",
    "met",
    "not_met",
    "exception",
    "state_not_yet_due",
    "state_missing",
    "not_applicable",
    "left_out",
    "cases_to_settle",
)
RESULT_VALUES = ("n", "missing", "value", "low", "high")
STANDARD_KEY = ["criterion", "window"]
RESULT_KEY = ["measure", "statistic", "day", "window"]


@dataclasses.dataclass(frozen=True)
class Versions:
    """One row in its three versions; None where a version has no such row."""

    key: tuple[str, ...]
    reported: Row | None
    same: Row | None
    today: Row | None


def plain(value: object) -> Value:
    """A cell as a number, a text, or None for missing: however it was stored."""
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if value is None or (not isinstance(value, str) and pd.isna(value)):
        return None
    text = str(value)
    if text == "":
        return None
    try:
        number = float(text)
    except ValueError:
        return text
    return text if math.isnan(number) else number


def alike(one: Value, two: Value) -> bool:
    """Whether two cells say the same: numbers to a relative 1e-9."""
    if isinstance(one, float) and isinstance(two, float):
        return math.isclose(one, two, rel_tol=RELATIVE, abs_tol=ABSOLUTE)
    return one == two


def rows_by_key(frame: pd.DataFrame, key: Sequence[str]) -> dict[tuple[str, ...], Row]:
    """key -> cells of a table whose key columns are texts; empty for a table without rows."""
    if frame.empty:
        return {}
    found: dict[tuple[str, ...], Row] = {}
    for row in frame.to_dict(orient="records"):
        cells = {str(name): plain(value) for name, value in row.items()}
        found[tuple(str(row[name]) for name in key)] = cells
    return found


def with_days(results: pd.DataFrame) -> pd.DataFrame:
    """Rows of results.csv about all cases, with the day or horizon that a statistic is read at
    (`day`, from the first words of its note; empty for most)."""
    if results.empty:
        return results
    whole = results.loc[results["group_by"] == "all"]
    day = whole["note"].astype(str).str.extract(r"^(at \d+ days|restricted to \d+ days)")[0]
    return whole.assign(day=day.fillna(""))


def versions(
    reported: Mapping[tuple[str, ...], Row],
    same: Mapping[tuple[str, ...], Row],
    today: Mapping[tuple[str, ...], Row],
) -> Iterator[Versions]:
    """Every row that any version has, in the order reported, then recomputed."""
    for key in dict.fromkeys([*reported, *same, *today]):
        yield Versions(key, reported.get(key), same.get(key), today.get(key))


def compared_columns(row: Versions, only: Sequence[str] | None = None) -> list[str]:
    """The columns that two versions of a row share and that are no description."""
    held = [version for version in (row.reported, row.same, row.today) if version is not None]
    shared = [name for name in held[0] if all(name in version for version in held)]
    return [name for name in shared if (name in only if only else name not in DESCRIBING)]


def differing(one: Row | None, two: Row | None, columns: Sequence[str]) -> list[str]:
    """The columns in which two versions of a row differ; none when one of them is not there."""
    if one is None or two is None:
        return []
    return [name for name in columns if not alike(one[name], two[name])]
