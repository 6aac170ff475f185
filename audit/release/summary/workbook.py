"""The sheets of a release as one workbook that anyone can read, also by ear.

After the government checklist for accessible spreadsheets, as two open-source packages reproduce
it: cover, contents and notes first; one table a sheet from the left edge, marked up as a table,
one header row, nothing below it; no merged cell, fill, colour, filter, frozen pane, picture or
formula; sans serif of 12 points; properties filled; opens in A1 of the first sheet.
"""

from __future__ import annotations

import dataclasses
import datetime
import io
from collections.abc import Sequence

import xlsxwriter
from xlsxwriter.format import Format
from xlsxwriter.utility import xl_range
from xlsxwriter.workbook import Workbook
from xlsxwriter.worksheet import Worksheet

from audit.release.summary.facts import LANGUAGE, LEVEL_WORDS, ReleaseFacts
from audit.release.summary.safe_text import safe_text
from audit.release.summary.sheet import Cell, Column, ReleasedSheet
from audit.release.workbook_sheets import lines_of, put
from audit.release.workbook_style import FONT

POINTS = 12
LINE_HEIGHT = 16.0
NARROW, WIDE = 11, 44
#: width of a column of words on a sheet of so few columns
WORDS_WIDE, FEW_COLUMNS = 88, 3
#: a spreadsheet program cuts a longer header
MOST_HEADER_LETTERS = 200
#: a step in from the edge, so that numbers and texts beside one another do not touch
_IN = {"align": "left", "indent": 1}
_BASE = {"font_name": FONT, "font_size": POINTS, "valign": "top"}
FORMS = {
    "title": {**_BASE, "bold": True, "font_size": 14},
    "line": _BASE,
    "heading": {**_BASE, "bold": True, "text_wrap": True, "bottom": 1, "valign": "bottom", **_IN},
    "number heading": {**_BASE, "bold": True, "text_wrap": True, "bottom": 1,
                       "valign": "bottom", "align": "right", "indent": 1},
    "text": {**_BASE, "text_wrap": True, **_IN},
    "number": {**_BASE, "align": "right", "indent": 1},
    "link": {**_BASE, "underline": 1, "text_wrap": True, **_IN},
}  # fmt: skip


def workbook_bytes(sheets: Sequence[ReleasedSheet], facts: ReleaseFacts, *, level: str) -> bytes:
    """The workbook as the bytes of an .xlsx file; equal content gives equal bytes."""
    target = io.BytesIO()
    names = frozenset(sheet.sheet for sheet in sheets)
    with xlsxwriter.Workbook(target, _options()) as workbook:
        _set_properties(workbook, facts, level=level)
        look = {name: workbook.add_format(form) for name, form in FORMS.items()}
        for number, sheet in enumerate(sheets, start=1):
            page = workbook.add_worksheet(sheet.sheet)
            if number == 1:
                page.activate()
            _write(page, sheet, _Pen(look=look, level=level, number=number, links=names))
    return target.getvalue()


@dataclasses.dataclass(frozen=True, kw_only=True)
class _Pen:
    """look: the formats. number: of the sheet. links: names of sheets, which become links."""

    look: dict[str, Format]
    level: str
    number: int
    links: frozenset[str]


def _options() -> dict[str, object]:
    return {
        "in_memory": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
        "default_format_properties": {"font_name": FONT, "font_size": POINTS, "font_scheme": False},
    }


def _set_properties(workbook: Workbook, facts: ReleaseFacts, *, level: str) -> None:
    midnight = datetime.datetime.combine(facts.prepared_on, datetime.time())
    workbook.set_properties(
        {
            "title": safe_text(facts.title),
            "subject": safe_text(f"{facts.period}; release level: {level}"),
            "author": safe_text(facts.place),
            "company": safe_text(facts.place),
            "category": f"Release level: {level}",
            "keywords": f"summary tables, {level}",
            "comments": LEVEL_WORDS[level],
            "status": f"Release level: {level}",
            "created": midnight,
        }
    )
    workbook.set_custom_property("Release level", level)
    workbook.set_custom_property("Language", LANGUAGE)


