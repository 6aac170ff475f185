"""Each committed workbook holds one thing that goes wrong: it is read right, asked about or refused.

The files are made by `tests/traps/make_workbooks.py`. What an .xlsx may hold: ISO/IEC 29500-1.
"""

from __future__ import annotations

import functools
import pathlib

import pandas as pd
import pytest

import audit
from audit.errors import UnusableInput

HERE = pathlib.Path(__file__).parents[1] / "traps" / "workbooks"
GAIN = "planned_gain_mm"

#: file -> the questions of reading it: (table, rule, severity, column, row), "" = no row
QUESTIONS: dict[str, list[tuple]] = {
    "blanks_and_breaks.xlsx": [("cases", "unknown_column", "warning", "notes", "")],
    "column_without_heading.xlsx": [("cases", "column_without_heading", "warning", "", "")],
    "connections.xlsx": [("cases", "other_content_ignored", "warning", "", "")],
    "dates_as_text.xlsx": [("cases", "not_a_date", "error", "surgery_date", 2)],
    "dates_from_1904.xlsx": [],
    "dates_iso.xlsx": [],
    "early_dates.xlsx": [
        ("cases", "date_before_march_1900", "error", "surgery_date", 2),
        ("cases", "date_before_march_1900", "error", GAIN, 2),
    ],
    "error_cells.xlsx": [
        ("cases", "spreadsheet_error_value", "error", "segment", 4),
        ("cases", "spreadsheet_error_value", "error", "age_at_surgery_years", 3),
        ("cases", "spreadsheet_error_value", "error", GAIN, 2),
    ],
    "external_links.xlsx": [("cases", "external_links_ignored", "warning", "", "")],
    "formatted_far_away.xlsx": [],
    "formula_by_hand.xlsx": [("cases", "formula_cells", "warning", "", "")],
    "formula_empty_text.xlsx": [("cases", "formula_cells", "warning", "", "")],
    "formula_spilled.xlsx": [("cases", "formula_cells", "warning", "", "")],
    "formula_stored.xlsx": [("cases", "formula_cells", "warning", "", "")],
    "formula_unstored.xlsx": [
        ("cases", "formula_without_value", "error", GAIN, 2),
        ("cases", "formula_without_value", "error", GAIN, 3),
    ],
    "formula_zero.xlsx": [
        ("cases", "formula_without_value", "error", GAIN, 2),
        ("cases", "formula_cells", "warning", "", ""),
    ],
    "headings_only.xlsx": [],
    "hidden_rows_and_columns.xlsx": [
        ("cases", "hidden_rows", "warning", "", ""),
        ("cases", "hidden_columns", "warning", "", ""),
    ],
    "ids_as_dates.xlsx": [("cases", "identifier_stored_as_date", "error", "case_id", 2)],
    "ids_as_numbers.xlsx": [("cases", "identifier_stored_as_number", "warning", "", "")],
    "leading_apostrophe.xlsx": [],
    "lines_above.xlsx": [("cases", "lines_above_headings", "warning", "", "")],
    "macros.xlsm": [("cases", "macros_ignored", "warning", "", "")],
    "merged_covered_value.xlsx": [("cases", "merged_cells", "error", "segment", 3)],
    "merged_data.xlsx": [
        ("cases", "merged_cells", "warning", "segment", 3),
        ("cases", "merged_cells", "warning", "segment", 4),
    ],
    "numbers_as_text.xlsx": [],
    "plain.xlsx": [],
    "plain_shared.xlsx": [],
    "rich_text.xlsx": [("cases", "unknown_column", "warning", "notes", "")],
    "sheet_capitals.xlsx": [],
    "sheet_empty_optional.xlsx": [("cases", "sheet_empty", "warning", "", "")],
    "sheet_hidden.xlsx": [
        ("patients", "sheet_hidden", "warning", "", ""),
        ("cases", "sheet_hidden", "warning", "", ""),
    ],
    "sheet_names.xlsx": [("weight_bearing", "file_not_used", "warning", "", "")],
    "spelt_elsewhere.xlsx": [],
    "spelt_strict.xlsx": [],
    "spelt_with_defaults.xlsx": [],
    "spelt_with_prefixes.xlsx": [],
    "spelt_with_remarks.xlsx": [],
    "spelt_without_places.xlsx": [],
    "table_with_totals.xlsx": [("cases", "totals_row_not_used", "warning", "", "")],
    "times.xlsx": [
        ("distraction_sessions", "not_a_date_and_time", "error", "started_at", row)
        for row in (7, 8, 9)
    ],
    "truth_values.xlsx": [],
    "units_in_format.xlsx": [("cases", "number_shown_with_unit", "warning", "", "")],
}

