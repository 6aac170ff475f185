"""One sheet as XML, brought to one plain form and measured before its cells are read.

In the plain form every cell says where it stands, so expressions can search it.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterator
from xml.etree import ElementTree

import numpy as np

from audit.errors import UnusableInput
from audit.intake.workbook.guard import MIB, Package, damaged
from audit.intake.workbook.xml import column_letters, column_number, parsed, respelt, whole

MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
#: most cells from A1 to the last one that is not empty: 400 000 rows of 28 columns; the reading
#: library takes about 40 bytes for each, filled or not
MAX_AREA = 12_000_000
#: bytes measured at a time
SLICE = MIB
PLACE = re.compile(rb'(?:^|\s)r="([A-Z]{1,3})(\d{1,7})"')
ERROR_CELL = re.compile(rb'<c\s([^>]*?(?<=\s)t=)"e"')
OTHER_QUOTES = re.compile(rb"<[^<>]*='")
PREFIX = re.compile(rb"<[^<>\s]*:\Z")
FILLED_CELL = re.compile(rb"<c\s([^>]*[^/])>(?!</c>)")


@dataclasses.dataclass(frozen=True)
class SheetXml:
    """The parts of one sheet that matter, in plain form: cells, columns, merged areas."""

    cells: bytes
    columns: bytes = b""
    merged: bytes = b""


@dataclasses.dataclass(frozen=True)
class _Extent:
    cells: int = 0
    placed: int = 0
    columns: int = 1
    rows: int = 1


def read_sheet(package: Package, part: str, *, sheet: str) -> SheetXml:
    """One sheet in plain form. UnusableInput when it is damaged, or too large because a cell
    stands far from the table."""
    xml = b"".join(_without_blank_rows(package.chunks(part)))
    found = _split(xml)
    extent = None if found is None else _extent(found.cells)
    if found is None or extent is None or _is_odd(xml, found.cells, extent):
        found = _split(_rewritten(xml, package.name))
        if found is None:
            raise damaged(package.name)
        extent = _extent(found.cells)
    if extent.columns * extent.rows > MAX_AREA:
        _refuse_far_cells(found.cells, name=package.name, sheet=sheet)
    return found


def _without_blank_rows(chunks: Iterator[bytes]) -> Iterator[bytes]:
    """Drops stretches of rows that are formatted and empty: a million of them are common."""
    rest = b""
    for chunk in chunks:
        rest += chunk
        cut = rest.rfind(b"<row ")
        if cut > 0:
            block, rest = rest[:cut], rest[cut:]
            if not _is_blank(block):
                yield block
        elif len(rest) > SLICE:  # no whole row in sight: nothing can be dropped
            yield rest
            rest = b""
    yield rest


def _is_blank(block: bytes) -> bool:
    """Whether a block of whole rows holds nothing; only rows that say their number may go."""
    filled = any(mark in block for mark in (b"v>", b"t>", b"<f", b":f", b"<!", b"<?", b"sheetData"))
    numbered = not filled and block.startswith(b"<row ") and b"<row>" not in block
    return numbered and block.count(b"<row ") == block.count(b'<row r="')


def _split(xml: bytes) -> SheetXml | None:
    start = xml.find(b"<worksheet")
    first, last = xml.find(b"<sheetData"), xml.rfind(b"</sheetData>")
    if start < 0 or first < 0:
        return None
    if last < first:
        empty = re.match(rb"<sheetData\s*/>", xml[first : first + 100])
        return SheetXml(b"<sheetData/>") if empty else None
    before, after = xml[start:first], xml[last:]
    columns = before[before.find(b"<cols") :] if b"<cols" in before else b""
    merged = after[after.find(b"<mergeCells") :] if b"<mergeCells" in after else b""
    return SheetXml(xml[first : last + 12], columns, merged)


def _is_odd(xml: bytes, cells: bytes, extent: _Extent) -> bool:
    """Whether expressions could misread the cells: comments, other quotes, prefixes, no places."""
    # one sign is sought far faster than two, and these are rare in a sheet
    marks = ((b"!", b"<!", xml), (b"?", b"<?", cells), (b"'", b"='", cells))
    odd = [mark for sign, mark, text in marks if sign in text and mark in text]
    if odd == [b"='"]:
        odd = [] if OTHER_QUOTES.search(cells) is None else odd
    return bool(odd) or extent.cells != extent.placed


def _extent(cells: bytes) -> _Extent:
    """How many cells there are, how many say where they stand, and the last column and row."""
    extent, start = _Extent(), 0
    while start < len(cells):
        end = cells.find(b"<c ", start + SLICE)
        end = len(cells) if end < 0 else end
        text = np.frombuffer(cells[start:end] + bytes(16), np.uint8)
        opened = _cells(text)
        # nearly all programs write the place first
        at = (
            opened + 2 if _names_place(text, opened + 2).all() else np.flatnonzero(text == ord("r"))
        )
        columns, rows = _numbers(text, at[_names_place(text, at)] + 3)
        extent = _Extent(
            extent.cells + len(opened),
            extent.placed + len(rows),
            max(extent.columns, int(columns.max(initial=1))),
            max(extent.rows, int(rows.max(initial=1))),
        )
        start = end
    return extent


def _cells(text: np.ndarray) -> np.ndarray:
    """Where elements c begin, with a prefix or without, whatever follows the name."""
    at = np.flatnonzero(text == ord("c"))
    after = text[at + 1]
    at = at[(after <= ord(" ")) | (after == ord(">")) | (after == ord("/"))]
    prefixed = text[at - 1] == ord(":")
    for place in np.flatnonzero(prefixed):
        before = text[max(0, at[place] - 60) : at[place]].tobytes()
        prefixed[place] = PREFIX.search(before) is not None
    return at[prefixed | (text[at - 1] == ord("<"))]


def _names_place(text: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Whether an attribute r of its own stands there and names a cell, as in r="B2"."""
    named = (text[at] == ord("r")) & (text[at + 1] == ord("=")) & (text[at + 2] == ord('"'))
    return named & (text[at - 1] <= ord(" ")) & (text[at + 3] >= ord("A"))


