"""Names of files and sheets: lower case with dashes, meaningful alone, never twice the same.

Lengths and characters of a sheet name: at most 31, none of []:*?/\\ (limits that spreadsheet
programs document); a file name under 218 characters and a sheet name without blanks: the
government checklist for accessible spreadsheets as two open-source packages reproduce it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

MOST_SHEET_LETTERS = 31
#: of one part of a file name, so that the whole stays well under 218
MOST_PART_LETTERS = 80
NAME = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
#: names that a spreadsheet program keeps for itself
RESERVED = ("history",)


def slug(text: str) -> str:
    """A text as a part of a file name: lower case letters, digits and single dashes."""
    plain = re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")
    return _cut(plain, MOST_PART_LETTERS) or "x"


def file_stem(name: str, period: str, *, level: str) -> str:
    """The name of a table's files without their ending; says table, period and release level."""
    return f"table-{slug(name)}-{slug(period)}-{level}"


def sheet_names(names: Iterable[str], *, taken: Iterable[str] = ()) -> tuple[str, ...]:
    """A sheet name for each name, cut at a dash where it is too long, numbered where two meet."""
    used = {name.casefold() for name in (*taken, *RESERVED)}
    found = []
    for name in names:
        sheet, number = _cut(slug(name), MOST_SHEET_LETTERS), 1
        while sheet in used:
            number += 1
            end = f"-{number}"
            sheet = _cut(slug(name), MOST_SHEET_LETTERS - len(end)) + end
        used.add(sheet)
        found.append(sheet)
    return tuple(found)


def _cut(text: str, most: int) -> str:
    if len(text) <= most:
        return text
    head = text[: most + 1].rpartition("-")[0]
    return head or text[:most]
