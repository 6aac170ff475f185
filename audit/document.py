"""A paper as plain content: headings, paragraphs, tables and figures, before any file format."""

from __future__ import annotations

import dataclasses

from audit.tables.shown import ShownTable


@dataclasses.dataclass(frozen=True)
class Keyed:
    """A number in a text and the row of results.csv that it was rounded from.

    key: measure, statistic, window, group_by, group. column: the column of that row, one of
    value, low, high, n, missing.
    """

    text: str
    key: tuple[str, str, str, str, str]
    column: str = "value"


@dataclasses.dataclass(frozen=True)
class Heading:
    """A heading; level 1 is a main section. supplement: tables and figures after it are numbered
    from S1."""

    text: str
    level: int = 1
    supplement: bool = False


@dataclasses.dataclass(frozen=True)
class Paragraph:
    """A paragraph in pieces; `[@key]` in a text cites a reference. note: for the author, not part
    of the paper's text."""

    pieces: tuple[str | Keyed, ...]
    note: bool = False

    @property
    def text(self) -> str:
        """The paragraph as one text."""
        return "".join(piece if isinstance(piece, str) else piece.text for piece in self.pieces)


@dataclasses.dataclass(frozen=True)
class TableBlock:
    """A table with its caption and notes; the writer gives it its number."""

    table: ShownTable


@dataclasses.dataclass(frozen=True)
class FigureBlock:
    """A figure as a picture; the writer gives it its number.

    png: the picture. width_mm: how wide it is printed. alt: what it says to those who cannot see
    it.
    """

    name: str
    caption: str
    alt: str
    png: bytes
    width_mm: float = 159.0


@dataclasses.dataclass(frozen=True)
class Reference:
    """A source; text is the citation as printed. The title is left out where it holds a brand."""

    key: str
    text: str
    doi: str = ""


Block = Heading | Paragraph | TableBlock | FigureBlock


@dataclasses.dataclass(frozen=True)
class PaperDocument:
    """A paper: its title, what stands in it, and the references that its texts may cite."""

    title: str
    blocks: tuple[Block, ...]
    references: tuple[Reference, ...] = ()
    subject: str = ""
    keywords: tuple[str, ...] = ()
