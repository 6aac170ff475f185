"""Reads the claims of a manuscript (CSV) and the text of a draft."""

from __future__ import annotations

import dataclasses
import hashlib
import importlib.resources
import io
import pathlib
import zipfile
from collections.abc import Iterator

import pandas as pd

from audit.errors import UnusableInput
from audit.intake.csv_text import read_grid
from audit.intake.encodings import decode

EXAMPLE = "manuscript_claims.csv"
DRAFTS = (".docx", ".md", ".txt")
#: bytes of a draft beyond which it is no manuscript
LARGEST_DRAFT = 50_000_000


@dataclasses.dataclass(frozen=True)
class ClaimsFile:
    """A file of claims as read. frame: texts under the file's headings (lower case) and `row`, the
    line in the file. sha256: of the file."""

    name: str
    frame: pd.DataFrame
    sha256: str


def read_claims(path: str | pathlib.Path | None = None) -> ClaimsFile:
    """The rows of a CSV of claims, as texts; None gives the kit's invented example.

    Raises UnusableInput when the file cannot be opened or read, when two headings are the same or
    when a line has more cells than there are headings. What the cells must hold is judged later
    (`audit.manuscript.claims_from`).
    """
    home = _example() if path is None else pathlib.Path(path)
    content = _content(home, what="file of claims")
    grid = read_grid(content, name=home.name)
    headings = [str(heading).strip().lower() for heading in grid.frame.columns]
    twice = sorted({heading for heading in headings if headings.count(heading) > 1})
    if twice:
        raise UnusableInput(
            f"{home.name}: the heading {twice[0]!r} stands more than once. Keep one of each."
        )
    if grid.too_wide:
        lines = ", ".join(map(str, grid.too_wide[:8]))
        raise UnusableInput(
            f"{home.name}: more cells than headings in line {lines}. Put texts that hold a "
            "separator in quotes, put ; between the numbers of a cell, and write decimals with a "
            "point."
        )
    frame = grid.frame.copy()
    frame.columns = pd.Index(headings)
    return ClaimsFile(home.name, frame, hashlib.sha256(content).hexdigest())


def read_draft(path: str | pathlib.Path) -> tuple[tuple[str, str], ...]:
    """The text of a draft (.docx, .md or .txt) as (place, text), a paragraph or table row each.

    Raises UnusableInput when the file cannot be opened or is of another kind.
    """
    home = pathlib.Path(path)
    kind = home.suffix.lower()
    if kind not in DRAFTS:
        raise UnusableInput(
            f"{home.name}: a draft must end in one of {', '.join(DRAFTS)}; got {kind!r}."
        )
    content = _content(home, what="draft")
    if kind == ".docx":
        return tuple(_of_document(content, home.name))
    text, _ = decode(content, name=home.name)
    lines = enumerate(text.splitlines(), 1)
    return tuple((f"line {number}", line.strip()) for number, line in lines if line.strip())


def _example() -> pathlib.Path:
    home = pathlib.Path(str(importlib.resources.files("demo_data"))) / EXAMPLE
    if not home.is_file():
        raise UnusableInput("The example of claims is not installed: name a file of your own.")
    return home


def _content(home: pathlib.Path, *, what: str) -> bytes:
    try:
        if home.stat().st_size > LARGEST_DRAFT:
            raise UnusableInput(f"The {what} {home.name} is too large: it is no manuscript.")
        return home.read_bytes()
    except OSError:
        raise UnusableInput(f"The {what} {home.name} cannot be opened: check the path.") from None


def _of_document(content: bytes, name: str) -> Iterator[tuple[str, str]]:
    """Paragraphs and table rows of a word-processor file, in order."""
    import docx  # here: only a draft of that kind needs it
    from docx.opc.exceptions import PackageNotFoundError
    from docx.table import Table

    try:
        document = docx.Document(io.BytesIO(content))
    except (PackageNotFoundError, zipfile.BadZipFile, KeyError, ValueError, SyntaxError):
        raise UnusableInput(
            f"{name} is no document that can be read. Save it again as .docx, or as .txt."
        ) from None
    paragraphs = tables = 0
    for block in document.iter_inner_content():
        if isinstance(block, Table):
            tables += 1
            for number, row in enumerate(block.rows, 1):
                cells = dict.fromkeys(cell.text.strip() for cell in row.cells)
                yield f"table {tables}, row {number}", " | ".join(cells)
        else:
            paragraphs += 1
            if block.text.strip():
                yield f"paragraph {paragraphs}", block.text.strip()
