"""The first sheet of the entry workbook: how to fill it in, and what to do then."""

from __future__ import annotations

from collections.abc import Iterator

from xlsxwriter.worksheet import Worksheet

from audit.release.entry.checks import CODE_SHEET, covered_rows
from audit.release.workbook_sheets import Line, print_setup, write_lines
from audit.release.workbook_style import MARKS, Looks
from schemas import REQUIRED_TABLES, TABLES

READ_ME, EXAMPLE_SHEET = "Read me", "Example"
COLUMN_SHEET, RULE_SHEET = "Columns explained", "Rules"
LABEL_WIDTH, TEXT_WIDTH = 26, 96

BEFORE = (
    Line(
        "text",
        "What it is for",
        "Service evaluation for a department. It never gives advice for one patient, and nothing "
        "in it licenses a dose, a rate, a load or a date.",
    ),
    Line(
        "text",
        "Pseudonyms only",
        "Give every patient and every case a code of your own and use the same code on every "
        "sheet. Never write a name, initials, a birth date, an address, a telephone number or a "
        "hospital or record number, not in free text either. A column whose heading looks like "
        "one of these is refused before anything is read.",
    ),
    Line(
        "text",
        "Where it may lie",
        "The filled workbook holds data on patients: keep it where your department keeps such "
        "data, and do not send it on. Keep the key between codes and people somewhere else.",
    ),
)
STEPS = (
    Line(
        "text",
        "1  Order",
        f"Fill in {' and '.join(REQUIRED_TABLES)} first: nothing works without them. Then those "
        "of the other sheets for which you have data; leave the rest empty.",
    ),
    Line(
        "text",
        "2  Rows",
        "Row 1 holds the headings: leave them, and the names of the sheets, as they are. Write "
        "from row 2 downwards. What one row stands for is said below for each sheet. No totals, "
        "no notes, no merged cells.",
    ),
    Line(
        "text",
        "3  Headings",
        "Dark headings are required in every row; light headings are not. Rest the pointer on a "
        f"heading to read what belongs there. The sheet {COLUMN_SHEET} says the same in words.",
    ),
    Line(
        "text",
        "4  Dates",
        "Type a day as 2025-03-31, and a day with its time as 2025-03-31 07:40. The cell must "
        "show it in that form; if it looks otherwise, it was not taken for a date.",
    ),
    Line(
        "text",
        "5  Numbers",
        "Write the number alone, without a unit, with the decimal sign that your program uses. "
        "The unit stands in the heading: _mm millimetres, _deg degrees.",
    ),
    Line("text", "6  Codes", "Choose from the list that opens at the right edge of the cell."),
    Line(
        "text",
        "7  Unknown",
        "Leave the cell empty. Never write 0, 9999, n/a, a dash or a guess: an empty cell is "
        "counted as missing, anything else as a fact.",
    ),
    Line(
        "text",
        "8  Pasting",
        "Paste values only. Pasted cells get past the checks on typing; the marks below still "
        "appear, and the check command sees everything.",
    ),
    Line(
        "text",
        "9  Own columns",
        "You may add columns of your own to the right. They are kept, reported once and never "
        "used.",
    ),
)
HELP = (
    Line("link", EXAMPLE_SHEET, "Filled rows of invented patients. Never read as data."),
    Line("link", COLUMN_SHEET, "Every column: meaning, unit, limits, codes, when it is expected."),
    Line("link", CODE_SHEET, "The codes behind the drop-down lists, with their meaning."),
    Line("link", RULE_SHEET, "Every check that the kit makes, and what to do when it asks."),
)
AFTERWARDS = (
    Line("text", "Save", "Save it as a workbook (.xlsx) under a name of your own, and close it."),
    Line("command", "Check it", "lengthening-audit check FILE.xlsx --out asked"),
    Line(
        "text",
        "",
        "Type the name of your file for FILE.xlsx. Then open asked/queries.xlsx: it shows every "
        "question at its row and column. Correct this workbook and check it again.",
    ),
    Line(
        "command",
        "Make the report",
        "lengthening-audit report quarterly FILE.xlsx report_2026Q3 --quarter 2026Q3",
    ),
    Line("text", "", "Then open report_2026Q3/quarterly_audit.html in a browser."),
)


def read_me_lines() -> Iterator[Line]:
    """The lines of the first sheet, from top to bottom."""
    yield Line("title", "Case tables for the limb-lengthening audit", "")
    lead = "Fill in this workbook, let the kit check it, and make the department's report from it."
    yield Line("lead", lead, "")
    yield Line("section", "Before you begin", "")
    yield from BEFORE
    yield Line("section", "How to fill it in", "")
    yield from STEPS
    yield Line("section", "The sheets", "")
    for table, contract in TABLES.items():
        yield Line("link", table, _sheet_words(table, str(contract.description)))
    yield from HELP
    yield Line("section", "Marks that appear while you type or paste", "")
    for name, mark in MARKS.items():
        yield Line(f"mark {name}", "" if name == "missing" else "looks like this", mark.words)
    yield Line("section", "When it is filled in", "")
    yield from AFTERWARDS


def _sheet_words(table: str, meaning: str) -> str:
    need = "Required." if table in REQUIRED_TABLES else "Optional."
    return f"{need} {meaning} Cells are checked down to row {covered_rows(table) + 1:,}."


def write_read_me(sheet: Worksheet, looks: Looks) -> None:
    """The first sheet: two columns, a label and a text."""
    sheet.hide_gridlines(2)
    write_lines(sheet, list(read_me_lines()), looks, widths=(LABEL_WIDTH, TEXT_WIDTH))
    print_setup(sheet, heading_row=None)
    sheet.set_portrait()
