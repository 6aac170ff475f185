"""The files of a release: one way in, readable by others, the same bytes every time.

Outside judges: openpyxl and python-calamine read the workbook that xlsxwriter wrote; the
`frictionless` library validates descriptors and data against the Data Package standard; Python's
strict CSV reader and the rules of RFC 4180 section 2 judge the CSV files. Form of the workbook:
government checklist for accessible spreadsheets (as two open-source packages reproduce it).
"""

from __future__ import annotations

import csv
import dataclasses
import hashlib
import io
import json
import re
import zipfile

import openpyxl
import pandas as pd
import pytest
from frictionless import Package
from python_calamine import CalamineWorkbook

from audit.disclosure.controlled import LEVELS, MARKERS
from audit.disclosure.settings import ControlSettings, Decision
from audit.errors import UnusableInput
from audit.release.summary import save_release
from audit.release.summary.names import sheet_names, slug
from audit.release.summary.notes import in_short
from audit.release.summary.release_note import size_words
from audit.release.summary.safe_text import safe_text
from tests.unit.summary_release import COHORT, controlled_table, facts, release

FRONT = ["cover", "contents", "notes"]
EMPTY = {"", "-", "*", "NaN", "nan", "None", "NaT", "<NA>", "null"}
BAD_STARTS = tuple("=+-@\t\r\n＝＋－＠")
HOSTILE = ['=HYPERLINK("http://x.invalid")', "+1", "@SUM(A1)", "-2+3", "a;=1+1", '"=1+1"', "\t=1"]


@pytest.fixture(scope="module")
def out(tmp_path_factory):
    home = tmp_path_factory.mktemp("release")
    for level in LEVELS:
        save_release(release(level), home, level=level, facts=facts())
    return home


@pytest.fixture(scope="module")
def external(out):
    return out / "external"


@pytest.fixture(scope="module")
def book(external):
    return openpyxl.load_workbook(next(external.glob("*.xlsx")))


def with_frame(one, **columns):
    return dataclasses.replace(one, frame=one.frame.assign(**columns))


def save_one(one, folder, level="external"):
    return save_release([one], folder, level=level, facts=facts())


def cells_of(sheet) -> list[list[object]]:
    return [[cell.value for cell in row] for row in sheet.iter_rows()]


def csv_rows(path) -> list[list[str]]:
    text = path.read_bytes().decode("utf-8")
    return list(csv.reader(io.StringIO(text, newline=""), strict=True))


def table_csvs(folder):
    return sorted(folder.glob("table-*.csv"))


# --- what is written ---------------------------------------------------------------------------


@pytest.mark.parametrize("level", LEVELS)
def test_every_file_bears_the_level_in_its_name_and_says_it_inside(out, level):
    for path in (out / level).iterdir():
        assert path.name == "datapackage.json" or path.stem.endswith(f"-{level}")
        assert re.fullmatch(r"[a-z0-9-]+\.[a-z0-9]+", path.name)
        assert len(path.name) < 218
        if path.suffix in (".json", ".txt"):
            assert level in path.read_text(encoding="utf-8")


@pytest.mark.parametrize("level", LEVELS)
def test_the_workbook_says_the_level_in_properties_headers_and_on_every_table(out, level):
    book = openpyxl.load_workbook(next((out / level).glob("*.xlsx")))
    assert level in book.properties.subject and level in book.properties.category
    custom = {prop.name: prop.value for prop in book.custom_doc_props.props}
    assert custom == {"Release level": level, "Language": "en-GB"}
    for sheet in book:
        assert level in sheet.oddHeader.left.text
        if sheet.title not in FRONT:
            assert sheet["A2"].value.lower().startswith(f"release level. {level}")


def test_equal_content_gives_equal_bytes(out, tmp_path):
    again = save_release(release(), tmp_path, level="external", facts=facts())
    for path in again.iterdir():
        assert path.read_bytes() == (out / "external" / path.name).read_bytes(), path.name
    sign_off = "sign-off-external.toml"
    assert (tmp_path / sign_off).read_bytes() == (out / sign_off).read_bytes()


