"""A workbook as a source gives exactly what the same tables give as CSV files."""

from __future__ import annotations

import datetime as dt
import hashlib
import pathlib
import shutil

import openpyxl
import pandas as pd
import pytest
import xlsxwriter

import audit
from audit.errors import UnusableInput
from audit.intake.sources import open_source
from audit.intake.tables import kind_of
from audit.intake.workbook.cells import typed_cells
from audit.intake.workbook.xml import Formats, column_letters, column_number
from audit.release.entry.workbook import blank_workbook
from schemas import TABLES
from tests.conftest import DEMO

TRAPS = pathlib.Path(__file__).parents[1] / "traps" / "workbooks"
CASES = ["case_id", "patient_id", "segment", "device_class", "age_at_surgery_years",
         "surgery_date", "planned_gain_mm", "last_follow_up_date", "outcome_status"]  # fmt: skip
CASE = ["C1", "P1", "femur", "lengthening_nail", 20, dt.date(2025, 1, 10), 38,
        dt.date(2025, 10, 10), "in_treatment"]  # fmt: skip
PATIENTS = [["patient_id", "sex", "aetiology"], ["P1", "male", "other"]]


def demo_texts() -> dict[str, pd.DataFrame]:
    files = sorted(path for path in DEMO.glob("*.csv") if path.stem in TABLES)
    return {path.stem: pd.read_csv(path, dtype=str, keep_default_na=False) for path in files}


def as_cell(kind: str, text: str) -> object:
    if text == "":
        return None
    if kind in ("number", "whole"):
        return float(text)
    if kind == "day":
        return dt.date.fromisoformat(text)
    return dt.datetime.fromisoformat(text) if kind == "moment" else text


def rows_of(table: str, frame: pd.DataFrame, *, typed: bool) -> list[list]:
    kinds = [kind_of(table, name) if typed else "text" for name in frame.columns]
    cells = [
        [as_cell(kind, text) for kind, text in zip(kinds, row, strict=True)]
        for row in frame.itertuples(index=False)
    ]
    return [list(frame.columns), *cells]


def by_openpyxl(path: pathlib.Path, tables: dict[str, list[list]]) -> pathlib.Path:
    book = openpyxl.Workbook(write_only=True)
    for table, rows in tables.items():
        sheet = book.create_sheet(table)
        for row in rows:
            sheet.append(row)
    book.save(path)
    return path


def by_xlsxwriter(path: pathlib.Path, tables: dict[str, list[list]]) -> pathlib.Path:
    with xlsxwriter.Workbook(str(path)) as book:
        forms = {
            dt.date: book.add_format({"num_format": "yyyy-mm-dd"}),
            dt.datetime: book.add_format({"num_format": "yyyy-mm-dd hh:mm"}),
        }
        for table, rows in tables.items():
            sheet = book.add_worksheet(table)
            for at, row in enumerate(rows):
                for place, value in enumerate(row):
                    if isinstance(value, str):
                        sheet.write_string(at, place, value)
                    elif value is not None:
                        sheet.write(at, place, value, forms.get(type(value)))
    return path


@pytest.mark.parametrize("typed", [True, False], ids=["typed", "all-text"])
@pytest.mark.parametrize("write", [by_openpyxl, by_xlsxwriter])
def test_the_demo_tables_come_back_exactly(write, typed, demo_tables, tmp_path):
    rows = {table: rows_of(table, frame, typed=typed) for table, frame in demo_texts().items()}
    tables = audit.read_source(write(tmp_path / "audit.xlsx", rows))
    assert set(tables) == set(demo_tables)
    for table, frame in demo_tables.items():
        pd.testing.assert_frame_equal(tables[table], frame)
    pd.testing.assert_frame_equal(tables.queries, demo_tables.queries)
    assert tables.given == demo_tables.given
    assert tables.cleaning.empty


@pytest.fixture
def book(tmp_path):
    """A workbook of sheets given as rows, by openpyxl; returns its path."""

    def write(**sheets: list[list]) -> pathlib.Path:
        given = {"patients": PATIENTS, "cases": [CASES, CASE], **sheets}
        return by_openpyxl(tmp_path / "audit.xlsx", given)

    return write


