"""A workbook from anywhere can neither fill the memory nor make the kit open, run or write anything."""

from __future__ import annotations

import pathlib
import struct
import time
import zipfile

import pytest

import audit
from audit.errors import UnusableInput
from audit.intake.workbook import guard as workbook_guard
from audit.intake.workbook import open_workbook
from audit.intake.workbook import xml as workbook_xml
from audit.intake.workbook.guard import MAX_PARTS, MIB, open_package
from audit.intake.workbook.sheet import read_sheet
from tests.traps.workbook_tools import CASES, HERE, parts_of, write_parts

SHEET = "xl/worksheets/sheet2.xml"
STRINGS = "xl/sharedStrings.xml"
HEAD = b'<row r="1"><c r="A1"/></row>'
MAIN = b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'


@pytest.fixture
def changed(tmp_path):
    """The plain workbook with other parts; returns its path."""

    def write(base: str = "plain.xlsx", **parts: bytes) -> pathlib.Path:
        given = {SHEET: parts.pop("sheet")} if "sheet" in parts else {}
        given |= {STRINGS: parts.pop("strings")} if "strings" in parts else {}
        every = parts_of(HERE / base) | given | parts
        return write_parts(tmp_path / "audit.xlsx", every, level=1)

    return write


def sheet_with(rows: bytes, base: str = "plain.xlsx") -> bytes:
    """The sheet of cases with more rows below."""
    return parts_of(HERE / base)[SHEET].replace(b"</sheetData>", rows + b"</sheetData>")


@pytest.mark.parametrize("part", [SHEET, "xl/media/picture.png", "xl/theme/other.xml"])
def test_a_part_that_unpacks_to_far_more_than_it_takes_is_refused(changed, part):
    with pytest.raises(UnusableInput, match="unpacked it is larger"):
        audit.read_source(changed(**{part: b" " * (40 * MIB)}))


def test_a_packed_file_inside_is_left_packed(changed, tmp_path):
    write_parts(tmp_path / "inner.zip", {"a": b" " * (40 * MIB)})
    path = changed(**{"xl/embeddings/a.zip": (tmp_path / "inner.zip").read_bytes()})
    tables = audit.read_source(path)
    assert len(tables["cases"]) == 3
    assert tables.queries["rule"].tolist() == ["other_content_ignored"]


def test_what_a_part_says_of_its_size_is_not_believed(changed):
    path = changed(**{"xl/theme/other.xml": b" " * (40 * MIB)})
    content = bytearray(path.read_bytes())
    content = content.replace(struct.pack("<I", 40 * MIB), struct.pack("<I", 1000))
    path.write_bytes(content)
    with zipfile.ZipFile(path) as archive:
        assert archive.getinfo("xl/theme/other.xml").file_size == 1000
    with pytest.raises(UnusableInput, match="unpacked it is larger"):
        audit.read_source(path)


def test_the_sum_of_all_parts_has_a_limit(changed, monkeypatch):
    path = changed(**{f"xl/theme/{number}.xml": bytes(range(32, 96)) * 100 for number in range(9)})
    assert len(audit.read_source(path)["cases"]) == 3
    monkeypatch.setattr(workbook_guard, "MAX_INFLATED_BYTES", 50_000)
    with pytest.raises(UnusableInput, match="unpacked it is larger"):
        audit.read_source(path)


def test_a_file_over_the_limit_is_not_opened(changed, monkeypatch):
    monkeypatch.setattr(workbook_guard, "MAX_FILE_BYTES", 1000)
    with pytest.raises(UnusableInput, match="unpacked it is larger"):
        open_package(changed().read_bytes(), name="audit.xlsx")


def test_too_many_parts_are_refused(changed):
    with pytest.raises(UnusableInput, match=f"more than {MAX_PARTS} parts"):
        audit.read_source(changed(**{f"xl/{number}.xml": b"<a/>" for number in range(MAX_PARTS)}))


@pytest.mark.parametrize("text", [b"<!DOCTYPE x>", b"<!ENTITY a 'b'>"])
@pytest.mark.parametrize("part", ["xl/theme/theme1.xml", STRINGS, "xl/drawings/a.vml", "a.rels"])
def test_document_types_are_refused_wherever_they_stand(changed, part, text):
    padded = b"<a>" + b" " * (MIB - 10) + text + b"</a>"  # across the edge of what is read at once
    with pytest.raises(UnusableInput, match="document type"):
        audit.read_source(changed(**{part: padded}))


