"""CSV bytes to a grid of texts, with the line on which a person sees each row."""

from __future__ import annotations

import csv
import dataclasses
import io
import itertools
import pathlib
import re
from collections.abc import Iterator

import pandas as pd

from audit.errors import UnusableInput
from audit.intake.cells import seen_text
from audit.intake.encodings import decode
from audit.intake.grid import ROW_NOT_READ, Grid
from audit.intake.parse import plain_heading
from schemas import TABLES

DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
#: the headings must stand in one of so many lines that are not empty
HEADING_LINES = 10
_SEPARATOR_LINE = re.compile(r'"?sep=(.)"?[ \t]*(\r\n|\r|\n|$)', re.IGNORECASE)
_LINE = re.compile(r"[^\r\n]*(?:\r\n|\r|\n|$)")


@dataclasses.dataclass(frozen=True)
class _Start:
    """Where the headings stand: offset and number of their line, the separator, and whether lines
    with something in them stand above."""

    offset: int
    line: int
    delimiter: str
    lines_above: bool


def read_grid(content: bytes, *, name: str) -> Grid:
    """The grid of one CSV file (comma, semicolon, tab or bar; quotes as in RFC 4180).

    name: file name; where it is that of a table, lines above the headings of the table are left
    out with a remark. Raises UnusableInput when the content is no text or has no headings. Empty
    lines are skipped but counted, so `row` is always the line in the file; a quoted cell may hold
    line breaks.
    """
    text, remarks = decode(content, name=name)
    start = _start(text, name)
    if start.delimiter != ",":
        words = f"The file is separated by {DELIMITERS[start.delimiter]}; it was read so. "
        remarks.append(("not_comma_separated", words + "Use commas."))
    if start.lines_above:
        words = f"The headings stand in line {start.line}; what stands above them was not used. "
        remarks.append(("lines_above_headings", words + "Put the headings into the first line."))
    lines, headings, rows = _parse(_without_empty_end(text, start), start, name)
    width = len(headings)
    wide, spare = _too_wide(rows, width)
    if spare:
        words = (
            f"Every line has {spare} more separators than the line of headings; they were taken "
        )
        words += "as empty cells at the end. Check that decimals are written with a point."
        remarks.append(("separators_at_line_ends", words))
    narrow = tuple(line for line, cells in zip(lines, rows, strict=True) if len(cells) < width)
    cut = [cells if len(cells) == width else (cells + [""] * width)[:width] for cells in rows]
    frame = pd.DataFrame(cut, columns=range(width), dtype=object)
    frame.columns = pd.Index(headings)
    if "row" in headings:
        remarks.append(ROW_NOT_READ)
        frame = frame.loc[:, frame.columns != "row"]
    frame.insert(0, "row", lines)
    return Grid(frame, tuple(remarks), tuple(itertools.compress(lines, wide)), narrow)


def _too_wide(rows: list[list[str]], width: int) -> tuple[list[bool], int]:
    """(True for a row whose cells may have shifted, how many separators end every line).

    A row with more cells than there are headings may have shifted even if the last are empty: a
    decimal comma does that. Only where all rows, two or more, end in as many empty cells is it
    taken for a habit of the program that wrote the file.
    """
    sizes = set(map(len, rows))
    spare = max(sizes, default=width) - width
    if spare > 0 and len(sizes) == 1 and len(rows) > 1 and not _filled(rows, width):
        return [False] * len(rows), spare
    return [len(cells) > width for cells in rows], 0


def _filled(rows: list[list[str]], width: int) -> bool:
    return any("".join(cells[width:]).strip() for cells in rows)


