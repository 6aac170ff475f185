"""What needs a recorded decision of people: groups of which none or all have something."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable

from audit.disclosure.controlled import ControlledTable
from audit.disclosure.rows import Row
from audit.disclosure.settings import ControlSettings, Decision
from audit.disclosure.suppress import covers, few, primary_rule
from audit.disclosure.work import Work
from audit.summaries.table import ALL

GROUP = "group disclosure"
COARSER = "coarser grouping"
SMALL = "small cell"
ALL_OF, NONE_OF = "all of the group", "none of the group"


def group_flags(work: Work, settings: ControlSettings) -> tuple[str, ...]:
    """A sentence for each shown cell that tells something of everybody in a group: a share of none
    or all, a category that holds all of a total, or a count of none in a group of few people. Cells
    that a recorded decision covers are left out. That an empty category of a classification is
    empty is not flagged.
    """
    decided = settings.decided("group")
    spread = _spread_over(work)
    found: dict[str, None] = {}
    for row in work.rows:
        words = "" if work.hides(row.position) else _tells_of_all(row, spread)
        if row.statistic == "count" and row.numerator == 0 and not work.hides(row.position):
            words = NONE_OF if row.people and few(row.people, settings.threshold, settings) else ""
        if words and not any(covers(one, row) for one in decided):
            found[f"{GROUP}: {cell_words(row)}: {words}"] = None
    return tuple(found)


def group_decisions(work: Work, settings: ControlSettings) -> tuple[Decision, ...]:
    """The recorded decisions that speak of a table."""
    return tuple(one for one in settings.decisions if one.table == work.table.name)


def small_flags(work: Work, settings: ControlSettings) -> tuple[str, ...]:
    """A sentence for each cell that control would hide on its own account, for the author of a
    paper, who decides with the ethics committee."""
    found: dict[str, None] = {}
    for row in work.rows:
        if primary_rule(row, settings):
            found[f"{SMALL}: {cell_words(row)}: rests on few people, or leaves few"] = None
    return tuple(found)


def undecided(controlled: Iterable[ControlledTable]) -> tuple[str, ...]:
    """Flags of group disclosure that no recorded decision covers, with the name of their table: a
    release with any of them waits."""
    return tuple(
        f"{one.table.name}: {flag}"
        for one in controlled
        for flag in one.flags
        if flag.startswith(GROUP)
    )


def cell_words(row: Row) -> str:
    """The cell of a row in words, such as "device_class other, sex female"."""
    words = [f"{name} {category}" for name, category in row.dims.items() if category != ALL]
    return ", ".join(words) or "the whole table"


def _tells_of_all(row: Row, spread: dict[int, list[Row]]) -> str:
    wholes = spread.get(row.position)
    if not row.denominator:
        return ""
    everybody = row.numerator == row.denominator
    if row.statistic == "count":
        alone = any(whole.numerator == row.numerator for whole in wholes or [])
        return ALL_OF if alone and row.numerator and not everybody else ""
    if row.statistic != "share":
        return ""
    if everybody:
        return ALL_OF if wholes is None or wholes else ""
    return NONE_OF if row.numerator == 0 and wholes is None else ""


def _spread_over(work: Work) -> dict[int, list[Row]]:
    """Position -> the rows over all categories that a row is a part of, for groups that are spread
    over categories; a row over all is a part of nothing.

    Counts: over each additive dimension. Shares: only where every category has the denominator of
    the whole, so that they are its parts and not groups of their own.
    """
    found: dict[int, list[Row]] = defaultdict(list)
    for name in work.table.additive:
        for (statistic, *_), rows in _families(work, name).items():
            whole = next((row for row in rows if row.dims[name] == ALL), None)
            if whole is None or len(rows) < 3:
                continue
            if statistic == "count" or len({row.denominator for row in rows}) == 1:
                for row in rows:
                    found[row.position] += [] if row is whole else [whole]
    return found


def _families(work: Work, name: str) -> dict[tuple, list[Row]]:
    """Rows that differ only in the category of one dimension."""
    families: dict[tuple, list[Row]] = defaultdict(list)
    for row in work.rows:
        if row.statistic in ("count", "share"):
            others = tuple(pair for pair in row.dims.items() if pair[0] != name)
            families[row.statistic, row.unit, others].append(row)
    return families
