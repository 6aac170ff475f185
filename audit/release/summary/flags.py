"""Which flags of a release wait for a decision, and under which id it is recorded."""

from __future__ import annotations

from collections.abc import Sequence

from audit.disclosure.controlled import ControlledTable
from audit.disclosure.flags import GROUP, SMALL
from audit.release.summary.safe_text import safe_text

#: one decision for all small cells of a paper: they are listed in the release note
SMALL_CELLS = "small-cells"


def flag_ids(one: ControlledTable) -> tuple[tuple[str, str], ...]:
    """(id, words) of every flag of a table, in order; of those that need no decision of their own
    the id is empty.

    Group disclosure is decided cell by cell. Small cells of a paper are decided together. That a
    coarser grouping was used needs no decision.
    """
    found, number = [], 0
    for words in one.flags:
        key = ""
        if words.startswith(GROUP):
            number += 1
            key = f"{one.table.name}-flag-{number}"
        elif words.startswith(SMALL):
            key = SMALL_CELLS
        found.append((key, safe_text(words)))
    return tuple(found)


def flags_to_decide(controlled: Sequence[ControlledTable]) -> tuple[tuple[str, str], ...]:
    """(id, words) of each decision that a release waits for, each id once."""
    every = [pair for one in controlled for pair in flag_ids(one)]
    small = sum(1 for key, _ in every if key == SMALL_CELLS)
    found = {key: words for key, words in every if key and key != SMALL_CELLS}
    if small:
        found[SMALL_CELLS] = (
            f"{small} small cells, listed in the release note: may they be printed?"
        )
    return tuple(found.items())
