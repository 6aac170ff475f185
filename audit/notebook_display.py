"""What a notebook calls to show a figure, a table, a text or a list of cautions.

Each output carries its plain content (name, caption, cells) in the metadata key `audit`, from
which the report is written; what the notebook itself shows is made from the same content. The
same input gives the same bytes in every run.
"""

from __future__ import annotations

import base64
import html
import io
import re
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import pandas as pd

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: pixels an inch of a saved figure, and of the screen it is shown on
DPI = 144
SCREEN_DPI = 96
#: what stands for a missing cell
MISSING = "–"
NO_ROWS = "No rows."

_NAME = re.compile(r"[a-z][a-z0-9_]*")
_LIKE_A_NUMBER = re.compile(r"(?=.*\d)(?:[\d\s.,:;%/()\[\]<>=≤≥±+\-–−]|to|of)+")

_DAY_LENGTH = len("2026-09-30")

Bundle = tuple[dict[str, Any], dict[str, Any]]


def show_figure(figure: Figure, *, name: str, caption: str, alt: str) -> None:
    """Show a figure as a picture of fixed size, then close it (see `figure_output`)."""
    _show(figure_output(figure, name=name, caption=caption, alt=alt))
    pyplot = sys.modules.get("matplotlib.pyplot")
    if pyplot is not None:
        # left open, the notebook would draw it a second time at the end of the cell
        pyplot.close(figure)


def show_table(
    frame: pd.DataFrame,
    *,
    name: str,
    caption: str,
    notes: Sequence[str] = (),
    row_headings: int = 1,
) -> None:
    """Show a table for people (see `table_output`)."""
    _show(table_output(frame, name=name, caption=caption, notes=notes, row_headings=row_headings))


def show_text(markdown: str) -> None:
    """Show a text written in Markdown; HTML inside it is shown as written, not obeyed."""
    _show(text_output(markdown))


def show_cautions(sentences: Sequence[str]) -> None:
    """Show what a reader must bear in mind, a sentence each; nothing when there is none."""
    if list(sentences):
        _show(cautions_output(sentences))


def figure_output(figure: Figure, *, name: str, caption: str, alt: str) -> Bundle:
    """The picture (PNG, 144 dots an inch, exactly the figure's own size) and its metadata.

    The text form is the caption. Raises ValueError when the name cannot be a file name, or when
    the caption or the description for those who cannot see the figure (`alt`) is empty.
    """
    _refuse_name(name)
    _refuse_empty(caption=caption, alt=alt)
    buffer = io.BytesIO()
    figure.savefig(
        buffer,
        format="png",
        dpi=DPI,
        facecolor="white",
        # said outright, else a front end's own settings crop the picture to its content
        bbox_inches=figure.bbox_inches,
        metadata={"Software": None},
    )
    picture = _small(buffer)
    width, height = (round(float(inches) * SCREEN_DPI) for inches in figure.get_size_inches())
    data = {
        "image/png": base64.b64encode(picture).decode("ascii"),
        "text/plain": caption,
    }
    audit = {"kind": "figure", "name": name, "caption": caption, "alt": alt}
    return data, {"image/png": {"width": width, "height": height, "alt": alt}, "audit": audit}


def _small(picture: io.BytesIO) -> bytes:
    """The picture with 256 colours: a third of the size, and no colour of a drawing is lost."""
    # here, so that a notebook without a figure does not pay for it
    from PIL import Image
    from PIL.PngImagePlugin import PngImageFile

    picture.seek(0)
    with PngImageFile(picture) as drawn:
        few = drawn.convert("RGB").quantize(
            256, method=Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE
        )
    out = io.BytesIO()
    few.save(out, "PNG", optimize=True, dpi=(DPI, DPI))
    return out.getvalue()


def table_output(
    frame: pd.DataFrame,
    *,
    name: str,
    caption: str,
    notes: Sequence[str] = (),
    row_headings: int = 1,
) -> Bundle:
    """The table as HTML and as plain text, and its metadata.

    frame: one row a line of the table, cells already rounded and worded for people; its index is
        not shown, a missing cell is shown as a dash, yes/no and days in words.
    row_headings: how many columns, from the left, say what a row is about.
    Raises ValueError for a bad name, an empty caption, repeated columns or too many headings.
    """
    _refuse_name(name)
    _refuse_empty(caption=caption)
    if not frame.columns.is_unique:
        raise ValueError(f"the table {name} has two columns of one name")
    if not 0 <= row_headings <= frame.shape[1]:
        raise ValueError(
            f"row_headings must lie between 0 and {frame.shape[1]}, not {row_headings}"
        )
    columns = [list(map(cell_text, frame.iloc[:, i])) for i in range(frame.shape[1])]
    content: dict[str, Any] = {
        "kind": "table",
        "name": name,
        "caption": caption,
        "columns": [_heading(label) for label in frame.columns],
        "rows": [list(row) for row in zip(*columns, strict=True)],
        "numeric": [
            place >= row_headings and _is_numeric(column) for place, column in enumerate(columns)
        ],
        "row_headings": row_headings,
        "notes": list(notes),
    }
    data = {"text/html": table_markup(content), "text/plain": _table_text(content)}
    return data, {"audit": content}


