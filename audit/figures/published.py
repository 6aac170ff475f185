"""Published values beside ours, drawn: one panel a measure, one block a device class and bones."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from audit.figures.style import (
    FAINT,
    GUIDE,
    INK,
    MUTED,
    SMALL,
    Look,
    Page,
    drawn,
    inches_tall,
    looks_for,
    nothing_to_draw,
    sheet,
    text_inches,
)
from audit.figures.words import known, level_words, opening, sentences
from audit.published import OPEN, REFUSED, parts_of
from audit.tables.published import (
    NOT_SAID,
    THIS_SERIES,
    bone_notes,
    group_title,
    heading_words,
    measure_title,
    value_words,
)

TITLE = "Our results beside published values"
LINE_TALL = 0.185  # inches a line of a block
GAP = 0.45  # lines between two blocks
COLUMNS = (("n", 0.3), ("missing", 0.85), ("value (interval)", 2.07))  # inches right of the plot
NO_INTERVAL = "no interval can be made"
POINTS = 72  # an inch
_BLOCK = ["measure", "statistic", "group"]
_PAGE = Page(left=1.4, right=3.05, above=0.33, below=0.43)
#: inches left of the panels beside the longest name, and the most that names may take
LEFT, WIDEST = 0.4, 2.6
#: inches of panels that a page of a document holds without making the letters smaller
TALLEST = 7.4


@dataclasses.dataclass(frozen=True, kw_only=True)
class _Line:
    """A line of a panel: y from the top, its words and what is drawn. row None: a block's head."""

    y: float
    label: str
    row: pd.Series | None = None
    side: str = ""


@drawn
def published_beside(comparison: pd.DataFrame, *, title: str = TITLE) -> Figure:
    """Ours (filled, heavy) and the published values (hollow, thin) of each class and bones.

    comparison: from `audit.published.compare_published`; refused values are not drawn. One panel a
    measure, each with its own axis. A square is a published value whose definition is as ours, a
    diamond one of which part is not said. Without an interval there is no line, and words say so.
    """
    rows = comparison.loc[comparison["verdict"] != REFUSED]
    if rows.empty:
        return nothing_to_draw(title, "no published value may stand beside ours")
    parts = [part for _, part in rows.groupby(["measure", "statistic"], sort=False)]
    lines = [_lines(part) for part in parts]
    heights = [LINE_TALL * (panel[-1].y + 1) for panel in lines]
    longest = max(text_inches(str(name), SMALL) for name in (THIS_SERIES, *rows["source"]))
    page = dataclasses.replace(_PAGE, left=min(LEFT + longest, WIDEST))
    figure, axes = sheet(heights, title=title, foot=_foot(rows), page=page)
    for axis, part, panel in zip(axes, parts, lines, strict=True):
        _draw_panel(axis, part, panel, page.left)
    return figure


def published_beside_alt(comparison: pd.DataFrame, *, title: str = TITLE) -> str:
    """A few sentences for those who cannot see the figure, from the same comparison."""
    rows = comparison.loc[comparison["verdict"] != REFUSED]
    if rows.empty:
        return f"{title}: no figure, no published value may stand beside ours."
    said = []
    for _, part in rows.groupby(_BLOCK, sort=False):
        first = part.iloc[0]
        theirs = [
            f"{row['source']} {value_words(row, 'their')}, n {_count(row['their_n'])}"
            for _, row in part.iterrows()
        ]
        said.append(
            f"{heading_words(first)}, {group_title(first['group']).lower()}: ours "
            f"{value_words(first, 'our')}, n {_count(first['our_n'])}; {'; '.join(theirs)}"
        )
    return sentences(title, *said, *bone_notes(rows))


def published_pages(
    comparison: pd.DataFrame, *, tallest: float = TALLEST
) -> tuple[pd.DataFrame, ...]:
    """The comparison in parts, each of which makes one figure no taller than a page allows.

    tallest: inches of panels. A block (ours and all published values of one measure, class and
    bones) is never parted. At least one part, which may hold no row that stands beside ours.
    """
    rows = comparison.loc[comparison["verdict"] != REFUSED]
    pages: list[list[pd.DataFrame]] = [[]]
    tall, last = 0.0, None
    for (measure, statistic, _), block in rows.groupby(_BLOCK, sort=False):
        height = LINE_TALL * (2 + len(block) + GAP)
        new_panel = _PAGE.above + _PAGE.below
        needed = height + (new_panel if (measure, statistic) != last else 0.0)
        if pages[-1] and tall + needed > tallest:
            pages.append([])
            tall, needed = 0.0, height + new_panel
        pages[-1].append(block)
        tall, last = tall + needed, (measure, statistic)
    return tuple(pd.concat(blocks) if blocks else rows for blocks in pages)


def _lines(part: pd.DataFrame) -> list[_Line]:
    lines: list[_Line] = []
    y = 0.0
    for group, block in part.groupby("group", sort=False):
        lines.append(_Line(y=y, label=group_title(str(group))))
        lines.append(_Line(y=y + 1, label=THIS_SERIES, row=block.iloc[0], side="our"))
        for place, (_, row) in enumerate(block.iterrows()):
            lines.append(_Line(y=y + 2 + place, label=str(row["source"]), row=row, side="their"))
        y += 2 + len(block) + GAP
    return lines


