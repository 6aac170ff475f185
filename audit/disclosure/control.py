"""Disclosure control of the tables of one release: the only way from exact to released numbers.

The order is fixed: coarser grouping, suppression, rounding, totals, then shares and rates from the
rounded counts. Second cells are hidden afterwards and everything behind them is made again.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np

from audit.disclosure import control_words
from audit.disclosure.coarsen import coarsened, used
from audit.disclosure.controlled import LEVELS, ControlledTable
from audit.disclosure.exact import as_it_is
from audit.disclosure.flags import COARSER, group_decisions, group_flags
from audit.disclosure.released import released_table
from audit.disclosure.settings import ControlSettings
from audit.disclosure.totals import ReleasedCounts
from audit.disclosure.work import Work, alike, first_hiding
from audit.summaries.table import SummaryTable

EXTERNAL = "external"
CONFIDENTIAL = "[c]"


def control(
    tables: Sequence[SummaryTable], settings: ControlSettings, *, level: str
) -> tuple[ControlledTable, ...]:
    """The tables of one release as they may be read at a level, in the order given.

    internal: exact numbers, those that rest on few people marked. paper: the same, with every small
    cell flagged for the author's decision. external: full control; every number that stays obeys
    the settings, and a number that stands in several tables is the same, or hidden, in all of them.
    Raises ValueError for a level not in the list, a name given twice and a table that is not what
    it says (rows with one key, totals that do not add up).
    """
    if level not in LEVELS:
        raise ValueError(f"level must be one of {', '.join(LEVELS)}; got {level!r}")
    names = [table.name for table in tables]
    if twice := sorted({name for name in names if names.count(name) > 1}):
        raise ValueError(f"a release holds two tables called {', '.join(twice)}")
    if level != EXTERNAL:
        return tuple(as_it_is(table, settings, level=level) for table in tables)
    chosen = coarsened(tables, settings)
    works = alike(first_hiding(chosen, settings), of_first=True)
    works = _protected(works, settings)
    return tuple(
        _with_record(one, work, given, settings)
        for one, work, given in zip(_released(works, settings), works, tables, strict=True)
    )


def _released(works: Sequence[Work], settings: ControlSettings) -> tuple[ControlledTable, ...]:
    counts = ReleasedCounts(works, settings)
    return tuple(released_table(work, counts, settings) for work in works)


def _protected(works: list[Work], settings: ControlSettings) -> list[Work]:
    """The same with second cells hidden, until nothing more has to be: a total that was the sum of
    shown cells is another number once one of them is hidden."""
    if not settings.complementary:
        return works
    from audit.disclosure.complementary import complement  # the solver is loaded only when used

    while True:
        now = _released(works, settings)
        after = [
            _also_hidden(work, before, shown)
            for work, before, shown in zip(works, now, complement(now, settings), strict=True)
        ]
        after = alike(after, of_first=False)
        same = ((a.second, a.bare) == (b.second, b.bare) for a, b in zip(after, works, strict=True))
        if all(same):
            return works
        works = after


def _also_hidden(work: Work, before: ControlledTable, after: ControlledTable) -> Work:
    """The rows that got the marker of hidden cells in between, or lost their denominator."""
    marked = after.frame["marker"].eq(CONFIDENTIAL).to_numpy()
    already = before.frame["marker"].eq(CONFIDENTIAL).to_numpy()
    units = after.frame["denominator"].isna() & before.frame["denominator"].notna()
    return dataclasses.replace(
        work,
        second=work.second | _positions(marked & ~already),
        bare=work.bare | _positions(units.to_numpy()),
    )


def _positions(where: np.ndarray) -> set[int]:
    return {int(position) for position in where.nonzero()[0]}


def _with_record(
    one: ControlledTable, work: Work, given: SummaryTable, settings: ControlSettings
) -> ControlledTable:
    """The table with what was done to it, and what still needs a decision."""
    merged = used(given, work.table)
    flags = group_flags(work, settings)
    if merged:
        flags = (f"{COARSER}: {', '.join(merged)}", *flags)
    controls = control_words.external(
        one, settings, merged=merged, decisions=group_decisions(work, settings)
    )
    return dataclasses.replace(one, controls=controls, flags=flags)