def test_the_callers_frames_are_not_changed(tmp_path):
    tables = release()
    before = [one.frame.copy(deep=True) for one in tables]
    save_release(tables, tmp_path, level="external", facts=facts())
    for one, frame in zip(tables, before, strict=True):
        pd.testing.assert_frame_equal(one.frame, frame)


def test_without_a_folder_nothing_is_written_but_all_is_checked():
    assert save_release(release(), None, level="external", facts=facts()) is None
    with pytest.raises(ValueError, match="was controlled for internal, not for external"):
        save_release(release("internal"), None, level="external", facts=facts())


# --- CSV ---------------------------------------------------------------------------------------


def test_csv_follows_rfc_4180(external):
    """Section 2: CRLF after each record, one header line, the same number of fields throughout,
    quotes doubled inside quotes."""
    for path in external.glob("*.csv"):
        content = path.read_bytes()
        assert content.endswith(b"\r\n") and not content.startswith(b"\xef\xbb\xbf")
        assert content.count(b"\n") == content.count(b"\r\n") == content.count(b"\r")
        rows = csv_rows(path)
        assert len({len(row) for row in rows}) == 1
        assert len(set(rows[0])) == len(rows[0])


def test_texts_are_quoted_and_numbers_are_bare(external):
    for path in table_csvs(external):
        for line in path.read_text(encoding="utf-8").splitlines():
            for field in re.findall(r'"(?:[^"]|"")*"|[^,]+', line):
                assert field.startswith('"') or re.fullmatch(r"-?\d+(\.\d+)?", field), field


def test_a_csv_reads_back_as_the_released_frame(external):
    for path, one in zip(table_csvs(external), release(), strict=True):
        back = pd.read_csv(path, na_values=list(MARKERS), keep_default_na=False)
        assert list(back.columns) == list(one.frame.columns)
        for name in one.frame.columns:
            if one.frame[name].dtype.kind in "fi":
                pd.testing.assert_series_equal(
                    back[name].astype(float), one.frame[name].astype(float), check_exact=True
                )
            elif name not in ("marker", "reason"):
                assert back[name].astype(str).tolist() == one.frame[name].tolist()


def test_a_negative_number_is_a_number_in_both_forms(external, book):
    rows = csv_rows(external / "table-outcomes-four-quarters-to-2026-q3-external.csv")
    assert rows[1][6:9] == ["-3.5", "-5.2", "-1.8"]
    text = (external / "table-outcomes-four-quarters-to-2026-q3-external.csv").read_text()
    assert ",-3.5,-5.2,-1.8," in text
    found = [cell for row in book["outcomes"].iter_rows() for cell in row if cell.value == -3.5]
    assert [cell.data_type for cell in found] == ["n"]


def test_no_cell_is_empty_and_every_missing_number_says_why(out):
    for level in LEVELS:
        for path in (out / level).glob("*.csv"):
            assert not {cell for row in csv_rows(path) for cell in row} & EMPTY, path.name


def test_each_missing_number_has_the_marker_that_fits(external):
    head, *rows = csv_rows(external / "table-outcomes-four-quarters-to-2026-q3-external.csv")
    got = [dict(zip(head, row, strict=True)) for row in rows]
    whole, spread, _, hidden, _, unreliable, unknown = got
    assert whole["numerator"] == "[z]"  # an average has no numerator
    assert spread["low"] == "[z]"  # a standard deviation is given without an interval
    assert [hidden[n] for n in ("denominator", "value", "low", "high")] == ["[c]"] * 4
    assert hidden["reason"] == "few_people"
    assert (unreliable["marker"], unreliable["value"], unreliable["low"]) == (
        "[u]", "0.0000007", "[x]",
    )  # fmt: skip
    assert unknown["value"] == "[x]"
    assert whole["marker"] == "shown"


# --- data package ------------------------------------------------------------------------------