def _numbers(text: np.ndarray, at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(columns, rows) of the places that start at the positions given, such as B12."""
    columns = np.zeros(len(at), np.int64)
    rows = np.zeros(len(at), np.int64)
    for _ in range(12):
        sign = text[at]
        letter = (sign >= ord("A")) & (rows == 0)
        digit = (sign >= ord("0")) & (sign <= ord("9"))
        if not (letter | digit).any():
            break
        columns = np.where(letter, columns * 26 + (sign & 31), columns)
        rows = np.where(digit, rows * 10 + sign - ord("0"), rows)
        at = at + (letter | digit)
    return np.where(text[at] == ord('"'), columns, MAX_AREA + 1), rows


def _refuse_far_cells(cells: bytes, *, name: str, sheet: str) -> None:
    """UnusableInput when filled cells reach too far; those formatted and empty do not count."""
    columns, rows, low, right = 1, 1, "", ""
    for found in FILLED_CELL.finditer(cells):
        column, row = place_of(found[1])
        if not row:
            raise damaged(name)
        if row > rows:
            rows, low = row, f"{column_letters(column)}{row}"
        if column > columns:
            columns, right = column, f"{column_letters(column)}{row}"
    if columns * rows > MAX_AREA:
        raise UnusableInput(
            f"{name}, sheet {sheet}: the cells reach down to {low} and right to {right}, more than "
            f"can be read ({MAX_AREA // 1_000_000} million places). Delete the cells that stand "
            "far from the table; a table of that size belongs into CSV files or a database."
        )


def _rewritten(xml: bytes, name: str) -> bytes:
    """The same sheet as this module spells it: no prefixes, each row and cell with its place."""
    root = parsed(xml, name)
    kept = ElementTree.Element("worksheet", xmlns=MAIN)
    wanted = ("cols", "sheetData", "mergeCells")
    kept.extend(item for item in root if item.tag.rsplit("}", 1)[-1] in wanted)
    number = 0
    for row in kept.iterfind("{*}sheetData/{*}row"):
        number = whole(row.get("r"), number + 1)
        row.set("r", str(number))
        column = 0
        for cell in row.iterfind("{*}c"):
            letters = re.match("[A-Z]{1,3}", cell.get("r", ""))
            column = column_number(letters[0]) if letters else column + 1
            cell.set("r", cell.get("r", f"{column_letters(column)}{number}"))
    return respelt(kept, name)


def place_of(attributes: bytes) -> tuple[int, int]:
    """(column, row) of a cell from its attributes; zeros when they do not say it."""
    found = PLACE.search(attributes)
    return (column_number(found[1].decode()), int(found[2])) if found else (0, 0)
