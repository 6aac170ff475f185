"""One safe way to write the sheets of a workbook.

Every text goes in as text: no cell can run as a formula or turn into a link. The same content
gives the same bytes.
"""

from __future__ import annotations

import dataclasses
import datetime
import io
import math
import re
from collections.abc import Sequence

import pandas as pd
import xlsxwriter
from xlsxwriter.format import Format
from xlsxwriter.workbook import Workbook
from xlsxwriter.worksheet import Worksheet

from audit.release.workbook_style import FONT, FONT_SIZE, Looks

#: letters of running text to one unit of column width, which is the width of a digit
LETTERS_A_WIDTH = 1.12
#: a spreadsheet program refuses a longer cell
MOST_LETTERS = 32_767
CUT = " [cut here: the cell has {letters} characters]"
#: a file made twice must be the same file, so it bears no clock time
MADE = datetime.datetime(2026, 1, 1)
INTERNAL = "Internal: data on patients. Service evaluation, never advice for one patient."

HEADING_HEIGHTS = {"title": 30, "lead": 20, "section": 28}

_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f]")
_NO_CHARACTER = re.compile("[\ud800-\udfff\ufffe\uffff]")


def new_workbook(target: io.BytesIO, *, title: str) -> Workbook:
    """An empty workbook that writes texts as texts and bears no clock time."""
    workbook = xlsxwriter.Workbook(
        target,
        {
            "in_memory": True,
            "strings_to_formulas": False,
            "strings_to_urls": False,
            "strings_to_numbers": False,
            "default_format_properties": {
                "font_name": FONT,
                "font_size": FONT_SIZE,
                "font_scheme": False,
            },
        },
    )
    workbook.set_properties({"title": title, "comments": INTERNAL, "created": MADE})
    return workbook


def visible(text: object) -> str:
    """A text as a cell can hold it; what a cell cannot hold is made visible, never dropped.

    Control characters become their pictures (U+2400 and on), half characters the replacement
    character; a text that is too long is cut, and its end says so.
    """
    plain = str(text).replace("\r\n", "\n")
    plain = _CONTROL.sub(_picture, plain)
    plain = _NO_CHARACTER.sub("\N{REPLACEMENT CHARACTER}", plain)
    units = len(plain.encode("utf-16-le")) // 2
    if units <= MOST_LETTERS:
        return plain
    mark = CUT.format(letters=len(plain))
    room = (MOST_LETTERS - len(mark)) * 2
    return plain.encode("utf-16-le")[:room].decode("utf-16-le", errors="ignore") + mark


def _picture(found: re.Match[str]) -> str:
    code = ord(found.group())
    return "\N{SYMBOL FOR DELETE}" if code == 127 else chr(0x2400 + code)


def put(sheet: Worksheet, row: int, column: int, value: object, form: Format | None = None) -> None:
    """Write one cell: numbers as numbers, days as days, nothing as an empty cell, all else as
    text exactly as it stands."""
    if value is None or (isinstance(value, float) and math.isnan(value)) or value == "":
        sheet.write_blank(row, column, None, form)
    elif isinstance(value, datetime.date):
        sheet.write_datetime(row, column, value, form)
    elif isinstance(value, (int, float)) and not isinstance(value, bool):
        sheet.write_number(row, column, value, form)
    else:
        sheet.write_string(row, column, visible(value), form)


def note(sheet: Worksheet, row: int, column: int, text: str) -> None:
    """A comment on a cell, in a box that fits its text."""
    shown = visible(text)
    letters = 46
    lines = sum(max(1, math.ceil(len(line) / letters)) for line in shown.split("\n"))
    size = {"x_scale": 2.4, "y_scale": max(1.0, (lines + 1) / 5.2)}
    sheet.write_comment(row, column, shown, {"font_size": 9, "author": "", **size})


