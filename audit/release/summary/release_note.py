"""The release note: for each table what a checker must know before anything leaves."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

import pandas as pd

from audit.disclosure.controlled import ControlledTable
from audit.release.summary.facts import ReleaseFacts, cover_rows
from audit.release.summary.flags import flag_ids
from audit.release.summary.gate import base_of, number_columns
from audit.release.summary.safe_text import plain_number, safe_text
from audit.release.summary.sheet import ReleasedSheet
from audit.release.summary.table_sheets import MEANINGS
from audit.summaries.table import ALL

WIDTH = 96
NOTHING = "none"


def release_note(
    controlled: Sequence[ControlledTable],
    sheets: Sequence[ReleasedSheet],
    facts: ReleaseFacts,
    *,
    level: str,
) -> str:
    """The note as plain text: the cover's facts, then one entry a table.

    controlled and sheets: the same tables in the same order. An entry says what the table shows,
    of whom and how many (as released), what its columns mean, what was done to protect people,
    what needs a decision, and which other tables speak of the same people.
    """
    parts = [_heading(f"Release note, level {level}", "=")]
    parts += [_paragraph(item, text) for item, text in cover_rows(facts, level=level)]
    parts.append("\n" + _heading("Columns of every table", "-"))
    parts += [_paragraph(name, meaning) for name, (_, meaning) in MEANINGS.items()]
    for one, sheet in zip(controlled, sheets, strict=True):
        parts.append("\n" + _heading(sheet.title, "-"))
        parts += [_paragraph(item, text) for item, text in _entry(one, sheet, controlled)]
    return "\n".join(parts) + "\n"


def size_words(one: ControlledTable) -> str:
    """How many units a table speaks of, as released: the counts over all categories, else the
    denominators there; a marker where they are hidden."""
    frame, counted = one.frame, one.table.counted
    whole = pd.Series(True, index=frame.index)
    for name in one.table.dimensions:
        cells = frame[name].astype("string")
        if (cells == ALL).any():
            whole &= cells == ALL
    rows = frame.loc[whole]
    counts = rows.loc[rows["statistic"].astype("string") == "count"]
    for found, base in ((counts, "value"), (rows, "denominator")):
        sizes = _sizes(one, found, base)
        if sizes:
            many = plain_number(sizes[0]) if len(sizes) == 1 else _range(sizes)
            return f"{many} {counted}"
    hidden = (rows["marker"].astype("string") == "[c]").any()
    return f"[c] {counted}" if hidden else f"[x] {counted}"


def linked_tables(one: ControlledTable, all_of_them: Sequence[ControlledTable]) -> tuple[str, ...]:
    """Names of the other tables by which this one could be narrowed: same period, and the same
    population or a dimension in common."""
    table = one.table
    return tuple(
        other.table.name
        for other in all_of_them
        if other is not one
        and other.table.period == table.period
        and (
            other.table.population == table.population
            or set(other.table.dimensions) & set(table.dimensions)
        )
    )


def _entry(
    one: ControlledTable, sheet: ReleasedSheet, controlled: Sequence[ControlledTable]
) -> list[tuple[str, str]]:
    table = one.table
    marked = sum(
        cell == "[c]"
        for row in sheet.rows
        for cell, column in zip(row, sheet.columns, strict=True)
        if column.kind != "text"
    )
    links = linked_tables(one, controlled)
    return [
        ("Files", f"{sheet.stem}.csv, {sheet.stem}.json, sheet {sheet.sheet} of the workbook"),
        ("Period", table.period),
        ("Population", table.population),
        ("Size", size_words(one)),
        ("Source", table.source or "the audit tables of the department"),
        *(
            (f"Column {column.name}", column.meaning)
            for column in sheet.columns
            if column.name not in MEANINGS
        ),
        *(("Done to protect people", words) for words in one.controls or (NOTHING,)),
        ("Numbers hidden", f"{one.hidden[0]} small ones, {one.hidden[1]} second ones; "
         f"{marked} cells are marked [c]"),
        *(
            (f"Needs a decision ({key})" if key else "To be known", words)
            for key, words in flag_ids(one)
        ),
        *(() if any(key for key, _ in flag_ids(one)) else (("Needs a decision", NOTHING),)),
        ("Speaks of the same people as", _links(links, len(controlled) - 1)),
        *(("Note", note) for note in table.notes),
    ]  # fmt: skip


def _links(names: Sequence[str], others: int) -> str:
    if len(names) > 2 and len(names) == others:
        return f"each of the {others} other tables of this release"
    return ", ".join(names) or NOTHING


def _sizes(one: ControlledTable, rows: pd.DataFrame, base: str) -> list[float]:
    names = [name for name in number_columns(one) if base_of(name) == base]
    found = pd.concat([pd.to_numeric(rows[name]) for name in names]) if names else pd.Series()
    return sorted({float(value) for value in found.dropna()})


def _range(sizes: Sequence[float]) -> str:
    return f"{plain_number(sizes[0])} to {plain_number(sizes[-1])}, by row,"


def _heading(text: str, rule: str) -> str:
    return f"{text}\n{rule * min(WIDTH, len(text))}"


def _paragraph(item: str, text: str) -> str:
    """A labelled paragraph, in lines that fit a screen."""
    whole = safe_text(f"{item}: {text}")
    return textwrap.fill(whole, WIDTH, subsequent_indent="    ", break_on_hyphens=False)
