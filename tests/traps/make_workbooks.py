"""Makes the small workbooks in `tests/traps/workbooks`: each holds one thing that goes wrong.

Run: python -m tests.traps.make_workbooks
Needs openpyxl, xlsxwriter and, for the one under a password, msoffcrypto. Every run makes the same
bytes, but for that one, which is made only when it is not there. All people are invented.
"""

from __future__ import annotations

import datetime as dt
import io
import re

import openpyxl
import xlsxwriter
from openpyxl.styles import PatternFill
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from tests.traps.workbook_tools import (
    CASES,
    HEADINGS,
    HERE,
    SESSIONS,
    add,
    at,
    build,
    build_shared,
    changed,
    compound_file,
    edit,
    parts_of,
    write_parts,
)

CASES_PART = "xl/worksheets/sheet2.xml"


def make_headings() -> None:
    """Where the headings stand, and what is wrong with them."""
    build("plain.xlsx")
    build_shared("plain_shared.xlsx")
    build("headings_twice.xlsx", cases=[[*row, row[7]] for row in CASES])
    titles = [["Limb lengthening audit", *[None] * 9], ["Printed on 1 January 2026"], [None]]

    def merge_title(book: openpyxl.Workbook) -> None:
        book["cases"].merge_cells("A1:J1")

    build("lines_above.xlsx", merge_title, cases=[*titles, *CASES])
    upper = ["case_id", "patient_id", "segment", "device_class", "Patient", None, "Operation", None,
             "last_follow_up_date", "outcome_status"]  # fmt: skip
    lower = [None, None, None, None, "age_at_surgery_years", "physes_open", "surgery_date",
             "planned_gain_mm", None, None]  # fmt: skip

    def merge_headings(book: openpyxl.Workbook) -> None:
        for area in ("A1:A2", "B1:B2", "C1:C2", "D1:D2", "E1:F1", "G1:H1", "I1:I2", "J1:J2"):
            book["cases"].merge_cells(area)

    build("headings_merged.xlsx", merge_headings, cases=[upper, lower, *CASES[1:]])
    build("headings_missing.xlsx", cases=CASES[1:])
    build("headings_only.xlsx", cases=[HEADINGS])
    named = [[*HEADINGS, "patient_name"], *[[*row, "Zanzibar"] for row in CASES[1:]]]
    build("headings_name.xlsx", cases=named)
    beside = [HEADINGS, *[[*row, None, "checked"] for row in CASES[1:]]]
    build("column_without_heading.xlsx", cases=beside)


def make_sheets() -> None:
    """Names and states of sheets."""
    motion = [["case_id", "examined_on", "joint"], ["C001", dt.date(2025, 1, 2), "knee"]]
    spelt = {"Joint motion": motion, "Read me": [["How to fill in this workbook"]]}
    build("sheet_names.xlsx", **spelt, weight_baring=[["case_id"]])

    def rename(book: openpyxl.Workbook) -> None:
        book["cases"].title = " CASES"

    build("sheet_capitals.xlsx", rename)
    build("two_sheets_one_table.xlsx", Joint_motion=motion, **{"joint-motion": motion})

    def drop(book: openpyxl.Workbook) -> None:
        book["patients"].title = "people"

    build("no_patients.xlsx", drop)

    def hide(book: openpyxl.Workbook) -> None:
        book.create_sheet("Read me")
        book["cases"].sheet_state = "hidden"
        book["patients"].sheet_state = "veryHidden"
        book.active = 2

    build("sheet_hidden.xlsx", hide)
    build("sheet_empty.xlsx", cases=[])
    build("sheet_empty_optional.xlsx", actions=[])

    def hide_rows(book: openpyxl.Workbook) -> None:
        sheet = book["cases"]
        sheet.auto_filter.ref = "A1:J4"
        sheet.row_dimensions[3].hidden = True
        sheet.column_dimensions["F"].hidden = True
        sheet.row_dimensions[9].hidden = True

    build("hidden_rows_and_columns.xlsx", hide_rows)

    def table(book: xlsxwriter.Workbook, sheets: dict) -> None:
        columns = [{"header": name} for name in HEADINGS]
        columns[0]["total_string"] = "Total"
        columns[7]["total_function"] = "sum"
        columns[7]["total_value"] = 130.5
        sheets["cases"].add_table(0, 0, 4, 9, {"columns": columns, "total_row": True})

    build_shared("table_with_totals.xlsx", table)


