"""Cells of vetted sheets: read by the reading library, then written as a person would type them.

The library never sees the file itself, only a bare workbook made here of what was vetted: the
sheets asked for, their texts and their number formats. Counts that a file claims (of texts, of
cells) do not reach it, as it sets memory aside by them.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import io
import re
import zipfile
from collections.abc import Callable, Collection, Sequence
from typing import Any
from xml.sax.saxutils import quoteattr

import numpy as np

from audit.errors import UnusableInput
from audit.intake.workbook.guard import MIB, damaged
from audit.intake.workbook.sheet import ERROR_CELL, MAIN, SheetXml
from audit.intake.workbook.xml import Book, Formats, parsed, respelt

PACKAGE = "http://schemas.openxmlformats.org/package/2006/relationships"
OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
#: most text that all cells may hold together, a text counted as often as cells show it
MAX_TEXT_BYTES = 512 * MIB
#: <c r="A1" t="s"><v>0</v></c>
LEAST_CELL_BYTES = 28
TEXT_ID = re.compile(rb'\st="s"[^>]*>\s*<v[^>]*>(\d{1,9})<')


@dataclasses.dataclass(frozen=True)
class Cells:
    """The used area of a sheet: rows of values, and where it starts (counted from 1)."""

    rows: list[list[Any]]
    first_row: int = 1
    first_column: int = 1


def read_cells(
    sheets: Sequence[SheetXml], *, strings: bytes | None, book: Book, name: str
) -> list[Cells]:
    """The cells of each sheet: text, float, bool, date, datetime, time or timedelta; "" = empty.

    strings: the part of shared texts. An error cell gives its text (#N/A). Raises UnusableInput
    when the parts contradict each other.
    """
    import python_calamine

    texts = None if strings is None else _plain_strings(strings, name)
    _refuse_repeated_text(sheets, texts, name)
    bare = _bare_workbook(sheets, texts, book)
    try:
        with python_calamine.CalamineWorkbook.from_filelike(bare) as workbook:
            found = []
            for number in range(len(sheets)):
                sheet = workbook.get_sheet_by_index(number)
                row, column = sheet.start or (0, 0)
                found.append(Cells(sheet.to_python(), row + 1, column + 1))
    except python_calamine.CalamineError:
        raise damaged(name) from None
    return found


def _plain_strings(strings: bytes, name: str) -> bytes:
    root = re.search(rb"<(\w+:)?sst\b[^>]*>", strings)
    if root is None:
        raise damaged(name)
    if root[1] or b"<!" in strings:
        strings = respelt(parsed(strings, name), name)
        root = re.search(rb"<sst\b[^>]*>", strings)
    rest = strings[root.end() :] if root and not root[0].endswith(b"/>") else b"</sst>"
    return f'<sst xmlns="{MAIN}">'.encode() + rest


def _refuse_repeated_text(sheets: Sequence[SheetXml], strings: bytes | None, name: str) -> None:
    """UnusableInput when few stored texts, shown by many cells, would fill the memory."""
    if strings is None:
        return
    longest = max(map(len, strings.split(b"</si>")))
    if longest * sum(len(sheet.cells) for sheet in sheets) <= MAX_TEXT_BYTES * LEAST_CELL_BYTES:
        return
    total, size_of = 0, np.array([len(text) for text in re.split(rb"</si>|<si\s*/>", strings)])
    for sheet in sheets:
        ids = np.array([int(found[1]) for found in TEXT_ID.finditer(sheet.cells)], dtype=np.int64)
        total += int(size_of[ids[ids < len(size_of)]].sum())
    if total > MAX_TEXT_BYTES:
        raise UnusableInput(
            f"{name} holds more text than can be read ({MAX_TEXT_BYTES // MIB} MiB). Remove long "
            "texts from the table sheets, or give CSV files or a database instead."
        )


def _bare_workbook(sheets: Sequence[SheetXml], strings: bytes | None, book: Book) -> io.BytesIO:
    """A workbook in memory of nothing but the cells, their texts and their formats."""
    links = [f"{OFFICE}/worksheet sheet{at}.xml" for at in range(len(sheets))]
    links += [f"{OFFICE}/styles styles.xml", f"{OFFICE}/sharedStrings sharedStrings.xml"]
    listed = "".join(
        f'<sheet name="{at}" sheetId="{at + 1}" r:id="r{at}"/>' for at in range(len(sheets))
    )
    system = ' date1904="1"' if book.counts_from_1904 else ""
    parts: dict[str, str | bytes] = {
        "_rels/.rels": _link_list([f"{OFFICE}/officeDocument xl/workbook.xml"]),
        "xl/_rels/workbook.xml.rels": _link_list(links),
        "xl/workbook.xml": f'<workbook xmlns="{MAIN}" xmlns:r="{OFFICE}"><workbookPr{system}/>'
        f"<sheets>{listed}</sheets></workbook>",
        "xl/styles.xml": _styles(book.formats),
        "xl/sharedStrings.xml": strings or f'<sst xmlns="{MAIN}"/>',
    }
    for at, sheet in enumerate(sheets):
        cells = sheet.cells
        if b't="e"' in cells:
            cells = ERROR_CELL.sub(rb'<c \1"str"', cells)
        start = f'<worksheet xmlns="{MAIN}">'.encode()
        parts[f"xl/sheet{at}.xml"] = b"".join((start, cells, b"</worksheet>"))
    bare = io.BytesIO()
    with zipfile.ZipFile(bare, "w", zipfile.ZIP_STORED) as archive:
        for part, text in parts.items():
            archive.writestr(zipfile.ZipInfo(part), text)
    bare.seek(0)
    return bare


def _link_list(links: Sequence[str]) -> str:
    items = "".join(
        '<Relationship Id="r{}" Type="{}" Target="{}"/>'.format(at, *link.split())
        for at, link in enumerate(links)
    )
    return f'<Relationships xmlns="{PACKAGE}">{items}</Relationships>'


def _styles(formats: Formats) -> str:
    codes = {number: code for number, code in formats.of_style if code}
    named = "".join(
        f'<numFmt numFmtId="{number}" formatCode={quoteattr(code)}/>'
        for number, code in codes.items()
    )
    used = "".join(f'<xf numFmtId="{number}"/>' for number, _ in formats.of_style)
    return (
        f'<styleSheet xmlns="{MAIN}"><numFmts>{named}</numFmts>'
        f"<cellXfs>{used}</cellXfs></styleSheet>"
    )


@dataclasses.dataclass(frozen=True)
class TypedCells:
    """Cells as a person would type them. types, distinct: of the values that they were."""

    texts: list[str]
    types: frozenset[type]
    distinct: Collection[Any]


def typed_cells(values: Sequence[Any]) -> TypedCells:
    """The cells of a column as a person would type them.

    Whole numbers without ".0", other numbers as short as they can be; days YYYY-MM-DD, moments
    YYYY-MM-DD HH:MM with seconds only where there are any; TRUE and FALSE. Times are rounded to
    the second, since a spreadsheet stores them as shares of a day.
    """
    known = _Texts()
    texts = list(map(known.__getitem__, values))
    if 1 in known or 0 in known:
        types = frozenset(map(type, values))
        if bool in types:  # to Python 1 and true are equal: each cell for itself
            return TypedCells([_Texts()[value] for value in values], types, set(values))
    return TypedCells(texts, frozenset(map(type, known)), known.keys())


class _Texts(dict[Any, str]):
    """Texts of the values met so far: most cells of a table repeat others."""

    def __missing__(self, value: Any) -> str:
        text = self[value] = _WRITERS.get(type(value), str)(value)
        return text


def _number(value: float) -> str:
    return str(int(value)) if value.is_integer() else repr(value)


def _moment(value: dt.datetime) -> str:
    if value.microsecond and value.year < 9999:
        value = (value + dt.timedelta(microseconds=500_000)).replace(microsecond=0)
    if value.time() == dt.time():
        return value.date().isoformat()
    return f"{value.date().isoformat()} {_clock(value.time())}"


def _clock(value: dt.time) -> str:
    return value.isoformat("seconds" if value.second else "minutes")


def _time(value: dt.time) -> str:
    seconds = value.microsecond >= 500_000
    moment = dt.datetime.combine(dt.date(2000, 1, 1), value.replace(microsecond=0))
    return _clock((moment + dt.timedelta(seconds=seconds)).time())


def _span(value: dt.timedelta) -> str:
    seconds = round(value.total_seconds())
    sign, seconds = ("-", -seconds) if seconds < 0 else ("", seconds)
    hours, rest = divmod(seconds, 3600)
    tail = f":{rest % 60:02d}" if rest % 60 else ""
    return f"{sign}{hours}:{rest // 60:02d}{tail}"


def _truth(value: bool) -> str:
    return "TRUE" if value else "FALSE"


_WRITERS: dict[type, Callable[[Any], str]] = {
    str: str,
    float: _number,
    bool: _truth,
    dt.date: dt.date.isoformat,
    dt.datetime: _moment,
    dt.time: _time,
    dt.timedelta: _span,
}
