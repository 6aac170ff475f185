"""What the cells of a sheet do not show: formulas, errors, merged areas, what is hidden.

The reading library does not tell. Searches run only where their mark stands in the bytes, so an
ordinary sheet pays next to nothing for them.
"""

from __future__ import annotations

import dataclasses
import re

from audit.intake.workbook.sheet import ERROR_CELL, FILLED_CELL, SheetXml, place_of
from audit.intake.workbook.xml import TRUE, column_number

ROW = re.compile(rb"<row\s([^>]*)>")
COLUMN = re.compile(rb"<col\s([^>]*)>")
MERGED = re.compile(rb'<mergeCell\s[^>]*?ref="([A-Z]{1,3})(\d{1,7}):([A-Z]{1,3})(\d{1,7})"')
NUMBER = re.compile(rb'(?:^|\s)r="(\d{1,7})"')
FORMULA = re.compile(
    rb"<c\s([^>]*)>\s*<f((?:\s[^>]*)?)(?:/>|>[^<]*</f>)\s*(<v(?:/>|\s[^>]*/>|[^>]*>([^<]*)</v>))?"
)
SPILL = re.compile(
    rb'\st="(?:array|dataTable)".*?\sref="([A-Z]{1,3})(\d{1,7}):([A-Z]{1,3})(\d{1,7})"'
)

#: columns (numbers from 1) -> rows
Places = dict[int, set[int]]
#: (first row, first column, last row, last column)
Area = tuple[int, int, int, int]


@dataclasses.dataclass(frozen=True)
class Marks:
    """What the cells of one sheet do not show.

    formulas: cells that hold a formula; spilled: areas that one formula fills. unvalued: formulas
    without a stored value; zeros: those with the value 0. errors: error cells. merged: merged
    areas. hidden_rows; hidden_columns as (first, last).
    """

    formulas: Places
    spilled: tuple[Area, ...]
    unvalued: Places
    zeros: Places
    errors: Places
    merged: tuple[Area, ...]
    hidden_rows: frozenset[int]
    hidden_columns: tuple[tuple[int, int], ...]


def read_marks(sheet: SheetXml) -> Marks:
    """The marks of a sheet; an empty collection where there are none."""
    formulas: Places = {}
    unvalued: Places = {}
    zeros: Places = {}
    spilled = []
    for found in FORMULA.finditer(sheet.cells) if b"<f" in sheet.cells else ():
        attributes, value = found[1], found[4]
        _add(formulas, attributes)
        if not value and not (found[3] and b't="str"' in attributes):
            _add(unvalued, attributes)
        elif value == b"0":
            _add(zeros, attributes)
        spill = SPILL.search(found[2])
        if spill:
            spilled.append(_area(spill.groups()))
    return Marks(
        formulas=formulas,
        spilled=tuple(spilled),
        unvalued=unvalued,
        zeros=zeros,
        errors=_errors(sheet.cells),
        merged=tuple(_area(found.groups()) for found in MERGED.finditer(sheet.merged)),
        hidden_rows=_hidden_rows(sheet.cells),
        hidden_columns=tuple(
            (_count(column[1], b"min"), _count(column[1], b"max"))
            for column in COLUMN.finditer(sheet.columns)
            if _is_hidden(column[1])
        ),
    )


def _errors(cells: bytes) -> Places:
    errors: Places = {}
    for found in ERROR_CELL.finditer(cells) if b't="e"' in cells else ():
        rest = cells[found.end() : cells.find(b">", found.end())]
        _add(errors, found[1] + b'"e"' + rest)
    return errors


def _hidden_rows(cells: bytes) -> frozenset[int]:
    rows = set()
    for found in ROW.finditer(cells) if b'hidden="' in cells else ():
        number = NUMBER.search(found[1])
        if number and _is_hidden(found[1]):
            rows.add(int(number[1]))
    return frozenset(rows)


def styled_cells(cells: bytes, styles: frozenset[int]) -> Places:
    """The filled cells that have one of the style numbers."""
    places: Places = {}
    wanted = {b"%d" % number for number in styles}
    for found in FILLED_CELL.finditer(cells):
        style = re.search(rb'\ss="(\d+)"', b" " + found[1])
        if style and style[1] in wanted:
            _add(places, found[1])
    return places


def _add(places: Places, attributes: bytes) -> None:
    column, row = place_of(attributes)
    places.setdefault(column, set()).add(row)


def _area(corners: tuple[bytes, ...]) -> Area:
    left, top, right, bottom = corners
    return int(top), column_number(left.decode()), int(bottom), column_number(right.decode())


def _is_hidden(attributes: bytes) -> bool:
    return any(b'hidden="' + word.encode() + b'"' in attributes for word in TRUE)


def _count(attributes: bytes, name: bytes) -> int:
    found = re.search(rb"(?:^|\s)" + name + rb'="(\d{1,7})"', attributes)
    return int(found[1]) if found else 0
