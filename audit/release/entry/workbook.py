"""The entry workbook: empty case tables with lists, hints and checks in the cells.

Everything comes from the contracts (`schemas`), so a new column or table is there by itself.
"""

from __future__ import annotations

import io
import pathlib

from xlsxwriter.workbook import Workbook
from xlsxwriter.worksheet import Worksheet

from audit.errors import UnusableInput
from audit.release.entry import pages as entry_pages
from audit.release.entry.checks import (
    CODE_SHEET,
    Place,
    ids_name,
    key_of,
    marks_of,
    parent_of,
    places_of,
    validation_of,
)
from audit.release.entry.read_me import (
    COLUMN_SHEET,
    EXAMPLE_SHEET,
    READ_ME,
    RULE_SHEET,
    write_read_me,
)
from audit.release.entry.words import heading_note
from audit.release.workbook_sheets import new_workbook, note, print_setup
from audit.release.workbook_style import NAVY, RULE, Looks
from schemas import REQUIRED_TABLES, TABLES

TITLE = "Case tables for the limb-lengthening audit"
ENDING = ".xlsx"
#: width of a column in characters, by kind, where the heading is shorter
WIDTHS = {"day": 13, "moment": 18, "text": 20, "code": 16}
#: characters that fit across one page turned sideways
PAGE_WIDTH = 150


def blank_workbook() -> bytes:
    """The empty entry workbook as the bytes of an .xlsx file; the same bytes every time."""
    target = io.BytesIO()
    with new_workbook(target, title=TITLE) as workbook:
        looks = Looks(workbook)
        names = [READ_ME, *TABLES, *entry_pages.HELP_SHEETS]
        sheets = {name: workbook.add_worksheet(name) for name in names}
        write_read_me(sheets[READ_ME], looks)
        for table in TABLES:
            _write_table(workbook, sheets[table], table, looks)
        entry_pages.write_example(sheets[EXAMPLE_SHEET], looks)
        listings = {
            COLUMN_SHEET: entry_pages.column_listing(),
            RULE_SHEET: entry_pages.rule_listing(),
        }
        for name, listing in listings.items():
            entry_pages.write_listing(sheets[name], listing, looks)
        entry_pages.write_codes(workbook, sheets[CODE_SHEET], looks)
        sheets[READ_ME].activate()
    return target.getvalue()


def save_blank(path: pathlib.Path) -> None:
    """Write the empty entry workbook to a new file.

    Raises UnusableInput when the name does not end in .xlsx, a file of that name is there
    already, or it cannot be written. A failing write leaves no file.
    """
    if path.suffix.lower() != ENDING:
        raise UnusableInput(f"The name must end in {ENDING}; got {path.name!r}.")
    if path.exists():
        raise _taken(path)
    content = blank_workbook()
    try:
        file = path.open("xb")
    except FileExistsError:
        raise _taken(path) from None
    except OSError:
        raise _unwritable(path) from None
    try:
        with file:
            file.write(content)
    except BaseException as problem:
        path.unlink(missing_ok=True)
        if isinstance(problem, OSError):
            raise _unwritable(path) from None
        raise


def _taken(path: pathlib.Path) -> UnusableInput:
    return UnusableInput(f"{path.name} is there already and may hold data: choose a new name.")


def _unwritable(path: pathlib.Path) -> UnusableInput:
    return UnusableInput(
        f"{path.name} cannot be written: check that its folder exists, the permissions and the "
        "space on the disk."
    )


def _write_table(workbook: Workbook, sheet: Worksheet, table: str, looks: Looks) -> None:
    entry_pages.write_headings(sheet, table, looks)
    sheet.set_row(0, 22)
    places = places_of(table)
    for place in places:
        _write_column(sheet, place, places[-1].letter, looks)
        if place.column == key_of(table) and _has_children(table, place.column):
            workbook.define_name(ids_name(table), f"='{table}'!{place.fixed}")
    _allow_number_texts(sheet, places)
    sheet.freeze_panes(1, 1)
    sheet.set_tab_color(NAVY if table in REQUIRED_TABLES else RULE)
    wide = sum(_width(place) for place in places)
    print_setup(sheet, heading_row=0, across=max(1, -(-wide // PAGE_WIDTH)))


def _has_children(table: str, key: str) -> bool:
    return any(
        parent_of(other, column) == table
        for other, contract in TABLES.items()
        for column in contract.columns
        if column == key
    )


def _write_column(sheet: Worksheet, place: Place, last_letter: str, looks: Looks) -> None:
    kind = _kind(place)
    number = list(TABLES[place.table].columns).index(place.column)
    form = {"day": "day", "moment": "moment", "number": "plain", "whole": "plain"}
    sheet.set_column(number, number, _width(place), looks[form.get(kind, "as_text")])
    note(sheet, 0, number, heading_note(place.table, place.column))
    sheet.data_validation(place.cells, validation_of(place))
    for mark, formula in marks_of(place, last_letter=last_letter):
        sheet.conditional_format(
            place.cells,
            {
                "type": "formula",
                "criteria": formula,
                "format": looks.condition(mark),
                "stop_if_true": True,
            },
        )


def _kind(place: Place) -> str:
    return TABLES[place.table].columns[place.column].metadata["kind"]


def _width(place: Place) -> int:
    return max(len(place.column) + 3, WIDTHS.get(_kind(place), 12))


def _allow_number_texts(sheet: Worksheet, places: list[Place]) -> None:
    """No warning triangle on an id such as 007, which is rightly kept as text."""
    texts = [place.cells for place in places if _kind(place) in ("identifier", "text", "code")]
    if texts:
        sheet.ignore_errors({"number_stored_as_text": " ".join(texts)})