@pytest.mark.parametrize("level", LEVELS)
def test_the_package_and_its_data_are_valid_by_the_standard(out, level):
    report = Package(str(out / level / "datapackage.json")).validate()
    assert report.valid, report.flatten(["type", "note"])
    listed = {task.place for task in report.tasks}
    assert listed == {path.name for path in (out / level).glob("*.csv")}


def test_the_judge_of_the_package_can_say_no(out, tmp_path):
    """A changed cell (hash), a word where a number belongs, an empty cell: each is refused."""
    for old, new, fault in [
        (b",30,45,", b",35,45,", "hash-count"),
        (b',"[c]",', b',"few",', "type-error"),
        (b'"few_people"', b'""', "constraint-error"),
    ]:
        home = save_release(release(), tmp_path / fault, level="external", facts=facts())
        path = home / "table-outcomes-four-quarters-to-2026-q3-external.csv"
        content = path.read_bytes()
        assert old in content
        path.write_bytes(content.replace(old, new, 1))
        report = Package(str(home / "datapackage.json")).validate()
        assert not report.valid
        assert fault in [row[0] for row in report.flatten(["type"])]


def test_each_csv_has_a_sidecar_that_is_its_entry_in_the_package(external):
    package = json.loads((external / "datapackage.json").read_text(encoding="utf-8"))
    entries = {entry["path"]: entry for entry in package["resources"]}
    for path in external.glob("*.csv"):
        sidecar = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
        assert sidecar == entries[path.name]
        assert sidecar["hash"] == f"sha256:{hashlib.sha256(path.read_bytes()).hexdigest()}"
        assert sidecar["bytes"] == path.stat().st_size
        fields = sidecar["schema"]["fields"]
        assert [field["name"] for field in fields] == csv_rows(path)[0]
        assert all(field["title"] and field["description"] for field in fields)


def test_a_reader_of_the_standard_gets_typed_numbers_and_missing_ones(external):
    package = Package(str(external / "datapackage.json"))
    rows = package.get_resource("table-outcomes-four-quarters-to-2026-q3-external").read_rows()
    assert float(rows[0]["value"]) == -3.5
    assert rows[3]["value"] is None
    assert rows[0]["denominator"] == 45


def test_the_package_says_contact_source_next_update_and_version(external):
    package = json.loads((external / "datapackage.json").read_text(encoding="utf-8"))
    assert package["$schema"] == "https://datapackage.org/profiles/2.0/datapackage.json"
    assert package["contributors"][0]["title"] == "audit office of the invented service"
    assert package["nextUpdate"] == "2027-02-01"
    assert package["dataTo"] == "2026-09-30"
    assert package["created"] == "2026-11-02T00:00:00Z"


# --- workbook ----------------------------------------------------------------------------------


def test_front_sheets_come_first_and_contents_lists_exactly_the_tables(book, external):
    tables = book.sheetnames[3:]
    assert book.sheetnames[:3] == FRONT
    assert tables == ["cohort", "outcomes", "time-to-full-weight-bearing"]
    rows = cells_of(book["contents"])[2:]
    assert [row[2] for row in rows] == tables
    assert [row[3] for row in rows] == [path.name for path in table_csvs(external)]
    links = [cell.hyperlink.location for cell in book["contents"]["C"][2:]]
    assert links == [f"'{name}'!A1" for name in tables]


def test_each_sheet_is_one_table_from_the_left_edge_with_nothing_below(book):
    for sheet in book:
        assert sheet["A1"].value and sheet["A1"].font.b
        (table,) = sheet.tables.values()
        left, top, right, bottom = openpyxl.utils.range_boundaries(table.ref)
        assert left == 1 and (right, bottom) == (sheet.max_column, sheet.max_row)
        assert table.headerRowCount == 1
        headings = [cell.value for cell in sheet[top]]
        assert all(headings) and len({name.casefold() for name in headings}) == len(headings)
        assert all(row[0].value for row in sheet.iter_rows(max_row=top))
        body = [cell.value for row in sheet.iter_rows(min_row=top + 1) for cell in row]
        assert not {str(value) for value in body} & (EMPTY | {"None"})


