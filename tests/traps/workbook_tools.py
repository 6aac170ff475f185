"""Tools that `make_workbooks` builds its workbooks with: invented tables, writers, small edits."""

from __future__ import annotations

import datetime as dt
import pathlib
import re
import zipfile
from collections.abc import Callable

import openpyxl
import xlsxwriter

HERE = pathlib.Path(__file__).parent / "workbooks"
PATIENTS = [
    ["patient_id", "sex", "aetiology"],
    ["P001", "male", "post_traumatic"],
    ["P002", "female", "congenital"],
    ["P003", "female", "short_stature"],
]
HEADINGS = [
    "case_id", "patient_id", "segment", "device_class", "age_at_surgery_years", "physes_open",
    "surgery_date", "planned_gain_mm", "last_follow_up_date", "outcome_status",
]  # fmt: skip
SURGERY = [dt.date(2025, 1, 10), dt.date(2025, 2, 14), dt.date(2025, 3, 21)]
SEEN = dt.date(2025, 10, 10)
CASES = [
    HEADINGS,
    ["C001", "P001", "femur", "lengthening_nail", 20, "no", SURGERY[0], 38, SEEN, "in_treatment"],
    ["C002", "P002", "tibia", "circular_fixator", 12.5, "yes", SURGERY[1], 42.5, SEEN,
     "in_treatment"],
    ["C003", "P003", "femur", "lengthening_nail", 31, "no", SURGERY[2], 50, SEEN, "in_treatment"],
]  # fmt: skip
SESSIONS = ["case_id", "started_at", "prescribed_mm", "delivered_mm"]
Rows = list[list]


def at(column: str, row: int) -> str:
    """The place of a cell of the cases, such as B2."""
    return f"{chr(ord('A') + HEADINGS.index(column))}{row}"


def changed(**cells: object) -> Rows:
    """The cases with other values in the first row of data."""
    rows = [list(row) for row in CASES]
    for column, value in cells.items():
        rows[1][HEADINGS.index(column)] = value
    return rows


def build(
    name: str, change: Callable[[openpyxl.Workbook], None] | None = None, **tables: Rows
) -> pathlib.Path:
    """A workbook by openpyxl: inline texts, typed cells; `change` works on it before saving."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for table, rows in {"patients": PATIENTS, "cases": CASES, **tables}.items():
        sheet = book.create_sheet(table)
        for row in rows:
            sheet.append(row)
    if change is not None:
        change(book)
    path = HERE / name
    book.save(path)
    return finish(path)


def build_shared(
    name: str, change: Callable[[xlsxwriter.Workbook, dict], None] | None = None
) -> pathlib.Path:
    """A workbook by xlsxwriter: shared texts, typed cells."""
    path = HERE / name
    with xlsxwriter.Workbook(str(path), {"default_date_format": "yyyy-mm-dd"}) as book:
        sheets = {}
        for table, rows in {"patients": PATIENTS, "cases": CASES}.items():
            sheets[table] = book.add_worksheet(table)
            for number, row in enumerate(rows):
                sheets[table].write_row(number, 0, row)
        if change is not None:
            change(book, sheets)
    return finish(path)


def parts_of(path: pathlib.Path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as archive:
        return {part: archive.read(part) for part in archive.namelist()}


def write_parts(path: pathlib.Path, parts: dict[str, bytes], *, level: int = 9) -> pathlib.Path:
    with zipfile.ZipFile(path, "w") as archive:
        for part, content in parts.items():
            archive.writestr(zipfile.ZipInfo(part), content, zipfile.ZIP_DEFLATED, level)
    return path


def finish(path: pathlib.Path) -> pathlib.Path:
    """The same file without the time of its making."""
    parts = parts_of(path)
    core = parts.get("docProps/core.xml", b"")
    if core:
        parts["docProps/core.xml"] = re.sub(
            rb"\d{4}-\d\d-\d\dT[\d:]+Z", b"2026-01-01T00:00:00Z", core
        )
    return write_parts(path, parts)


def edit(path: pathlib.Path, part: str, *pairs: tuple[str, str]) -> pathlib.Path:
    """Replace texts in a part; each must be there."""
    parts = parts_of(path)
    text = parts[part].decode()
    for old, new in pairs:
        if old not in text:
            raise ValueError(f"{path.name}, {part}: {old!r} is not there")
        text = text.replace(old, new)
    parts[part] = text.encode()
    return write_parts(path, parts)


def add(path: pathlib.Path, **parts: bytes) -> pathlib.Path:
    """Add parts; "__" in a name stands for a slash, "_dot_" for a dot."""
    named = {
        key.replace("__", "/").replace("_dot_", "."): content for key, content in parts.items()
    }
    return write_parts(path, parts_of(path) | named)


def compound_file(stream: str) -> bytes:
    """An empty compound file with one stream in its directory ([MS-CFB] 2.2, 2.6)."""
    header = bytes.fromhex("d0cf11e0a1b11ae1") + bytes(16) + bytes.fromhex("3e000300feff09000600")
    header += bytes(10) + (1).to_bytes(4, "little") + (1).to_bytes(4, "little") + bytes(4)
    header += (4096).to_bytes(4, "little") + b"\xfe\xff\xff\xff" + bytes(4)
    header += b"\xfe\xff\xff\xff" + bytes(8) + b"\xff" * 432
    table = b"\xfd\xff\xff\xff\xfe\xff\xff\xff" + b"\xff" * 504
    entries = b"".join(
        name.encode("utf-16-le").ljust(64, b"\x00")
        + (len(name) * 2 + 2).to_bytes(2, "little")
        + bytes([kind, 1])
        + b"\xff" * 12
        + bytes(48)
        for name, kind in (("Root Entry", 5), (stream, 2))
    )
    return header + table + entries.ljust(512, b"\x00")
