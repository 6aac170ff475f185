"""The entry workbook says and checks what the contracts say, and loses nothing on the way back.

Read with openpyxl, which did not write it. Outside values: a spreadsheet counts 1 January 1980 as
day 29221 (ECMA-376 part 1, 18.17.4.1, 1900 date system); hints hold 255 letters, their titles 32
(ECMA-376 part 1, 18.3.1.32); a sheet name holds 31.
"""

from __future__ import annotations

import datetime
import difflib
import io
import re
import shlex

import openpyxl
import pandas as pd
import pytest
from openpyxl.formula import Tokenizer
from openpyxl.utils import get_column_letter
from openpyxl.utils.cell import range_boundaries

import audit
import schemas
from audit.commands.parser import command_line as _parser
from audit.errors import UnusableInput
from audit.intake.tables import kind_of
from audit.release.entry import workbook as entry_workbook
from audit.release.entry.example import EXAMPLE, example_rows
from audit.release.entry.read_me import read_me_lines
from audit.release.entry.workbook import blank_workbook, save_blank
from schemas import TABLES, fields, vocabulary
from schemas.rules import RULES
from tests.conftest import DEMO

DAY_1980 = 29221
COLUMNS = [(table, name) for table, contract in TABLES.items() for name in contract.columns]
NUMBERS = [(t, c) for t, c in COLUMNS if kind_of(t, c) in ("number", "whole")]
DAYS = [(t, c) for t, c in COLUMNS if kind_of(t, c) in ("day", "moment")]
CODES = [(t, c) for t, c in COLUMNS if kind_of(t, c) == "code"]
#: functions that every spreadsheet program has had since the file format was published
FUNCTIONS = {"SUMPRODUCT(", "EXACT(", "IF(", "LEN(", "AND(", "OR(", "ISNUMBER(", "INT(", "DATE(",
             "TODAY(", "COUNTA("}  # fmt: skip


@pytest.fixture(scope="module")
def content() -> bytes:
    return blank_workbook()


@pytest.fixture(scope="module")
def book(content):
    return openpyxl.load_workbook(io.BytesIO(content))


def letter_of(table: str, column: str) -> str:
    return get_column_letter(list(TABLES[table].columns).index(column) + 1)


def validation_of(book, table: str, column: str):
    found = [
        one
        for one in book[table].data_validations.dataValidation
        if f"{letter_of(table, column)}2" in one.sqref
    ]
    assert len(found) == 1, f"{table}.{column}: one check a cell"
    return found[0]


def marks_of(book, table: str, column: str) -> list[str]:
    """Formulas of the conditional formats of a column, in order."""
    letter = letter_of(table, column)
    rules = [
        rule
        for area, found in book[table].conditional_formatting._cf_rules.items()
        if str(area.sqref).startswith(f"{letter}2:")
        for rule in found
    ]
    return [rule.formula[0] for rule in sorted(rules, key=lambda one: one.priority)]


def named_cells(book, name: str) -> list:
    """Values of the cells that a name of the workbook stands for."""
    ((sheet, area),) = book.defined_names[name].destinations
    return [cell.value for row in book[sheet][area] for cell in row]


def test_a_sheet_a_table_in_order_after_read_me(book):
    assert book.sheetnames[0] == "Read me"
    assert book.sheetnames[1 : len(TABLES) + 1] == list(TABLES)
    assert all(len(name) <= 31 for name in book.sheetnames)


def test_no_other_sheet_can_be_taken_for_a_table(book):
    for name in book.sheetnames:
        if name not in TABLES:
            plain = name.lower().replace(" ", "_")
            assert difflib.get_close_matches(plain, TABLES, n=1, cutoff=0.6) == []


@pytest.mark.parametrize("table", TABLES)
def test_headings_are_the_contract_columns_and_nothing_stands_below(book, table):
    rows = list(book[table].iter_rows(values_only=True))
    assert rows == [tuple(TABLES[table].columns)]


