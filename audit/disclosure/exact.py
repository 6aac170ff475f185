"""Tables for inside the department and for a paper: exact numbers, those of few people marked."""

from __future__ import annotations

import pandas as pd

from audit.disclosure import control_words
from audit.disclosure.controlled import ControlledTable
from audit.disclosure.flags import small_flags
from audit.disclosure.rows import AVERAGES, Row
from audit.disclosure.settings import ControlSettings
from audit.disclosure.work import Work, first_hiding
from audit.summaries.table import SummaryTable

#: columns of a released frame after its dimensions
RELEASED = ("statistic", "unit", "numerator", "denominator", "value", "low", "high")
NOT_AVAILABLE, NOT_APPLICABLE, UNRELIABLE = "[x]", "[z]", "[u]"
REASONS = {
    NOT_AVAILABLE: "cannot be estimated from these cases",
    NOT_APPLICABLE: "nobody to whom it applies",
    UNRELIABLE: "rests on few people",
}


def as_it_is(table: SummaryTable, settings: ControlSettings, *, level: str) -> ControlledTable:
    """The exact table; [x] and [z] where there is no number, [u] beside one of few people."""
    (work,) = first_hiding([table], settings)
    markers = [_marker(work, row) for row in work.rows]
    columns = [*table.dimensions, *RELEASED]
    frame = table.frame[columns].reset_index(drop=True)
    frame = frame.assign(
        marker=pd.Series(markers, index=frame.index, dtype="str"),
        reason=pd.Series([REASONS.get(one, "") for one in markers], index=frame.index, dtype="str"),
    )
    paper = level == "paper"
    return ControlledTable(
        table=table,
        level=level,
        frame=frame,
        controls=control_words.paper() if paper else control_words.internal(),
        flags=small_flags(work, settings) if paper else (),
    )


def empty_marker(row: Row) -> str:
    """The marker of a row whose exact number does not exist, or an empty text."""
    if row.statistic == "count":
        return "" if row.numerator is not None else NOT_AVAILABLE
    if row.value is not None:
        return ""
    nobody = row.people == 0 or row.denominator == 0 or row.exposure == 0
    applies = row.statistic in (*AVERAGES, "share", "rate")
    return NOT_APPLICABLE if nobody and applies else NOT_AVAILABLE


def _marker(work: Work, row: Row) -> str:
    missing = empty_marker(row)
    return missing or (UNRELIABLE if work.rules[row.position] else "")
