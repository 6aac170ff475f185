"""Writes the blocks of a paper into a word-processor file, one after the other."""

from __future__ import annotations

import datetime
import io
from collections.abc import Sequence
from typing import Any

import docx
from docx.enum.text import WD_ALIGN_PARAGRAPH
from docx.oxml.ns import qn
from docx.shared import Mm, Pt
from docx.table import Table
from docx.text.paragraph import Paragraph as WordParagraph

from audit.document import (
    Block,
    FigureBlock,
    Heading,
    Keyed,
    PaperDocument,
    Paragraph,
    Reference,
    TableBlock,
)
from audit.notebook_display import NO_ROWS
from audit.release.paper import word_parts as parts
from audit.release.paper import word_styles as styles
from audit.release.paper.numbering import (
    EN_DASH,
    Cited,
    Numbers,
    Pointed,
    cells_of,
    number_spans,
    plain,
    signs_of,
)
from audit.release.paper.table_layout import TURNED_MM, UPRIGHT_MM, Layout, layout_of

FOR_AUTHOR = "For the author: "
#: room for a picture over its caption, upright and turned
TALLEST_MM, TALLEST_TURNED_MM = 200.0, 120.0
#: tables up to this many rows stay on one page
SHORT_TABLE = 12
#: the longest text that a property of the file may hold (ISO/IEC 29500-2)
LONGEST_PROPERTY = 255


def laid_out(block: TableBlock, numbers: Numbers) -> tuple[list[str], list[list[str]], Layout]:
    """Headings and rows of a table as printed, and how they are laid out."""
    headings, rows = cells_of(block.table)
    shown = [[plain(text, numbers) for text in line] for line in [headings, *rows]]
    return headings, rows, layout_of(block.table, shown[0], shown[1:])


