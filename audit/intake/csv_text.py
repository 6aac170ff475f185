"""CSV bytes to a grid of texts, with the line on which a person sees each row."""

from __future__ import annotations

import csv
import io

import pandas as pd

from audit.errors import UnusableInput
from audit.intake.grid import Grid

DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
_BOMS = {
    b"\xef\xbb\xbf": "utf-8-sig",
    b"\xff\xfe\x00\x00": "utf-32",
    b"\x00\x00\xfe\xff": "utf-32",
    b"\xff\xfe": "utf-16",
    b"\xfe\xff": "utf-16",
}


def decode(content: bytes, *, name: str) -> tuple[str, list[tuple[str, str]]]:
    """Text of a file and remarks on its encoding. UnusableInput when it is not text."""
    if not content.strip(b"\x00 \t\r\n\xef\xbb\xbf"):
        raise UnusableInput(f"{name} is empty: put the headings in its first line.")
    for mark, encoding in _BOMS.items():
        if content.startswith(mark):
            return _decoded(content, encoding, name), []
    if b"\x00" in content:
        raise _not_text(name)
    try:
        return content.decode("utf-8"), []
    except UnicodeDecodeError:
        text = _decoded(content, "cp1252", name)
    if any(ord(letter) < 32 and letter not in "\t\r\n" for letter in text[:100_000]):
        raise _not_text(name)
    message = "The file is not UTF-8; it was read as Windows-1252. Save it as UTF-8."
    return text, [("not_utf8", message)]


def _decoded(content: bytes, encoding: str, name: str) -> str:
    try:
        return content.decode(encoding)
    except UnicodeDecodeError:
        raise _not_text(name) from None


def _not_text(name: str) -> UnusableInput:
    return UnusableInput(
        f"{name} is not a text file. Save the table as CSV (comma separated, UTF-8) and try again."
    )


def read_grid(content: bytes, *, name: str) -> Grid:
    """The grid of one CSV file (comma, semicolon, tab or bar; quotes as in RFC 4180).

    Raises UnusableInput when the content is no text or has no headings. Empty lines are skipped
    but counted, so `row` is always the line in the file; a quoted cell may hold line breaks.
    """
    text, remarks = decode(content, name=name)
    delimiter = _delimiter(text)
    if delimiter != ",":
        words = f"The file is separated by {DELIMITERS[delimiter]}; it was read so. Use commas."
        remarks.append(("not_comma_separated", words))
    lines, headings, rows = _parse(text, delimiter, name)
    width = len(headings)
    sizes = [len(cells) for cells in rows]
    spilled = [
        size > width and any(c.strip() for c in cells[width:])
        for size, cells in zip(sizes, rows, strict=True)
    ]
    cut = [(cells + [""] * width)[:width] for cells in rows]
    frame = pd.DataFrame(cut, columns=range(width), dtype=object)
    frame.columns = pd.Index(headings)
    frame.insert(0, "row", lines)
    wide = tuple(line for line, over in zip(lines, spilled, strict=True) if over)
    narrow = tuple(line for line, size in zip(lines, sizes, strict=True) if size < width)
    return Grid(frame, tuple(remarks), wide, narrow)


def _delimiter(text: str) -> str:
    start = text.lstrip("\r\n \ufeff")
    first = start.splitlines()[0] if start else ""
    return max(DELIMITERS, key=first.count)


def _parse(text: str, delimiter: str, name: str) -> tuple[list[int], list[str], list[list[str]]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    rows: list[list[str]] = []
    lines: list[int] = []
    line = 1
    try:
        for cells in reader:
            start, line = line, reader.line_num + 1
            if any(cell.strip() for cell in cells):
                rows.append(cells)
                lines.append(start)
    except csv.Error:
        raise UnusableInput(
            f"{name}, line {line}: a quotation mark is opened and not closed, or stands inside a "
            "cell. Correct the line and try again."
        ) from None
    if not rows:
        raise UnusableInput(f"{name} is empty: put the headings in its first line.")
    headings = [cell.strip().strip("\ufeff") for cell in rows[0]]
    return lines[1:], headings, rows[1:]