def test_a_new_table_and_a_new_column_are_there_by_themselves(monkeypatch):
    extra = fields.table(
        "scars",
        {
            "scar_id": fields.column("identifier", "Scar", "Key.", required=True),
            "case_id": fields.column("identifier", "Case", "The case.", required=True),
            "seen_on": fields.column("day", "Seen on", "Day."),
            "width_mm": fields.column(
                "number", "Width", "Widest place.", required=True, unit="mm",
                limits=fields.Limits(low=0, high=90, usual_high=10),
            ),
            "count": fields.column("whole", "Count", "Number of scars."),
            "side": fields.column("code", "Side", "Side.", codes="side"),
        },
        key="scar_id",
        meaning="One row a scar.",
    )  # fmt: skip
    longer = fields.table(
        "patients",
        {**TABLES["patients"].columns, "shoe_mm": fields.column("number", "Shoe", "Lift.")},
        key="patient_id",
        meaning="One row a patient.",
    )
    monkeypatch.setitem(schemas.TABLES, "scars", extra)
    monkeypatch.setitem(schemas.TABLES, "patients", longer)
    made = openpyxl.load_workbook(io.BytesIO(blank_workbook()))
    assert "scars" in made.sheetnames
    assert [cell.value for cell in made["patients"][1]][-1] == "shoe_mm"
    width = validation_of(made, "scars", "width_mm")
    assert (float(width.formula1), float(width.formula2)) == (0, 90)
    assert "cases" in validation_of(made, "scars", "case_id").formula1
    assert "D2>10" in marks_of(made, "scars", "width_mm")[-1]
    assert validation_of(made, "scars", "count").type == "whole"
    explained = [row[1] for row in made["Columns explained"].iter_rows(values_only=True)]
    assert {"scar_id", "shoe_mm"} <= set(explained)
    shown = [row[0] for row in made["Example"].iter_rows(values_only=True)]
    assert "scars" in shown


@pytest.mark.parametrize(("table", "column"), COLUMNS)
def test_every_column_is_checked_as_far_down_as_read_me_says(book, table, column):
    _, top, _, last = range_boundaries(str(validation_of(book, table, column).sqref))
    told = next(line.text for line in read_me_lines() if line.label == table)
    assert top == 2
    assert int(re.search(r"down to row ([\d,]+)", told)[1].replace(",", "")) == last
    assert last >= 2_000


@pytest.mark.parametrize(("table", "column"), COLUMNS)
def test_the_check_is_of_the_kind_of_the_column(book, table, column):
    contract = TABLES[table].columns[column]
    check = validation_of(book, table, column)
    kind = contract.metadata["kind"]
    expected = {"number": "decimal", "whole": "whole", "day": "date", "moment": "date",
                "code": "list", "text": None}  # fmt: skip
    if kind != "identifier":
        assert check.type == expected[kind]
        assert check.errorStyle in (None, "stop")
    if contract.required:
        assert not check.allowBlank
    assert check.showErrorMessage and check.showInputMessage


@pytest.mark.parametrize(("table", "column"), NUMBERS)
def test_hard_limits_stop_and_usual_limits_are_marked(book, table, column):
    metadata = TABLES[table].columns[column].metadata
    limits = metadata["limits"]
    check = validation_of(book, table, column)
    given = [float(text) for text in (check.formula1, check.formula2) if text]
    hard = [limit for limit in (limits.low, limits.high) if limit is not None]
    assert given == hard or (not hard and given == [-1e15])
    formulas = " ".join(marks_of(book, table, column))
    cell = f"{letter_of(table, column)}2"
    for limit, sign in ((limits.low, "<"), (limits.high, ">"),
                        (limits.usual_low, "<"), (limits.usual_high, ">")):  # fmt: skip
        if limit is not None:
            assert f"{cell}{sign}{limit:g}" in formulas


@pytest.mark.parametrize(("table", "column"), DAYS)
def test_days_lie_between_1980_and_today_unless_planned(book, table, column):
    metadata = TABLES[table].columns[column].metadata
    check = validation_of(book, table, column)
    assert int(check.formula1) == DAY_1980
    planned = (table, column) == ("actions", "due_on")
    assert check.operator == ("greaterThanOrEqual" if planned else None)  # None is "between"
    if not planned:
        assert check.formula2 == ("TODAY()" if metadata["kind"] == "day" else "TODAY()+1")


