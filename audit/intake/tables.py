"""What a source holds once it has been read: typed tables, questions, and where they came from."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping

import pandas as pd

from schemas import TABLES

QUERY_COLUMNS = ["table", "row", "case_id", "column", "value", "rule", "severity", "message"]
KEPT_OUT = ["table", "row", "case_id", "patient_id", "reason"]
_NO_ROWS = pd.DataFrame(
    {name: pd.Series(dtype="int64" if name == "row" else object) for name in KEPT_OUT}
)


@dataclasses.dataclass(frozen=True)
class InputFile:
    """One file, sheet or database table that was read: its name (never a path) and content hash."""

    table: str
    name: str
    sha256: str
    rows: int


@dataclasses.dataclass(frozen=True)
class Tables(Mapping[str, pd.DataFrame]):
    """The case tables of one source, typed but not yet judged.

    frames: table name -> DataFrame. Every contract table is there (empty where the source has
    none) and every contract column exists; `row` is the line a person sees. Ids, codes and texts
    are text, numbers float64, days and moments datetime64[ns]; missing is NaN or NaT.
    queries: questions raised while reading (contract columns). cleaning: automatic changes
    (`table, column, change, cells`). inputs: what was read. given: tables the source has.
    kept_out: rows that could not be read as rows (columns of KEPT_OUT); they are in no frame.
    """

    frames: dict[str, pd.DataFrame]
    queries: pd.DataFrame
    cleaning: pd.DataFrame
    inputs: tuple[InputFile, ...]
    given: frozenset[str]
    kept_out: pd.DataFrame

    def __getitem__(self, name: str) -> pd.DataFrame:
        return self.frames[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self.frames)

    def __len__(self) -> int:
        return len(self.frames)


def kind_of(table: str, column: str) -> str:
    """The kind of a contract column ("number", "day", ...)."""
    return TABLES[table].columns[column].metadata["kind"]


def columns_of_kind(table: str, *kinds: str) -> list[str]:
    """Contract columns of a table that are of one of the kinds, in order."""
    return [
        name for name, column in TABLES[table].columns.items() if column.metadata["kind"] in kinds
    ]


def kept_out_rows(table: str, rows: pd.DataFrame, reason: str) -> pd.DataFrame:
    """Rows of a table that are kept out of use, with the reason (columns of KEPT_OUT)."""
    if rows.empty:
        return _NO_ROWS.copy()
    out = pd.DataFrame(
        {name: rows.get(name, "") for name in ("row", "case_id", "patient_id")},
        index=rows.index,
    )
    return out.assign(table=table, reason=reason)[KEPT_OUT].reset_index(drop=True)
