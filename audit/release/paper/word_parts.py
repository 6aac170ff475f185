"""Pieces of a word-processor file that python-docx does not write itself.

Fields, bookmarks, links, repeated header rows, text for those who do not see, page sections, and
a package that is the same bytes each time; as ECMA-376 part 1 (ISO/IEC 29500-1) names them.
"""

from __future__ import annotations

import copy
import io
import re
import zipfile
from typing import Any

from docx.document import Document
from docx.opc.constants import RELATIONSHIP_TYPE
from docx.oxml import OxmlElement
from docx.oxml.ns import qn
from docx.shared import Mm
from docx.table import Table, _Row
from docx.text.paragraph import Paragraph
from docx.text.run import Run

from audit.release.paper.word_styles import HYPERLINK

#: A4 and its margins in mm (ISO 216)
SHORT_MM, LONG_MM, MARGIN_MM = 210, 297, 25
#: every fifth line of the text is numbered
LINES = 5
#: parts of the empty document that say where its template came from
_FOREIGN = ("app.xml", "thumbnail.jpeg", "stylesWithEffects.xml", "item1.xml", "webSettings.xml")
#: letters that XML 1.0 does not allow
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_ZIP_DAY = (1980, 1, 1, 0, 0, 0)
_UNIX = 3


def clean(text: str) -> str:
    """The text without letters that XML cannot hold."""
    return _NOT_XML.sub("", text)


def element(tag: str, **attributes: object) -> Any:
    """An element such as `w:tblHeader`, its attributes in the namespace `w`."""
    made = OxmlElement(tag)
    for name, value in attributes.items():
        made.set(qn(f"w:{name}"), str(value))
    return made


def add_field(paragraph: Paragraph, instruction: str, shown: str) -> tuple[Run, Run]:
    """A field that the word processor can bring up to date, with what it shows until then;
    gives its first and last run."""
    first = paragraph.add_run()
    first._r.append(element("w:fldChar", fldCharType="begin"))
    code = paragraph.add_run()
    words = element("w:instrText")
    words.set(qn("xml:space"), "preserve")
    words.text = f" {instruction} "
    code._r.append(words)
    paragraph.add_run()._r.append(element("w:fldChar", fldCharType="separate"))
    paragraph.add_run(shown)
    last = paragraph.add_run()
    last._r.append(element("w:fldChar", fldCharType="end"))
    return first, last


def add_bookmark(first: Run, last: Run, *, name: str, number: int) -> None:
    """A bookmark round the runs from first to last of one paragraph."""
    first._r.addprevious(element("w:bookmarkStart", id=number, name=name))
    last._r.addnext(element("w:bookmarkEnd", id=number))


def add_link(paragraph: Paragraph, address: str, shown: str) -> None:
    """A link to an address outside the file."""
    relation = paragraph.part.relate_to(address, RELATIONSHIP_TYPE.HYPERLINK, is_external=True)
    link = OxmlElement("w:hyperlink")
    link.set(qn("r:id"), relation)
    run = paragraph.add_run(shown)
    run.style = HYPERLINK
    link.append(run._r)
    paragraph._p.append(link)


def describe_picture(run: Run, *, number: int, name: str, alt: str) -> None:
    """Give the picture in a run its name and its text for those who do not see it."""
    for properties in run._r.iter(qn("wp:docPr"), qn("pic:cNvPr")):
        properties.set("id", str(number))
        properties.set("name", clean(name))
        properties.set("descr", clean(alt))


def describe_table(table: Table, *, title: str, text: str) -> None:
    """Give a table its title and description for those who do not see it."""
    properties = table._tbl.tblPr
    properties.append(element("w:tblCaption", val=clean(title)))
    properties.append(element("w:tblDescription", val=clean(text)))


def mark_header(row: _Row) -> None:
    """Mark a row as column headings, repeated on every page of the table."""
    row._tr.get_or_add_trPr().append(element("w:tblHeader"))


def keep_whole(row: _Row) -> None:
    """Never break a row over two pages."""
    row._tr.get_or_add_trPr().insert(0, element("w:cantSplit"))


def fix_widths(table: Table, widths_mm: tuple[float, ...]) -> None:
    """Columns of exactly these widths."""
    twips = [round(width * 1440 / 25.4) for width in widths_mm]
    properties = table._tbl.tblPr
    for old in properties.findall(qn("w:tblW")):
        old.set(qn("w:type"), "dxa")
        old.set(qn("w:w"), str(sum(twips)))
    table.autofit = False
    for column, width in zip(table._tbl.tblGrid.findall(qn("w:gridCol")), twips, strict=True):
        column.set(qn("w:w"), str(width))
    for line in table._tbl.tr_lst:
        for cell, width in zip(line.tc_lst, twips, strict=True):
            cell.width = Mm(width * 25.4 / 1440)


def page_of(base: Any, *, turned: bool) -> Any:
    """The properties of a section of A4 pages, upright or turned, after a section `base`."""
    section = copy.deepcopy(base)
    for tag in ("w:type", "w:pgSz", "w:pgMar", "w:cols", "w:docGrid", "w:lnNumType"):
        for old in section.findall(qn(tag)):
            section.remove(old)
    twips = [round(side * 1440 / 25.4) for side in (SHORT_MM, LONG_MM, MARGIN_MM)]
    width, height = (twips[1], twips[0]) if turned else (twips[0], twips[1])
    size = {"w": width, "h": height} | ({"orient": "landscape"} if turned else {})
    margins = dict.fromkeys(("top", "right", "bottom", "left"), twips[2])
    section.append(element("w:type", val="nextPage"))
    section.append(element("w:pgSz", **size))
    section.append(element("w:pgMar", **margins, header=709, footer=709, gutter=0))
    section.append(element("w:lnNumType", countBy=LINES, distance=283, restart="continuous"))
    return section


def drop_foreign_parts(document: Document) -> None:
    """Take out what the empty document brings along and this one does not use."""
    package = document.part.package
    for relations in (package.rels, document.part.rels):
        for key, relation in list(relations.items()):
            if str(relation.target_part.partname).rsplit("/", 1)[-1] in _FOREIGN:
                del relations[key]


def package_bytes(document: Document) -> bytes:
    """The file as bytes: no clock and no machine in them, so equal content gives equal bytes."""
    written, out = io.BytesIO(), io.BytesIO()
    document.save(written)
    with (
        zipfile.ZipFile(written) as source,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as target,
    ):
        for name in source.namelist():
            entry = zipfile.ZipInfo(name, _ZIP_DAY)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.create_system = _UNIX
            entry.external_attr = 0o644 << 16
            target.writestr(entry, source.read(name), compresslevel=9)
    return out.getvalue()
