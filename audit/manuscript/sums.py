"""What adds up inside a table, declared for it, as claims."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable, Iterable

import pandas as pd

from audit.manuscript.claim import Claim
from audit.manuscript.numbers import Printed, printed

FIRST_ROW, FIRST_GROUP, LEVELS = "first_row", "first_group", "levels"
STEPS, LAST_STEP, SPLITS, THREE_COUNTS = "steps", "last_step", "splits", "three_counts"
#: kinds of sum and what each says
SUM_KINDS: dict[str, str] = {
    FIRST_ROW: "in each of `columns` the first row is the sum of the others",
    FIRST_GROUP: "in rows whose first heading is in `rows` the first group is the sum of the "
    "others",
    LEVELS: "rows `fact: level` of one fact and one denominator add up to it, lines of those not "
    "recorded aside",
    STEPS: "in `columns` a row headed by the first of `rows` is the sum of the rows headed by the "
    "second that follow it and of the next row headed by the first",
    LAST_STEP: "in `columns` the last row headed by the first of `rows` is the sum of the rows "
    "headed by the second",
    SPLITS: "in `columns` (all, where none is named) the first row is the sum of the rows of each "
    "first heading in `rows`",
    THREE_COUNTS: "`columns` hold events, cases and patients with an event",
}
#: ends the heading of a line that counts those left out of the denominator
NOT_RECORDED = "not recorded"
_COUNT_CELL = re.compile(r"(?P<count>\d+)(?:\s*/\s*(?P<total>\d+))?(?:\s*[(;].*)?")


@dataclasses.dataclass(frozen=True)
class DeclaredSum:
    """What adds up in a table of that name; kind: one of `SUM_KINDS`, which says what columns and
    rows mean. Columns that a table does not have, and cells that hold no count, are passed over."""

    table: str
    kind: str
    columns: tuple[str, ...] = ()
    rows: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.kind not in SUM_KINDS:
            raise ValueError(f"kind must be one of {', '.join(SUM_KINDS)}; got {self.kind!r}")


def claims_of_sum(frame: pd.DataFrame, declared: DeclaredSum, *, row_headings: int) -> list[Claim]:
    """The claims that a declared sum makes about a table of texts, without names."""
    if frame.empty:
        return []
    groups = list(frame.columns[row_headings:])
    columns = [column for column in declared.columns or groups if column in frame.columns]
    return _SUMS[declared.kind](frame, declared, columns if declared.columns else groups)


def _first_row(frame: pd.DataFrame, declared: DeclaredSum, columns: list[str]) -> list[Claim]:
    return [
        _sum_claim(f"{declared.table}: {column}", _counts(frame[column].iloc[1:]), total)
        for column in columns
        if (total := _count(frame[column].iloc[0])) is not None
    ]


def _first_group(frame: pd.DataFrame, declared: DeclaredSum, columns: list[str]) -> list[Claim]:
    found = []
    for _, row in frame.loc[frame.iloc[:, 0].isin(declared.rows)].iterrows():
        total, parts = _count(row[columns[0]]), _counts(row[columns[1:]])
        if total is not None:
            found.append(_sum_claim(f"{declared.table}: {row.iloc[0]}", parts, total))
    return found


def _levels(frame: pd.DataFrame, declared: DeclaredSum, columns: list[str]) -> list[Claim]:
    found = []
    headings = frame.iloc[:, 0].astype(str).str.rsplit(": ", n=1)
    whole = (headings.str.len() == 2) & (headings.str[-1] != NOT_RECORDED)
    for fact, rows in frame.loc[whole].groupby(headings.loc[whole].str[0], sort=False):
        for column in columns:
            matches = [_COUNT_CELL.fullmatch(str(cell).strip()) for cell in rows[column]]
            pairs: dict[str, list[Printed]] = {}
            for match in matches:
                if match and match["total"]:
                    pairs.setdefault(match["total"], []).extend(_counts([match["count"]]))
            found += [
                _sum_claim(f"{declared.table}: {fact}, {column}", counts, printed(total))
                for total, counts in pairs.items()
                if len(counts) > 1
            ]
    return found


def _steps(frame: pd.DataFrame, declared: DeclaredSum, columns: list[str]) -> list[Claim]:
    state, part = declared.rows
    found = []
    for column in columns:
        total: Printed | None = None
        parts: list[Printed] = []
        for heading, cell in zip(frame.iloc[:, 0], frame[column], strict=True):
            count = _count(cell)
            if heading == state:
                if total is not None and count is not None:
                    found.append(_sum_claim(f"{declared.table}: {column}", [*parts, count], total))
                total, parts = count, []
            elif heading == part and count is not None:
                parts.append(count)
    return found


def _last_step(frame: pd.DataFrame, declared: DeclaredSum, columns: list[str]) -> list[Claim]:
    state, part = (frame.loc[frame.iloc[:, 0] == name] for name in declared.rows)
    if state.empty or part.empty:
        return []
    return [
        _sum_claim(f"{declared.table}: {column}, {declared.rows[1]}", _counts(part[column]), total)
        for column in columns
        if (total := _count(state[column].iloc[-1])) is not None
    ]


def _splits(frame: pd.DataFrame, declared: DeclaredSum, columns: list[str]) -> list[Claim]:
    found = []
    for split, rows in frame.groupby(frame.columns[0], sort=False):
        for column in columns if split in declared.rows else ():
            total = _count(frame[column].iloc[0])
            if total is not None:
                place = f"{declared.table}: {split}, {column}"
                found.append(_sum_claim(place, _counts(rows[column]), total))
    return found


def _three_counts(frame: pd.DataFrame, declared: DeclaredSum, columns: list[str]) -> list[Claim]:
    found = []
    for _, row in frame.iterrows() if len(columns) == 3 else ():
        matches = [_COUNT_CELL.fullmatch(str(row[column]).strip()) for column in columns]
        events, cases, patients = matches
        if events and cases and patients and cases["total"] and patients["total"]:
            heading = ", ".join(str(cell) for cell in row[frame.columns[: _place(frame, columns)]])
            found.append(
                Claim(
                    claim="",
                    kind="events_cases_patients",
                    where=f"{declared.table}: {heading}",
                    words="events, cases and patients with one",
                    parts=tuple(printed(match["count"]) for match in (events, cases, patients)),
                    total=printed(cases["total"]),
                    n=int(patients["total"]),
                )
            )
    return found


def _place(frame: pd.DataFrame, columns: list[str]) -> int:
    """How many columns stand before the first of these."""
    return min(list(frame.columns).index(column) for column in columns)


def _count(cell: object) -> Printed | None:
    match = _COUNT_CELL.fullmatch(str(cell).strip())
    return printed(match["count"]) if match else None


def _counts(cells: Iterable[object]) -> list[Printed]:
    return [count for count in map(_count, cells) if count is not None]


def _sum_claim(place: str, parts: list[Printed], total: Printed | None) -> Claim:
    return Claim(
        claim="",
        kind="parts_add_to_total",
        where=place,
        words="parts and total",
        parts=tuple(parts),
        total=total,
    )


_SUMS: dict[str, Callable[[pd.DataFrame, DeclaredSum, list[str]], list[Claim]]] = {
    FIRST_ROW: _first_row,
    FIRST_GROUP: _first_group,
    LEVELS: _levels,
    STEPS: _steps,
    LAST_STEP: _last_step,
    SPLITS: _splits,
    THREE_COUNTS: _three_counts,
}
