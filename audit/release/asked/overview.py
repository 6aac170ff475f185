"""The first sheet of the return workbook: what was found, where, and how to work with it."""

from __future__ import annotations

from collections.abc import Iterator

from xlsxwriter.worksheet import Worksheet

from audit.cohort import Cohort
from audit.intake.grid import Opened
from audit.release.asked.rows import AskedTable, Question
from audit.release.workbook_sheets import Line, lines_of, print_setup, put, set_height, write_lines
from audit.release.workbook_style import Looks

TITLE = "Questions about the data"
OVERVIEW, COUNTS = "Questions", "Counts by rule"
LABEL_WIDTH, TEXT_WIDTH, ANSWER_WIDTH = 32, 92, 40


def sheet_name(table: str) -> str:
    """Name of the sheet of a table. It is no table's name, so that this workbook, given as a
    source by mistake, is refused instead of read as a small source."""
    return f"{table[:23]} (asked)"


class Facts:
    """What the overview tells, counted once."""

    def __init__(
        self, cohort: Cohort, opened: Opened, source: str, tables: list[AskedTable]
    ) -> None:
        queries = cohort.queries
        self.source, self.noun, self.tables = source, opened.noun, tables
        self.cutoff = cohort.cutoff.date()
        self.read = dict(zip(cohort.rows["table"], cohort.rows["read"], strict=True))
        self.counts = {
            (str(table), str(severity)): len(part)
            for (table, severity), part in queries.groupby(["table", "severity"])
        }
        self.whole = queries.loc[queries["row"].astype(str) == ""]

    def number(self, severity: str, table: str | None = None) -> int:
        """Questions of a severity, of one table or of all."""
        return sum(
            number
            for (name, kind), number in self.counts.items()
            if kind == severity and table in (None, name)
        )


def _overview_lines(facts: Facts) -> Iterator[Line]:
    errors, warnings = facts.number("error"), facts.number("warning")
    yield Line("title", TITLE, "")
    lead = f"{facts.source}, up to {facts.cutoff}: {_counted(errors, warnings)}."
    yield Line("lead", lead, "")
    yield Line("section", "What the words mean", "")
    yield Line(
        "mark error",
        "ERROR",
        "Bold, solid edge: the value, or the whole row, is left out of every number until it is "
        "corrected.",
    )
    yield Line(
        "mark warning",
        "WARNING",
        "Italic, dashed edge: the value is used, but it looks unlikely. Check it. If it is right, "
        "leave it and say so in your answer.",
    )
    yield Line(
        "text",
        "Internal",
        "This file shows rows of patients as they were typed, free text included. Keep it inside "
        "the department, and delete it when the questions are answered.",
    )
    yield Line("section", "How to work with this file", "")
    yield from _steps(facts.noun)
    yield Line("section", "Where the questions are", "")
    yield from _table_lines(facts)


def _steps(noun: str) -> Iterator[Line]:
    yield Line(
        "text",
        "1  Look",
        "Open the sheet of a table. It holds only the rows with a question. Rest the pointer on a "
        "marked cell to read what is asked; the column questions says the same in words.",
    )
    yield Line(
        "text",
        "2  Correct",
        f"Correct the value in your own {noun}, in the row whose number stands in front. "
        "Corrections made here are never read.",
    )
    yield Line(
        "text",
        "3  Answer",
        "Write in the column answer what you found: corrected, right as it is, or not known.",
    )
    yield Line(
        "text",
        "4  Check again",
        "Run the check again on your own data and go on until only warnings remain that you have "
        "answered.",
    )


def _table_lines(facts: Facts) -> Iterator[Line]:
    shown = {table.table: table for table in facts.tables}
    for table, read in facts.read.items():
        errors, warnings = facts.number("error", table), facts.number("warning", table)
        words = f"{number_of(read, 'row')} read: {_counted(errors, warnings)}"
        if table not in shown:
            yield Line("text", table, f"{words}.")
            continue
        part = shown[table]
        words += f", in {number_of(len(part.rows) + part.left_out, 'row')}."
        yield Line("link", sheet_name(table), f"{words} {left_out_words(part)}".strip())
    yield Line("link", COUNTS, "How often each rule asks, and what to do.")


def _counted(errors: int, warnings: int) -> str:
    if not errors + warnings:
        return "no questions"
    return f"{number_of(errors, 'error')} and {number_of(warnings, 'warning')}"


def number_of(number: int, thing: str) -> str:
    """A count with its noun: "no rows", "1 row", "2,000 rows"."""
    return f"{number:,} {thing}{'' if number == 1 else 's'}" if number else f"no {thing}s"


def left_out_words(table: AskedTable) -> str:
    """What is not shown, never silently."""
    parts = []
    if table.left_out:
        parts.append(
            f"{table.left_out:,} more rows with a question are left out here: see queries.csv, "
            "which has all."
        )
    if table.marked > table.notes:
        parts.append(
            f"Only the first {table.notes:,} of {table.marked:,} marked cells have a comment; the "
            "column questions has all."
        )
    return " ".join(parts)


def write_overview(sheet: Worksheet, facts: Facts, looks: Looks) -> None:
    """Write the first sheet."""
    sheet.hide_gridlines(2)
    lines = list(_overview_lines(facts))
    row = write_lines(sheet, lines, looks, widths=(LABEL_WIDTH, TEXT_WIDTH))
    sheet.set_column(2, 2, ANSWER_WIDTH)
    if not facts.whole.empty:
        _write_whole(sheet, row, facts, looks)
    print_setup(sheet, heading_row=None)


def _write_whole(sheet: Worksheet, row: int, facts: Facts, looks: Looks) -> None:
    """Questions about a whole file or column, each with a cell for the answer."""
    sheet.set_row(row, 28)
    put(sheet, row, 0, f"About a whole {facts.noun} or column", looks["section"])
    put(sheet, row, 1, "", looks["section"])
    put(sheet, row + 1, 2, "answer", looks["answer heading"])
    for place, query in enumerate(facts.whole.itertuples(), start=row + 2):
        where = f"{query.table}.{query.column}" if query.column else str(query.table)
        asked = Question(str(query.severity), "", str(query.rule), str(query.message)).words
        set_height(sheet, place, max(lines_of(where, LABEL_WIDTH), lines_of(asked, TEXT_WIDTH)))
        put(sheet, place, 0, where, looks["label"])
        put(sheet, place, 1, asked, looks["text"])
        put(sheet, place, 2, "", looks["answer"])