def make_cells() -> None:
    """What a spreadsheet does to values."""
    build("numbers_as_text.xlsx", cases=changed(planned_gain_mm="38", surgery_date="2025-01-10"))
    quoted = build("leading_apostrophe.xlsx", cases=changed(planned_gain_mm="38"))
    edit(quoted, "xl/styles.xml", ('<xf numFmtId="0" fontId="0" fillId="0" borderId="0" '
         'pivotButton="0" quotePrefix="0" xfId="0" />', '<xf numFmtId="0" fontId="0" fillId="0" '
         'borderId="0" pivotButton="0" quotePrefix="1" xfId="0" />'))  # fmt: skip
    build("ids_as_numbers.xlsx", cases=[HEADINGS, *[[n, *row[1:]] for n, row in
          zip((1, 2, 3), CASES[1:], strict=True)]])  # fmt: skip
    build("ids_as_dates.xlsx", cases=changed(case_id=dt.date(2026, 2, 1)))
    build("early_dates.xlsx", cases=changed(planned_gain_mm=dt.date(1900, 2, 7),
          surgery_date=dt.date(1900, 2, 28)))  # fmt: skip
    build("truth_values.xlsx", cases=changed(physes_open=True, segment=False))
    blanks = ["C001 ", " P001", "femur\u00a0", *CASES[1][3:], 'said "well";\nthen, left']
    build("blanks_and_breaks.xlsx", cases=[[*HEADINGS, "notes"], blanks])
    build("dates_as_text.xlsx", cases=changed(surgery_date="10.01.2025"))

    def epoch(book: openpyxl.Workbook) -> None:
        book.epoch = CALENDAR_MAC_1904

    build("dates_from_1904.xlsx", epoch)

    def iso(book: openpyxl.Workbook) -> None:
        book.iso_dates = True

    build("dates_iso.xlsx", iso)
    errors = build("error_cells.xlsx")
    gain = f'<c r="{at("planned_gain_mm", 2)}" t="n"><v>38</v></c>'
    age = f'<c r="{at("age_at_surgery_years", 3)}" t="n"><v>12.5</v></c>'
    edit(errors, CASES_PART,
         (gain, f'<c r="{at("planned_gain_mm", 2)}" t="e"><v>#REF!</v></c>'),
         (age, f'<c r="{at("age_at_surgery_years", 3)}" t="e"><v>#SPILL!</v></c>'),
         ('<c r="C4" t="inlineStr"><is><t>femur</t></is></c>', '<c r="C4" t="e"><v>#N/A</v></c>'))  # fmt: skip

    def rich(book: xlsxwriter.Workbook, sheets: dict) -> None:
        bold = book.add_format({"bold": True})
        sheets["cases"].write_rich_string("C2", "fe", bold, "mur")
        sheets["cases"].write_string("K1", "notes")
        sheets["cases"].write_rich_string("K2", "left ", bold, "leg")

    build_shared("rich_text.xlsx", rich)

    def units(book: xlsxwriter.Workbook, sheets: dict) -> None:
        sheets["cases"].write_number("H2", 3.8, book.add_format({"num_format": '0.0" cm"'}))
        sheets["cases"].write_number("H3", 0.425, book.add_format({"num_format": "0.0%"}))
        sheets["cases"].write_number("H4", 50, book.add_format({"num_format": "0.00;[Red]-0.00"}))

    build_shared("units_in_format.xlsx", units)


def make_times() -> None:
    """Moments: noise of stored fractions, midnight, hours alone, spans."""

    def sessions(book: xlsxwriter.Workbook, _: dict) -> None:
        sheet = book.add_worksheet("distraction_sessions")
        moment = book.add_format({"num_format": "yyyy-mm-dd hh:mm"})
        clock = book.add_format({"num_format": "hh:mm"})
        span = book.add_format({"num_format": "[h]:mm"})
        day = book.add_format({"num_format": "yyyy-mm-dd"})
        sheet.write_row(0, 0, SESSIONS)
        # 45574.551388888889 is 2024-10-09 13:14; one step of the stored fraction is 0.6 us
        stored = [(45574.551388888889, moment), (45574.5513888888, moment), (45574, moment),
                  (45574.99999999, moment), (45574.25 + 7 / 86400, moment), (45574, day),
                  (0.5, clock), (30 / 24, span)]  # fmt: skip
        for row, (number, form) in enumerate(stored, start=1):
            sheet.write_string(row, 0, "C001")
            sheet.write_number(row, 1, number, form)
            sheet.write_number(row, 3, 0.33)

    build_shared("times.xlsx", sessions)


def make_merges() -> None:
    """Merged cells over data."""
    rows = [list(row) for row in CASES]
    rows[2][2] = rows[3][2] = None

    def merge(book: openpyxl.Workbook) -> None:
        book["cases"].merge_cells("C2:C4")

    build("merged_data.xlsx", merge, cases=rows)
    covered = build("merged_covered_value.xlsx")
    area = '<mergeCells count="1"><mergeCell ref="C2:C3"/></mergeCells>'
    edit(covered, CASES_PART, ("</sheetData>", f"</sheetData>{area}"))