class Writer:
    """Writes block after block, and counts what needs a number of its own."""

    def __init__(self, numbers: Numbers) -> None:
        self._document = docx.Document()
        self._numbers = numbers
        self._marks = self._pictures = 0
        self._is_turned = False
        styles.dress(self._document)
        parts.drop_foreign_parts(self._document)
        self._section = self._document.sections[0]._sectPr
        self._footer()

    def properties(self, document: PaperDocument, dated: datetime.date) -> None:
        """Title, subject, keywords, language and day; no author, program or machine."""
        core = self._document.core_properties
        core.title, core.subject, core.keywords = (
            parts.clean(text)[:LONGEST_PROPERTY]
            for text in (document.title, document.subject, ", ".join(document.keywords))
        )
        core.language = styles.LANGUAGE
        core.author = core.comments = core.last_modified_by = core.category = ""
        core.revision = 1
        core.created = core.modified = datetime.datetime.combine(dated, datetime.time())

    def title(self, text: str) -> None:
        """The title of the paper."""
        self._paragraph(styles.TITLE).add_run(parts.clean(text))

    def turn(self, turned: bool) -> None:
        """End the section where the pages that follow lie the other way."""
        if turned != self._is_turned:
            self._end_section(self._is_turned)
            self._is_turned = turned

    def block(self, block: Block) -> None:
        """A heading, paragraph, table or figure."""
        if isinstance(block, Heading):
            level = min(max(block.level, 1), styles.HEADING_LEVELS)
            self._text(self._paragraph(f"heading {level}"), block.text)
        elif isinstance(block, Paragraph):
            self._body(block)
        elif isinstance(block, TableBlock):
            self._table(block)
        else:
            self._figure(block)

    def reference(self, reference: Reference, number: int) -> None:
        """An entry of the numbered list, with a link where it has a DOI."""
        entry = self._paragraph(styles.REFERENCE)
        first = entry.add_run(parts.clean(reference.text))
        self._bookmark(first, first, _mark("Source", number))
        address = f"https://doi.org/{reference.doi}"
        if reference.doi and reference.doi not in reference.text:
            entry.add_run(" ")
            parts.add_link(entry, address, address)

    def finished(self) -> bytes:
        """The file."""
        body = self._document.element.body
        last = parts.page_of(self._section, turned=self._is_turned)
        body.replace(self._section, last)
        return parts.package_bytes(self._document)

    def _paragraph(self, style: str) -> WordParagraph:
        return self._document.add_paragraph(style=style)

    def _footer(self) -> None:
        line = self._document.sections[0].footer.paragraphs[0]
        line.style = styles.FOOTER
        line.add_run("Page ")
        parts.add_field(line, "PAGE", "1")
        line.add_run(" of ")
        parts.add_field(line, "NUMPAGES", "1")

    def _end_section(self, turned: bool) -> None:
        """Put the properties of the section that ends into its last paragraph."""
        body = self._document.element.body
        before = body[-2]
        # Some programs lose a bookmark in the paragraph that ends a section.
        if before.tag != qn("w:p") or before.find(qn("w:bookmarkStart")) is not None:
            self._paragraph(styles.END)
        last = WordParagraph(body[-2], self._document)
        last._p.get_or_add_pPr().append(parts.page_of(self._section, turned=turned))

    def _body(self, block: Paragraph) -> None:
        paragraph = self._paragraph(styles.FOR_AUTHOR if block.note else styles.BODY)
        if block.note:
            paragraph.add_run(FOR_AUTHOR).bold = True
        for piece in block.pieces:
            if isinstance(piece, Keyed):
                paragraph.add_run(parts.clean(piece.text))
            else:
                self._text(paragraph, piece)

    def _text(self, paragraph: WordParagraph, text: str, *, bold: bool | None = None) -> None:
        """A text with its citations and pointers as fields."""
        for sign in signs_of(text):
            if isinstance(sign, Cited):
                self._citation(paragraph, sign)
            elif isinstance(sign, Pointed):
                label = self._numbers.label(sign.name)
                parts.add_field(paragraph, f"REF {_mark(*label.split())} \\h", label)
            else:
                paragraph.add_run(parts.clean(sign)).bold = bold

    def _citation(self, paragraph: WordParagraph, cited: Cited) -> None:
        spans = number_spans(self._numbers.references[key] for key in cited.keys)
        for place, span in enumerate(spans):
            paragraph.add_run("," if place else "[")
            for end, number in enumerate(span):
                if end:
                    paragraph.add_run(EN_DASH)
                field = f"REF {_mark('Source', number)} \\n \\h"
                parts.add_field(paragraph, field, str(number))
        paragraph.add_run("]")

    def _caption(self, label: str, caption: str, *, over: bool) -> None:
        """A numbered caption. over: it stands over what it belongs to."""
        paragraph = self._paragraph(styles.CAPTION)
        paragraph.paragraph_format.keep_with_next = over
        paragraph.paragraph_format.keep_together = True
        if not over:
            paragraph.paragraph_format.space_after = Pt(14)
            paragraph.paragraph_format.space_before = Pt(4)
        kind, number = label.split()
        # the supplement counts for itself, with an S before its numbers
        own = "S" if number.startswith("S") else ""
        word = paragraph.add_run(f"{kind} {own}")
        count = number.removeprefix("S")
        _, last = parts.add_field(paragraph, f"SEQ {kind}{own} \\* ARABIC", count)
        self._bookmark(word, last, _mark(kind, number))
        paragraph.add_run(". ")
        for run in paragraph.runs:
            run.bold = True
        self._text(paragraph, caption)

    def _bookmark(self, first: Any, last: Any, name: str) -> None:
        self._marks += 1
        parts.add_bookmark(first, last, name=name, number=self._marks)

    def _figure(self, block: FigureBlock) -> None:
        holder = self._paragraph(styles.FIGURE)
        run = holder.add_run()
        picture = run.add_picture(io.BytesIO(block.png), width=Mm(block.width_mm))
        room = (TURNED_MM, TALLEST_TURNED_MM) if self._is_turned else (UPRIGHT_MM, TALLEST_MM)
        part = min(1.0, room[0] / picture.width.mm, room[1] / picture.height.mm)
        picture.width, picture.height = Mm(picture.width.mm * part), Mm(picture.height.mm * part)
        self._pictures += 1
        label = self._numbers.label(block.name)
        parts.describe_picture(run, number=self._pictures, name=label, alt=block.alt)
        self._caption(label, block.caption, over=False)

    def _table(self, block: TableBlock) -> None:
        headings, rows, layout = laid_out(block, self._numbers)
        shown = block.table
        label = self._numbers.label(shown.name)
        self._caption(label, shown.caption, over=True)
        table = self._document.add_table(rows=0, cols=len(headings), style=styles.TABLE)
        title = f"{label}. {plain(shown.caption, self._numbers)}"
        parts.describe_table(table, title=title, text=_described(headings, rows))
        self._row(table, headings, layout, heading=True)
        for row in rows:
            self._row(table, row, layout, heading=False)
        parts.fix_widths(table, layout.widths_mm)
        _keep_together(table, whole=len(rows) <= SHORT_TABLE, notes=bool(shown.notes))
        self._notes(shown.notes if rows else (NO_ROWS, *shown.notes))

    def _row(self, table: Table, texts: Sequence[str], layout: Layout, *, heading: bool) -> None:
        row = table.add_row()
        parts.keep_whole(row)
        if heading:
            parts.mark_header(row)
        for cell, text, right in zip(row.cells, texts, layout.right, strict=True):
            paragraph = cell.paragraphs[0]
            # By its identifier: looking up a style by name in every cell takes half the time.
            paragraph._p.style = styles.style_id(styles.CELL_HEADING if heading else styles.CELL)
            if right:
                paragraph.alignment = WD_ALIGN_PARAGRAPH.RIGHT
            self._text(paragraph, text)
            if layout.points != styles.CELL_POINTS:
                for run in paragraph.runs:
                    run.font.size = Pt(layout.points)

    def _notes(self, notes: Sequence[str]) -> None:
        paragraphs = [self._paragraph(styles.NOTE) for _ in notes] or [self._paragraph(styles.END)]
        for paragraph, note in zip(paragraphs, notes, strict=False):
            self._text(paragraph, note)
        for paragraph in paragraphs[:-1]:
            paragraph.paragraph_format.keep_with_next = True
        paragraphs[0].paragraph_format.space_before = Pt(4)
        paragraphs[-1].paragraph_format.space_after = Pt(14)


def _mark(kind: str, number: int | str) -> str:
    """The name of the bookmark of a table, figure or source."""
    return f"_Ref{kind}{number}"


def _described(headings: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """What a table holds, for those who do not see it."""
    columns = "; ".join(heading for heading in headings if heading.strip())
    return f"{len(rows)} rows. Columns: {columns}."


def _keep_together(table: Table, *, whole: bool, notes: bool) -> None:
    """Keep a short table on one page, and the last row of any with its notes."""
    for row in table.rows if whole else table.rows[-1:]:
        if row is table.rows[-1] and not notes:
            continue
        for cell in row.cells:
            cell.paragraphs[0].paragraph_format.keep_with_next = True
