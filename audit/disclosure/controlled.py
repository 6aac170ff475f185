"""A summary table after control: what is shown, what is hidden and why."""

from __future__ import annotations

import dataclasses

import pandas as pd

from audit.summaries.table import SummaryTable

#: shorthand marker of a cell without a number -> what it means (open official-statistics symbols)
MARKERS: dict[str, str] = {
    "[c]": "confidential: hidden to protect people",
    "[x]": "not available",
    "[z]": "not applicable",
    "[k]": "low: rounds to zero",
    "[u]": "unreliable: rests on few people",
    "[p]": "provisional",
    "[r]": "revised",
}
LEVELS = ("internal", "paper", "external")


@dataclasses.dataclass(frozen=True, eq=False)
class ControlledTable:
    """table: the facts of the exact table (its frame is not to leave). level: one of `LEVELS`.

    frame: the dimensions, statistic, unit, then numerator, denominator, value, low, high as
    released (missing where hidden), marker (one of `MARKERS`, or empty) and reason (a rule, never
    a number).
    controls: what was done, a sentence each. flags: what needs a recorded decision (group
    disclosure, coarser grouping used). hidden: how many cells were hidden, primary and secondary.

    table is the merged one where the coarser grouping was used; frame has its rows in their order.
    rebuilt: (position of a row, "numerator" or "denominator") of numbers that are sums of rounded
    cells: they may lie further from the exact number than rounding, and tell nothing beyond those.
    curve_step: people in a step of the curves, where the table holds curves that were coarsened.
    """

    table: SummaryTable
    level: str
    frame: pd.DataFrame
    controls: tuple[str, ...] = ()
    flags: tuple[str, ...] = ()
    hidden: tuple[int, int] = (0, 0)
    rebuilt: frozenset[tuple[int, str]] = frozenset()
    curve_step: int | None = None
