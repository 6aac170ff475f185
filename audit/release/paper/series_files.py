"""The files of a paper: the document, its tables and figures one by one, its references."""

from __future__ import annotations

import datetime
import pathlib
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

import pandas as pd

from audit.document import FigureBlock, Heading, Keyed, PaperDocument, Paragraph, TableBlock
from audit.release.csv_files import write_csv
from audit.release.paper.bibliography import bibtex
from audit.release.paper.journal_figures import JournalFigure, journal_figure
from audit.release.paper.latex_tables import latex_table
from audit.release.paper.numbering import Numbers, cells_of, numbers_of, plain
from audit.release.paper.word_document import NO_DAY, word_document
from audit.tables.shown import ShownTable

if TYPE_CHECKING:
    from matplotlib.figure import Figure

DOCUMENT, REFERENCES = "case_series.docx", "references.bib"
CONTENTS, NUMBERS = "paper_contents.csv", "numbers_in_text.csv"
KEY_COLUMNS = ("measure", "statistic", "window", "group_by", "group")


def save_series(
    document: PaperDocument,
    figures: Mapping[str, Figure],
    folder: str | pathlib.Path | None,
    *,
    dated: datetime.date = NO_DAY,
) -> None:
    """Write a paper into an existing folder; nothing when it is None.

    case_series.docx; references.bib (the cited ones); tables/<name>.csv and .tex, one a table;
    figures/<name>_single_... and _full_... of each figure in `figures` (name -> figure as drawn);
    paper_contents.csv: what each table and figure is, with caption, notes, text for those who do
    not see it, files, and why a width is missing; numbers_in_text.csv: each number of the texts
    with its row of results.csv. dated: the day in the document's properties.

    Equal content gives equal bytes. ValueError for a figure that the document does not hold, and
    as `audit.release.paper.numbering.numbers_of`.
    """
    if folder is None:
        return
    home = pathlib.Path(folder)
    numbers = numbers_of(document)
    unknown = [name for name in figures if name not in numbers.figures]
    if unknown:
        held = ", ".join(numbers.figures) or "none"
        raise ValueError(f"not a figure of the document: {', '.join(unknown)}; it holds {held}")
    (home / DOCUMENT).write_bytes(word_document(document, dated=dated))
    (home / REFERENCES).write_text(bibtex(numbers.cited), encoding="utf-8", newline="\n")
    _save_tables(document, numbers, home / "tables")
    drawn = {name: journal_figure(figure, name=name) for name, figure in figures.items()}
    _save_figures(drawn, home / "figures")
    write_csv(contents_of(document, numbers, drawn), home / CONTENTS)
    write_csv(numbers_in_text(document), home / NUMBERS)


def save_frames(frames: Mapping[str, pd.DataFrame], folder: str | pathlib.Path | None) -> None:
    """Write results as CSV files of these names into an existing folder; nothing when None."""
    if folder is None:
        return
    for name, frame in frames.items():
        write_csv(frame, pathlib.Path(folder) / name)


def contents_of(
    document: PaperDocument, numbers: Numbers, drawn: Mapping[str, JournalFigure]
) -> pd.DataFrame:
    """One row a table and figure, in the order of the document: label, name, caption, notes, alt,
    files (separated by blanks), remarks."""
    rows = []
    for block in document.blocks:
        if isinstance(block, TableBlock):
            rows.append(_table_line(block.table, numbers))
        elif isinstance(block, FigureBlock):
            rows.append(_figure_line(block, numbers, drawn.get(block.name)))
    columns = ["label", "name", "caption", "notes", "alt", "files", "remarks"]
    return pd.DataFrame(rows, columns=columns, dtype="string")


def numbers_in_text(document: PaperDocument) -> pd.DataFrame:
    """One row a number in the texts, in order: the heading it stands under, the number as printed,
    the row of results.csv (five columns) and the column there that it was rounded from."""
    rows = []
    heading = ""
    for block in document.blocks:
        if isinstance(block, Heading):
            heading = block.text
        elif isinstance(block, Paragraph):
            rows += [
                (heading, piece.text, *piece.key, piece.column)
                for piece in block.pieces
                if isinstance(piece, Keyed)
            ]
    columns = ["heading", "printed", *KEY_COLUMNS, "column"]
    return pd.DataFrame(rows, columns=columns, dtype="string")


def printed_frame(table: ShownTable, numbers: Numbers) -> pd.DataFrame:
    """A table's cells as the document prints them."""
    headings, rows = cells_of(table)
    lines = [[plain(text, numbers) for text in line] for line in [headings, *rows]]
    return pd.DataFrame(lines[1:], columns=lines[0], dtype="string")


def _save_tables(document: PaperDocument, numbers: Numbers, home: pathlib.Path) -> None:
    home.mkdir(exist_ok=True)
    for block in document.blocks:
        if isinstance(block, TableBlock):
            table = block.table
            write_csv(printed_frame(table, numbers), home / f"{table.name}.csv")
            text = latex_table(table, numbers)
            (home / f"{table.name}.tex").write_text(text, encoding="utf-8", newline="\n")


def _save_figures(drawn: Mapping[str, JournalFigure], home: pathlib.Path) -> None:
    home.mkdir(exist_ok=True)
    for figure in drawn.values():
        for name, content in figure.files.items():
            (home / name).write_bytes(content)


def _table_line(table: ShownTable, numbers: Numbers) -> dict[str, str]:
    return {
        "label": numbers.label(table.name),
        "name": table.name,
        "caption": plain(table.caption, numbers),
        "notes": _lines(plain(note, numbers) for note in table.notes),
        "alt": "",
        "files": f"tables/{table.name}.csv tables/{table.name}.tex",
        "remarks": "",
    }


def _figure_line(
    block: FigureBlock, numbers: Numbers, drawn: JournalFigure | None
) -> dict[str, str]:
    files: Sequence[str] = [] if drawn is None else [f"figures/{name}" for name in drawn.files]
    taken: Sequence[str] = () if drawn is None else drawn.taken_out
    remarks = ["in the document only"] if drawn is None else list(drawn.obstacles)
    return {
        "label": numbers.label(block.name),
        "name": block.name,
        "caption": plain(block.caption, numbers),
        "notes": _lines(taken),
        "alt": block.alt,
        "files": " ".join(files),
        "remarks": _lines(remarks),
    }


def _lines(texts: Iterable[str]) -> str:
    return "\n".join(texts)
