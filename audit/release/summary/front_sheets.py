"""The sheets before the tables: cover, contents, notes."""

from __future__ import annotations

from collections.abc import Sequence

from audit.disclosure.controlled import ControlledTable
from audit.release.summary.facts import ReleaseFacts, cover_rows
from audit.release.summary.notes import NoteIds, in_short, note_rows
from audit.release.summary.sheet import ReleasedSheet, text_sheet

COVER = {"Item": "What the line is about.", "Text": "What is to be known."}
CONTENTS = {
    "Table": "Number of the table.",
    "Title": "What it shows, where, and for which period.",
    "Sheet": "Its name in the workbook.",
    "File": "Its CSV file; a JSON file of the same name describes it.",
    "Rows": "Rows below the headings.",
    "Counted": "What its numbers count.",
    "Notes": "The notes that belong to it.",
}
NOTES = {
    "Mark": "Marker of a cell, or number of a note.",
    "Meaning": "What it says.",
    "Tables": "Names of the tables that use it.",
}


def cover_sheet(facts: ReleaseFacts, *, level: str) -> ReleasedSheet:
    """Title, level, place, period, contact, next update, settings of control."""
    return text_sheet(
        "cover", facts.title, COVER, list(cover_rows(facts, level=level)), level=level
    )


def contents_sheet(
    controlled: Sequence[ControlledTable],
    sheets: Sequence[ReleasedSheet],
    *,
    ids: NoteIds,
    level: str,
) -> ReleasedSheet:
    """Exactly the tables of the release. controlled and sheets: the same tables, same order."""
    rows = [
        (
            f"Table {number}",
            sheet.title.partition(": ")[2],
            sheet.sheet,
            f"{sheet.stem}.csv",
            len(sheet.rows),
            one.table.counted,
            in_short(ids.of(one.table.notes)),
        )
        for number, (one, sheet) in enumerate(zip(controlled, sheets, strict=True), start=1)
    ]
    return text_sheet(
        "contents", "Contents: the tables of this release", CONTENTS, rows, level=level
    )


def notes_sheet(
    controlled: Sequence[ControlledTable], *, ids: NoteIds, level: str
) -> ReleasedSheet:
    """What each marker and each note says."""
    rows = list(note_rows(controlled, ids))
    return text_sheet("notes", "Notes: what markers and notes mean", NOTES, rows, level=level)
