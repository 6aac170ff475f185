"""Which rows are asked about, with the cells as typed and what is asked of each."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import pandas as pd

from audit.intake.grid import Grid
from audit.intake.parse import plain_heading

#: place of a question that concerns the whole row, or a column that the table lacks
WHOLE_ROW = -1
SEVERITIES = {"error": "ERROR", "warning": "WARNING"}


@dataclasses.dataclass(frozen=True, kw_only=True)
class Most:
    """How many rows a sheet shows, and how many of its cells have a comment. What is beyond is
    told on the sheet; queries.csv always has all."""

    rows: int = 5_000
    notes: int = 10_000


@dataclasses.dataclass(frozen=True)
class Question:
    """One question. column: as in the contract; severity: "error" or "warning"."""

    severity: str
    column: str
    rule: str
    message: str

    @property
    def words(self) -> str:
        """The question as one line."""
        where = f" {self.column}:" if self.column else ""
        return f"{SEVERITIES[self.severity]}{where} {self.message} ({self.rule})"


@dataclasses.dataclass(frozen=True)
class AskedRow:
    """One row with a question. cells: as typed. marks: place of a cell, or WHOLE_ROW ->
    its questions, errors first."""

    row: int
    cells: tuple[str, ...]
    marks: dict[int, tuple[Question, ...]]

    @property
    def questions(self) -> list[Question]:
        """All questions of the row, from the left, those of the whole row first."""
        return [question for place in sorted(self.marks) for question in self.marks[place]]


@dataclasses.dataclass(frozen=True)
class AskedTable:
    """The rows of a table that have a question, in the order of the source.

    headings: as the source has them. left_out: how many more rows there are than `rows` holds.
    notes: how many marked cells may have a comment.
    """

    table: str
    headings: tuple[str, ...]
    rows: tuple[AskedRow, ...]
    left_out: int
    notes: int

    @property
    def marked(self) -> int:
        """How many cells of the rows are asked about."""
        return sum(len(row.marks) for row in self.rows)


def asked_table(table: str, grid: Grid, queries: pd.DataFrame, *, most: Most) -> AskedTable:
    """The rows of one table with a question, cells as typed.

    queries: of this table, with a row. Where there are more rows than `most`, those with an error
    come before those with warnings only.
    """
    columns = [name for name in grid.frame.columns if name != "row"]
    headings = tuple(str(name) for name in columns)
    place_of = {plain_heading(name): place for place, name in enumerate(headings)}
    by_row: dict[int, list[Question]] = {}
    for row, severity, column, rule, message in zip(
        queries["row"],
        queries["severity"],
        queries["column"],
        queries["rule"],
        queries["message"],
        strict=True,
    ):
        by_row.setdefault(int(row), []).append(Question(severity, column, rule, message))
    chosen = _chosen(by_row, most.rows)
    frame = grid.frame.loc[grid.frame["row"].isin(chosen)].sort_values("row", kind="stable")
    texts = frame[columns].astype("string").fillna("")
    rows = [
        AskedRow(int(row), cells, _marks(by_row[int(row)], place_of))
        for row, cells in zip(frame["row"], texts.itertuples(index=False, name=None), strict=True)
    ]
    return AskedTable(table, headings, tuple(rows), len(by_row) - len(rows), most.notes)


def _chosen(by_row: dict[int, list[Question]], most: int) -> set[int]:
    def order(row: int) -> tuple[bool, int]:
        return all(question.severity != "error" for question in by_row[row]), row

    return set(sorted(by_row, key=order)[:most])


def _marks(
    questions: Sequence[Question], place_of: dict[str, int]
) -> dict[int, tuple[Question, ...]]:
    marks: dict[int, list[Question]] = {}
    for question in sorted(questions, key=lambda one: one.severity != "error"):
        place = place_of.get(plain_heading(question.column), WHOLE_ROW)
        marks.setdefault(place, []).append(question)
    return {place: tuple(found) for place, found in marks.items()}


def gravest(questions: Sequence[Question]) -> str:
    """ "error" when one of the questions is, else "warning"."""
    return "error" if any(one.severity == "error" for one in questions) else "warning"


def counts_by_rule(queries: pd.DataFrame) -> pd.DataFrame:
    """How often each rule asks: `severity, table, column, rule, times, message`, most first.

    Messages that differ only in a hint at one value are shown without it.
    """
    same = ["severity", "table", "column", "rule"]
    if queries.empty:
        return pd.DataFrame(columns=[*same, "times", "message"])
    grouped = queries.groupby(same, sort=False)["message"]
    counts = grouped.agg(times="size", message=lambda texts: min(texts, key=len)).reset_index()
    return counts.sort_values(["severity", "times"], ascending=[True, False], kind="stable")