@pytest.mark.parametrize(("table", "column"), CODES)
def test_drop_down_lists_hold_the_codes(book, table, column):
    codes = TABLES[table].columns[column].metadata["codes"]
    name = validation_of(book, table, column).formula1
    assert named_cells(book, name) == list(vocabulary.CODE_LISTS[codes])
    assert name in marks_of(book, table, column)[0]


def test_labels_stand_beside_their_codes(book):
    rows = {row[:3] for row in book["Code lists"].iter_rows(values_only=True)}
    for name, labels in vocabulary.CODE_LISTS.items():
        assert {(name, code, label) for code, label in labels.items()} <= rows


def test_ids_of_a_table_must_stand_in_its_parent(book):
    for table, parent, column in (
        ("cases", "patients", "patient_id"),
        ("radiographs", "cases", "case_id"),
        ("distraction_sessions", "cases", "case_id"),
    ):
        check = validation_of(book, table, column)
        assert (check.type, check.errorStyle, check.allowBlank) == ("custom", "warning", False)
        cell = f"{letter_of(table, column)}2"
        assert check.formula1 == f"SUMPRODUCT(--EXACT(ids_{parent},{cell}))>0"
        ((sheet, area),) = book.defined_names[f"ids_{parent}"].destinations
        own = letter_of(parent, column)
        assert (sheet, area) == (parent, f"${own}$2:${own}$2001")
        assert marks_of(book, table, column)[0].endswith(f"(ids_{parent},{cell}))=0)")


def test_an_id_may_stand_once(book):
    for table, contract in TABLES.items():
        key = contract.metadata["key"]
        if key is None:
            continue
        check = validation_of(book, table, key)
        letter = letter_of(table, key)
        counted = f"SUMPRODUCT(--EXACT(${letter}$2:${letter}$2001,{letter}2))"
        assert (check.type, check.formula1) == ("custom", f"{counted}=1")
        assert marks_of(book, table, key)[0] == f"IF(LEN({letter}2)=0,FALSE,{counted}>1)"


@pytest.mark.parametrize("table", TABLES)
def test_a_required_cell_of_a_begun_row_is_marked(book, table):
    last = get_column_letter(len(TABLES[table].columns))
    for column, contract in TABLES[table].columns.items():
        cell = f"{letter_of(table, column)}2"
        missing = f"AND(LEN({cell})=0,COUNTA($A2:${last}2)>0)"
        assert (missing in marks_of(book, table, column)) is bool(contract.required)


@pytest.mark.parametrize(("table", "column"), COLUMNS)
def test_formulas_are_whole_and_name_only_what_there_is(book, table, column):
    check = validation_of(book, table, column)
    formulas = [text for text in (check.formula1, check.formula2) if text]
    for formula in formulas + marks_of(book, table, column):
        tokens = Tokenizer(f"={formula}").items
        depth = [{"OPEN": 1, "CLOSE": -1}.get(token.subtype, 0) for token in tokens]
        assert sum(depth) == 0
        for token in tokens:
            if token.type == "FUNC" and token.subtype == "OPEN":
                assert token.value in FUNCTIONS
            if token.type == "OPERAND" and token.subtype == "RANGE":
                cells = re.fullmatch(r"\$?[A-Z]{1,2}\$?\d+(:\$?[A-Z]{1,2}\$?\d+)?", token.value)
                assert cells or token.value in book.defined_names
        assert len(formula) <= 255


@pytest.mark.parametrize(("table", "column"), COLUMNS)
def test_hints_fit_and_say_meaning_and_need(book, table, column):
    contract = TABLES[table].columns[column]
    check = validation_of(book, table, column)
    assert len(check.promptTitle) <= 32 and len(check.errorTitle) <= 32
    assert len(check.prompt) <= 255 and len(check.error) <= 255
    assert contract.metadata["meaning"] in check.prompt
    assert ("Required" in check.prompt) is bool(contract.required)