def test_nothing_in_the_workbook_speaks_by_colour_or_hides(book):
    for sheet in book:
        assert not sheet.merged_cells.ranges
        assert sheet.freeze_panes is None and sheet.auto_filter.ref is None
        assert all(table.autoFilter is None for table in sheet.tables.values())
        assert sheet.sheet_state == "visible"
        assert not any(dim.hidden for dim in sheet.row_dimensions.values())
        assert not any(dim.hidden for dim in sheet.column_dimensions.values())
        assert not sheet.conditional_formatting
        for row in sheet.iter_rows():
            for cell in row:
                assert cell.fill.fill_type is None
                assert cell.font.name == "Arial" and cell.font.sz >= 12
                assert cell.font.color is None or cell.font.color.theme == 1


def test_the_workbook_holds_no_formula_no_picture_no_outside_link(external):
    with zipfile.ZipFile(next(external.glob("*.xlsx"))) as parts:
        for name in parts.namelist():
            content = parts.read(name)
            assert b"<f>" not in content and b"<f " not in content
            assert b"TargetMode" not in content
            assert not re.search(r"media|drawing|vba|externalLink|connections", name)


def test_the_workbook_opens_in_a1_of_the_first_sheet(book):
    assert book.active.title == "cover"
    for sheet in book:
        assert {selection.activeCell or "A1" for selection in sheet.sheet_view.selection} <= {"A1"}
        assert sheet.sheet_view.topLeftCell in (None, "A1")


def test_document_properties_are_filled(book):
    props = book.properties
    assert props.title == "Summary tables of limb lengthening"
    assert props.creator == "Invented limb reconstruction service"
    assert props.created.isoformat() == "2026-11-02T00:00:00"
    assert props.description and props.keywords


def test_cells_are_those_of_the_csv_for_a_second_reader(external):
    book = CalamineWorkbook.from_path(str(next(external.glob("*.xlsx"))))
    sheet = book.get_sheet_by_name("outcomes").to_python()
    rows = csv_rows(external / "table-outcomes-four-quarters-to-2026-q3-external.csv")[1:]
    for shown, written in zip(sheet[-len(rows) :], rows, strict=True):
        for cell, text in zip(shown[4:9], written[4:9], strict=True):
            assert cell == text if isinstance(cell, str) else cell == float(text)


def test_notes_used_are_notes_defined_and_every_marker_is_explained(book):
    defined = {row[0]: row[1] for row in cells_of(book["notes"])[2:]}
    assert set(MARKERS) <= set(defined) and all(defined.values())
    used = set()
    for name in book.sheetnames[3:]:
        lines = " ".join(str(row[0]) for row in cells_of(book[name])[:7])
        used |= set(re.findall(r"\[note \d+\]", lines))
        body = {str(value) for row in cells_of(book[name]) for value in row}
        held = {value for value in body if re.fullmatch(r"\[[a-z]\]", value)}
        assert held <= set(re.findall(r"\[[a-z]\]", lines))
    assert used == {mark for mark in defined if mark.startswith("[note")}


def test_the_cover_says_what_a_reader_must_know(book):
    cover = [tuple(row[:2]) for row in cells_of(book["cover"])[2:]]
    items = dict(cover)
    for item in ("Title", "Place", "Period", "Contact", "Source", "Next update", "Made with"):
        assert items[item]
    words = " ".join(text for item, text in cover if item == "Control setting")
    assert "1 to 7 people is hidden" in words and "multiples of 5" in words


def test_sheet_names_are_short_unique_and_without_blanks():
    long = "complications-by-origin-and-course-class"
    names = sheet_names([long, long + "-again", "notes", "history"], taken=FRONT)
    assert len(set(names)) == 4
    assert all(re.fullmatch(r"[a-z0-9-]{1,31}", name) for name in names)
    assert not {"notes", "history"} & set(names)
    assert slug("Year to 2026 Q3 / all") == "year-to-2026-q3-all"


