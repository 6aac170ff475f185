"""Markers and notes of a release: each note once, numbered in the order of its first use."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Sequence

from audit.disclosure.controlled import MARKERS, ControlledTable
from audit.release.summary.safe_text import safe_text


@dataclasses.dataclass(frozen=True)
class NoteIds:
    """texts: every note of the release, safe, in order; the first is [note 1]."""

    texts: tuple[str, ...]

    def of(self, notes: Iterable[str]) -> tuple[str, ...]:
        """The marks of some notes, without repeats, in the order of their numbers."""
        wanted = {safe_text(note) for note in notes}
        return tuple(mark for mark, text in self.marked() if text in wanted)

    def marked(self) -> tuple[tuple[str, str], ...]:
        """(mark, text) of every note."""
        return tuple((f"[note {n}]", text) for n, text in enumerate(self.texts, start=1))


def in_short(marks: Sequence[str]) -> str:
    """Marks of notes as people read them: three or more in a row as "[note 2] to [note 5]"."""
    runs: list[list[int]] = []
    for number in (int(mark.strip("[]").split()[1]) for mark in marks):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    words = []
    for run in runs:
        if len(run) > 2:
            words.append(f"[note {run[0]}] to [note {run[-1]}]")
        else:
            words += [f"[note {number}]" for number in run]
    return ", ".join(words)


def note_ids(controlled: Sequence[ControlledTable]) -> NoteIds:
    """The notes of all tables, numbered through the release."""
    texts = (safe_text(note) for one in controlled for note in one.table.notes)
    return NoteIds(tuple(dict.fromkeys(text for text in texts if text)))


def note_rows(controlled: Sequence[ControlledTable], ids: NoteIds) -> list[tuple[str, str, str]]:
    """(mark, meaning, names of the tables) of every marker and note."""
    rows = [(marker, words, "all tables") for marker, words in MARKERS.items()]
    for mark, text in ids.marked():
        users = [one.table.name for one in controlled if mark in ids.of(one.table.notes)]
        rows.append((mark, text, ", ".join(dict.fromkeys(users))))
    return rows