def text_output(markdown: str) -> Bundle:
    """The text as HTML, as written, and its metadata."""
    import mistune  # here, so that a notebook without such a text does not pay for it

    shown = str(mistune.create_markdown(escape=True, plugins=["table"])(markdown))
    return {"text/html": shown, "text/plain": markdown}, {"audit": {"kind": "text"}}


def cautions_output(sentences: Sequence[str]) -> Bundle:
    """The sentences as a marked box and as plain lines, and the metadata."""
    content = {"kind": "cautions", "sentences": list(sentences)}
    plain = "\n".join(["Bear in mind:", *(f"- {sentence}" for sentence in sentences)])
    return {"text/html": cautions_markup(sentences), "text/plain": plain}, {"audit": content}


def table_markup(content: dict[str, Any], *, label: str = "") -> str:
    """The HTML of a table's content; `label` ("Table 3.") goes before its caption."""
    numeric, headings = content["numeric"], content["row_headings"]
    number = f'<span class="number">{html.escape(label)}</span> ' if label else ""
    head = "".join(
        f'<th scope="col"{_narrow(content, place)}{_aligned(right)}>{html.escape(text)}</th>'
        if text
        else "<td></td>"
        for place, (text, right) in enumerate(zip(content["columns"], numeric, strict=True))
    )
    body = [
        "<tr>"
        + "".join(
            f'<th scope="row"{_aligned(right)}>{html.escape(text)}</th>'
            if place < headings
            else f"<td{_aligned(right, text)}>{html.escape(text)}</td>"
            for place, (text, right) in enumerate(zip(row, numeric, strict=True))
        )
        + "</tr>"
        for row in content["rows"]
    ] or [f'<tr><td colspan="{max(1, len(numeric))}">{NO_ROWS}</td></tr>']
    lines = [
        '<table class="audit-table">',
        f"<caption><span>{number}{html.escape(content['caption'])}</span></caption>",
        f"<thead><tr>{head}</tr></thead>",
        "<tbody>",
        *body,
        "</tbody>",
        "</table>",
    ]
    notes = [f'<p class="notes">{html.escape(note)}</p>' for note in content["notes"]]
    return "\n".join(lines if label else [*lines, *notes])


def cautions_markup(sentences: Sequence[str]) -> str:
    """The HTML of a list of cautions: marked by its words, not by colour alone."""
    items = "\n".join(f"<li>{html.escape(sentence)}</li>" for sentence in sentences)
    return (
        '<div class="cautions" role="note">\n<p><strong>Bear in mind</strong></p>\n'
        f"<ul>\n{items}\n</ul>\n</div>"
    )


def cell_text(value: Any) -> str:
    """A cell as a person reads it: a dash for missing, yes or no, ISO days, no rounding noise.

    Numbers that were not rounded before keep ten significant digits.
    """
    if isinstance(value, str):
        return value
    if value is None or pd.isna(value):
        return MISSING
    if pd.api.types.is_bool(value):
        return "yes" if value else "no"
    if isinstance(value, pd.Timestamp):
        return value.strftime("%Y-%m-%d" if value == value.normalize() else "%Y-%m-%d %H:%M")
    if pd.api.types.is_float(value):
        return f"{float(value):.10g}"
    return str(value)


def _show(output: Bundle) -> None:
    from IPython.display import display

    data, metadata = output
    display(data, metadata=metadata, raw=True)


def _refuse_name(name: str) -> None:
    if not _NAME.fullmatch(name):
        raise ValueError(
            f"the name {name!r} must be lower-case letters, digits and _: it becomes a file name"
        )


def _refuse_empty(**texts: str) -> None:
    for what, text in texts.items():
        if not text.strip():
            raise ValueError(f"{what} is empty: everything shown needs one")


def _heading(label: Any) -> str:
    return ": ".join(map(str, label)) if isinstance(label, tuple) else str(label)


def _is_numeric(column: Sequence[str]) -> bool:
    """Whether at least half of the cells that hold something read as numbers."""
    filled = [text for text in column if text.strip() and text != MISSING]
    return bool(filled) and 2 * sum(map(bool, map(_LIKE_A_NUMBER.fullmatch, filled))) >= len(filled)


def _narrow(content: dict[str, Any], place: int) -> str:
    """The mark of a column of short numbers: on paper it takes no more room than they need."""
    short = all(len(row[place]) <= _DAY_LENGTH for row in content["rows"])
    return ' class="narrow"' if content["numeric"][place] and short else ""


def _aligned(right: bool, text: str = "") -> str:
    # written out, for a notebook page has its own rules for cells
    number = right and _LIKE_A_NUMBER.fullmatch(text)
    # on paper only a day or a single number is kept on one line
    whole = ' class="whole"' if number and len(text) <= _DAY_LENGTH else ""
    wrap = ";white-space:nowrap" if number else ""
    return f'{whole} style="text-align:{"right" if right else "left"}{wrap}"'


def _table_text(content: dict[str, Any]) -> str:
    """The table in columns of plain text, for a terminal and for comparing two runs."""
    lines = [content["columns"], *content["rows"]]
    widths = [max(map(len, cells)) for cells in zip(*lines, strict=True)]
    body = [
        "  ".join(
            text.rjust(width) if right else text.ljust(width)
            for text, width, right in zip(line, widths, content["numeric"], strict=True)
        ).rstrip()
        for line in lines
    ]
    empty = [] if content["rows"] else [NO_ROWS]
    return "\n".join([content["caption"], *body, *empty, *content["notes"]])