def _write(page: Worksheet, sheet: ReleasedSheet, pen: _Pen) -> None:
    put(page, 0, 0, sheet.title, pen.look["title"])
    page.set_row(0, LINE_HEIGHT + 4)
    for row, line in enumerate(sheet.lines, start=1):
        put(page, row, 0, line, pen.look["line"])
    top = 1 + len(sheet.lines)
    cells = [[_shown(*pair) for pair in zip(row, sheet.columns, strict=True)] for row in sheet.rows]
    widths = _widths(sheet, cells)
    for place, width in enumerate(widths):
        page.set_column(place, place, width)
    _mark_up(page, sheet, pen, top=top, widths=widths)
    for row, values in enumerate(cells, start=top + 1):
        most = max(
            lines_of(str(cell), width - 4) for cell, width in zip(values, widths, strict=True)
        )
        page.set_row(row, LINE_HEIGHT * most + 2)
        for place, value in enumerate(values):
            _write_cell(page, (row, place), value, pen=pen, column=sheet.columns[place])
    # a category such as 90 (days) is a text, and stays one without a mark of doubt in its corner
    area = xl_range(top, 0, top + len(cells), len(sheet.columns) - 1)
    page.ignore_errors({"number_stored_as_text": area})
    _print_setup(page, pen, top=top)


def _mark_up(
    page: Worksheet, sheet: ReleasedSheet, pen: _Pen, *, top: int, widths: Sequence[float]
) -> None:
    """Headings, and the area as a table that a reading aid can announce."""
    look = pen.look
    headers = [
        {
            "header": column.heading[:MOST_HEADER_LETTERS],
            "header_format": look["heading" if column.kind == "text" else "number heading"],
        }
        for column in sheet.columns
    ]
    options = {
        "name": f"table_{pen.number}",
        "style": None,
        "autofilter": False,
        "banded_rows": False,
        "columns": headers,
        "description": sheet.title,
    }
    page.add_table(top, 0, top + len(sheet.rows), len(headers) - 1, options)
    pairs = zip(sheet.columns, widths, strict=True)
    most = max(lines_of(column.heading, width - 4) for column, width in pairs)
    page.set_row(top, LINE_HEIGHT * most + 4)


def _shown(cell: Cell, column: Column) -> Cell:
    """A cell for people: words instead of a code."""
    return column.categories.get(cell, cell) if isinstance(cell, str) else cell


def _write_cell(
    page: Worksheet, place: tuple[int, int], value: Cell, *, pen: _Pen, column: Column
) -> None:
    row, at = place
    if column.heading == "Sheet" and value in pen.links:
        page.write_url(row, at, f"internal:'{value}'!A1", pen.look["link"], str(value))
    else:
        put(page, row, at, value, pen.look["text" if column.kind == "text" else "number"])


def _widths(sheet: ReleasedSheet, cells: Sequence[Sequence[Cell]]) -> list[float]:
    """Widths in characters: what the column holds, between limits; 12 points need a fifth more."""
    most = WIDE if len(sheet.columns) > FEW_COLUMNS else WORDS_WIDE
    found = []
    for place, column in enumerate(sheet.columns):
        longest = max((len(str(row[place])) for row in cells), default=0)
        word = max(len(word) for word in column.heading.split())
        found.append(min(most, max(NARROW, 1.2 * max(longest, word) + 4)))
    return found


def _print_setup(page: Worksheet, pen: _Pen, *, top: int) -> None:
    page.set_landscape()
    page.set_paper(9)
    page.set_margins(left=0.5, right=0.5, top=0.8, bottom=0.7)
    page.fit_to_pages(1, 0)
    page.repeat_rows(top)
    page.set_header(f"&LRelease level: {pen.level}&R&A")
    page.set_footer("&R&P of &N")