def test_notes_in_a_row_are_named_in_short():
    marks = [f"[note {n}]" for n in (1, 3, 4, 6, 7, 8)]
    assert in_short(marks) == "[note 1], [note 3], [note 4], [note 6] to [note 8]"


# --- hostile texts -----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    """A release in which every text that can come from outside tries to run."""
    one = release()[0]
    frame = one.frame.head(len(HOSTILE)).assign(segment=HOSTILE)
    table = dataclasses.replace(
        one.table, title="=1+1", population="@x", source="+1", notes=("=1+1", "-2"), period="=p"
    )
    given = {"title": "=1", "place": "+1", "contact": "@post", "source": "-1", "next_update": "=0"}
    hostile_facts = dataclasses.replace(facts(), **given, checks=("=check",))
    bad = dataclasses.replace(
        one,
        table=table,
        frame=frame,
        controls=("=1",),
        flags=("group disclosure: =flag\n[[checker]]",),
    )
    home = tmp_path_factory.mktemp("hostile")
    return save_release([bad], home, level="external", facts=hostile_facts)


def test_no_text_of_any_csv_can_run(hostile):
    seen = 0
    for path in hostile.glob("*.csv"):
        for line in re.findall(r'"((?:[^"]|"")*)"', path.read_text(encoding="utf-8")):
            seen += 1
            for part in re.split('[,;|"]', line):
                assert not part.strip().startswith(BAD_STARTS), (path.name, line)
    assert seen > 50


def test_quotes_inside_a_text_are_doubled_and_read_back(hostile):
    """RFC 4180 section 2.7."""
    (path,) = table_csvs(hostile)
    place = csv_rows(path)[0].index("segment")
    assert [row[place] for row in csv_rows(path)[1:]] == [safe_text(text) for text in HOSTILE]
    assert b'""' in path.read_bytes()


def test_no_text_of_the_workbook_can_run_and_all_are_texts(hostile):
    book = openpyxl.load_workbook(next(hostile.glob("*.xlsx")))
    texts = [
        (cell.value, cell.data_type)
        for sheet in book
        for row in sheet.iter_rows()
        for cell in row
        if isinstance(cell.value, str)
    ]
    assert len(texts) > 80
    assert {kind for _, kind in texts} == {"s"}
    assert not [text for text, _ in texts if text.startswith(BAD_STARTS)]
    props = book.properties
    for text in (props.title, props.creator, props.subject, props.description):
        assert not text.startswith(BAD_STARTS)


def test_no_text_of_descriptors_and_note_can_run(hostile):
    def strings(value):
        if isinstance(value, dict):
            return [text for pair in value.items() for one in pair for text in strings(one)]
        if isinstance(value, list):
            return [text for one in value for text in strings(one)]
        return [value] if isinstance(value, str) else []

    for path in hostile.glob("*.json"):
        for text in strings(json.loads(path.read_text(encoding="utf-8"))):
            assert text in (",", '"', "\r\n") or not text.startswith(BAD_STARTS), text
    for line in (hostile / "release-note-external.txt").read_text(encoding="utf-8").splitlines():
        assert set(line) <= {"=", "-"} or not line.startswith(BAD_STARTS)
    assert Package(str(hostile / "datapackage.json")).validate().valid


def test_a_hostile_flag_cannot_add_a_checker_to_the_sign_off(hostile):
    import tomllib

    form = tomllib.loads((hostile.parent / "sign-off-external.toml").read_text(encoding="utf-8"))
    assert len(form["checker"]) == 2 and len(form["decision"]) == 1


# --- the gate ----------------------------------------------------------------------------------


