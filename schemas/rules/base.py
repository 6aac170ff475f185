"""What a cross-cell rule is, and the look-ups that rules share."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping

import pandas as pd

from schemas.vocabulary import WALKING_SEGMENTS

#: what an error of a rule keeps out of use
VALUE = "value"
ROW = "row"


@dataclasses.dataclass(frozen=True)
class Evidence:
    """All tables as read (every contract table is present, every contract column exists, missing
    where not given; codes and ids are text, numbers float, dates datetime) and the latest day
    that a fact may bear."""

    frames: Mapping[str, pd.DataFrame]
    latest_day: pd.Timestamp

    def __getitem__(self, name: str) -> pd.DataFrame:
        return self.frames[name]

    def of_case(self, name: str, column: str) -> pd.Series:
        """A column of `cases` looked up for every row of table `name`; missing where no case."""
        cases = self.frames["cases"]
        lookup = pd.Series(cases[column].to_numpy(), index=cases["case_id"].to_numpy())
        found = self.frames[name]["case_id"].map(lookup)
        if lookup.dtype.kind in "Mf":
            found = found.astype(lookup.dtype)
        return found


@dataclasses.dataclass(frozen=True, kw_only=True)
class Rule:
    """One thing that several cells must agree on.

    id: stable name, written into queries.csv. table, column: where the query is put.
    severity: "error" keeps the value (or, with keeps_out=ROW, the whole row) out of use,
    "warning" only asks. message: one sentence that says what to do; it never holds a value.
    source: citation or "local choice". fails: Evidence -> True for every row of `table` that
    breaks the rule (a bool Series or array, aligned with the table). file_level: one query for
    the column, without a row, when any row fails.
    """

    id: str
    table: str
    column: str
    severity: str
    message: str
    source: str
    fails: Callable[[Evidence], pd.Series]
    keeps_out: str = VALUE
    file_level: bool = False


def days(later: pd.Series, earlier: pd.Series) -> pd.Series:
    """Whole days from earlier to later, missing where either is."""
    return (later - earlier) / pd.Timedelta(days=1)


def not_on_walking_limb(cases: pd.DataFrame) -> pd.Series:
    """True for cases on a bone that nobody walks on."""
    return ~cases["segment"].isin(WALKING_SEGMENTS) & cases["segment"].notna()