def test_inputs_say_file_and_sheet_and_the_hash_of_the_file(book):
    path = book(**{"Joint motion": [["case_id", "examined_on", "joint"]]})
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    inputs = audit.read_source(path).inputs
    assert [(item.table, item.name, item.sha256, item.rows) for item in inputs] == [
        ("patients", "audit.xlsx, sheet patients", digest, 1),
        ("cases", "audit.xlsx, sheet cases", digest, 1),
        ("joint_motion", "audit.xlsx, sheet Joint motion", digest, 0),
    ]
    assert open_source(path).noun == "sheet"


@pytest.mark.parametrize(
    "name", ["Joint motion", "JOINT-MOTION", "joint\u00a0motion ", "jointmotion"]
)
def test_sheet_names_are_forgiven_capitals_blanks_and_hyphens_and_it_is_logged(book, name):
    tables = audit.read_source(book(**{name: [["case_id", "examined_on", "joint"]]}))
    assert "joint_motion" in tables.given
    assert tables.cleaning["table"].tolist() == ["joint_motion"]
    assert name in tables.cleaning["change"].iloc[0]


def test_other_sheets_are_left_alone_and_near_names_are_pointed_out(book):
    tables = audit.read_source(book(**{"Read me": [["x"]], "Complication": [["x"]], "lists": []}))
    assert tables.queries[["table", "rule"]].to_numpy().tolist() == [
        ["complications", "file_not_used"]
    ]
    assert "sheet Complication was not used" in tables.queries["message"].iloc[0]


def test_sheets_that_add_words_to_a_table_name_are_pointed_out(book):
    queries = audit.read_source(
        book(**{"actions - Table 1": [["x"]], "Old cases": [["x"]]})
    ).queries
    assert queries[["table", "rule"]].to_numpy().tolist() == [["actions", "file_not_used"]]


def test_empty_rows_are_skipped_and_counted(book):
    other = ["C2", *CASE[1:6], "x", *CASE[7:]]
    tables = audit.read_source(book(cases=[[], CASES, [], CASE, [None, " "], [], other]))
    assert tables["cases"]["row"].tolist() == [4, 7]
    wrong = tables.queries.loc[tables.queries["rule"] == "not_a_number"]
    assert wrong["row"].tolist() == [7]


def test_headings_are_found_in_the_first_ten_lines_only(book):
    lines = [[f"line {number}"] for number in range(9)]
    assert audit.read_source(book(cases=[*lines, CASES, CASE]))["cases"]["row"].tolist() == [11]
    with pytest.raises(UnusableInput, match="no line with the headings of the table cases"):
        audit.read_source(book(cases=[["one line more"], *lines, CASES, CASE]))


def test_a_table_may_start_anywhere(book):
    shifted = [[], [], *[[None, None, *row] for row in (CASES, CASE)]]
    tables = audit.read_source(book(cases=shifted))
    assert tables["cases"]["row"].tolist() == [4]
    assert tables["cases"]["planned_gain_mm"].tolist() == [38.0]
    assert tables.queries.empty


def test_a_missing_column_is_named_from_the_line_that_is_most_like_headings(book):
    with pytest.raises(UnusableInput, match="required column 'segment' is missing"):
        audit.read_source(book(cases=[["Audit"], [*CASES[:2], *CASES[3:]], CASE[:8]]))


def test_headings_in_two_lines_without_a_merge_are_refused_with_advice(book):
    upper, lower = [*CASES[:5], *[None] * 4], [*[None] * 5, *CASES[5:]]
    with pytest.raises(UnusableInput, match=r"more than one line, so .*surgery_date"):
        audit.read_source(book(cases=[upper, lower, CASE]))


def test_headings_wrapped_in_the_cell_or_with_hard_blanks_are_read(book):
    wrapped = ["case\u00a0id", "Patient\nid", *CASES[2:]]
    assert audit.read_source(book(cases=[wrapped, CASE]))["cases"]["patient_id"].tolist() == ["P1"]


