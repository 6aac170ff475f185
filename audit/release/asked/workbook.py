"""The return workbook: every question at its cell, for the person who enters the data.

It shows the department's own rows as typed, so it stays inside the department. Nothing is read
back from it: values are corrected in the source.
"""

from __future__ import annotations

import io

import pandas as pd
from xlsxwriter.workbook import Workbook
from xlsxwriter.worksheet import Worksheet

from audit.cohort import Cohort
from audit.intake.grid import Opened
from audit.release.asked.overview import (
    COUNTS,
    OVERVIEW,
    TITLE,
    Facts,
    left_out_words,
    number_of,
    sheet_name,
    write_overview,
)
from audit.release.asked.rows import (
    SEVERITIES,
    WHOLE_ROW,
    AskedRow,
    AskedTable,
    Most,
    Question,
    asked_table,
    counts_by_rule,
    gravest,
)
from audit.release.workbook_sheets import (
    INTERNAL,
    Listing,
    lines_of,
    new_workbook,
    note,
    print_setup,
    put,
    put_listing,
    set_height,
)
from audit.release.workbook_style import Looks

ROW, ANSWER, ASKED, FIRST = 0, 1, 2, 3
TOP = 4
WIDTHS = {ROW: 8, ANSWER: 34, ASKED: 62}
NARROW, WIDE = 11, 34
#: characters that fit across one page turned sideways
PAGE_WIDTH = 150
NOT_USED = {"error": "not used until it is corrected", "warning": "used, but please check it"}


def query_workbook(
    cohort: Cohort, opened: Opened, *, source: str, most: Most | None = None
) -> bytes:
    """The return workbook as the bytes of an .xlsx file; the same content, the same bytes.

    opened: the source as read, for the cells as typed. source: its name, shown on the first
    sheet. most: rows beyond it are left out, and their sheet and the first one say how many.
    """
    most = most or Most()
    queries = cohort.queries
    at_rows = queries.loc[queries["row"].astype(str) != ""]
    tables = [
        asked_table(str(table), opened.grids[str(table)], part, most=most)
        for table, part in at_rows.groupby("table", sort=False)
    ]
    tables.sort(key=lambda one: list(cohort.tables).index(one.table))
    target = io.BytesIO()
    with new_workbook(target, title=TITLE) as workbook:
        looks = Looks(workbook)
        overview = workbook.add_worksheet(OVERVIEW)
        write_overview(overview, Facts(cohort, opened, source, tables), looks)
        for table in tables:
            _write_table(workbook, table, looks, noun=opened.noun)
        _write_counts(workbook.add_worksheet(COUNTS), queries, looks)
        overview.activate()
    return target.getvalue()


def _write_counts(sheet: Worksheet, queries: pd.DataFrame, looks: Looks) -> None:
    counts = counts_by_rule(queries)
    frame = pd.DataFrame(
        {
            "Kind": counts["severity"].map(SEVERITIES),
            "Table": counts["table"],
            "Column": counts["column"],
            "Times": counts["times"],
            "What to do": counts["message"],
            "Name of the rule": counts["rule"],
        }
    )
    put_listing(sheet, Listing(frame=frame, widths=(12, 22, 38, 9, 66, 38)), looks)
    print_setup(sheet, heading_row=0)


def _write_table(workbook: Workbook, table: AskedTable, looks: Looks, *, noun: str) -> None:
    sheet = workbook.add_worksheet(sheet_name(table.table))
    number = len(table.rows)
    # beside the row numbers, which stand on every printed page
    title = f"{table.table}: {number_of(number, 'row')} with questions"
    put(sheet, 0, ANSWER, title, looks["title"])
    how = f"Write in the column answer; correct the value in your own {noun}, not here. {INTERNAL}"
    put(sheet, 1, ANSWER, how, looks["quiet"])
    put(sheet, 2, ANSWER, left_out_words(table), looks["strong"])
    widths = {**WIDTHS, **_own_widths(table)}
    for place, width in widths.items():
        sheet.set_column(place, place, width)
    _write_top(sheet, table, looks, noun=noun)
    notes_left = table.notes
    for offset, asked in enumerate(table.rows, start=TOP + 1):
        _write_row(sheet, offset, asked, looks)
        set_height(sheet, offset, _height(asked, widths))
        notes_left = _write_notes(sheet, offset, asked, notes_left)
    sheet.autofilter(TOP, 0, TOP + number, FIRST + len(table.headings) - 1)
    sheet.freeze_panes(TOP + 1, ASKED)
    print_setup(sheet, heading_row=TOP, across=max(1, round(sum(widths.values()) / PAGE_WIDTH)))
    sheet.repeat_columns(ROW, ROW)


def _write_top(sheet: Worksheet, table: AskedTable, looks: Looks, *, noun: str) -> None:
    put(sheet, TOP - 1, ANSWER, "WRITE HERE", looks["band"])
    put(sheet, TOP - 1, FIRST, f"AS TYPED IN YOUR {noun.upper()}", looks["band"])
    ours = {ROW: "row", ANSWER: "answer", ASKED: "questions"}
    for place, name in ours.items():
        form = "answer heading" if place == ANSWER else "heading"
        put(sheet, TOP, place, name, looks[form])
    for place, name in enumerate(table.headings, start=FIRST):
        put(sheet, TOP, place, name, looks["optional"])


def _own_widths(table: AskedTable) -> dict[int, int]:
    widths = {}
    for place, name in enumerate(table.headings):
        longest = max((len(asked.cells[place]) for asked in table.rows), default=0)
        widths[FIRST + place] = max(len(name) + 3, min(WIDE, max(NARROW, longest + 3)))
    return widths


def _height(asked: AskedRow, widths: dict[int, int]) -> int:
    words = lines_of(_asked_words(asked), WIDTHS[ASKED] - 2)
    return max(
        [words]
        + [lines_of(cell, widths[place] - 2) for place, cell in enumerate(asked.cells, FIRST)]
    )


def _asked_words(asked: AskedRow) -> str:
    return "\n".join(question.words for question in asked.questions)


def _write_row(sheet: Worksheet, row: int, asked: AskedRow, looks: Looks) -> None:
    whole = asked.marks.get(WHOLE_ROW)
    put(sheet, row, ROW, asked.row, looks.mark(gravest(whole)) if whole else looks["cell"])
    put(sheet, row, ANSWER, "", looks["answer"])
    put(sheet, row, ASKED, _asked_words(asked), looks["cell"])
    for place, cell in enumerate(asked.cells):
        found = asked.marks.get(place)
        form = looks.mark(gravest(found)) if found else looks["typed"]
        put(sheet, row, FIRST + place, cell, form)


def _write_notes(sheet: Worksheet, row: int, asked: AskedRow, left: int) -> int:
    """Comments on the marked cells of a row; returns how many more there may be."""
    for place, questions in sorted(asked.marks.items()):
        if left == 0:
            break
        column = ROW if place == WHOLE_ROW else FIRST + place
        note(sheet, row, column, "\n\n".join(_note_words(question) for question in questions))
        left -= 1
    return left


def _note_words(question: Question) -> str:
    head = f"{SEVERITIES[question.severity]}: {NOT_USED[question.severity]}"
    where = f" {question.column}" if question.column else ""
    return f"{head}\n{question.message}\nRule:{where} {question.rule}"
