"""An executed notebook as one HTML file that needs nothing else: no code, no script, no network.

What is shown comes from the plain content that `audit.notebook_display` leaves with each output;
HTML from anywhere else is not taken over, its text form is.
"""

from __future__ import annotations

import base64
import binascii
import html
import pathlib
import re
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, NamedTuple

import jinja2
import mistune
import pandas as pd
from markupsafe import Markup

from audit.notebook_display import cautions_markup, table_markup

if TYPE_CHECKING:
    from collections.abc import Mapping

#: cells with this tag, and what they show, stay in the notebook
NOTEBOOK_ONLY = "notebook-only"
#: on paper a new page begins after a cell with this tag
PAGE_END = "page-end"
#: tables up to this many rows are kept on one page in print
SHORT_TABLE = 12
#: tables of more columns than this are printed on a page turned sideways
PORTRAIT_COLUMNS = 9

_TEMPLATES = pathlib.Path(__file__).parent / "report_template"
_ANSI = re.compile(r"\x1b\[[0-9;]*[A-Za-z]")
_MARKUP = re.compile(r"<[^>]*>")
#: heading levels of the page that the contents list holds; level 1 is the title
_LISTED = (2, 3)


class ShownFigure(NamedTuple):
    """A figure that a notebook shows."""

    name: str
    png: bytes
    caption: str
    alt: str


class ShownTable(NamedTuple):
    """A table that a notebook shows, its cells as texts."""

    name: str
    frame: pd.DataFrame
    caption: str
    notes: tuple[str, ...]


class Heading(NamedTuple):
    """A line of the contents list; `anchor` is the id of the heading."""

    level: int
    text: str
    anchor: str


def report_html(notebook: Any, *, title: str) -> str:
    """The report of an executed notebook as one page of HTML.

    Left out: code, warnings and errors, cells tagged "notebook-only", and the notebook's own
    first-level heading, for which `title` stands. Figures and tables are numbered in the order
    of the page. The same notebook gives the same text.

    Raises ValueError for a notebook with code that was not run.
    """
    _refuse_not_run(notebook)
    writer = _Writer()
    blocks = [block for cell in _cells(notebook) for block in writer.cell_blocks(cell)]
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    return environment.get_template("report.html.jinja").render(
        title=title,
        style=Markup((_TEMPLATES / "report.css").read_text(encoding="utf-8")),
        contents=[heading for heading in writer.headings if heading.level in _LISTED],
        blocks=[Markup(block) for block in blocks],
    )


def figures_in(notebook: Any) -> list[ShownFigure]:
    """The figures of an executed notebook in the order of the page.

    Raises ValueError when two have one name.
    """
    shown = [
        ShownFigure(
            content["name"],
            base64.b64decode(data["image/png"]),
            content["caption"],
            content["alt"],
        )
        for data, content in _shown(notebook, kind="figure")
    ]
    _refuse_repeated([figure.name for figure in shown], what="figures")
    return shown


def tables_in(notebook: Any) -> list[ShownTable]:
    """The tables of an executed notebook in the order of the page, each cell as it is shown.

    Raises ValueError when two have one name.
    """
    shown = [
        ShownTable(
            content["name"],
            pd.DataFrame(content["rows"], columns=content["columns"], dtype="string"),
            content["caption"],
            tuple(content["notes"]),
        )
        for _, content in _shown(notebook, kind="table")
    ]
    _refuse_repeated([table.name for table in shown], what="tables")
    return shown


