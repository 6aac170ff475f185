"""The word-processor file, looked at as XML, with python-docx, and as printed pages.

Element names and their order: ECMA-376-1:2016 (ISO/IEC 29500-1), sections named at each list.
"""

from __future__ import annotations

import dataclasses
import datetime
import io
import pathlib
import re
import shutil
import subprocess
import zipfile

import docx
import lxml.etree
import pandas as pd
import pytest
from docx.oxml.ns import qn

from audit.document import FigureBlock, Heading, PaperDocument, Paragraph, TableBlock
from audit.release.paper.table_layout import TURNED_MM, UPRIGHT_MM, layout_of, text_mm
from audit.release.paper.word_document import word_document
from audit.tables.shown import ShownTable
from tests.unit.paper_sample import narrow_table, paper, png, wide_table

W = "{http://schemas.openxmlformats.org/wordprocessingml/2006/main}"
#: order of the children, only those that occur here
ORDERS = {
    # 17.3.1.26 pPr
    "pPr": "pStyle keepNext keepLines numPr suppressLineNumbers pBdr shd tabs spacing ind jc outlineLvl rPr sectPr",
    # 17.3.2.28 rPr
    "rPr": "rStyle rFonts b bCs i color sz szCs u lang",
    # 17.4.59 tblPr
    "tblPr": "tblStyle tblW jc tblInd tblBorders tblLayout tblCellMar tblLook tblCaption tblDescription",
    # 17.6.17 sectPr
    "sectPr": "headerReference footerReference type pgSz pgMar lnNumType cols docGrid",
    # 17.7.4.17 style
    "style": "name basedOn next semiHidden qFormat pPr rPr tblPr tblStylePr",
    # 17.15.1.78 settings
    "settings": "zoom defaultTabStop compat themeFontLang decimalSymbol listSeparator",
}  # fmt: skip


@pytest.fixture(scope="module")
def made() -> bytes:
    return word_document(paper())


@pytest.fixture(scope="module")
def opened(made):
    return docx.Document(io.BytesIO(made))


def part(content: bytes, name: str = "word/document.xml") -> lxml.etree._Element:
    with zipfile.ZipFile(io.BytesIO(content)) as package:
        return lxml.etree.fromstring(package.read(name))


def section_sizes(content: bytes) -> list[tuple[str, str]]:
    return [(size.get(f"{W}w"), size.get(f"{W}h")) for size in part(content).iter(f"{W}pgSz")]


def test_headings_texts_and_captions_stand_in_order(opened):
    found = [(line.style.name, line.text) for line in opened.paragraphs if line.text]
    assert found == [
        ("Title", "Lengthening of the femur & tibia: a case series"),
        ("Heading 1", "Methods"),
        ("Body Text", "As asked for [1]. Who was in: Table 1."),
        ("Note to Author", "For the author: Give the approval."),
        ("Caption", "Table 1. Who was in [2]"),
        ("Table Note", "CI: confidence interval [3]."),
        ("Heading 1", "Results"),
        ("Body Text", "The mean was 36.9 days/cm (34.6) [1\N{EN DASH}3], see Figure 1."),
        ("Caption", "Figure 1. Every case [4]"),
        ("Heading 2", "Outcomes"),
        ("Caption", "Table 2. Outcomes by group"),
        ("Table Note", "SD: standard deviation."),
        ("Heading 1", "Discussion"),
        ("Body Text", "The end."),
        ("Heading 1", "References"),
        ("Reference", "von Elm E. PLoS Med 2007;4:e296. https://doi.org/10.1371/journal.pmed.0040296"),
        ("Reference", "Benchimol EI. PLoS Med 2015;12:e1001885."),
        ("Reference", "Wilson EB. J Am Stat Assoc 1927;22:209-212. https://doi.org/10.1080/01621459.1927.10502953"),
        ("Reference", "Bland JM & Altman DG. Stat Methods Med Res 1999;8:135-160."),
    ]  # fmt: skip


