"""The return workbook puts every question at its cell and shows the cells as they were typed.

Written from the faulty twin of the demo data; read with openpyxl, which did not write it, and held
against the source files read by the csv module.
"""

from __future__ import annotations

import csv
import io
import re
import zipfile
from collections import Counter
from xml.etree import ElementTree

import openpyxl
import pytest

import audit
from audit.checking import check_source
from audit.commands import main
from audit.errors import UnusableInput
from audit.intake.parse import plain_heading
from audit.release.asked.rows import Most
from audit.release.asked.workbook import query_workbook
from audit.release.workbook_sheets import MOST_LETTERS, visible
from schemas import TABLES
from tests.conftest import DEMO, ROOT

FAULTY = ROOT / "demo_data" / "faulty"
HEADINGS_ROW = 5
CUTOFF = "2026-10-31"

CASES = (
    "case_id,patient_id,side,segment,device_class,age_at_surgery_years,surgery_date,"
    "planned_gain_mm,last_follow_up_date,outcome_status,remark\n"
)
CASE = "C1,P1,left,femur,lengthening_nail,20,2025-01-10,38,2025-03-10,in_treatment,{}\n"


@pytest.fixture(scope="module")
def checked():
    return check_source(FAULTY, CUTOFF)


@pytest.fixture(scope="module")
def content(checked):
    return query_workbook(checked.cohort, checked.opened, source=checked.source)


@pytest.fixture(scope="module")
def book(content):
    return openpyxl.load_workbook(io.BytesIO(content))


def workbook_of(folder, cutoff=None):
    checked = check_source(folder, cutoff)
    content = query_workbook(checked.cohort, checked.opened, source=checked.source)
    return openpyxl.load_workbook(io.BytesIO(content)), checked.cohort.queries


def table_sheets(book) -> dict[str, object]:
    return {name.removesuffix(" (asked)"): book[name] for name in book.sheetnames if "(ask" in name}


def rows_of(sheet) -> dict[int, tuple]:
    """Row number in the source -> the cells of the sheet's row."""
    return {row[0].value: row for row in sheet.iter_rows(min_row=HEADINGS_ROW + 1)}


def comments_of(table: str, sheet) -> list[tuple]:
    """(table, row, column, rule, severity) of every question told in a comment."""
    headings = [cell.value for cell in sheet[HEADINGS_ROW]]
    found = []
    for number, row in rows_of(sheet).items():
        for cell in row:
            if cell.comment is None:
                continue
            for block in cell.comment.text.split("\n\n"):
                severity = block.split(":")[0].lower()
                *column, rule = block.splitlines()[-1].removeprefix("Rule: ").split()
                found.append((table, number, *(column or [""]), rule, severity))
                placed = (column or ["row"])[0]
                known = [plain_heading(str(name)) for name in headings[3:]]
                at = str(headings[cell.column - 1])
                assert plain_heading(at) == (placed if placed in known else "row")
    return found


def asked(queries) -> Counter:
    at_rows = queries[queries["row"].astype(str) != ""]
    columns = ["table", "row", "column", "rule", "severity"]
    return Counter(map(tuple, at_rows[columns].astype({"row": int}).to_numpy().tolist()))


def told(book) -> Counter:
    return Counter(one for table, sheet in table_sheets(book).items() for one in comments_of(table, sheet))  # fmt: skip


def overview(book) -> str:
    rows = book["Questions"].iter_rows(values_only=True)
    return "\n".join(" | ".join(str(cell) for cell in row if cell) for row in rows)


def test_every_question_stands_once_at_its_cell(book, checked):
    assert told(book) == asked(checked.cohort.queries)
    assert len(told(book)) > 200


def test_only_rows_with_a_question_are_shown_and_each_once(book, checked):
    queries = checked.cohort.queries
    for table, sheet in table_sheets(book).items():
        numbers = [row[0].value for row in sheet.iter_rows(min_row=HEADINGS_ROW + 1)]
        mine = queries[(queries["table"] == table) & (queries["row"].astype(str) != "")]
        assert numbers == sorted(set(mine["row"].astype(int)))


def test_cells_are_as_typed_in_the_file(book):
    for table, sheet in table_sheets(book).items():
        with (FAULTY / f"{table}.csv").open(encoding="utf-8", newline="") as file:
            lines = list(csv.reader(file))
        headings = [cell.value for cell in sheet[HEADINGS_ROW]]
        assert headings == ["row", "answer", "questions", *lines[0]]
        for number, row in rows_of(sheet).items():
            assert [cell.value or "" for cell in row[3:]] == lines[number - 1]
            assert {cell.data_type for cell in row[3:] if cell.value is not None} <= {"s"}


def test_the_questions_are_also_told_in_words(book):
    for table, sheet in table_sheets(book).items():
        for row in rows_of(sheet).values():
            words = row[2].value
            rules = [
                rule
                for _, number, _, rule, _ in comments_of(table, sheet)
                if number == row[0].value
            ]
            assert sorted(re.findall(r"\((\w+)\)$", words, re.M)) == sorted(rules)
            assert all(re.match("ERROR|WARNING", line) for line in words.splitlines())