def lines_of(text: str, width: float) -> int:
    """How many lines a wrapped text takes in a column of a width (in characters)."""
    room = max(1.0, width * LETTERS_A_WIDTH)
    return sum(max(1, math.ceil(len(line) / room)) for line in text.split("\n"))


def set_height(sheet: Worksheet, row: int, lines: int) -> None:
    """Height for a number of text lines; without it a row may open with cut text."""
    sheet.set_row(row, min(400, 4 + 12.75 * lines))


@dataclasses.dataclass(frozen=True)
class Line:
    """One line of a sheet of text: a label and, beside it, a text.

    form: "title", "lead" or "section" (the label alone), "text", "command", "link" (the label
    names a sheet), or "mark NAME" (the label shows a mark).
    """

    form: str
    label: str
    text: str


def write_lines(
    sheet: Worksheet, lines: Sequence[Line], looks: Looks, *, widths: tuple[float, float]
) -> int:
    """Write lines of text from the top of a sheet into two columns; returns the next row."""
    for place, width in enumerate(widths):
        sheet.set_column(place, place, width)
    row = 0
    for line in lines:
        if line.form in HEADING_HEIGHTS:
            row = _write_heading(sheet, row, line, looks)
            continue
        set_height(sheet, row, max(lines_of(line.label, widths[0]), lines_of(line.text, widths[1])))
        _write_line(sheet, row, line, looks)
        row += 1
    return row


def _write_line(sheet: Worksheet, row: int, line: Line, looks: Looks) -> None:
    if line.form == "link":
        sheet.write_url(row, 0, f"internal:'{line.label}'!A1", looks["link"], line.label)
    elif line.form.startswith("mark "):
        put(sheet, row, 0, line.label, looks.mark(line.form.removeprefix("mark ")))
    else:
        put(sheet, row, 0, line.label, looks["label"])
    put(sheet, row, 1, line.text, looks["command" if line.form == "command" else "text"])


def _write_heading(sheet: Worksheet, row: int, line: Line, looks: Looks) -> int:
    put(sheet, row, 0, line.label, looks[line.form])
    sheet.set_row(row, HEADING_HEIGHTS[line.form])
    if line.form != "section":
        return row + 1
    put(sheet, row, 1, "", looks["section"])
    sheet.set_row(row + 1, 5)
    return row + 2


@dataclasses.dataclass(frozen=True, kw_only=True)
class Listing:
    """A table for people. widths: of the columns in characters, one each."""

    frame: pd.DataFrame
    widths: Sequence[float]


def put_listing(sheet: Worksheet, listing: Listing, looks: Looks, *, top: int = 0) -> None:
    """Write a table with headings at row `top`, wrapped, with a filter and frozen headings."""
    frame = listing.frame
    for place, (name, width) in enumerate(zip(frame.columns, listing.widths, strict=True)):
        sheet.set_column(place, place, width)
        put(sheet, top, place, str(name), looks["heading"])
    for row, cells in enumerate(frame.itertuples(index=False), start=top + 1):
        texts = ["" if pd.isna(cell) else cell for cell in cells]
        pairs = zip(texts, listing.widths, strict=True)
        set_height(sheet, row, max(lines_of(str(text), width - 2) for text, width in pairs))
        for place, cell in enumerate(texts):
            put(sheet, row, place, cell, looks["cell"])
    if len(frame):
        sheet.autofilter(top, 0, top + len(frame), len(frame.columns) - 1)
    sheet.freeze_panes(top + 1, 0)


def print_setup(sheet: Worksheet, *, heading_row: int | None, across: int = 1) -> None:
    """A4 turned sideways, `across` pages wide, headings on each page, name and page below."""
    sheet.set_landscape()
    sheet.set_paper(9)
    sheet.set_margins(left=0.5, right=0.5, top=0.6, bottom=0.7)
    sheet.fit_to_pages(across, 0)
    if heading_row is not None:
        sheet.repeat_rows(heading_row)
    sheet.set_footer(f"&L&8{INTERNAL}&R&8&A, page &P of &N")