@pytest.mark.parametrize("method", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_other_packing_methods_are_refused(tmp_path, method):
    path = tmp_path / "audit.xlsx"
    with zipfile.ZipFile(path, "w", method) as archive:
        for part, content in parts_of(HERE / "plain.xlsx").items():
            archive.writestr(part, content)
    with pytest.raises(UnusableInput, match="packed in a way"):
        audit.read_source(path)


def test_a_part_with_a_wrong_checksum_is_damaged(changed):
    path = changed()
    with zipfile.ZipFile(path) as archive:
        crc = archive.getinfo(SHEET).CRC
    path.write_bytes(path.read_bytes().replace(struct.pack("<I", crc), b"\x00\x00\x00\x00"))
    with pytest.raises(UnusableInput, match="damaged"):
        audit.read_source(path)


FAR = [
    b'<row r="2000000"><c r="XFD2000000"><v>1</v></c></row>',
    b"<row r='2000000'><c r='XFD2000000'><v>1</v></c></row>",
    b'<row r = "2000000"><c r = "XFD2000000"><v>1</v></c></row>',
    b'<row r="9"><c\tr\n=\n"XFD2000000"><v>1</v></c></row>',
    b'<row r="9"><c x=">" r="XFD2000000"><v>1</v></c></row>',
    b'<x:row r="9"><x:c r="XFD2000000"><x:v>1</x:v></x:c></x:row>',
    b'<row r="99999999999"><c r="A99999999999"><v>1</v></c></row>',
    b'<row r="999999999"><c><v>1</v></c></row>',
    b'<row r="9"><c r="ZZZZZZZZ9"><v>1</v></c></row>',
    b'<row r="9"><c r="A1048576" s="0"><f>1</f></c><c r="XFD9"><is><t>x</t></is></c></row>',
]


@pytest.mark.parametrize("row", FAR)
def test_a_cell_far_from_the_table_is_refused_however_it_is_spelt(changed, row):
    """The reading library sets memory aside for every place up to the last cell."""
    with pytest.raises(UnusableInput, match=r"cells reach down to|damaged"):
        audit.read_source(changed(sheet=sheet_with(row)))


def test_the_far_cell_is_named(changed):
    with pytest.raises(UnusableInput, match=r"sheet cases: .* down to A2000000 and right to J1,"):
        audit.read_source(
            changed(sheet=sheet_with(b'<row r="2000000"><c r="A2000000"><v>1</v></c></row>'))
        )


def test_counts_that_a_file_claims_set_no_memory_aside(changed):
    """A claimed number of shared texts would make the reading library end the process."""
    base = "plain_shared.xlsx"
    strings = parts_of(HERE / base)[STRINGS].replace(
        b' uniqueCount="', b' uniqueCount="9999999999999'
    )
    sheet = parts_of(HERE / base)[SHEET].replace(b'ref="A1:J4"', b'ref="A1:XFD1048576"')
    assert b"9999999999999" in strings
    assert b"XFD" in sheet
    assert len(audit.read_source(changed(base, strings=strings, sheet=sheet))["cases"]) == 3


def test_one_long_text_shown_by_very_many_cells_is_refused(changed):
    base = "plain_shared.xlsx"
    strings = parts_of(HERE / base)[STRINGS]
    number = strings.count(b"<si>")
    strings = strings.replace(b"</sst>", b"<si/><si><t>" + b"x" * 32_000 + b"</t></si></sst>")
    cells = b"".join(
        b'<row r="%d"><c r="K%d" t="s"><v>%d</v></c></row>' % (row, row, number + 1)
        for row in range(5, 20_005)
    )
    with pytest.raises(UnusableInput, match="more text than can be read"):
        audit.read_source(changed(base, strings=strings, sheet=sheet_with(cells, base)))


def test_a_million_rows_that_are_formatted_and_empty_cost_little(changed):
    rows = b"".join(
        b'<row r="%d" spans="1:10" s="1" customFormat="1"><c r="A%d" s="1"/></row>' % (row, row)
        for row in range(5, 1_000_005)
    )
    path = changed(sheet=sheet_with(rows))
    start = time.process_time()
    assert len(audit.read_source(path)["cases"]) == 3
    assert time.process_time() - start < 20  # about 1.5 s on a quiet machine
    package = open_package(path.read_bytes(), name="audit.xlsx")
    assert len(read_sheet(package, SHEET, sheet="cases").cells) < 3 * MIB  # of 80 MiB


def test_rows_after_a_stretch_of_empty_ones_keep_their_numbers(changed):
    rows = b"".join(b'<row r="%d" s="1" customFormat="1"/>' % row for row in range(5, 200_005))
    last = "".join(
        f'<c r="{chr(65 + at)}200009" t="inlineStr"><is><t>{value}</t></is></c>'
        for at, value in enumerate(["C009", *CASES[1][1:]])
    )
    rows += f'<row r="200009">{last}</row>'.encode()
    cases = audit.read_source(changed(sheet=sheet_with(rows)))["cases"]
    assert cases["row"].tolist() == [2, 3, 4, 200009]
    assert cases["case_id"].tolist() == ["C001", "C002", "C003", "C009"]


def test_a_large_register_is_read(changed):
    """100 000 cases of 25 columns."""
    plain = parts_of(HERE / "plain.xlsx")[SHEET]
    row = plain[plain.index(b'<row r="2"') : plain.index(b'<row r="3"')]
    more = b"".join(
        b'<c r="%s2" t="n"><v>1.5</v></c>' % letter
        for letter in b"K L M N O P Q R S T U V W X Y".split()
    )
    row = row.replace(b"C001", b"C~").replace(b"</row>", more + b"</row>")
    row = row.replace(b'2"', b'~"').replace(b's="~"', b's="2"')
    rows = b"".join(row.replace(b"~", b"%d" % number) for number in range(5, 100_005))
    names = b"".join(
        b'<c r="%s1" t="inlineStr"><is><t>extra_%s</t></is></c>' % (letter, letter)
        for letter in b"K L M N O P Q R S T U V W X Y".split()
    )
    sheet = sheet_with(rows).replace(b'</row><row r="2"', names + b'</row><row r="2"')
    grid = open_workbook(changed(sheet=sheet)).grids["cases"]
    assert grid.frame.shape == (100_003, 26)
    assert grid.frame["case_id"].iloc[-1] == "C100004"
    assert grid.frame["planned_gain_mm"].value_counts().to_dict() == {
        "38": 100_001,
        "42.5": 1,
        "50": 1,
    }


def test_lock_files_of_an_open_workbook_are_refused(tmp_path):
    path = tmp_path / "~$audit.xlsx"
    path.write_bytes(b"\x05Zanzibar")
    with pytest.raises(UnusableInput, match="only marks a workbook that is open") as caught:
        audit.read_source(path)
    assert "Zanzibar" not in str(caught.value)


@pytest.mark.parametrize("part", [SHEET, STRINGS])
def test_elements_in_elements_without_end_are_damaged(changed, part):
    deep = b"<a>" * 400_000 + bytes(range(48, 58)) * 40_000 + b"</a>" * 400_000
    deep = b"<c r='J9'>" + deep + b"</c>" if part == SHEET else deep
    text = parts_of(HERE / "plain_shared.xlsx")[part]
    text = text.replace(b"</row></sheetData>", deep + b"</row></sheetData>")
    text = text.replace(b"</sst>", b"<!-- -->" + deep + b"</sst>")
    with pytest.raises(UnusableInput, match="damaged"):
        audit.read_source(changed("plain_shared.xlsx", **{part: text}))


def test_an_odd_spelling_is_taken_apart_up_to_a_size_only(changed, monkeypatch):
    base = "spelt_with_prefixes.xlsx"
    monkeypatch.setattr(workbook_xml, "MAX_PARSED_BYTES", 10_000)
    assert len(audit.read_source(changed(base))["cases"]) == 3
    padded = parts_of(HERE / base)[SHEET] + b" " * 10_000
    with pytest.raises(UnusableInput, match="cannot be read at its size"):
        audit.read_source(changed(base, sheet=padded))


@pytest.mark.parametrize(
    ("start", "advice"),
    [
        (b"SQLite format 3\x00", r"as a URL: sqlite:///"),
        (b"%PDF-1.7", "PDF document"),
        (b"\x1f\x8b\x08", "packed file"),
        (b"\x89PNG\r\n", "picture"),
        (b"\x00\x01\x02\x03\xff", "is no workbook"),
        (b"<?xml version='1.0'?><Workbook/>", r"XML file and no \.xlsx"),
        (b"\xef\xbb\xbfcase_id;patient_id\n", "text file and no workbook"),
        ("case_id,patient_id\n".encode("utf-16"), "text file and no workbook"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), "older office file"),
    ],
)
def test_other_files_are_refused_with_their_own_advice(tmp_path, start, advice):
    path = tmp_path / "audit.xlsx"
    path.write_bytes(start + b" " * 50)
    with pytest.raises(UnusableInput, match=advice):
        audit.read_source(path)


@pytest.mark.parametrize("keep", [4, 100, 2000, 4000, -30, -1])
def test_a_workbook_that_was_cut_off_is_damaged_and_never_half_read(tmp_path, keep):
    path = tmp_path / "audit.xlsx"
    path.write_bytes((HERE / "plain.xlsx").read_bytes()[:keep])
    with pytest.raises(UnusableInput, match="damaged or incomplete"):
        audit.read_source(path)


@pytest.mark.parametrize(
    ("part", "cut"),
    [
        ("xl/workbook.xml", 40),
        ("xl/_rels/workbook.xml.rels", 40),
        (SHEET, 300),
        ("xl/styles.xml", 40),
    ],
)
def test_a_part_that_is_not_well_formed_is_damaged(changed, part, cut):
    with pytest.raises(UnusableInput, match="damaged"):
        audit.read_source(changed(**{part: parts_of(HERE / "plain.xlsx")[part][:-cut]}))