def test_answers_are_empty_and_marked_as_the_place_to_write(book):
    for sheet in table_sheets(book).values():
        assert sheet["B4"].value == "WRITE HERE"
        assert sheet.column_dimensions["B"].width >= 30
        assert {row[1].value for row in rows_of(sheet).values()} == {None}


def test_error_and_warning_differ_by_more_than_colour(book):
    seen = set()
    for sheet in table_sheets(book).values():
        for row in rows_of(sheet).values():
            for cell in row[3:]:
                if cell.comment is None:
                    assert cell.border.left.style is None and not cell.font.bold
                    continue
                error = cell.comment.text.startswith("ERROR")
                assert cell.border.left.style == ("medium" if error else "mediumDashed")
                assert (cell.font.bold, cell.font.italic) == (error, not error)
                seen.add(error)
    assert seen == {True, False}


def test_the_overview_counts_add_up(book, checked):
    queries = checked.cohort.queries
    text = overview(book)
    errors = int((queries["severity"] == "error").sum())
    assert f"{errors} errors and {len(queries) - errors} warnings" in text
    for table in TABLES:
        mine = queries[queries["table"] == table]
        line = next(one for one in text.splitlines() if one.startswith(table))
        found = re.search(r": (?:(\d+|no) errors? and (\d+|no) warnings?|no questions)", line)
        counted = [0 if part in ("no", None) else int(part) for part in found.groups()]
        severity = mine["severity"]
        assert counted == [int((severity == "error").sum()), int((severity == "warning").sum())]


def test_counts_by_rule_add_up_to_all_questions(book, checked):
    rows = list(book["Counts by rule"].iter_rows(min_row=2, values_only=True))
    queries = checked.cohort.queries
    assert sum(row[3] for row in rows) == len(queries)
    counts = queries.value_counts(["severity", "table", "column", "rule"]).to_dict()
    told = {(row[0].lower(), row[1], row[2] or "", row[5]): row[3] for row in rows}
    assert told == counts


def test_questions_about_a_whole_column_have_a_place_for_the_answer(book, checked):
    queries = checked.cohort.queries
    whole = queries[queries["row"].astype(str) == ""]
    assert not whole.empty
    rows = list(book["Questions"].iter_rows(values_only=True))
    start = next(
        place for place, row in enumerate(rows) if row[0] == "About a whole file or column"
    )
    assert rows[start + 1][2] == "answer"
    told = [(row[0], row[1]) for row in rows[start + 2 :]]
    expected = [
        (f"{one.table}.{one.column}", f"{one.severity.upper()} {one.message} ({one.rule})")
        for one in whole.itertuples()
    ]
    assert told == expected


def test_it_says_internal_on_every_sheet(book):
    assert all("Internal" in sheet.oddFooter.left.text for sheet in book)
    assert all("Internal" in sheet["B2"].value for sheet in table_sheets(book).values())


def test_the_same_file_every_time(checked, content):
    again = query_workbook(checked.cohort, checked.opened, source=checked.source)
    assert again == content


@pytest.fixture
def small_source(tmp_path):
    """A source of one case whose free text is given; returns the folder."""

    def write(remark: str, *, case: str = CASE, headings: str = CASES):
        folder = tmp_path / "small"
        folder.mkdir(exist_ok=True)
        (folder / "patients.csv").write_text("patient_id,sex\nP1,womann\n")
        text = headings + case.format('"' + remark.replace('"', '""') + '"')
        (folder / "cases.csv").write_text(text.replace("38", "380"), encoding="utf-8", newline="")
        return folder

    return write


@pytest.mark.parametrize(
    "text", ["=1+1", "+SUM(A1)", "-2+3", "@x", "{=1}", "http://example.org/x", "mailto:x", "007",
             "1e5", "=HYPERLINK(A1)", "'=1", " spaced ", "a\nb", "_x0041_", "½ − ü 漢"]
)  # fmt: skip
def test_a_text_is_written_as_typed_and_never_runs(small_source, text):
    book, queries = workbook_of(small_source(text))
    assert "out_of_range" in set(queries["rule"])
    cell = next(iter(rows_of(book["cases (asked)"]).values()))[-1]
    # openpyxl leaves the file format's own escape of _x0041_ as it stands in the file
    read = cell.value.replace("_x005F_", "_")
    assert (read, cell.data_type, cell.hyperlink) == (text, "s", None)


def test_control_characters_become_visible_and_the_file_stays_whole(small_source):
    folder = small_source("bell\x07 null-free \x1b end\x7f")
    checked = check_source(folder)
    content = query_workbook(checked.cohort, checked.opened, source="small")
    with zipfile.ZipFile(io.BytesIO(content)) as package:
        for name in package.namelist():
            if name.endswith((".xml", ".rels", ".vml")):
                ElementTree.fromstring(package.read(name))
    sheet = openpyxl.load_workbook(io.BytesIO(content))["cases (asked)"]
    cell = next(iter(rows_of(sheet).values()))[-1]
    assert cell.value == "bell\N{SYMBOL FOR BELL} null-free \N{SYMBOL FOR ESCAPE} end\N{SYMBOL FOR DELETE}"  # fmt: skip