def make_formulas() -> None:
    """Formulas with and without what they gave."""

    def unstored(book: openpyxl.Workbook) -> None:
        book["cases"]["H2"] = "=30+8"
        book["cases"]["H3"] = "=SUM(H2,4.5)"

    build("formula_unstored.xlsx", unstored)

    def zeros(_: xlsxwriter.Workbook, sheets: dict) -> None:
        sheets["cases"].write_formula("H2", "=30+8")
        sheets["cases"].write_formula("H3", "=H2+4.5", None, 42.5)

    build_shared("formula_zero.xlsx", zeros)
    stored = build_shared("formula_stored.xlsx", zeros)
    edit(stored, "xl/workbook.xml", (' fullCalcOnLoad="1"', ""))
    edit(stored, CASES_PART, ("<f>30+8</f><v>0</v>", "<f>30+8</f><v>38</v>"))
    empty = build("formula_empty_text.xlsx")
    edit(empty, CASES_PART, (
        '<c r="F2" t="inlineStr"><is><t>no</t></is></c>',
        '<c r="F2" t="str"><f>IF(E2&gt;16,"","yes")</f><v></v></c>',
    ))  # fmt: skip
    by_hand = build_shared("formula_by_hand.xlsx", zeros)
    edit(by_hand, "xl/workbook.xml", (' fullCalcOnLoad="1"', ' calcMode="manual"'))
    edit(by_hand, CASES_PART, ("<f>30+8</f><v>0</v>", "<f>30+8</f><v>38</v>"))

    def spill(_: xlsxwriter.Workbook, sheets: dict) -> None:
        sheets["cases"].write_array_formula("H2:H4", "{=E2:E4*2}", None, 40)
        sheets["cases"].write_number("H3", 25)
        sheets["cases"].write_number("H4", 62)

    build_shared("formula_spilled.xlsx", spill)


def make_spellings() -> None:
    """The same tables as other programs spell them."""
    other = build_shared("spelt_with_defaults.xlsx")
    row = ('customFormat="false" ht="12.8" hidden="false" customHeight="false" '
           'outlineLevel="0" collapsed="false"')  # fmt: skip
    text = parts_of(other)[CASES_PART].decode()
    text = re.sub(r'<row r="(\d+)" spans="1:10">', rf'<row r="\1" {row}>', text)
    text = re.sub(r'(<c r="\w+")((?: s="\d")?)><v>', r'\1\2 t="n"><v>', text)
    last = f'<row r="1048576" {row}><c r="A1048576" s="0"/><c r="AMJ1048576" s="0"/></row>'
    text = text.replace("</sheetData>", last + "</sheetData>")
    columns = (
        '<cols><col collapsed="false" customWidth="true" hidden="false" max="1025" min="1"/></cols>'
    )
    text = text.replace("<sheetData>", columns + "<sheetData>")
    write_parts(other, parts_of(other) | {CASES_PART: text.encode()})

    prefixed = build("spelt_with_prefixes.xlsx")
    parts = parts_of(prefixed)
    for part in (CASES_PART, "xl/worksheets/sheet1.xml", "xl/workbook.xml"):
        text = re.sub(r"<(/?)(?!\?|/)(\w)", r"<\1x:\2", parts[part].decode())
        parts[part] = text.replace("xmlns=", "xmlns:x=", 1).encode()
    write_parts(prefixed, parts)

    bare = build("spelt_without_places.xlsx")
    parts = parts_of(bare)
    text = re.sub(r' r="\w+"', "", parts[CASES_PART].decode())
    write_parts(bare, parts | {CASES_PART: text.encode()})

    odd = build("spelt_with_remarks.xlsx")
    edit(odd, CASES_PART,
         ('<c r="C2" t="inlineStr"><is><t>femur</t></is></c>',
          "<!-- <c r='C2'><f>1</f></c> --><c r='C2' t='str'><v><![CDATA[femur]]></v></c>"))  # fmt: skip
    strict = build("spelt_strict.xlsx")
    parts = parts_of(strict)
    swaps = (
        (b"http://schemas.openxmlformats.org/spreadsheetml/2006/main",
         b"http://purl.oclc.org/ooxml/spreadsheetml/main"),
        (b"http://schemas.openxmlformats.org/officeDocument/2006/relationships",
         b"http://purl.oclc.org/ooxml/officeDocument/relationships"),
    )  # fmt: skip
    for part, content in parts.items():
        for old, new in swaps:
            content = content.replace(old, new)
        parts[part] = content
    write_parts(strict, parts)

    moved = build("spelt_elsewhere.xlsx")
    parts = {part.replace("xl/workbook", "xl/workbook2").replace("xl/_rels/workbook",
             "xl/_rels/workbook2"): content for part, content in parts_of(moved).items()}  # fmt: skip
    for part in ("_rels/.rels", "[Content_Types].xml"):
        parts[part] = parts[part].replace(b"xl/workbook.xml", b"xl/workbook2.xml")
    write_parts(moved, parts)

    far = build("formatted_far_away.xlsx", _colour_far_cells)
    edit(far, CASES_PART, ("</sheetData>", '<row r="1048576" s="1"><c r="XFD1048576" s="1"/></row>'
         "</sheetData>"))  # fmt: skip


