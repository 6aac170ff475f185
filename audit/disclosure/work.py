"""Tables of one release on their way: exact rows, and which of them are hidden so far."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

from audit.disclosure.rows import CellId, Row, rows_of
from audit.disclosure.settings import ControlSettings
from audit.disclosure.suppress import REMAINDER, SAME, is_decided, primary_rule
from audit.summaries.table import SummaryTable


@dataclasses.dataclass(frozen=True, eq=False)
class Work:
    """A table with, for each row, the rule of `suppress` that hides it on its own account (or an
    empty text), and the positions that are hidden to protect others: whole rows (second), and
    denominators of counts that stay (bare)."""

    table: SummaryTable
    rows: tuple[Row, ...]
    rules: tuple[str, ...]
    second: frozenset[int] = frozenset()
    bare: frozenset[int] = frozenset()

    def hides(self, position: int) -> bool:
        """Whether the row at a position is hidden."""
        return bool(self.rules[position]) or position in self.second


def first_hiding(tables: Sequence[SummaryTable], settings: ControlSettings) -> list[Work]:
    """Every table with what must be hidden on its own account.

    A count that a recorded decision shows in one table is shown as a count in all of them.
    """
    rows = [tuple(rows_of(table)) for table in tables]
    decided = {
        row.numerator_id()
        for row in (row for some in rows for row in some)
        if row.statistic == "count" and is_decided(row, settings)
    }
    return [
        Work(table, some, tuple(_rule(row, decided, settings) for row in some))
        for table, some in zip(tables, rows, strict=True)
    ]


def _rule(row: Row, decided: set[CellId | None], settings: ControlSettings) -> str:
    shown = row.statistic == "count" and row.numerator_id() in decided
    return "" if shown else primary_rule(row, settings)


def alike(works: Sequence[Work], *, of_first: bool) -> list[Work]:
    """What is hidden in one table is hidden wherever the same number stands.

    of_first: spread what is hidden on its own account (as primary), else what was hidden to protect
    others. A count of none is nobody's number and does not spread.
    """
    found = {
        id_
        for work in works
        for row in work.rows
        if (id_ := _spreads(work, row, of_first=of_first)) is not None
    }
    return [_hide_same(work, found, of_first=of_first) for work in works]


def hidden_ids(works: Sequence[Work]) -> set[CellId]:
    """The numbers that are hidden as counts anywhere in the release."""
    return {
        id_
        for work in works
        for row in work.rows
        if row.statistic == "count" and work.hides(row.position)
        if (id_ := row.numerator_id()) is not None
    }


def _spreads(work: Work, row: Row, *, of_first: bool) -> CellId | None:
    if not row.numerator:
        return None
    if not of_first:
        return row.numerator_id() if row.position in work.second else None
    rule = work.rules[row.position]
    sure = bool(rule) and (row.statistic == "count" or rule == REMAINDER)
    return row.numerator_id() if sure else None


def _hide_same(work: Work, found: set[CellId], *, of_first: bool) -> Work:
    same = {
        row.position
        for row in work.rows
        if row.numerator_id() in found and not work.hides(row.position)
    }
    if not of_first:
        return dataclasses.replace(work, second=work.second | same)
    rules = [SAME if at in same else rule for at, rule in enumerate(work.rules)]
    return dataclasses.replace(work, rules=tuple(rules))