def test_tables_are_real_tables_with_marked_repeated_headings(opened):
    first, second = opened.tables
    assert [cell.text for cell in first.rows[0].cells] == ["Step", "Cases", "Share (95% CI)"]
    assert first.cell(1, 0).text == "Step 0 & more, 5% of <all>"
    assert second.cell(2, 1).text == "\N{EN DASH}"
    for table in opened.tables:
        marks = [row._tr.trPr.find(qn("w:tblHeader")) is not None for row in table.rows]
        assert marks == [True] + [False] * (len(marks) - 1)
        assert all(row._tr.trPr.find(qn("w:cantSplit")) is not None for row in table.rows)
        assert table._tbl.tblPr.find(qn("w:tblCaption")).get(qn("w:val")).startswith("Table ")
    described = first._tbl.tblPr.find(qn("w:tblDescription")).get(qn("w:val"))
    assert described == "3 rows. Columns: Step; Cases; Share (95% CI)."


def test_bare_numbers_stand_at_the_right_and_texts_do_not(opened):
    line = opened.tables[0].rows[1].cells
    assert [cell.paragraphs[0].alignment for cell in line] == [None, 2, None]


def test_numbers_are_fields_that_point_to_bookmarks(made):
    body = part(made)
    codes = [code.text.strip() for code in body.iter(f"{W}instrText")]
    marks = [mark.get(f"{W}name") for mark in body.iter(f"{W}bookmarkStart")]
    assert codes.count("SEQ Table \\* ARABIC") == 2
    assert codes.count("SEQ Figure \\* ARABIC") == 1
    targets = [code.split()[1] for code in codes if code.startswith("REF ")]
    assert set(targets) <= set(marks)
    assert {"_RefTable1", "_RefTable2", "_RefFigure1", "_RefSource4"} <= set(marks)
    numbers = [mark.get(f"{W}id") for mark in body.iter(f"{W}bookmarkStart")]
    assert len(numbers) == len(set(numbers)) == len(list(body.iter(f"{W}bookmarkEnd")))
    kinds = [mark.get(f"{W}fldCharType") for mark in body.iter(f"{W}fldChar")]
    assert kinds == ["begin", "separate", "end"] * (len(kinds) // 3)


def test_references_are_a_numbered_list_of_the_file(made):
    numbering = part(made, "word/numbering.xml")
    level = numbering.find(f"{W}abstractNum/{W}lvl")
    assert level.find(f"{W}numFmt").get(f"{W}val") == "decimal"
    styles = part(made, "word/styles.xml")
    style = styles.find(f"{W}style[@{W}styleId='Reference']")
    assert style.find(f"{W}pPr/{W}numPr/{W}numId") is not None


def test_a_picture_says_what_it_shows(made):
    picture = next(part(made).iter(qn("wp:docPr")))
    assert picture.get("descr") == "Six points, rising."
    assert picture.get("name") == "Figure 1"


def test_the_wide_table_with_its_heading_stands_on_a_turned_a4_page(made):
    # A4 is 210 x 297 mm (ISO 216): 11906 x 16838 twentieths of a point
    assert section_sizes(made) == [("11906", "16838"), ("16838", "11906"), ("11906", "16838")]
    sections = part(made)[0]
    turned, place = False, {}
    for element in sections:
        for text in element.iter(f"{W}t"):
            place.setdefault(text.text, turned)
        turned += element.find(f"{W}pPr/{W}sectPr") is not None
    assert place["Methods"] == 0
    assert place["Outcomes"] == 1
    assert place["Outcome"] == 1
    assert place["Discussion"] == 2


def test_a_short_text_goes_with_the_turned_table_and_a_long_one_does_not():
    def sizes(text: str) -> int:
        blocks = (Heading("A"), Paragraph((text,)), TableBlock(wide_table()))
        return len(section_sizes(word_document(PaperDocument("T", blocks))))

    assert sizes("See the table. " * 60) == 2
    # the title has a page of its own before the section
    short = word_document(
        PaperDocument("T", (Heading("A"), Paragraph(("See.",)), TableBlock(wide_table())))
    )
    body = part(short)[0]
    first = next(i for i, line in enumerate(body) if line.find(f"{W}pPr/{W}sectPr") is not None)
    assert "".join(body[first].itertext()) == "T"


def test_properties_language_and_page_numbers(opened, made):
    core = opened.core_properties
    assert core.title == "Lengthening of the femur & tibia: a case series"
    assert (core.subject, core.keywords) == ("Case series", "case series, bone lengthening")
    assert (core.language, core.author, core.comments, core.last_modified_by) == (
        "en-GB",
        "",
        "",
        "",
    )
    languages = {lang.get(f"{W}val") for lang in part(made, "word/styles.xml").iter(f"{W}lang")}
    assert languages == {"en-GB"}
    footer = opened.sections[0].footer.paragraphs[0].text
    assert footer == "Page 1 of 1"
    assert all(section.footer.is_linked_to_previous is False for section in opened.sections)


def test_no_property_is_longer_than_the_format_allows():
    made = word_document(PaperDocument("T" * 400, (), keywords=("word",) * 100))
    core = docx.Document(io.BytesIO(made)).core_properties
    assert len(core.title) == len(core.keywords) == 255


def test_the_same_paper_gives_the_same_bytes_and_no_clock_is_in_them(made):
    assert word_document(paper()) == made
    with zipfile.ZipFile(io.BytesIO(made)) as package:
        assert {entry.date_time for entry in package.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        names = package.namelist()
    assert names[0] == "[Content_Types].xml"
    assert not [name for name in names if "thumbnail" in name or "app.xml" in name]
    core = part(made, "docProps/core.xml")
    assert set(re.findall(r"\d{4}-\d\d-\d\d", "".join(core.itertext()))) == {"1980-01-01"}


def test_a_day_that_is_given_stands_in_the_properties():
    made = word_document(paper(), dated=datetime.date(2026, 9, 30))
    core = docx.Document(io.BytesIO(made)).core_properties
    assert core.created.date() == core.modified.date() == datetime.date(2026, 9, 30)


@pytest.mark.parametrize("name", ["word/document.xml", "word/styles.xml", "word/settings.xml"])
def test_elements_stand_in_the_order_of_the_standard(made, name):
    root = part(made, name)
    seen = 0
    for tag, order in ORDERS.items():
        places = {f"{W}{child}": place for place, child in enumerate(order.split())}
        for element in root.iter(f"{W}{tag}"):
            found = [places[child.tag] for child in element]
            assert found == sorted(found), (tag, [child.tag for child in element])
            seen += 1
    assert seen


def test_every_relation_leads_to_a_part_and_every_used_style_is_there(made):
    with zipfile.ZipFile(io.BytesIO(made)) as package:
        names = set(package.namelist())
    for relation in part(made, "word/_rels/document.xml.rels"):
        if relation.get("TargetMode") != "External":
            assert f"word/{relation.get('Target')}" in names
    body, styles = part(made), part(made, "word/styles.xml")
    have = {style.get(f"{W}styleId") for style in styles.iter(f"{W}style")}
    used = {
        element.get(f"{W}val")
        for tag in ("pStyle", "rStyle", "tblStyle")
        for element in body.iter(f"{W}{tag}")
    }
    assert used <= have


def test_letters_that_xml_cannot_hold_are_left_out():
    frame = pd.DataFrame({"A\x0b": ["pin\x00 site\x1b", "two\nlines"]})
    blocks = (Paragraph(("bell\x07",)), TableBlock(ShownTable(frame, "dirty", "Cap\x01tion", ())))
    opened = docx.Document(io.BytesIO(word_document(PaperDocument("Ti\x02tle", blocks))))
    assert [line.text for line in opened.paragraphs][:3] == ["Title", "bell", "Table 1. Caption"]
    assert [cell.text for cell in opened.tables[0].columns[0].cells] == [
        "A",
        "pin site",
        "two\nlines",
    ]


def test_a_table_without_rows_says_so():
    frame = pd.DataFrame({"Rule": [], "Cases": []}, dtype="string")
    blocks = (TableBlock(ShownTable(frame, "empty", "Left out", ())),)
    opened = docx.Document(io.BytesIO(word_document(PaperDocument("T", blocks))))
    assert len(opened.tables[0].rows) == 1
    assert "No rows." in [line.text for line in opened.paragraphs]


def test_a_picture_larger_than_the_page_is_made_smaller_and_keeps_its_shape():
    for size, room in (((400, 100), (160, 40)), ((100, 400), (50, 200))):
        block = FigureBlock("f", "Caption", "Alt", png(width=size[0], height=size[1]), 190.0)
        made = word_document(PaperDocument("T", (block,)))
        shape = docx.Document(io.BytesIO(made)).inline_shapes[0]
        assert (shape.width.mm, shape.height.mm) == pytest.approx(room, abs=0.1)


def test_a_paper_with_its_own_heading_for_references_gets_no_second_one():
    document = dataclasses.replace(paper(), blocks=(*paper().blocks, Heading("References")))
    opened = docx.Document(io.BytesIO(word_document(document)))
    assert [line.text for line in opened.paragraphs].count("References") == 1


def test_without_a_citation_there_is_no_list():
    opened = docx.Document(io.BytesIO(word_document(PaperDocument("T", (Paragraph(("x",)),)))))
    assert [line.text for line in opened.paragraphs] == ["T", "x"]


def test_columns_stay_within_the_page_and_no_word_is_broken():
    for table in (narrow_table(), wide_table()):
        headings = list(table.frame.columns)
        rows = [[text or "-" for text in row] for row in table.frame.to_numpy().tolist()]
        layout = layout_of(table, headings, rows)
        assert layout.width_mm <= (TURNED_MM if layout.turned else UPRIGHT_MM) + 1e-6
        for place, width in enumerate(layout.widths_mm):
            words = [word for row in rows for word in row[place].split()]
            assert max(text_mm(word, layout.points) for word in words) <= width


def test_letters_are_measured_no_narrower_than_they_are_printed():
    """Against the Adobe Core 14 font metrics of Helvetica, as the plotting library carries them;
    the fonts that stand in for it have the same widths by design."""
    import matplotlib

    metrics = pathlib.Path(matplotlib.get_data_path()) / "fonts" / "pdfcorefonts" / "Helvetica.afm"
    widths = re.findall(
        r"^C (\d+) ; WX (\d+) ;", metrics.read_text(encoding="latin-1"), re.MULTILINE
    )
    printable = {chr(int(code)): int(width) for code, width in widths if 32 <= int(code) < 127}
    assert len(printable) == 95
    for letter, width in printable.items():
        assert text_mm(letter, 10) >= width / 1000 * 10 * 25.4 / 72, letter


def test_a_table_without_columns_is_refused():
    blocks = (TableBlock(ShownTable(pd.DataFrame(), "empty", "Nothing", ())),)
    with pytest.raises(ValueError, match="the table empty has no columns"):
        word_document(PaperDocument("T", blocks))


OFFICE, TEXTS = shutil.which("soffice"), shutil.which("pdftotext")


@pytest.mark.skipif(not (OFFICE and TEXTS), reason="no office program to print with")
def test_printed_pages(tmp_path):
    """Printed by another program: fields, repeated headings, turned pages, page numbers."""
    (tmp_path / "paper.docx").write_bytes(word_document(paper(rows=70)))
    command = [OFFICE, f"-env:UserInstallation=file://{tmp_path}/profile", "--headless"]
    command += ["--convert-to", "pdf", "--outdir", str(tmp_path), str(tmp_path / "paper.docx")]
    done = subprocess.run(command, capture_output=True, timeout=240, check=False)
    if not (tmp_path / "paper.pdf").is_file():
        pytest.skip(f"the office program cannot open word-processor files: {done.stderr[-80:]!r}")
    text = subprocess.run(
        [TEXTS, "-layout", str(tmp_path / "paper.pdf"), "-"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    pages = text.split("\f")[:-1]
    for number, page in enumerate(pages, start=1):
        assert f"Page {number} of {len(pages)}" in page
    # the reader works the fields out for itself: they say what we wrote
    assert "As asked for [1]. Who was in: Table 1." in text
    assert re.search(r"\[1\N{EN DASH}3\],\s+(\d+\s+)?see\s+Figure\s+1\.", text)
    assert re.search(r"\b4\.\s+Bland JM", text)
    holding = [page for page in pages if "more, 5% of <all>" in page]
    assert len(holding) >= 2
    assert all("Share (95% CI)" in page for page in holding)