def _draw_panel(axis: Axes, part: pd.DataFrame, lines: list[_Line], left: float) -> None:
    first = part.iloc[0]
    devices = dict.fromkeys(_device(group) for group in part["group"])
    looks = looks_for(devices)
    _set_axis(axis, part, lines)
    for line in lines:
        _write_label(axis, line, left - 0.15)
        if line.row is None:
            continue
        look = looks[_device(line.row["group"])]
        _draw_line(axis, line, look)
        _write_cells(axis, line)
    axis.set_xlabel(_axis_words(first))
    _write_heads(axis)


def _device(group: str) -> str:
    return parts_of(group)[0]


def _axis_words(row: pd.Series) -> str:
    if row["statistic"] == "proportion":
        return f"{measure_title(row['measure'])}, share of cases"
    return opening(heading_words(row))


def _set_axis(axis: Axes, part: pd.DataFrame, lines: list[_Line]) -> None:
    ends = [f"{side}_{name}" for side in ("our", "their") for name in ("value", "low", "high")]
    finite = part[ends].astype(float).replace([np.inf, -np.inf], np.nan)
    low, high = float(finite.min().min()), float(finite.max().max())
    room = 0.07 * (high - low) or 1.0
    axis.set_xlim(low - room, high + room)
    if part.iloc[0]["statistic"] == "rate":
        axis.set_xlim(0, high + room)
    if part.iloc[0]["statistic"] == "proportion":
        axis.set_xlim(0, 1)
        axis.set_xticks([0, 0.25, 0.5, 0.75, 1], ["0%", "25%", "50%", "75%", "100%"])
    axis.set_ylim(lines[-1].y + 0.6, -0.6)
    axis.set_yticks([])
    axis.spines["left"].set_visible(False)
    axis.grid(axis="x", color=FAINT, linewidth=0.6)
    axis.set_axisbelow(True)


def _write_label(axis: Axes, line: _Line, left: float) -> None:
    head = line.row is None
    # a long head may run over the panel, where its line is empty
    behind = {"facecolor": "white", "edgecolor": "none", "pad": 1.0} if head else None
    _write(
        axis,
        line.label,
        (0, line.y),
        (-left if head else 0.15 - left),
        size=SMALL,
        weight="bold" if head else "normal",
        ha="left",
        bbox=behind,
    )


def _write(axis: Axes, text: str, place: tuple[float, float], inches: float, **look: Any) -> None:
    """A text so many inches right of a place (edge of the panel 0 or 1, y), whatever its width."""
    axis.annotate(
        text,
        place,
        xycoords=("axes fraction", "data"),
        xytext=(POINTS * inches, 0),
        textcoords="offset points",
        annotation_clip=False,
        va="center",
        **look,
    )


def _draw_line(axis: Axes, line: _Line, look: Look) -> None:
    row, ours = line.row, line.side == "our"
    if row is None or not known(row[f"{line.side}_value"]):
        return
    low, high = row[f"{line.side}_low"], row[f"{line.side}_high"]
    colour = look.colour if ours else MUTED
    if known(low):
        _draw_interval(
            axis, line.y, (low, high), {"color": colour, "linewidth": 2 if ours else 1.2}
        )
    hollow = "D" if row["verdict"] == OPEN else "s"
    axis.plot(
        [row[f"{line.side}_value"]],
        [line.y],
        marker=look.marker if ours else hollow,
        markersize=6.5 if ours else 5.5,
        markerfacecolor=colour if ours else "white",
        markeredgecolor=colour,
        markeredgewidth=1.2,
        linestyle="none",
        zorder=4,
    )


def _draw_interval(axis: Axes, y: float, limits: tuple[Any, Any], how: dict[str, Any]) -> None:
    """A line between the limits; one that is open above runs to the edge and ends in an arrow."""
    low, high = limits
    is_open = not known(high) or np.isinf(high)
    edge = axis.get_xlim()[1]
    axis.plot([low, edge if is_open else high], [y] * 2, zorder=3, **how)
    if is_open:
        axis.annotate("", (edge, y), (low, y), arrowprops={"arrowstyle": "->", **how})


def _write_heads(axis: Axes) -> None:
    bottom, top = axis.get_ylim()
    y = top - 0.12 / inches_tall(axis) * (bottom - top)
    for name, inches in COLUMNS:
        _write(axis, name, (1, y), inches, ha="center", size=SMALL, color=GUIDE)


def _write_cells(axis: Axes, line: _Line) -> None:
    row = line.row
    if row is None:
        return
    cells = {
        "n": _count(row[f"{line.side}_n"]),
        "missing": _count(row[f"{line.side}_missing"]),
        "value (interval)": _value(row, line.side),
    }
    for name, inches in COLUMNS:
        _write(axis, cells[name], (1, line.y), inches, ha="center", size=SMALL, color=INK)


def _value(row: pd.Series, side: str) -> str:
    text = value_words(row, side)
    return text.replace("no interval", NO_INTERVAL) if side == "their" else text


def _count(number: Any) -> str:
    return str(int(number)) if known(number) else NOT_SAID


def _foot(rows: pd.DataFrame) -> str:
    level = level_words(rows["our_level"].dropna().iloc[0] if len(rows) else None)
    open_parts = (rows["verdict"] == OPEN).any()
    as_ours = (rows["verdict"] != OPEN).any()
    return sentences(
        f"Filled: this series, {level} interval; hollow: published value",
        "Square: defined as ours" if as_ours else "",
        "Diamond: part of the definition is not said in what was read, nothing contradicts ours"
        if open_parts
        else "",
        "A value without a line has no interval that can be made from what is printed",
        *bone_notes(rows),
        "The series are different patients; no test is made between them",
    )
