"""One table of a release as it is written: the same cells in the workbook and in its CSV file."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence

from audit.disclosure.controlled import MARKERS
from audit.release.summary.safe_text import safe_text

#: kinds of a column
KINDS = ("text", "whole", "number")
#: what stands where a text has nothing to say
NOT_APPLICABLE = "[z]"
NOT_AVAILABLE = "[x]"
Cell = str | int | float


@dataclasses.dataclass(frozen=True, kw_only=True)
class Column:
    """name: in the CSV file. heading: in the workbook. kind: one of `KINDS`; a column of numbers
    may hold markers. meaning: one sentence. categories: code -> words, of a text column that has
    a closed list."""

    name: str
    heading: str
    kind: str
    meaning: str
    categories: Mapping[str, str] = dataclasses.field(default_factory=dict)


@dataclasses.dataclass(frozen=True, kw_only=True)
class ReleasedSheet:
    """stem: file name without ending. sheet: name in the workbook. title and lines: above the
    table in the workbook, in the sidecar of the CSV. rows: a cell a column, none empty; texts in
    codes, for people read through `categories`. key: columns that name a row. facts: further
    entries of the sidecar."""

    stem: str
    sheet: str
    title: str
    lines: tuple[str, ...]
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    key: tuple[str, ...] = ()
    facts: Mapping[str, object] = dataclasses.field(default_factory=dict)

    def markers(self) -> tuple[str, ...]:
        """The markers that its cells hold, in the order of `MARKERS`."""
        held = {cell for row in self.rows for cell in row if isinstance(cell, str)}
        return tuple(marker for marker in MARKERS if marker in held)


def text_cell(value: object) -> str:
    """A text for a cell: safe, and never empty."""
    return safe_text(value) or NOT_APPLICABLE


def text_sheet(
    name: str,
    title: str,
    columns: Mapping[str, str],
    rows: Sequence[tuple[Cell, ...]],
    *,
    level: str,
) -> ReleasedSheet:
    """A sheet of texts and whole numbers. name: of sheet and file. columns: heading -> meaning."""
    return ReleasedSheet(
        stem=f"{name}-{level}",
        sheet=name,
        title=safe_text(title),
        lines=(),
        columns=tuple(
            Column(
                name=heading.lower().replace(" ", "_"),
                heading=heading,
                kind="whole" if all(isinstance(row[place], int) for row in rows) else "text",
                meaning=meaning,
            )
            for place, (heading, meaning) in enumerate(columns.items())
        ),
        rows=tuple(
            tuple(cell if isinstance(cell, int) else text_cell(cell) for cell in row)
            for row in rows
        ),
    )
