"""The sheets of the entry workbook that explain: example, columns, codes, rules."""

from __future__ import annotations

import datetime

import pandas as pd
from xlsxwriter.workbook import Workbook
from xlsxwriter.worksheet import Worksheet

from audit.release.entry.checks import CODE_SHEET, codes_name
from audit.release.entry.example import example_rows
from audit.release.entry.read_me import COLUMN_SHEET, EXAMPLE_SHEET, RULE_SHEET
from audit.release.entry.words import KIND_WORDS, code_lines, expected_words, span_words
from audit.release.workbook_sheets import (
    Listing,
    lines_of,
    print_setup,
    put,
    put_listing,
    set_height,
)
from audit.release.workbook_style import Looks
from schemas import TABLES, vocabulary
from schemas.dictionary import COLUMN_CHECKS, data_dictionary, rule_list

#: in the order in which they stand after the table sheets
HELP_SHEETS = (EXAMPLE_SHEET, COLUMN_SHEET, CODE_SHEET, RULE_SHEET)
SEVERITY_WORDS = {
    ("error", "value"): "error: the value is not used",
    ("error", "row"): "error: the row is not used",
    ("error", ""): "error: the value is not used",
    ("warning", ""): "warning: asked about, still used",
}

EXAMPLE_FORMS = {"day": "day", "moment": "moment", "number": "plain", "whole": "plain"}


def write_headings(sheet: Worksheet, table: str, looks: Looks, *, top: int = 0) -> None:
    """The headings of a table exactly as in the contract; required ones are dark and bold."""
    for place, (name, column) in enumerate(TABLES[table].columns.items()):
        form = "required" if column.required else "optional"
        put(sheet, top, place, name, looks[form])


def write_example(sheet: Worksheet, looks: Looks) -> None:
    """Every table with its headings and its filled rows, one block below the other."""
    widths = _example_widths()
    for place, width in widths.items():
        sheet.set_column(place, place, width)
    put(sheet, 0, 0, "Example rows", looks["title"])
    put(
        sheet,
        1,
        0,
        "Invented patients, to show how rows are filled. This sheet is never read as data: write "
        "on the sheet of each table.",
    )
    row = 3
    for table, contract in TABLES.items():
        put(sheet, row, 0, table, looks["section"])
        put(sheet, row + 1, 0, str(contract.description))
        write_headings(sheet, table, looks, top=row + 2)
        row += 3
        for cells in example_rows(table):
            _write_example_row(sheet, row, (table, cells), looks)
            longest = [
                lines_of(cells.get(name, ""), widths[place] - 2)
                for place, name in enumerate(contract.columns)
            ]
            set_height(sheet, row, max(longest))
            row += 1
        row += 1
    print_setup(sheet, heading_row=None, across=4)


def _write_example_row(
    sheet: Worksheet, row: int, filled: tuple[str, dict[str, str]], looks: Looks
) -> None:
    table, cells = filled
    for place, (name, column) in enumerate(TABLES[table].columns.items()):
        kind = column.metadata["kind"]
        form = looks[EXAMPLE_FORMS.get(kind, "text")]
        put(sheet, row, place, typed_value(kind, cells.get(name, "")), form)


def _example_widths() -> dict[int, int]:
    """Columns as wide as the longest heading that any table has there."""
    widths: dict[int, int] = {}
    for contract in TABLES.values():
        for place, name in enumerate(contract.columns):
            widths[place] = max(widths.get(place, 22), len(name) + 3)
    return widths


def typed_value(kind: str, text: str) -> object:
    """A value of the example as a spreadsheet cell holds it."""
    if not text:
        return None
    if kind in ("number", "whole"):
        return float(text)
    return datetime.datetime.fromisoformat(text) if kind in ("day", "moment") else text