#: file -> what the refusal says
REFUSALS: dict[str, str] = {
    "binary.xlsb": r"binary workbook \(\.xlsb\).*save it as \.xlsx",
    "document.xlsx": r"text document \(\.docx\).*save that as \.xlsx",
    "document_type.xlsx": r"not opened: it holds a document type declaration",
    "folder.zip": r"packed folder \(\.zip\).*Unpack it",
    "headings_merged.xlsx": r"merged cells or in more than one line, so age_at_surgery_years.*"
    r"Undo the merge and write all headings into one line",
    "headings_missing.xlsx": r"Sheet cases: no line with the headings of the table cases",
    "headings_name.xlsx": r"'patient_name' looks like a name",
    "headings_twice.xlsx": r"'planned_gain_mm' stands more than once",
    "name_absolute.xlsx": r"points outside the workbook",
    "name_outside.xlsx": r"points outside the workbook",
    "name_twice.xlsx": r"two of its parts have the same name",
    "no_patients.xlsx": r"no sheet patients\. Required: patients and cases; found: people, cases",
    "not_utf8.xlsx": r"not stored as UTF-8",
    "nothing.xlsx": r"nothing\.xlsx is empty",
    "old.xls": r"older kind \(\.xls\).*save it as \.xlsx",
    "one_table.csv": r"one text table.*patients\.csv and cases\.csv into a folder",
    "open_document.ods": r"\.ods or alike.*save it as \.xlsx",
    "password.xlsx": r"protected by a password\. Open it.*remove the password",
    "sheet_empty.xlsx": r"the sheet cases is empty",
    "sheets.numbers": r"\.numbers or alike.*Export it as \.xlsx",
    "text.xlsx": r"text file and no workbook",
    "truncated.xlsx": r"damaged or incomplete",
    "two_sheets_one_table.xlsx": r"the sheets Joint_motion and joint-motion are both the table",
    "web_page.xlsx": r"web page with a table.*save it as \.xlsx",
}

SAME_AS_PLAIN = [
    "dates_from_1904.xlsx", "dates_iso.xlsx", "formatted_far_away.xlsx", "formula_stored.xlsx",
    "leading_apostrophe.xlsx", "lines_above.xlsx", "macros.xlsm", "numbers_as_text.xlsx",
    "plain_shared.xlsx", "sheet_hidden.xlsx", "hidden_rows_and_columns.xlsx", "spelt_elsewhere.xlsx",
    "spelt_strict.xlsx", "spelt_with_defaults.xlsx", "spelt_with_prefixes.xlsx",
    "spelt_with_remarks.xlsx", "spelt_without_places.xlsx", "column_without_heading.xlsx",
    "external_links.xlsx", "connections.xlsx", "formula_by_hand.xlsx", "sheet_capitals.xlsx",
]  # fmt: skip


@functools.cache
def read(name: str):
    return audit.read_source(HERE / name)


def cases_of(name: str) -> pd.DataFrame:
    return read(name)["cases"]


def test_every_committed_workbook_has_its_test_and_every_test_its_workbook():
    assert {path.name for path in HERE.iterdir()} == set(QUESTIONS) | set(REFUSALS)


@pytest.mark.parametrize("name", sorted(QUESTIONS))
def test_what_goes_wrong_is_asked_about_once_and_at_its_place(name):
    queries = read(name).queries
    asked = queries[["table", "rule", "severity", "column", "row"]].itertuples(index=False)
    assert sorted(map(str, map(tuple, asked))) == sorted(map(str, QUESTIONS[name]))
    assert queries["message"].str.fullmatch(r"\S.+[.]", flags=16).all()


@pytest.mark.parametrize("name", sorted(REFUSALS))
def test_what_cannot_be_read_is_refused_with_its_own_advice(name):
    with pytest.raises(UnusableInput, match=REFUSALS[name]) as caught:
        audit.read_source(HERE / name)
    words = str(caught.value)
    assert str(HERE) not in words
    assert not any(secret in words for secret in ("P001", "C001", "Zanzibar", "post_traumatic"))
    assert caught.value.__cause__ is None
    assert caught.value.__context__ is None or caught.value.__suppress_context__