@pytest.mark.parametrize(("table", "column"), COLUMNS)
def test_a_heading_tells_meaning_unit_limits_and_codes(book, table, column):
    metadata = TABLES[table].columns[column].metadata
    heading = book[table][f"{letter_of(table, column)}1"]
    told = heading.comment.text
    assert metadata["title"] in told and metadata["meaning"] in told
    assert metadata["unit"] in told
    assert ("Required" in told) is bool(TABLES[table].columns[column].required)
    if metadata["limits"].high is not None:
        assert f"{metadata['limits'].high:g}" in told
    for code in vocabulary.CODE_LISTS.get(metadata["codes"], {}):
        assert code in told
    assert heading.font.bold is bool(TABLES[table].columns[column].required)


@pytest.mark.parametrize(("table", "column"), COLUMNS)
def test_cells_have_the_form_of_their_kind(book, table, column):
    kind = TABLES[table].columns[column].metadata["kind"]
    place = list(TABLES[table].columns).index(column) + 1
    (form,) = [
        one.number_format
        for one in book[table].column_dimensions.values()
        if one.min <= place <= one.max
    ]
    expected = {"day": "yyyy-mm-dd", "moment": "yyyy-mm-dd hh:mm", "number": "General",
                "whole": "General"}.get(kind, "@")  # fmt: skip
    assert form == expected


def test_headings_stay_in_sight_and_code_lists_are_locked(book):
    assert all(book[table].freeze_panes == "B2" for table in TABLES)
    assert book["Code lists"].protection.sheet
    assert not any(book[table].protection.sheet for table in TABLES)


def test_nothing_is_a_formula_and_nothing_leads_outside(book):
    for sheet in book:
        for row in sheet.iter_rows():
            for cell in row:
                assert cell.data_type != "f"
                assert cell.hyperlink is None or cell.hyperlink.target is None


def test_the_same_file_every_time_and_a_small_one(content):
    assert blank_workbook() == content
    assert len(content) < 150_000


def test_columns_explained_and_rules_are_complete(book):
    explained = [
        row[:2] for row in book["Columns explained"].iter_rows(min_row=2, values_only=True)
    ]
    assert explained == COLUMNS
    rows = list(book["Rules"].iter_rows(min_row=2, values_only=True))
    for rule in RULES:
        assert [
            row
            for row in rows
            if row[4] == rule.id
            and row[2] == rule.message
            and re.search(rf"(?m)^{rule.table}: (.*, )?{rule.column}(,|$)", row[0])
        ], f"{rule.id} of {rule.table}.{rule.column}"


def test_read_me_gives_commands_that_the_kit_takes_and_the_caution():
    lines = list(read_me_lines())
    commands = [shlex.split(line.text) for line in lines if line.form == "command"]
    assert [words[1] for words in commands] == ["check", "report"]
    for words in commands:
        assert words[0] == "lengthening-audit"
        assert _parser().parse_args(words[1:]).command == words[1]
    told = " ".join(line.text for line in lines)
    assert "never gives advice for one patient" in told
    assert "Never write a name, initials, a birth date" in told
    assert {line.label for line in lines} >= set(TABLES)


def test_the_example_passes_every_rule_and_is_seen(book, write_source):
    frames = {
        table: pd.DataFrame(example_rows(table)).reindex(columns=list(contract.columns))
        for table, contract in TABLES.items()
    }
    cohort = audit.build_cohort(audit.read_source(write_source(**frames)))
    assert cohort.queries.to_dict("records") == []
    assert (cohort.rows["used"] == cohort.rows["read"]).all()
    shown = {str(cell) for row in book["Example"].iter_rows(values_only=True) for cell in row}
    for table in TABLES:
        assert EXAMPLE.get(table), f"write an example of {table}"
        for cells in example_rows(table):
            assert set(cells) <= set(TABLES[table].columns)
            for name, text in cells.items():
                kind = TABLES[table].columns[name].metadata["kind"]
                if kind in ("number", "whole"):
                    assert {text, f"{float(text):g}"} & shown
                elif kind in ("day", "moment"):
                    assert str(datetime.datetime.fromisoformat(text)) in shown
                else:
                    assert text in shown