class _Writer:
    """Turns cells into blocks of HTML and keeps count of headings, figures and tables."""

    def __init__(self) -> None:
        self.headings: list[Heading] = []
        self._figures = 0
        self._tables = 0
        self._begun = False
        self._markdown = mistune.create_markdown(
            renderer=_ReportRenderer(self._heading), plugins=["table", "strikethrough"]
        )

    def cell_blocks(self, cell: Any) -> Iterator[str]:
        if cell.cell_type == "markdown":
            yield self._text(cell.source)
        elif cell.cell_type == "code":
            for output in cell.outputs:
                yield self._output(output)
        if PAGE_END in cell.metadata.get("tags", []):
            yield '<div class="page-end"></div>'

    def _output(self, output: Any) -> str:
        if output.output_type == "stream":
            return _plain(output.text) if output.name == "stdout" else ""
        if output.output_type not in ("display_data", "execute_result"):
            return ""
        content = output.metadata.get("audit", {})
        kind = content.get("kind")
        if kind == "figure":
            return self._figure(output, content)
        if kind == "table":
            return self._table(content)
        if kind == "cautions":
            return cautions_markup(content["sentences"])
        if kind == "text":
            return self._text(output.data["text/plain"])
        return self._foreign(output)

    def _figure(self, output: Any, content: Mapping[str, Any]) -> str:
        self._figures += 1
        size = output.metadata.get("image/png", {})
        # on paper two figures that are wider than tall share a page
        broad = size.get("width", 0) > size.get("height", 0) > 0
        kind = ' class="broad"' if broad else ""
        return (
            f'<figure id="figure-{self._figures}"{kind}>\n'
            f'<img alt="{html.escape(content["alt"])}" '
            + "".join(
                f'{side}="{int(size[side])}" ' for side in ("width", "height") if side in size
            )
            + f'src="{_data_address(output.data["image/png"])}">\n'
            f'<figcaption><span class="number">Figure {self._figures}.</span> '
            f"{html.escape(content['caption'])}</figcaption>\n</figure>"
        )

    def _table(self, content: dict[str, Any]) -> str:
        self._tables += 1
        label = f"Table {self._tables}."
        kind = " short" if len(content["rows"]) <= SHORT_TABLE else ""
        kind += " wide" if len(content["columns"]) > PORTRAIT_COLUMNS else ""
        notes = "\n".join(f'<p class="notes">{html.escape(note)}</p>' for note in content["notes"])
        return (
            f'<div class="table-block{kind}" id="table-{self._tables}">\n'
            f'<div class="scroll" role="region" tabindex="0" '
            f'aria-label="Table {self._tables}">\n'
            f"{table_markup(content, label=label)}\n</div>\n{notes}\n</div>"
        )

    def _foreign(self, output: Any) -> str:
        """Something that did not come through our own display: its text, never its HTML."""
        data = output.data
        if "image/png" in data and "text/html" not in data:
            alt = str(
                output.metadata.get("image/png", {}).get("alt", "Picture without description")
            )
            return (
                f'<figure><img alt="{html.escape(alt)}" '
                f'src="{_data_address(data["image/png"])}"></figure>'
            )
        return _plain(data.get("text/plain", ""))

    def _text(self, markdown: str) -> str:
        return str(self._markdown(markdown)).strip()

    def _heading(self, markup: str, level: int) -> str:
        if level == 1 and not self._begun:
            self._begun = True
            return ""
        self._begun = True
        level = max(level, 2)
        text = html.unescape(_MARKUP.sub("", markup)).strip()
        base = re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-") or "section"
        taken = {heading.anchor for heading in self.headings}
        # "section-" keeps the anchors of headings apart from those of figures and tables
        anchor = f"section-{base}"
        number = 2
        while anchor in taken:
            anchor = f"section-{base}-{number}"
            number += 1
        self.headings.append(Heading(level, text, anchor))
        return f'<h{level} id="{anchor}">{markup}</h{level}>\n'


class _ReportRenderer(mistune.HTMLRenderer):
    """Markdown as HTML: raw HTML escaped, headings with anchors, table heads with a scope, and
    no picture, for a picture in a text could only come from the network or a file."""

    def __init__(self, on_heading: Any) -> None:
        super().__init__(escape=True)
        self._on_heading = on_heading

    def heading(self, text: str, level: int, **attrs: Any) -> str:
        return str(self._on_heading(text, level))

    def image(self, text: str, url: str, title: str | None = None) -> str:
        return text

    def table(self, text: str) -> str:
        return (
            '<div class="scroll" role="region" tabindex="0" aria-label="Table in the text">\n'
            f"<table>\n{text}</table>\n</div>\n"
        )

    def table_cell(self, text: str, align: str | None = None, head: bool = False) -> str:
        style = f' style="text-align:{align}"' if align else ""
        if head and text:
            return f'<th scope="col"{style}>{text}</th>\n'
        return f"<td{style}>{text}</td>\n"


def _cells(notebook: Any) -> Iterator[Any]:
    for cell in notebook.cells:
        if NOTEBOOK_ONLY not in cell.metadata.get("tags", []):
            yield cell


def _shown(notebook: Any, *, kind: str) -> Iterator[tuple[Any, Any]]:
    """Data and content of each output of one kind."""
    for cell in _cells(notebook):
        for output in cell.get("outputs", []):
            content = output.get("metadata", {}).get("audit", {})
            if content.get("kind") == kind:
                yield output.data, content


def _data_address(text: str) -> str:
    """The picture as an address that holds it. Anything but base64 raises ValueError."""
    packed = "".join(text.split())
    try:
        base64.b64decode(packed, validate=True)
    except binascii.Error:
        raise ValueError("a picture of the notebook is not stored as base64") from None
    return f"data:image/png;base64,{packed}"


def _plain(text: str) -> str:
    shown = _ANSI.sub("", text).strip("\n")
    if not shown.strip():
        return ""
    return (
        '<pre class="scroll" role="region" tabindex="0" aria-label="Printed text">'
        f"{html.escape(shown)}</pre>"
    )


def _refuse_not_run(notebook: Any) -> None:
    code = [cell for cell in notebook.cells if cell.cell_type == "code" and cell.source.strip()]
    if any(cell.execution_count is None for cell in code):
        raise ValueError("the notebook has code that was not run: execute it first")


def _refuse_repeated(names: list[str], *, what: str) -> None:
    repeated = sorted({name for name in names if names.count(name) > 1})
    if repeated:
        raise ValueError(f"two {what} of the notebook have one name: {', '.join(repeated)}")
