"""The numbers of tables, figures and references, and what stands for them in a text.

`[@key]` in a text cites a reference, `[@a; @b]` and `[@a][@b]` cite several; `[#name]` points to
the table or figure of that name. References are numbered by first appearance in the order of
reading (caption, cells row by row, then notes of a table), as in the Vancouver style: citing
medicine, 2nd edition, National Library of Medicine 2007, NBK7256 (rules from memory).
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterable, Iterator

from audit.document import (
    FigureBlock,
    Heading,
    PaperDocument,
    Paragraph,
    Reference,
    TableBlock,
)
from audit.notebook_display import cell_text
from audit.tables.shown import ShownTable

_NAME = re.compile(r"[a-z][a-z0-9_]*")
_KEY = r"@[A-Za-z0-9][\w:.+/-]*"
_CITATION = rf"\[{_KEY}(?:\s*[;,]\s*{_KEY})*\]"
_SIGN = re.compile(rf"(?P<cited>{_CITATION}(?:\s?{_CITATION})*)|\[#(?P<name>[a-z][a-z0-9_]*)\]")
#: so many numbers in a row are written as a range
_FEWEST_IN_RANGE = 3
EN_DASH = "\N{EN DASH}"


@dataclasses.dataclass(frozen=True)
class Cited:
    """Where a text cites references."""

    keys: tuple[str, ...]


@dataclasses.dataclass(frozen=True)
class Pointed:
    """Where a text points to a table or figure."""

    name: str


Sign = str | Cited | Pointed


@dataclasses.dataclass(frozen=True)
class Numbers:
    """references: key -> number from 1 upwards, cited ones only. tables, figures: name -> number
    as printed, "1" upwards, in the supplement "S1". cited: the references in the order of their
    numbers."""

    references: dict[str, int]
    tables: dict[str, str]
    figures: dict[str, str]
    cited: tuple[Reference, ...]

    def label(self, name: str) -> str:
        """ "Table 2", "Figure 1" or "Table S1"; ValueError for a name that is not there."""
        if name in self.tables:
            return f"Table {self.tables[name]}"
        if name in self.figures:
            return f"Figure {self.figures[name]}"
        known = ", ".join([*self.tables, *self.figures]) or "none"
        raise ValueError(f"[#{name}] points to no table or figure of the document ({known})")


def signs_of(text: str) -> list[Sign]:
    """A text in pieces: plain texts, citations and pointers, in order."""
    pieces: list[Sign] = []
    end = 0
    for found in _SIGN.finditer(text):
        pieces.append(text[end : found.start()])
        if found["name"]:
            pieces.append(Pointed(found["name"]))
        else:
            keys = dict.fromkeys(key[1:] for key in re.findall(_KEY, found["cited"]))
            pieces.append(Cited(tuple(keys)))
        end = found.end()
    pieces.append(text[end:])
    return [piece for piece in pieces if piece]


def numbers_of(document: PaperDocument) -> Numbers:
    """The numbers of a document.

    ValueError for a name that repeats or cannot be a file name, for a key that repeats, and for a
    text that cites or points to what is not there.
    """
    tables, figures = _counted(document)
    known = {reference.key: reference for reference in document.references}
    if len(known) < len(document.references):
        raise ValueError("two references have one key")
    order: dict[str, int] = {}
    pointed = []
    for text in texts_of(document):
        for sign in signs_of(text):
            if isinstance(sign, Cited):
                for key in sign.keys:
                    order.setdefault(key, len(order) + 1)
            elif isinstance(sign, Pointed):
                pointed.append(sign.name)
    unknown = [key for key in order if key not in known]
    if unknown:
        raise ValueError(
            f"cited but not among the references: {', '.join(unknown)}; "
            f"there are {', '.join(known) or 'none'}"
        )
    numbers = Numbers(order, tables, figures, tuple(known[key] for key in order))
    for name in pointed:
        numbers.label(name)
    return numbers


def texts_of(document: PaperDocument) -> Iterator[str]:
    """Every text of a document in the order of reading, without the references."""
    for block in document.blocks:
        if isinstance(block, Paragraph):
            yield from (piece for piece in block.pieces if isinstance(piece, str))
        elif isinstance(block, Heading):
            yield block.text
        elif isinstance(block, FigureBlock):
            yield block.caption
        else:
            yield block.table.caption
            headings, rows = cells_of(block.table)
            yield from headings
            for row in rows:
                yield from row
            yield from block.table.notes


def cells_of(table: ShownTable) -> tuple[list[str], list[list[str]]]:
    """The column headings and the rows of a table as texts, as a notebook shows them."""
    frame = table.frame
    headings = [
        ": ".join(map(str, label)) if isinstance(label, tuple) else str(label)
        for label in frame.columns
    ]
    columns = [list(map(cell_text, frame.iloc[:, place])) for place in range(frame.shape[1])]
    return headings, [list(row) for row in zip(*columns, strict=True)]


def plain(text: str, numbers: Numbers) -> str:
    """The text with numbers in place of its citations and pointers."""
    out = []
    for sign in signs_of(text):
        if isinstance(sign, Cited):
            spans = number_spans(numbers.references[key] for key in sign.keys)
            out.append("[" + ",".join(EN_DASH.join(map(str, span)) for span in spans) + "]")
        else:
            out.append(numbers.label(sign.name) if isinstance(sign, Pointed) else sign)
    return "".join(out)


def number_spans(numbers: Iterable[int]) -> list[tuple[int, ...]]:
    """Numbers in order, three and more in a row as (first, last): 1, 3, 4, 5 -> (1,), (3, 5)."""
    runs: list[list[int]] = []
    for number in sorted(set(numbers)):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    spans: list[tuple[int, ...]] = []
    for run in runs:
        if len(run) >= _FEWEST_IN_RANGE:
            spans.append((run[0], run[-1]))
        else:
            spans.extend((number,) for number in run)
    return spans


def _counted(document: PaperDocument) -> tuple[dict[str, str], dict[str, str]]:
    """The numbers of the tables and of the figures."""
    found: dict[str, dict[str, str]] = {"table": {}, "figure": {}}
    names: list[str] = []
    before, count = "", {"table": 0, "figure": 0}
    for block in document.blocks:
        if isinstance(block, Heading) and block.supplement and not before:
            before, count = "S", {"table": 0, "figure": 0}
        if isinstance(block, TableBlock | FigureBlock):
            kind = "table" if isinstance(block, TableBlock) else "figure"
            name = block.table.name if isinstance(block, TableBlock) else block.name
            count[kind] += 1
            found[kind][name] = f"{before}{count[kind]}"
            names.append(name)
    _refuse_names(names)
    return found["table"], found["figure"]


def _refuse_names(names: list[str]) -> None:
    for name in names:
        if not _NAME.fullmatch(name):
            raise ValueError(f"the name {name!r} must be lower-case letters, digits and _")
    repeated = sorted({name for name in names if names.count(name) > 1})
    if repeated:
        raise ValueError(f"more than one table or figure is named {', '.join(repeated)}")