def column_listing() -> Listing:
    """Every column of every table in words."""
    known = data_dictionary()
    examples = {
        (table, name): text
        for table in TABLES
        for cells in reversed(example_rows(table))
        for name, text in cells.items()
    }
    places = list(zip(known["table"], known["column"], strict=True))
    spans = [
        [
            "" if pd.isna(low) and pd.isna(high) else span_words(*_sides(low, high))
            for low, high in zip(known[first], known[second], strict=True)
        ]
        for first, second in (("low", "high"), ("usual_low", "usual_high"))
    ]
    frame = pd.DataFrame(
        {
            "Sheet": known["table"],
            "Column": known["column"],
            "Meaning": known["title"] + ". " + known["meaning"],
            "Holds": known["kind"].map({kind: words[0] for kind, words in KIND_WORDS.items()}),
            "Unit": known["unit"],
            "Required": known["required"].map({True: "yes", False: "no"}),
            "When it is expected": [expected_words(*place) for place in places],
            "Possible": spans[0],
            "Usual": spans[1],
            "Codes": ["\n".join(_codes_of(*place)) for place in places],
            "Example": [examples.get(place, "") for place in places],
            "Where limits or codes come from": known["source"],
        }
    )
    return Listing(frame=frame, widths=(21, 39, 42, 15, 10, 10, 30, 13, 13, 34, 22, 40))


def _codes_of(table: str, column: str) -> list[str]:
    name = TABLES[table].columns[column].metadata["codes"]
    return code_lines(name) if name else []


def _sides(low: float, high: float) -> tuple[float | None, float | None]:
    return None if pd.isna(low) else low, None if pd.isna(high) else high


def rule_listing() -> Listing:
    """Every check: those of single columns, then those between cells and tables."""
    checks = pd.DataFrame(
        [
            ("every column that has one", SEVERITY_WORDS[severity, ""], message, "", name)
            for name, (severity, message) in COLUMN_CHECKS.items()
        ],
        columns=["Where", "Kind", "What to do", "Source", "Name of the rule"],
    )
    rules = rule_list()
    same = ["severity", "keeps_out", "message", "source", "rule"]
    grouped = rules.groupby(same, sort=False)[["table", "column"]].apply(_places_in_words)
    between = pd.DataFrame(
        [
            (places, SEVERITY_WORDS[severity, keeps_out], message, source, rule)
            for (severity, keeps_out, message, source, rule), places in grouped.items()
        ],
        columns=checks.columns,
    )
    frame = pd.concat([checks, between], ignore_index=True)
    return Listing(frame=frame, widths=(46, 20, 60, 38, 40))


def _places_in_words(places: pd.DataFrame) -> str:
    """Tables and columns to which one rule is put: a line a table."""
    return "\n".join(
        f"{table}: {', '.join(columns)}"
        for table, columns in places.groupby("table", sort=False)["column"]
    )


def write_codes(workbook: Workbook, sheet: Worksheet, looks: Looks) -> None:
    """The code lists, one below the other, each with a name that the drop-down lists use."""
    put(sheet, 0, 0, "Codes and what they mean", looks["title"])
    put(sheet, 1, 0, "The drop-down lists show the codes of this sheet. It is locked so that they "
        "are not changed by accident.")  # fmt: skip
    for place, (name, width) in enumerate((("List", 22), ("Code", 26), ("Meaning", 30))):
        sheet.set_column(place, place, width)
        put(sheet, 3, place, name, looks["heading"])
    row = 4
    for name, labels in vocabulary.CODE_LISTS.items():
        for offset, (code, label) in enumerate(labels.items()):
            put(sheet, row + offset, 0, name, looks["cell"])
            put(sheet, row + offset, 1, code, looks["cell"])
            put(sheet, row + offset, 2, label, looks["cell"])
        last = row + len(labels)
        workbook.define_name(codes_name(name), f"='{CODE_SHEET}'!$B${row + 1}:$B${last}")
        row = last
    sheet.freeze_panes(4, 0)
    sheet.protect("", {"select_locked_cells": True, "autofilter": True})
    print_setup(sheet, heading_row=3)
    sheet.set_portrait()


def write_listing(sheet: Worksheet, listing: Listing, looks: Looks) -> None:
    """A sheet that holds one table for people."""
    put_listing(sheet, listing, looks)
    print_setup(sheet, heading_row=0)