def _start(text: str, name: str) -> _Start:
    """Find the headings: the first of ten lines that holds the required ones, else the first."""
    table = pathlib.PurePath(name).stem.lower()
    columns = TABLES[table].columns if table in TABLES else {}
    required = {column for column, contract in columns.items() if contract.required}
    first: _Start | None = None
    given = above = ""
    seen = 0
    for offset, line, content in _lines(text):
        told = _SEPARATOR_LINE.fullmatch(content) if first is None else None
        if told and told[1] in DELIMITERS:
            given = told[1]
            continue
        if not content.strip(" \t\r\n\ufeff\x00"):
            continue
        tried = [given] if given else sorted(DELIMITERS, key=content.count, reverse=True)
        if first is None:
            first = _Start(offset, line, tried[0], lines_above=False)
        for delimiter in tried:
            if required and required <= _headings_in(content, delimiter):
                return _Start(offset, line, delimiter, lines_above=offset != first.offset)
            if required and required <= _joined_headings(above, content, delimiter):
                raise UnusableInput(
                    f"{name}: the headings of the table are spread over lines {line - 1} and "
                    f"{line}. Write each heading into one cell, all in one line, and try again."
                )
        above = content
        seen += 1
        if seen == HEADING_LINES:
            break
    if first is None:
        raise UnusableInput(f"{name} is empty: put the headings in its first line.")
    return first


def _lines(text: str) -> Iterator[tuple[int, int, str]]:
    """(offset, number, content) of each line."""
    for line, found in enumerate(_LINE.finditer(text), 1):
        if found.start() < len(text):
            yield found.start(), line, found.group()


def _headings_in(line: str, delimiter: str) -> set[str]:
    return {plain_heading(cell) for cell in _cells(line, delimiter)}


def _joined_headings(above: str, below: str, delimiter: str) -> set[str]:
    """Headings whose first words stand in one line and the rest in the next."""
    pairs = zip(_cells(above, delimiter), _cells(below, delimiter), strict=False)
    return {plain_heading(f"{one.strip()} {two.strip()}".strip()) for one, two in pairs}


def _cells(line: str, delimiter: str) -> list[str]:
    try:
        return next(csv.reader([line.rstrip("\r\n")], delimiter=delimiter), [])
    except csv.Error:
        return []


def _without_empty_end(text: str, start: _Start) -> str:
    """The text from the headings on, without the lines at its end that hold separators only."""
    end = len(text.rstrip(f" {start.delimiter}\t\r\n\x1a\xa0"))
    line = _LINE.match(text, max(end, start.offset))
    return text[start.offset : line.end() if line else end]


def _parse(text: str, start: _Start, name: str) -> tuple[list[int], list[str], list[list[str]]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=start.delimiter, strict=True)
    headings: list[str] = []
    rows: list[list[str]] = []
    lines: list[int] = []
    above = start.line - 1
    line = start.line
    try:
        for cells in reader:
            first, line = line, above + reader.line_num + 1
            if not "".join(cells).strip():
                continue
            if line - first > 1:
                _refuse_run_together(cells, headings, start.delimiter, name, first)
            if headings:
                rows.append(cells)
                lines.append(first)
            else:
                headings = [seen_text(cell) for cell in cells]
    except csv.Error:
        raise UnusableInput(
            f"{name}, line {line}: a quotation mark is opened and not closed, or stands inside a "
            "cell. Correct the line and try again."
        ) from None
    if not headings:
        raise UnusableInput(f"{name} is empty: put the headings in its first line.")
    return lines, headings, rows


def _refuse_run_together(
    cells: list[str], headings: list[str], delimiter: str, name: str, line: int
) -> None:
    """UnusableInput where a stray quotation mark has joined lines: one cell then holds a line break
    and as many separators, none followed by a blank, as a line has."""
    for cell in cells:
        if "\n" not in cell and "\r" not in cell:
            continue
        separators = len(re.findall(re.escape(delimiter) + r"(?! )", cell))
        if headings and separators >= max(2, len(headings) - 1):
            raise UnusableInput(
                f"{name}, line {line}: a quotation mark seems to be opened there and closed on a "
                "later line by mistake, so that lines run together. Correct it and try again."
            )