@pytest.mark.parametrize("letter", ["a", "\N{GRINNING FACE}"])
def test_a_text_too_long_for_a_cell_is_cut_and_says_so(letter):
    long = letter * 40_000
    cut = visible(long)
    assert len(cut.encode("utf-16-le")) // 2 <= MOST_LETTERS
    assert cut.endswith(" [cut here: the cell has 40000 characters]")
    assert cut.startswith(letter * 100)
    assert visible(letter * 16_000) == letter * 16_000


def test_headings_spelt_in_another_way_find_their_questions(small_source):
    folder = small_source("x", headings=CASES.replace("planned_gain_mm", "Planned Gain_mm"))
    book, queries = workbook_of(folder)
    sheet = book["cases (asked)"]
    row = next(iter(rows_of(sheet).values()))
    place = [cell.value for cell in sheet[HEADINGS_ROW]].index("Planned Gain_mm")
    assert "out_of_range" in row[place].comment.text
    assert row[place].value == "380"
    assert "planned_gain_mm" in set(queries["column"])


def test_a_question_about_a_column_that_the_table_lacks_stands_at_the_row(write_source):
    folder = write_source(
        patients="patient_id sex\nP1 female",
        cases="case_id patient_id segment device_class age_at_surgery_years surgery_date "
        "planned_gain_mm last_follow_up_date outcome_status\n"
        "C1 P1 femur lengthening_nail 20 2025-01-10 38 2025-12-10 completed",
    )
    book, queries = workbook_of(folder)
    assert "union_date" in set(queries["column"])
    row = rows_of(book["cases (asked)"])[2]
    assert "Rule: union_date" in row[0].comment.text
    assert told(book) == asked(queries)


def test_a_line_with_too_many_cells_is_asked_about_at_its_row(small_source):
    case = CASE + "C2,P1,left,tibia,lengthening_nail,20,2025-01-10,38,2025-03-10,in_treatment,a,b\n"
    book, queries = workbook_of(small_source("x", case=case))
    assert "more_cells_than_headings" in rows_of(book["cases (asked)"])[3][0].comment.text
    assert told(book) == asked(queries)


def test_rows_beyond_the_most_are_left_out_aloud_and_errors_come_first(checked):
    few = Most(rows=12)
    content = query_workbook(checked.cohort, checked.opened, source="faulty", most=few)
    book = openpyxl.load_workbook(io.BytesIO(content))
    sheet = book["cases (asked)"]
    rows = rows_of(sheet)
    queries = checked.cohort.queries
    mine = queries[(queries["table"] == "cases") & (queries["row"].astype(str) != "")]
    assert len(rows) == 12
    wrong = set(mine.loc[mine["severity"] == "error", "row"].astype(int))
    assert set(rows) <= wrong and list(rows) == sorted(rows)
    left = mine["row"].nunique() - 12
    words = f"{left} more rows with a question are left out here: see queries.csv, which has all."
    assert words in sheet["B3"].value and words in overview(book)
    assert f"in {mine['row'].nunique()} rows." in overview(book)


def test_marked_cells_beyond_the_most_have_no_comment_and_it_is_said(checked):
    few = Most(notes=20)
    content = query_workbook(checked.cohort, checked.opened, source="faulty", most=few)
    sheet = openpyxl.load_workbook(io.BytesIO(content))["cases (asked)"]
    cells = [cell for row in rows_of(sheet).values() for cell in row]
    assert sum(cell.comment is not None for cell in cells) == 20
    marked = sum(cell.border.left.style in ("medium", "mediumDashed") for cell in cells)
    assert f"Only the first 20 of {marked} marked cells have a comment" in sheet["B3"].value


def test_without_questions_it_says_so(write_source):
    folder = write_source(
        patients="patient_id sex\nP1 female",
        cases="case_id patient_id segment device_class age_at_surgery_years surgery_date "
        "planned_gain_mm last_follow_up_date outcome_status\n"
        "C1 P1 femur lengthening_nail 20 2025-01-10 38 2025-03-10 in_treatment",
    )
    book, queries = workbook_of(folder)
    assert queries.empty
    assert book.sheetnames == ["Questions", "Counts by rule"]
    assert "source, up to 2025-03-10: no questions." in overview(book)


def test_given_as_a_source_by_mistake_it_is_refused(content, tmp_path):
    path = tmp_path / "queries.xlsx"
    path.write_bytes(content)
    with pytest.raises(UnusableInput, match="patients"):
        audit.read_source(path)


def test_check_writes_it_beside_the_list(tmp_path, capsys):
    out = tmp_path / "asked"
    assert main(["check", str(DEMO), "--out", str(out)]) == 1
    assert {"queries.csv", "queries.xlsx"} <= {path.name for path in out.iterdir()}
    assert "queries.xlsx, and queries.csv beside it" in capsys.readouterr().err
    book = openpyxl.load_workbook(out / "queries.xlsx")
    with (out / "queries.csv").open(encoding="utf-8", newline="") as file:
        listed = list(csv.DictReader(file))
    at_rows = [one for one in listed if one["row"]]
    assert sum(told(book).values()) == len(at_rows)
