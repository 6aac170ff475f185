"""The way in: every bad input gives one clear message or a query, never a traceback."""

from __future__ import annotations

import random

import pandas as pd
import pytest

import audit
from audit.errors import UnusableInput

PATIENTS = "patient_id,sex,aetiology\nP1,female,congenital\nP2,male,other\n"
HEAD = (
    "case_id,patient_id,segment,device_class,age_at_surgery_years,surgery_date,planned_gain_mm,"
    "last_follow_up_date,outcome_status"
)
ROW = "C1,P1,femur,lengthening_nail,20,2025-01-10,38,2025-10-10,in_treatment"
CASES = f"{HEAD}\n{ROW}\n"


@pytest.fixture
def source(tmp_path):
    """A folder with the given file contents (text or bytes)."""

    def write(**files: str | bytes):
        for name, content in {"patients": PATIENTS, "cases": CASES, **files}.items():
            data = content.encode() if isinstance(content, str) else content
            (tmp_path / f"{name}.csv").write_bytes(data)
        return tmp_path

    return write


def rules_of(tables) -> list[str]:
    return tables.queries["rule"].tolist()


def test_clean_source_is_read_without_a_question(source):
    tables = audit.read_source(source())
    assert rules_of(tables) == []
    assert tables["cases"]["surgery_date"].tolist() == [pd.Timestamp("2025-01-10")]
    assert tables["cases"]["planned_gain_mm"].tolist() == [38.0]
    assert tables["cases"]["row"].tolist() == [2]
    assert set(tables) >= {"radiographs", "actions"}  # every contract table is there, maybe empty


@pytest.mark.parametrize(
    ("files", "message"),
    [
        ({"cases": b""}, r"cases\.csv is empty"),
        ({"cases": b"\xef\xbb\xbf"}, r"cases\.csv is empty"),
        ({"cases": "\n\n"}, r"cases\.csv is empty"),
        ({"cases": bytes(random.Random(1).randbytes(4000))}, r"cases\.csv is not a text file"),
        ({"cases": b"PK\x03\x04\x00\x00zip"}, r"cases\.csv is not a text file"),
        ({"cases": CASES.replace("segment,", "")}, r"required column 'segment' is missing"),
        ({"cases": CASES.replace("segment,", "sex,sex,")}, r"'sex' stands more than once"),
        ({"cases": f'{HEAD}\nC1,"P1,femur\n'}, r"cases\.csv, line 2: a quotation mark"),
        ({"weight_bearing": "case_id,assessed_on\nC1,2025-02-01\n"}, r"weight_bearing.*'load'"),
    ],
)
def test_unusable_files_are_refused_with_one_message(source, files, message):
    with pytest.raises(UnusableInput, match=message):
        audit.read_source(source(**files))


def test_missing_table_and_missing_folder_are_refused(tmp_path):
    with pytest.raises(UnusableInput, match="does not exist"):
        audit.read_source(tmp_path / "nowhere")
    (tmp_path / "cases.csv").write_text(CASES)
    with pytest.raises(UnusableInput, match=r"no patients\.csv.*found: cases\.csv"):
        audit.read_source(tmp_path)


@pytest.mark.parametrize(
    "heading",
    ["patient_name", "Surname", "date_of_birth", "DOB", "e-mail", "Phone number", "MRN",
     "home address", "serial_no", "hospital number", "national_id", "post code"],
)  # fmt: skip
def test_identifying_columns_are_refused_by_name_only(source, heading):
    bad = CASES.replace(HEAD, f"{HEAD},{heading}").replace(ROW, f"{ROW},Zanzibar")
    with pytest.raises(UnusableInput, match="looks like") as caught:
        audit.read_source(source(cases=bad))
    assert heading in str(caught.value)
    assert "Zanzibar" not in str(caught.value)


@pytest.mark.parametrize("heading", ["nail_length_mm", "birth_weight_g", "implant_side", "notes"])
def test_harmless_columns_are_kept_and_reported_once(source, heading):
    extra = CASES.replace(HEAD, f"{HEAD},{heading}").replace(ROW, f"{ROW},12")
    tables = audit.read_source(source(cases=extra))
    assert rules_of(tables) == ["unknown_column"]
    assert tables["cases"][heading].tolist() == ["12"]