def test_nothing_passes_that_was_not_controlled_for_the_level(tmp_path):
    with pytest.raises(ValueError, match="level must be one of internal, paper, external; got"):
        save_release(release(), tmp_path, level="public", facts=facts())
    with pytest.raises(ValueError, match="at least one table"):
        save_release([], tmp_path, level="external", facts=facts())
    assert not any(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"people": 3}, "may not hold: people"),
        ({"surgeon": "S1"}, "may not hold: surgeon"),
        ({"patient_id": "P1"}, "may not hold: patient_id"),
        ({"union_date": "2026-01-02"}, "may not hold: union_date"),
        ({"max": 3}, "may not hold: max"),
        ({"statistic": "max"}, "statistic must be one of count"),
        ({"marker": "*"}, "a marker is none of"),
        ({"marker": "[c]", "reason": "rule"}, "shows a number that is marked confidential"),
        ({"segment": ""}, "a cell of segment is empty"),
        ({"segment": "all", "device_class": "all"}, "names a row twice"),
        ({"value": float("inf")}, "infinite"),
        ({"value": "few"}, "is no number"),
        ({"reason": ""}, "hides a number without a reason"),
        ({"Value": 1.0}, "may not hold: Value"),
    ],
)
def test_a_table_that_is_not_in_order_is_refused_and_no_number_is_told(tmp_path, change, words):
    with pytest.raises(ValueError, match=re.escape(words)) as caught:
        save_one(with_frame(release()[0], **change), tmp_path)
    assert not re.search(r"\b(45|30|25)\b", str(caught.value))
    assert not any(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("column", "value", "words"),
    [
        ("numerator", 44, "numerator is not rounded to multiples of 5"),
        ("denominator", 31, "denominator is not rounded to multiples of 5"),
        ("numerator", 5, "numerator shows a count that rests on few people"),
    ],
)
def test_a_table_that_only_calls_itself_controlled_is_refused(tmp_path, column, value, words):
    """Exact counts under the name of an external release: the smallest count that may be shown is
    8, which rounds to 10."""
    one = release()[0]
    frame = one.frame.copy()
    frame.loc[1, column] = value
    with pytest.raises(ValueError, match=words):
        save_one(dataclasses.replace(one, frame=frame), tmp_path)
    inside = dataclasses.replace(one, frame=frame, level="internal")
    assert save_one(inside, tmp_path, level="internal").is_dir()


def test_a_recorded_decision_lets_a_small_count_pass(tmp_path):
    one = release()[0]
    frame = one.frame.copy()
    frame.loc[1, "numerator"] = 5
    decision = Decision(table="cohort", rule="few_people", reason="agreed", decided_by="head")
    settings = ControlSettings(decisions=(decision,))
    given = dataclasses.replace(facts(), settings=settings)
    small = [dataclasses.replace(one, frame=frame)]
    home = save_release(small, tmp_path, level="external", facts=given)
    note = (home / "release-note-external.txt").read_text(encoding="utf-8")
    assert "Exception: cohort: rule few_people set aside by head, because agreed" in note


def test_a_hidden_value_takes_with_it_what_is_said_of_it(tmp_path):
    one = release()[0]
    table = dataclasses.replace(
        one.table, dimensions=(*one.table.dimensions, "verdict"), tied=("verdict",)
    )
    verdicts = ["met" if marker != "[c]" else None for marker in one.frame["marker"]]
    frame = one.frame.assign(verdict=verdicts)
    home = save_one(dataclasses.replace(one, table=table, frame=frame), tmp_path)
    head, *rows = csv_rows(table_csvs(home)[0])
    got = [dict(zip(head, row, strict=True)) for row in rows]
    assert {(row["verdict"], row["marker"]) for row in got} == {("met", "shown"), ("[c]", "[c]")}


def test_words_of_categories_tell_them_apart(tmp_path):
    one = release()[1]
    names = {"gain_error_mm": "healing_index_days_per_cm"}
    names["within_tolerance"] = "healing_index_months_per_cm"
    frame = one.frame.assign(measure=one.frame["measure"].map(names))
    home = save_one(dataclasses.replace(one, frame=frame), tmp_path)
    book = openpyxl.load_workbook(next(home.glob("*.xlsx")))
    shown = {row[0] for row in cells_of(book["outcomes"])[8:]}
    assert len(shown) == 2
    sidecar = json.loads(next(home.glob("table-*.json")).read_text(encoding="utf-8"))
    words = sidecar["schema"]["fields"][0]["categories"]
    assert {each["label"] for each in words} == shown


