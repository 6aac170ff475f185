"""A paper as a word-processor file (.docx): real tables, captions, fields, references.

Numbers of tables, figures and references are fields, so they follow when the author moves things
about; what they show is right from the start. Wide tables stand on pages turned sideways.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from typing import TYPE_CHECKING

from audit.document import Block, FigureBlock, Heading, PaperDocument, Paragraph, TableBlock
from audit.release.paper.numbering import Numbers, numbers_of
from audit.release.paper.table_layout import UPRIGHT_MM

if TYPE_CHECKING:
    from audit.release.paper.word_writer import Writer

REFERENCES = "References"
#: a picture so much wider than the upright text is not made smaller but turned
SMALLER_MM = 40
#: letters of a text that goes with its table
SHORT_TEXT = 300
#: the day in the file where none is given: the first that the file format of packages knows
NO_DAY = datetime.date(1980, 1, 1)


def word_document(document: PaperDocument, *, dated: datetime.date = NO_DAY) -> bytes:
    """The paper as the bytes of a .docx file; equal content gives equal bytes.

    Tables and figures are numbered in their order, references by first appearance; references that
    no text cites are left out. dated: the day of the file's properties. A picture larger than the
    page is made smaller. Letters that XML cannot hold are left out.

    Raises ValueError as `audit.release.paper.numbering.numbers_of`.
    """
    # here, so that commands that write no document do not pay for python-docx
    from audit.release.paper.word_writer import Writer

    numbers = numbers_of(document)
    writer = Writer(numbers)
    writer.properties(document, dated)
    writer.title(document.title)
    blocks = list(document.blocks)
    main = next(
        (k for k, one in enumerate(blocks) if isinstance(one, Heading) and one.supplement),
        len(blocks),
    )
    turns = _turned(blocks, numbers)
    for place in range(len(blocks) + 1):
        if place == main:
            _references(writer, blocks[:main], numbers)
        if place < len(blocks):
            writer.turn(turns[place])
            writer.block(blocks[place])
    return writer.finished()


def _references(writer: Writer, before: Sequence[Block], numbers: Numbers) -> None:
    """The numbered list, before the supplement; its heading where there is none yet."""
    if not numbers.cited:
        return
    writer.turn(False)
    if not (before and isinstance(before[-1], Heading) and before[-1].text == REFERENCES):
        writer.block(Heading(REFERENCES))
    for number, reference in enumerate(numbers.cited, start=1):
        writer.reference(reference, number)


def _turned(blocks: Sequence[Block], numbers: Numbers) -> list[bool]:
    """For each block, whether it stands on a page turned sideways; a heading goes with what
    follows it, and so does a short text between the two, for which no page is begun."""
    from audit.release.paper.word_writer import laid_out

    turned: list[bool] = []
    following = False
    for place, block in reversed(list(enumerate(blocks))):
        if isinstance(block, TableBlock):
            following = laid_out(block, numbers)[2].turned
        elif isinstance(block, FigureBlock):
            following = block.width_mm > UPRIGHT_MM + SMALLER_MM
        elif isinstance(block, Paragraph):
            alone = place > 0 and isinstance(blocks[place - 1], Heading)
            following = following and alone and len(block.text) <= SHORT_TEXT
        turned.append(following)
    return turned[::-1]