@pytest.mark.parametrize(
    ("cell", "column", "rule"),
    [
        ("10/01/2025", "surgery_date", "not_a_date"),
        ("2025-13-01", "surgery_date", "not_a_date"),
        ("2025-02-30", "surgery_date", "not_a_date"),
        ("2025-1-10", "surgery_date", "not_a_date"),
        ("45667", "surgery_date", "not_a_date"),
        ("10-01-25", "surgery_date", "not_a_date"),
        ("38 mm", "planned_gain_mm", "not_a_number"),
        ('"38,5"', "planned_gain_mm", "not_a_number"),
        ("inf", "planned_gain_mm", "not_a_number"),
        ("n/a", "planned_gain_mm", "not_a_number"),
        ("1e999", "planned_gain_mm", "not_a_number"),
        ("1.200", "planned_gain_mm", "not_a_number"),
        ("٣٨", "planned_gain_mm", "not_a_number"),
        ("2025/01/10", "surgery_date", "not_a_date"),
        ("20250110", "surgery_date", "not_a_date"),
        ("10 Jan 2025", "surgery_date", "not_a_date"),
        ("#N/A", "planned_gain_mm", "spreadsheet_error_value"),
        ("########", "surgery_date", "spreadsheet_error_value"),
        ("=A1*2", "planned_gain_mm", "spreadsheet_error_value"),
        ("#REF!", "segment", "spreadsheet_error_value"),
        ("#N/A", "case_id", "spreadsheet_error_value"),
        ("1.23E+05", "patient_id", "id_changed_by_spreadsheet"),
        ("n/a", "patient_id", "missing_value_word"),
    ],
)
def test_a_cell_that_cannot_be_read_is_set_aside_and_asked_about(source, cell, column, rule):
    place = HEAD.split(",").index(column)
    cells = ROW.split(",")
    cells[place] = cell
    tables = audit.read_source(source(cases=f"{HEAD}\n{','.join(cells)}\n"))
    assert rules_of(tables) == [rule]
    query = tables.queries.iloc[0]
    assert (query["table"], query["row"], query["column"]) == ("cases", 2, column)
    assert query["value"] == cell.strip('"')
    assert tables["cases"][column].isna().all()


@pytest.mark.parametrize(
    ("change", "rule"),
    [
        (lambda text: text.encode("utf-8-sig"), None),
        (lambda text: text.encode("utf-16"), None),
        (lambda text: text.replace("\n", "\r\n").encode(), None),
        (lambda text: text.replace(",", ";").encode(), "not_comma_separated"),
        (lambda text: text.replace(",", "\t").encode(), "not_comma_separated"),
        (lambda text: text.replace("P1,", "P1é,").encode("latin-1"), "not_utf8"),
        (lambda text: text.replace("case_id", " Case_ID ").encode(), None),
    ],
    ids=["mark", "utf16", "crlf", "semicolon", "tab", "latin1", "heading-spelling"],
)
def test_other_spellings_of_a_file_are_read_right(source, change, rule):
    tables = audit.read_source(source(cases=change(CASES)))
    assert rules_of(tables) == ([rule] if rule else [])
    assert tables["cases"]["planned_gain_mm"].tolist() == [38.0]
    assert tables["cases"]["case_id"].tolist() == ["C1"]


def test_changes_made_while_reading_are_logged(source):
    padded = CASES.replace("C1,P1,femur", " C1 ,P1,femur ").replace("case_id", "Case_ID")
    tables = audit.read_source(source(cases=padded))
    log = tables.cleaning.set_index(["column", "change"])["cells"]
    assert log["case_id", "blanks around the value removed"] == 1
    assert log["segment", "blanks around the value removed"] == 1
    assert log["case_id", "heading spelt as in the contract"] == 1