@pytest.mark.parametrize("column", ["surgeon", "patient_id", "age_at_surgery_years", "description"])
def test_what_the_allow_list_keeps_back_is_no_dimension(tmp_path, column):
    one = release()[0]
    table = dataclasses.replace(one.table, dimensions=(*one.table.dimensions, column))
    frame = one.frame.assign(**{column: "x"})
    with pytest.raises(ValueError, match=f"may not hold: {column}"):
        save_one(dataclasses.replace(one, table=table, frame=frame), tmp_path)


@pytest.mark.parametrize("column", ["marker", "reason", "value", "segment"])
def test_a_table_without_a_column_it_needs_is_refused(tmp_path, column):
    one = release()[0]
    with pytest.raises(ValueError, match=column):
        save_one(dataclasses.replace(one, frame=one.frame.drop(columns=column)), tmp_path)


def test_two_tables_of_one_name_and_period_are_refused(tmp_path):
    with pytest.raises(ValueError, match="cohort comes twice"):
        save_release([release()[0]] * 2, tmp_path, level="external", facts=facts())


def test_a_name_that_is_no_file_name_is_refused(tmp_path):
    one = controlled_table(COHORT, name="../x", dimensions=("device_class", "segment"))
    with pytest.raises(ValueError, match="lower case, digits, single dashes"):
        save_one(one, tmp_path)


def test_a_cover_without_its_facts_is_refused(tmp_path):
    given = dataclasses.replace(facts(), contact=" ", next_update="")
    with pytest.raises(UnusableInput, match="needs: contact, next_update"):
        save_release(release(), tmp_path, level="external", facts=given)
    with pytest.raises(ValueError, match="settings of its disclosure control"):
        save_release(
            release(), tmp_path, level="external", facts=dataclasses.replace(facts(), settings=None)
        )


def test_a_release_is_never_overwritten(tmp_path):
    home = save_release(release(), tmp_path, level="external", facts=facts())
    before = {path.name: path.read_bytes() for path in home.iterdir()}
    for remove in (None, home):
        if remove is not None:  # the sign-off of a release that was taken away
            for path in home.iterdir():
                path.unlink()
            home.rmdir()
        with pytest.raises(UnusableInput, match="already"):
            save_release(release()[:1], tmp_path, level="external", facts=facts())
        if remove is None:
            assert {path.name: path.read_bytes() for path in home.iterdir()} == before


def test_what_fails_half_way_leaves_nothing(tmp_path, monkeypatch):
    from audit.release.summary import summary_files

    def fail(*_, **__):
        raise OSError("disk full")

    monkeypatch.setattr(summary_files, "write_manifest", fail)
    with pytest.raises(OSError, match="disk full"):
        save_release(release(), tmp_path, level="external", facts=facts())
    assert not any(tmp_path.iterdir())


# --- release note ------------------------------------------------------------------------------


def test_the_note_has_an_entry_a_table_with_what_a_checker_needs(external):
    text = (external / "release-note-external.txt").read_text(encoding="utf-8")
    entries = re.split(r"\nTable \d+: ", text)[1:]
    assert len(entries) == 3
    for entry in entries:
        for item in ("Files", "Population", "Size", "Done to protect people", "Numbers hidden",
                     "Speaks of the same people as"):  # fmt: skip
            assert re.search(rf"^{item}: \S", entry, flags=re.MULTILINE), item
    assert "Size: 45 cases" in entries[0]
    assert "Needs a decision (cohort-flag-1)" in entries[0]
    assert "Numbers hidden: 2 small ones, 0 second ones; 4 cells" in entries[0]
    assert "Speaks of the same people as: outcomes, time-to" in entries[0]


def test_the_size_of_a_hidden_table_stays_hidden():
    one = release()[0]
    frame = one.frame.head(1).assign(
        numerator=float("nan"), denominator=float("nan"), value=float("nan"), marker="[c]",
        reason="few_people",
    )  # fmt: skip
    assert size_words(dataclasses.replace(one, frame=frame)) == "[c] cases"