def test_a_name_that_is_no_workbook_is_refused(tmp_path):
    with pytest.raises(UnusableInput, match=r"must end in \.xlsx; got 'cases\.csv'"):
        save_blank(tmp_path / "cases.csv")
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_there_is_never_overwritten(tmp_path, monkeypatch):
    mine = tmp_path / "mine.xlsx"
    mine.write_bytes(b"my data")
    with pytest.raises(UnusableInput, match=r"mine\.xlsx is there already"):
        save_blank(mine)
    # the same when it comes into being between the look and the writing
    monkeypatch.setattr(type(mine), "exists", lambda path, **_: False)
    with pytest.raises(UnusableInput, match=r"mine\.xlsx is there already"):
        save_blank(mine)
    assert mine.read_bytes() == b"my data"


def test_a_folder_that_is_not_there_is_told(tmp_path):
    with pytest.raises(UnusableInput, match="check that its folder exists"):
        save_blank(tmp_path / "nowhere" / "new.xlsx")


@pytest.mark.parametrize(
    ("problem", "seen"), [(OSError("disk full"), UnusableInput), (KeyboardInterrupt(), None)]
)
def test_a_failing_write_leaves_no_file(tmp_path, monkeypatch, problem, seen):
    class Breaking(io.FileIO):
        def write(self, data):
            super().write(data[:100])
            raise problem

    monkeypatch.setattr(entry_workbook.pathlib.Path, "open", lambda path, mode: Breaking(path, "x"))
    with pytest.raises(seen or KeyboardInterrupt):
        save_blank(tmp_path / "new.xlsx")
    assert list(tmp_path.iterdir()) == []


def filled_with_demo(content: bytes, path) -> None:
    """The blank workbook with the demo rows typed in as a person would: real dates and numbers."""
    book = openpyxl.load_workbook(io.BytesIO(content))
    for table, contract in TABLES.items():
        file = DEMO / f"{table}.csv"
        if not file.exists():
            continue
        frame = pd.read_csv(file, dtype=str, keep_default_na=False)
        for line, cells in enumerate(frame.to_dict("records"), start=2):
            for place, name in enumerate(contract.columns, start=1):
                write_cell(book[table], (line, place), cells.get(name, ""),
                           contract.columns[name].metadata["kind"])  # fmt: skip
    book.save(path)


def write_cell(sheet, place: tuple[int, int], text: str, kind: str) -> None:
    if not text:
        return
    cell = sheet.cell(*place)
    if kind in ("number", "whole"):
        cell.value = float(text)
    elif kind in ("day", "moment"):
        cell.value = datetime.datetime.fromisoformat(text)
        cell.number_format = "yyyy-mm-dd" if kind == "day" else "yyyy-mm-dd hh:mm"
    else:
        cell.value = text
        cell.number_format = "@"


def test_demo_rows_come_back_from_the_filled_workbook_as_from_csv(content, tmp_path, demo_tables):
    path = tmp_path / "filled.xlsx"
    filled_with_demo(content, path)
    tables = audit.read_source(path)
    for table in TABLES:
        pd.testing.assert_frame_equal(tables[table], demo_tables[table])
    assert tables.queries.to_dict("records") == demo_tables.queries.to_dict("records")
    assert tables.cleaning.empty
    assert tables.given >= demo_tables.given


def test_the_filled_workbook_keeps_its_checks(content, tmp_path):
    path = tmp_path / "filled.xlsx"
    book = openpyxl.load_workbook(io.BytesIO(content))
    book["patients"].append(["P1", "female", "congenital"])
    book.save(path)
    again = openpyxl.load_workbook(path)
    assert validation_of(again, "patients", "sex").formula1 == "codes_sex"


def test_an_empty_workbook_is_refused_in_words(content, tmp_path):
    path = tmp_path / "empty.xlsx"
    path.write_bytes(content)
    with pytest.raises(UnusableInput, match=r"no usable date|no row|empty"):
        audit.build_cohort(audit.read_source(path))