def test_row_is_the_line_a_person_sees(source):
    text = f'{HEAD},notes\n\n{ROW},"two\nlines"\n{ROW.replace("C1", "C2").replace("38", "x")},\n'
    tables = audit.read_source(source(cases=text))
    assert tables["cases"]["row"].tolist() == [3, 5]
    wrong = tables.queries.loc[tables.queries["rule"] == "not_a_number"]
    assert wrong["row"].tolist() == [5]


def test_a_line_with_too_many_cells_is_kept_out_and_counted(source):
    tables = audit.read_source(source(cases=f"{HEAD}\n{ROW},extra\n{ROW.replace('C1', 'C2')}\n"))
    cohort = audit.build_cohort(tables)
    assert rules_of(tables) == ["more_cells_than_headings"]
    assert cohort.kept_out["reason"].tolist() == ["more_cells_than_headings"]
    flow = cohort.flow.set_index("step")["cases"]
    assert flow["read"] == 2
    assert flow["in_cohort"] == 1


def test_a_short_line_is_asked_about(source):
    tables = audit.read_source(source(cases=f"{HEAD}\n{ROW.rsplit(',', 1)[0]}\n"))
    assert rules_of(tables) == ["fewer_cells_than_headings"]


def test_a_file_with_a_misspelt_name_is_pointed_out(source):
    folder = source(**{"joint-motion": "case_id,examined_on,joint\n"})
    tables = audit.read_source(folder)
    assert rules_of(tables) == ["file_not_used"]
    assert "joint_motion" in tables.queries["message"].iloc[0]


def test_a_code_in_another_spelling_gets_the_nearest(source):
    tables = audit.read_source(source(cases=CASES.replace("femur", "Femur")))
    queries = audit.build_cohort(tables).queries
    assert queries["rule"].tolist() == ["not_in_code_list"]
    assert queries["message"].iloc[0].endswith("Nearest: femur.")


def test_every_unusable_cell_is_asked_about_once_from_the_file_to_the_cohort(source):
    values = {"segment": "#REF!", "planned_gain_mm": "n/a", "last_follow_up_date": "10/10/2025"}
    cells = dict(zip(HEAD.split(","), ROW.split(","), strict=True)) | values
    tables = audit.read_source(source(cases=f"{HEAD}\n{','.join(cells.values())}\n"))
    queries = audit.build_cohort(tables).queries
    assert queries["column"].value_counts().to_dict() == dict.fromkeys(values, 1)
    assert dict(zip(queries["column"], queries["value"], strict=True)) == values


def test_a_question_about_an_id_does_not_hide_an_error_of_the_same_cell(source):
    twice = PATIENTS + "AB1987,female,other\nAB1987,male,other\n"
    queries = audit.build_cohort(audit.read_source(source(patients=twice))).queries
    asked = queries.loc[queries["column"] == "patient_id", ["row", "rule"]]
    assert sorted(map(tuple, asked.to_numpy())) == [
        (4, "id_may_identify"), (4, "key_used_twice"),
        (5, "id_may_identify"), (5, "key_used_twice"),
    ]  # fmt: skip


def test_inputs_are_hashed_and_never_changed(source):
    folder = source()
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    tables = audit.read_source(folder)
    audit.build_cohort(tables)
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
    assert all(len(item.sha256) == 64 for item in tables.inputs)


def test_frames_in_memory_read_like_files(source):
    tables = audit.read_source(source())
    frames = {name: tables[name].drop(columns="row") for name in ("patients", "cases")}
    again = audit.tables_from_frames(frames)
    pd.testing.assert_frame_equal(again["cases"], tables["cases"])


def test_no_message_or_traceback_holds_a_patient_value(source):
    secret = "Quetzalcoatl"
    bad = f"{HEAD}\n{ROW},{secret},{secret}\n"
    tables = audit.read_source(source(cases=bad))
    assert secret not in "".join(tables.queries["message"])
    with pytest.raises(UnusableInput) as caught:
        audit.read_source(source(cases=f'{HEAD}\n"{secret}\n'))
    assert secret not in str(caught.value)
    assert caught.value.__cause__ is None
    assert caught.value.__suppress_context__
