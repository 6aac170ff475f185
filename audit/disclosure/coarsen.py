"""The declared coarser grouping, tried before anything is hidden."""

from __future__ import annotations

from collections.abc import Sequence

from audit.disclosure.settings import ControlSettings
from audit.disclosure.work import first_hiding
from audit.summaries.table import SummaryTable

#: a dimension with the merging declared for it
Merging = tuple[str, tuple[tuple[str, str], ...]]


def coarsened(
    tables: Sequence[SummaryTable], settings: ControlSettings
) -> tuple[SummaryTable, ...]:
    """Each table, or its declared merged form where that hides fewer rows.

    Tables of one release that declare the same merging of a dimension are linked: where one of them
    gains by it, every other that hides something takes its merged form too. Else a reader could set
    the merged cells of one against the fine cells of another.
    """
    chosen = list(tables)
    while True:
        wanted = _gaining(chosen, settings)
        if not wanted:
            return tuple(chosen)
        for at in wanted:
            chosen[at] = _merged(chosen[at])


def used(given: SummaryTable, chosen: SummaryTable) -> tuple[str, ...]:
    """The dimensions whose coarser grouping was used in a table."""
    return () if given is chosen else tuple(given.coarser)


def _gaining(tables: Sequence[SummaryTable], settings: ControlSettings) -> list[int]:
    """Positions of the tables that take their merged form now."""
    hidden = [_hidden_rows(table, settings) if table.merged is not None else 0 for table in tables]
    gains: set[Merging] = set()
    for table, rows in zip(tables, hidden, strict=True):
        if rows and _hidden_rows(_merged(table), settings) < rows:
            gains |= mergings(table)
    return [
        at
        for at, (table, rows) in enumerate(zip(tables, hidden, strict=True))
        if rows and mergings(table) & gains
    ]


def mergings(table: SummaryTable) -> set[Merging]:
    """What a table declares that may be merged."""
    return {(name, tuple(sorted(words.items()))) for name, words in table.coarser.items()}


def _merged(table: SummaryTable) -> SummaryTable:
    if table.merged is None:
        raise ValueError(f"summary table {table.name}: it declares a coarser grouping without one")
    return table.merged


def _hidden_rows(table: SummaryTable, settings: ControlSettings) -> int:
    (work,) = first_hiding([table], settings)
    return sum(bool(rule) for rule in work.rules)