@pytest.mark.parametrize("name", SAME_AS_PLAIN)
def test_the_same_tables_in_another_dress_are_read_the_same(name):
    plain, other = cases_of("plain.xlsx"), cases_of(name)
    pd.testing.assert_frame_equal(plain.drop(columns="row"), other.drop(columns="row"))


def test_rows_are_those_of_the_sheet():
    assert cases_of("plain.xlsx")["row"].tolist() == [2, 3, 4]
    assert cases_of("lines_above.xlsx")["row"].tolist() == [5, 6, 7]


def test_values_out_of_use_are_missing_and_the_others_are_there():
    assert cases_of("error_cells.xlsx")[GAIN].isna().tolist() == [True, False, False]
    assert cases_of("formula_unstored.xlsx")[GAIN].isna().tolist() == [True, True, False]
    assert cases_of("formula_zero.xlsx")[GAIN].fillna(-1).tolist() == [-1, 42.5, 50]
    assert cases_of("formula_spilled.xlsx")[GAIN].tolist() == [40, 25, 62]
    assert cases_of("formula_empty_text.xlsx")["physes_open"].isna().tolist() == [
        True,
        False,
        False,
    ]
    assert cases_of("early_dates.xlsx")["surgery_date"].isna().tolist() == [True, False, False]
    assert cases_of("ids_as_dates.xlsx")["case_id"].isna().tolist() == [True, False, False]
    assert cases_of("ids_as_numbers.xlsx")["case_id"].tolist() == ["1", "2", "3"]
    assert cases_of("merged_data.xlsx")["segment"].isna().tolist() == [False, True, True]
    assert cases_of("merged_covered_value.xlsx")["segment"].fillna("").tolist() == [
        "femur",
        "",
        "femur",
    ]
    assert cases_of("units_in_format.xlsx")[GAIN].tolist() == [3.8, 0.425, 50]
    assert len(cases_of("table_with_totals.xlsx")) == 3
    assert len(cases_of("headings_only.xlsx")) == 0


def test_texts_are_read_whole():
    blanks = cases_of("blanks_and_breaks.xlsx")
    assert blanks[["case_id", "patient_id", "segment"]].iloc[0].tolist() == [
        "C001",
        "P001",
        "femur",
    ]
    assert blanks["notes"].tolist() == ['said "well";\nthen, left']
    rich = cases_of("rich_text.xlsx")
    assert rich[["segment", "notes"]].iloc[0].tolist() == ["femur", "left leg"]


def test_true_and_false_become_yes_and_no_only_where_the_contract_has_them():
    tables = read("truth_values.xlsx")
    assert tables["cases"]["physes_open"].tolist() == ["yes", "yes", "no"]
    assert tables["cases"]["segment"].tolist() == ["FALSE", "tibia", "femur"]
    log = tables.cleaning.loc[tables.cleaning["column"] == "physes_open"]
    assert log[["change", "cells"]].to_numpy().tolist() == [["TRUE or FALSE read as yes or no", 1]]


def test_moments_lose_the_noise_of_stored_fractions_and_keep_midnight():
    sessions = read("times.xlsx")["distraction_sessions"]
    moments = sessions["started_at"].dt.strftime("%Y-%m-%d %H:%M:%S").tolist()
    assert moments[:5] == [
        "2024-10-09 13:14:00",
        "2024-10-09 13:14:00",
        "2024-10-09 00:00:00",
        "2024-10-10 00:00:00",
        "2024-10-09 06:00:07",
    ]
    # a day alone, an hour alone and a span are no moments
    assert sessions["started_at"].iloc[5:].isna().all()


def test_messages_say_how_many_and_where():
    def message(name: str) -> str:
        return read(name).queries["message"].iloc[0]

    assert message("ids_as_numbers.xlsx").startswith(
        "Column case_id: 3 cells hold a number (rows 2, 3, 4)"
    )
    assert "1 row with values" in message("hidden_rows_and_columns.xlsx")
    assert "line 4" in message("lines_above.xlsx")
    assert "(L)" in message("column_without_heading.xlsx")
    assert "calculate by hand" in message("formula_by_hand.xlsx")
    assert "rows 2, 3, 4" in message("formula_spilled.xlsx")
