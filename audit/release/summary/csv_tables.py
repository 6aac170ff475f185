"""Sheets as CSV after RFC 4180: comma, CRLF after every row, UTF-8, every text quoted.

Numbers stand bare, so a negative one stays a number; a marker is a text. Nothing but the header
row and the rows: what is to be said of the table stands in the JSON file beside it.
"""

from __future__ import annotations

from audit.release.summary.safe_text import plain_number
from audit.release.summary.sheet import Cell, ReleasedSheet


def csv_bytes(sheet: ReleasedSheet) -> bytes:
    """The content of a sheet's CSV file. ValueError for a number that is not finite."""
    lines: list[tuple[Cell, ...]] = [tuple(column.name for column in sheet.columns), *sheet.rows]
    return "".join(",".join(_field(cell) for cell in line) + "\r\n" for line in lines).encode()


def _field(cell: Cell) -> str:
    if isinstance(cell, str):
        return '"' + cell.replace('"', '""') + '"'
    return plain_number(cell)