def test_a_text_that_became_a_date_is_asked_about_once_a_column(book):
    day = dt.date(2026, 2, 1)
    rows = [[*CASE, day], ["C2", *CASE[1:], "north"], ["C3", *CASE[1:], day]]
    queries = audit.read_source(book(cases=[[*CASES, "centre"], *rows])).queries
    assert queries["rule"].tolist() == ["text_stored_as_date"]
    assert "Column centre: 2 cells hold a date or time (rows 2, 4)" in queries["message"].iloc[0]


def test_the_source_is_neither_changed_nor_written_beside(tmp_path):
    folder = tmp_path / "source"
    folder.mkdir()
    path = pathlib.Path(shutil.copy(TRAPS / "formula_zero.xlsx", folder / "audit.xlsx"))
    path.chmod(0o444)
    folder.chmod(0o555)
    before = path.read_bytes(), path.stat().st_mtime_ns
    try:
        audit.build_cohort(audit.read_source(path))
        assert (path.read_bytes(), path.stat().st_mtime_ns) == before
        assert [item.name for item in folder.iterdir()] == ["audit.xlsx"]
    finally:
        folder.chmod(0o755)


def test_the_blank_entry_workbook_is_a_source_without_rows(tmp_path):
    path = tmp_path / "entry.xlsx"
    path.write_bytes(blank_workbook())
    tables = audit.read_source(path)
    assert tables.given == set(TABLES)
    assert not any(len(frame) for frame in tables.values())
    assert tables.queries.empty
    assert tables.cleaning.empty


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (38.0, "38"),
        (-0.0, "0"),
        (57.5, "57.5"),
        (0.1 + 0.2, "0.30000000000000004"),
        (1e-05, "1e-05"),
        (1.2345678901234568e16, "12345678901234568"),
        (True, "TRUE"),
        (False, "FALSE"),
        ("", ""),
        (" as it is ", " as it is "),
        (dt.date(2025, 1, 10), "2025-01-10"),
        (dt.datetime(2025, 1, 10), "2025-01-10"),
        (dt.datetime(2025, 1, 10, 13, 14), "2025-01-10 13:14"),
        (dt.datetime(2025, 1, 10, 13, 13, 59, 999_000), "2025-01-10 13:14"),
        (dt.datetime(2025, 1, 10, 23, 59, 59, 600_000), "2025-01-11"),
        (dt.datetime(9999, 12, 31, 23, 59, 59, 999_999), "9999-12-31 23:59:59"),
        (dt.time(6, 0), "06:00"),
        (dt.time(23, 59, 59, 999_999), "00:00"),
        (dt.timedelta(hours=30, minutes=5), "30:05"),
        (dt.timedelta(minutes=-90, seconds=1), "-1:29:59"),
    ],
)
def test_a_cell_is_written_as_a_person_would_type_it(value, text):
    assert typed_cells([value]).texts == [text]


def test_one_and_true_in_a_column_are_not_mixed_up():
    assert typed_cells([1.0, True, 0.0, False]).texts == ["1", "TRUE", "0", "FALSE"]


@pytest.mark.parametrize(("number", "letters"), [(1, "A"), (26, "Z"), (27, "AA"), (16384, "XFD")])
def test_columns_are_counted_as_in_a_sheet(number, letters):
    assert column_letters(number) == letters
    assert column_number(letters) == number


@pytest.mark.parametrize(
    ("code", "hours", "unit"),
    [
        ("yyyy-mm-dd hh:mm", True, False),
        ("[$-409]h:mm AM/PM;@", True, False),
        ("yyyy-mm-dd", False, False),
        ('yyyy"h"', False, False),
        ('0.0" cm"', False, True),
        ("0.0\\ \\c\\m", False, True),
        ("#,##0.0 [$mm]", False, True),
        ("0.0%", False, True),
        ("0,", False, True),
        ("#,##0.00", False, False),
        ("0.00;[Red]-0.00", False, False),
        ("[Blue]General", False, False),
        ('0.0;"none"', False, False),
        ("@", False, False),
    ],
)
def test_number_formats_tell_hours_and_units(code, hours, unit):
    """Codes as in ISO/IEC 29500-1, 18.8.31."""
    formats = Formats(((164, code),))
    assert bool(formats.with_hours) == hours
    assert bool(formats.with_unit) == unit