def _colour_far_cells(book: openpyxl.Workbook) -> None:
    fill = PatternFill("solid", fgColor="FFFF00")
    for place in ("ZZ1", "ZZ400", "B400"):
        book["cases"][place].fill = fill


def make_unsafe() -> None:
    """What is left alone, and what is refused."""
    macros = build("macros.xlsm")
    add(macros, xl__vbaProject_dot_bin=b"\xd0\xcf\x11\xe0 not a real project")
    links = build("external_links.xlsx")
    add(links, xl__externalLinks__externalLink1_dot_xml=b"<externalLink/>")
    other = build("connections.xlsx")
    add(other, xl__connections_dot_xml=b"<connections/>", xl__embeddings__a_dot_bin=b"\x00\x01")
    doctype = build("document_type.xlsx")
    edit(doctype, CASES_PART, ("<worksheet", '<!DOCTYPE x [<!ENTITY a "aaaa">]><worksheet'))
    outside = build("name_outside.xlsx")
    write_parts(outside, parts_of(outside) | {"xl/../../evil.xml": b"<a/>"})
    absolute = build("name_absolute.xlsx")
    write_parts(absolute, parts_of(absolute) | {"/etc/evil.xml": b"<a/>"})
    twice = build("name_twice.xlsx")
    write_parts(twice, parts_of(twice) | {"XL/WORKBOOK.XML": b"<a/>"})
    utf16 = build("not_utf8.xlsx")
    text = parts_of(utf16)[CASES_PART].decode()
    write_parts(utf16, parts_of(utf16) | {CASES_PART: text.encode("utf-16")})


def make_others() -> None:
    """Files that are no workbook, under the name of one."""
    plain = HERE / "plain.xlsx"
    (HERE / "truncated.xlsx").write_bytes(plain.read_bytes()[:-900])
    (HERE / "text.xlsx").write_text("case_id,patient_id\nC001,P001\n", encoding="utf-8")
    (HERE / "one_table.csv").write_text("case_id,patient_id\nC001,P001\n", encoding="utf-8")
    (HERE / "web_page.xlsx").write_text("<html><table></table></html>", encoding="utf-8")
    (HERE / "nothing.xlsx").write_bytes(b"")
    (HERE / "old.xls").write_bytes(compound_file("Workbook"))
    write_parts(HERE / "binary.xlsb", {"[Content_Types].xml": b"<Types/>",
                "_rels/.rels": b"<Relationships/>", "xl/workbook.bin": b"\x83\x01\x00"})  # fmt: skip
    write_parts(HERE / "open_document.ods", {
        "mimetype": b"application/vnd.oasis.opendocument.spreadsheet",
        "content.xml": b"<document-content/>", "META-INF/manifest.xml": b"<manifest/>"})  # fmt: skip
    write_parts(HERE / "sheets.numbers", {"Index/Document.iwa": b"\x00", "Metadata/a.plist": b""})
    write_parts(HERE / "document.xlsx", {"[Content_Types].xml": b"<Types/>",
                "_rels/.rels": b"<Relationships/>", "word/document.xml": b"<document/>"})  # fmt: skip
    write_parts(HERE / "folder.zip", {"patients.csv": b"patient_id\n", "cases.csv": b"case_id\n"})
    locked = HERE / "password.xlsx"
    if not locked.exists():
        from msoffcrypto.format.ooxml import OOXMLFile

        target = io.BytesIO()
        OOXMLFile(io.BytesIO(plain.read_bytes())).encrypt("x", target)
        locked.write_bytes(target.getvalue())


def main() -> None:
    HERE.mkdir(parents=True, exist_ok=True)
    for make in (make_headings, make_sheets, make_cells, make_times, make_merges, make_formulas,
                 make_spellings, make_unsafe, make_others):  # fmt: skip
        make()


if __name__ == "__main__":
    main()
