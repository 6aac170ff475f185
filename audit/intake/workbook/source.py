"""One workbook as a source: a sheet a table. Opened read-only; nothing is written beside it."""

from __future__ import annotations

import collections
import dataclasses
import difflib
import hashlib
import pathlib
import re

from audit.errors import UnusableInput
from audit.intake.grid import Change, Grid, Opened
from audit.intake.tables import InputFile
from audit.intake.workbook.cells import Cells, read_cells
from audit.intake.workbook.columns import Findings, SheetFacts, rows_shown
from audit.intake.workbook.grid import build_grid, filled_rows, heading_line
from audit.intake.workbook.guard import MAX_FILE_BYTES, Package, open_package
from audit.intake.workbook.marks import read_marks
from audit.intake.workbook.sheet import SheetXml, read_sheet
from audit.intake.workbook.xml import Book, Sheet, read_book, totals_rows
from schemas import REQUIRED_TABLES, TABLES

#: what else a workbook may hold -> rule, what it is; none of it is run, followed or fetched
OTHER_CONTENT: dict[str, tuple[str, str]] = {
    r"vbaproject\.bin$|/macrosheets/": (
        "macros_ignored",
        "The workbook holds macros; they were not run. Save it as .xlsx without macros.",
    ),
    r"/externallinks/": (
        "external_links_ignored",
        "The workbook links to other workbooks; they were not opened, and the values stored last "
        "were read. Replace the links by values.",
    ),
    r"/connections\.xml$|/querytables/|/embeddings/|/activex/|/model/": (
        "other_content_ignored",
        "The workbook holds data connections or embedded objects; they were not opened. Remove "
        "them.",
    ),
}


@dataclasses.dataclass(frozen=True)
class _Source:
    """One table sheet before its cells are read. totals: rows of totals below its tables."""

    sheet: Sheet
    xml: SheetXml
    totals: frozenset[int]
    book: Book


def open_workbook(path: pathlib.Path) -> Opened:
    """All case tables of a workbook as they stand, each from the sheet of its name.

    Sheets of other names (explanations, lists) are left alone. Raises UnusableInput when the file
    is not an .xlsx or .xlsm workbook or is not safe to open, when a required table has no sheet,
    two sheets bear one table's name, or a sheet has no line of headings.
    """
    content = _content(path)
    package = open_package(content, name=path.name)
    book = read_book(package)
    chosen = _table_sheets(book.sheets, path.name)
    grids, remarks = _grids(package, book, chosen)
    remarks = [*_remarks_on_other_content(package), *remarks]
    cases = grids["cases"]
    grids["cases"] = dataclasses.replace(cases, remarks=(*remarks, *cases.remarks))
    digest = hashlib.sha256(content).hexdigest()
    inputs = tuple(
        InputFile(table, f"{path.name}, sheet {chosen[table].name}", digest, len(grid.frame))
        for table, grid in grids.items()
    )
    return Opened(grids, inputs, tuple(_strays(book.sheets, chosen)), noun="sheet")


