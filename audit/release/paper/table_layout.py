"""How wide the columns of a table are printed, and whether its page is turned sideways.

Widths come from the letters: a column is never narrower than its longest word while the page
allows it. Nothing is written here.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Sequence

from audit.tables.shown import ShownTable

#: A4 with margins of 25 mm: what the text takes, upright and turned (ISO 216)
UPRIGHT_MM, TURNED_MM = 160.0, 247.0
#: white at the left and right of a cell, together
PADDING_MM = 3.0
#: pages tried in order: whether turned, and the size of the letters in points
TRIES = ((False, 9.0), (False, 8.0), (True, 9.0), (True, 8.0), (True, 7.0))
#: no column needs more than this to be read in comfort
COMFORT_MM = 42.0
_MM_A_POINT = 25.4 / 72
_BOLD = 1.08
_BREAKS = re.compile(r"[ \n]+")
#: widths of letters as shares of the letter size, those of a common sans serif, rounded up
_LETTERS = {letter: 0.34 for letter in "iljtfI.,:;'|!()[]/\\ -`\u00a0"}
_LETTERS |= {letter: 0.89 for letter in "mwM%"} | {letter: 1.02 for letter in "W@"}
_LETTERS |= {letter: 0.78 for letter in "ABCDEFGHKNOPQRSTUVXYZ&"}
_OTHER = 0.59
_BARE_NUMBER = re.compile(r"[<>≤≥]?[−-]?[\d.,\s]+%?|–|")
#: a number with its interval, which is read best on one line
_NUMBERS = re.compile(r"(?=.*\d)(?:[\d\s.,;:%/()\[\]<>=≤≥+\-–−]|to|of)+")
_LONGEST_NUMBERS = 24


@dataclasses.dataclass(frozen=True)
class Layout:
    """turned: the page is turned sideways. points: size of the letters. widths_mm: a width a
    column. right: columns of bare numbers, which stand at the right."""

    turned: bool
    points: float
    widths_mm: tuple[float, ...]
    right: tuple[bool, ...]

    @property
    def width_mm(self) -> float:
        """Width of the whole table."""
        return sum(self.widths_mm)


@dataclasses.dataclass(frozen=True)
class _Column:
    """What a column needs in mm: not to break a word, to be read well, to break nothing."""

    least: float
    comfort: float
    whole: float


def layout_of(table: ShownTable, headings: Sequence[str], rows: Sequence[Sequence[str]]) -> Layout:
    """The layout of a table whose cells are given as they are printed.

    The first page of `TRIES` on which every column can be read in comfort is taken, else the last.
    ValueError for a table without columns.
    """
    if not headings:
        raise ValueError(f"the table {table.name} has no columns")
    columns = [[heading, *cells] for heading, *cells in zip(headings, *rows, strict=True)]
    right = tuple(
        place >= table.row_headings and all(map(_BARE_NUMBER.fullmatch, column[1:]))
        for place, column in enumerate(columns)
    )
    for turned, points in TRIES:
        room = TURNED_MM if turned else UPRIGHT_MM
        needs = [_needs(column, points) for column in columns]
        if sum(need.comfort for need in needs) <= room:
            break
    return Layout(turned, points, _shared(needs, room), right)


def text_mm(text: str, points: float, *, bold: bool = False) -> float:
    """Width of a line of text, never less than it takes."""
    size = sum(_LETTERS.get(letter, _OTHER) for letter in text) * points * _MM_A_POINT
    return size * _BOLD if bold else size


def _needs(column: Sequence[str], points: float) -> _Column:
    least = whole = together = 0.0
    for place, text in enumerate(column):
        bold = place == 0
        for word in _BREAKS.split(text):
            least = max(least, text_mm(word, points, bold=bold))
        lines = max(text_mm(line, points, bold=bold) for line in text.split("\n"))
        # a heading may take two lines without a loss
        whole = max(whole, lines / (2 if bold else 1))
        if len(text) <= _LONGEST_NUMBERS and _NUMBERS.fullmatch(text):
            together = max(together, lines)
    whole = max(whole, least)
    comfort = max(least, together, min(whole, max(whole / 2, COMFORT_MM * 0.6), COMFORT_MM))
    return _Column(least + PADDING_MM, comfort + PADDING_MM, whole + PADDING_MM)


def _shared(needs: Sequence[_Column], room: float) -> tuple[float, ...]:
    """Widths within the room: comfort first, then what is left to those that could use it."""
    start = [need.comfort for need in needs]
    if sum(start) > room:
        start = [need.least for need in needs]
    if sum(start) > room:
        return tuple(width * room / sum(start) for width in start)
    wishes = [need.whole - width for need, width in zip(needs, start, strict=True)]
    spare = room - sum(start)
    part = min(1.0, spare / sum(wishes)) if sum(wishes) else 0.0
    return tuple(width + wish * part for width, wish in zip(start, wishes, strict=True))