def _content(path: pathlib.Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(MAX_FILE_BYTES + 1)
    except OSError:
        raise UnusableInput(
            f"{path.name} cannot be opened: close it in other programs and check the permissions."
        ) from None


def _plain(name: str) -> str:
    """A sheet name without what is forgiven: capitals, blanks, hyphens and underscores."""
    return re.sub(r"[\s_-]+", "", name).lower()


def _table_sheets(sheets: tuple[Sheet, ...], file: str) -> dict[str, Sheet]:
    known = {_plain(table): table for table in TABLES}
    found: dict[str, list[Sheet]] = collections.defaultdict(list)
    for sheet in sheets:
        if _plain(sheet.name) in known:
            found[known[_plain(sheet.name)]].append(sheet)
    for table, same in found.items():
        if len(same) > 1:
            names = " and ".join(sheet.name for sheet in same[:2])
            raise UnusableInput(
                f"{file}: the sheets {names} are both the table {table}. Keep one of them, or give "
                "the other another name (hidden sheets count too)."
            )
    for table in REQUIRED_TABLES:
        if table not in found:
            shown = ", ".join(sheet.name for sheet in sheets[:12]) or "no sheet"
            raise UnusableInput(
                f"{file} has no sheet {table}. Required: {' and '.join(REQUIRED_TABLES)}; found: "
                f"{shown}."
            )
    return {table: found[table][0] for table in TABLES if table in found}


def _grids(
    package: Package, book: Book, chosen: dict[str, Sheet]
) -> tuple[dict[str, Grid], list[tuple[str, str]]]:
    """(grids of the tables, remarks on sheets that hold nothing)."""
    sources = {
        table: _Source(
            sheet,
            read_sheet(package, sheet.part, sheet=sheet.name),
            totals_rows(package, sheet),
            book,
        )
        for table, sheet in chosen.items()
    }
    strings = None if book.strings is None else package.read(book.strings)
    package.vet_the_rest()
    sheets = [source.xml for source in sources.values()]
    used = read_cells(sheets, strings=strings, book=book, name=package.name)
    grids, remarks = {}, []
    for (table, source), cells in zip(sources.items(), used, strict=True):
        sheet = source.sheet
        if cells.rows:
            grids[table] = _grid(table, cells, source)
        elif table in REQUIRED_TABLES:
            raise UnusableInput(
                f"{package.name}: the sheet {sheet.name} is empty. Put the headings into its first "
                "line."
            )
        else:
            words = f"The sheet {sheet.name} is empty: {table} was taken as not given."
            remarks.append(("sheet_empty", words))
    return grids, remarks


def _grid(table: str, cells: Cells, source: _Source) -> Grid:
    sheet, xml = source.sheet, source.xml
    marks = read_marks(xml)
    place = f"Sheet {sheet.name}"
    head = heading_line(table, cells, merged=marks.merged, place=place)
    rows = filled_rows(cells, head=head)
    findings = Findings()
    if sheet.name != table:
        words = f"sheet {sheet.name} taken as the table {table}"
        findings.changes.append(Change("", words, 1))
    if sheet.state != "visible":
        findings.remark(
            "sheet_hidden",
            f"The sheet {sheet.name} is hidden; it was read. Show it, or rename it if it is not "
            "meant.",
        )
    _remark_left_out(cells, head, source.totals.intersection(rows), findings)
    kept = [row for row in rows if row not in source.totals]
    facts = SheetFacts(xml=xml, marks=marks, rows=kept, book=source.book)
    return build_grid(table, cells, head=head, facts=facts, findings=findings)


def _remark_left_out(cells: Cells, head: int, totals: frozenset[int], findings: Findings) -> None:
    if head > 0:
        line = cells.first_row + head
        findings.remark(
            "lines_above_headings",
            f"The headings stand in line {line}; what stands above them was not used. Put the "
            "headings into the first line.",
        )
    if totals:
        findings.remark(
            "totals_row_not_used",
            f"The totals of a table ({rows_shown(totals)}) were not used. Switch the totals off.",
        )


def _remarks_on_other_content(package: Package) -> list[tuple[str, str]]:
    return [
        words
        for pattern, words in OTHER_CONTENT.items()
        if any(re.search(pattern, part) for part in package.parts)
    ]


def _strays(sheets: tuple[Sheet, ...], chosen: dict[str, Sheet]) -> list[tuple[str, str]]:
    """Sheets whose name nearly is a table's or holds it: (sheet name, table it may be)."""
    absent = {_plain(table): table for table in TABLES if table not in chosen}
    found = []
    for sheet in sheets:
        if sheet not in chosen.values():
            name = _plain(sheet.name)
            near = [plain for plain in absent if plain in name]
            near += difflib.get_close_matches(name, list(absent), n=1, cutoff=0.75)
            if near:
                found.append((sheet.name, absent[near[0]]))
    return found
