"""One look for every figure: colours with shapes and dashes, sizes, pages, a picture's bytes.

Colours are our own: each has at least 3:1 against white (WCAG 2.2, 1.4.11), and any two stay apart
under simulated colour blindness (tested). Colour is never the only carrier.
"""

from __future__ import annotations

import dataclasses
import functools
import io
import re
from collections.abc import Callable, Iterable, Sequence
from typing import Any, ParamSpec

import matplotlib as mpl
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import text_to_path

from schemas import vocabulary

P = ParamSpec("P")

WIDTH = 7.2  # inches: the text width of the reports
INK, MUTED, FAINT = "#1A1A1A", "#4A4A4A", "#E4E4E4"
GUIDE = "#767676"
TITLE, TEXT, SMALL = 10.0, 8.5, 7.5  # points
LINE = 0.155  # inches from one row of numbers to the next
NOTE_LINE = 0.128  # inches from one line of a footnote to the next
FORMS = {"png": {"Software": None}, "svg": {"Date": None}, "pdf": {"CreationDate": None}}


@dataclasses.dataclass(frozen=True, kw_only=True)
class Look:
    """Colour, marker and dashes of a group; the three always go together."""

    colour: str
    marker: str
    dashes: tuple[float, tuple[float, ...]] | str


LOOKS = (
    Look(colour="#14235A", marker="o", dashes="solid"),
    Look(colour="#C85A17", marker="s", dashes=(0, (6, 2))),
    Look(colour="#2E9DA6", marker="^", dashes=(0, (2, 1.5))),
    Look(colour="#9C4FA8", marker="D", dashes=(0, (7, 2, 1.5, 2))),
    Look(colour="#5A5A5A", marker="v", dashes=(0, (1, 1))),
)

RC: Any = {
    **sns.axes_style("ticks"),
    "font.family": ["DejaVu Sans"],
    "font.size": TEXT,
    "axes.titlesize": TEXT,
    "axes.labelsize": TEXT,
    "xtick.labelsize": SMALL,
    "ytick.labelsize": SMALL,
    "legend.fontsize": SMALL,
    "axes.linewidth": 0.8,
    "axes.edgecolor": MUTED,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.major.size": 3,
    "ytick.major.size": 3,
    "grid.color": FAINT,
    "lines.linewidth": 1.6,
    "axes.unicode_minus": True,
    "text.usetex": False,
    "text.parse_math": False,
}


@dataclasses.dataclass(frozen=True, kw_only=True)
class Page:
    """Room round the panels, in inches. above: over each panel (its axis title); below: under
    each panel (ticks, axis title); end: more room over the footnote. Panels stand side by side
    where `columns` is more than 1."""

    left: float = 0.75
    right: float = 0.2
    above: float = 0.3
    below: float = 0.5
    end: float = 0.05
    columns: int = 1
    gutter: float = 0.75


PAGE = Page()


def drawn(figure: Callable[P, Figure]) -> Callable[P, Figure]:
    """Decorator: the figure is made with this module's look, whatever the session's settings."""

    @functools.wraps(figure)
    def with_look(*args: P.args, **kwargs: P.kwargs) -> Figure:
        with mpl.rc_context():
            mpl.rcdefaults()
            mpl.rcParams.update(RC)
            return figure(*args, **kwargs)

    return with_look


def looks_for(labels: Iterable[str]) -> dict[str, Look]:
    """A look for each label. Device classes (codes or words) always keep theirs, so that a group
    looks alike in every figure; anything else takes the looks in order."""
    names = list(labels)
    fixed: dict[str, Look] = {}
    for look, (code, words) in zip(
        LOOKS, vocabulary.CODE_LISTS["device_class"].items(), strict=True
    ):
        fixed |= {code: look, words: look}
    if any(name in fixed for name in names):
        spare = [look for look in LOOKS if look not in [fixed.get(name) for name in names]]
        others = [name for name in names if name not in fixed]
        taken = {
            name: spare[i % len(spare)] if spare else LOOKS[-1] for i, name in enumerate(others)
        }
        return {name: fixed.get(name) or taken[name] for name in names}
    return {name: LOOKS[i % len(LOOKS)] for i, name in enumerate(names)}


def sheet(
    heights: Sequence[float], *, title: str, foot: str, page: Page = PAGE
) -> tuple[Figure, list[Axes]]:
    """A page of the report's width with its title, its footnote and a panel for each height.

    heights: inches, from the top down (with columns: one height a row of panels).
    """
    head = wrap(title, WIDTH - 0.3, TITLE, bold=True)
    notes = wrap(foot, WIDTH - 0.3, SMALL)
    top = 0.12 + 0.19 * len(head)
    bottom = 0.1 + NOTE_LINE * len(notes) + page.end
    body = sum(heights) + len(heights) * (page.above + page.below)
    tall = top + body + bottom
    figure = Figure(figsize=(WIDTH, tall), facecolor="white")
    figure.text(0.15 / WIDTH, 1 - 0.1 / tall, "\n".join(head), size=TITLE, weight="bold", va="top")
    figure.text(0.15 / WIDTH, 0.07 / tall, "\n".join(notes), size=SMALL, color=MUTED, va="bottom")
    wide = (WIDTH - page.left - page.right - page.gutter * (page.columns - 1)) / page.columns
    axes, y = [], tall - top
    for height in heights:
        y -= page.above + height
        for column in range(page.columns):
            x = page.left + column * (wide + page.gutter)
            axes.append(figure.add_axes((x / WIDTH, y / tall, wide / WIDTH, height / tall)))
        y -= page.below
    for axis in axes:
        axis.spines[["top", "right"]].set_visible(False)
    return figure, axes


@drawn
def nothing_to_draw(title: str, reason: str) -> Figure:
    """A figure that says in words that nothing can be drawn, and why."""
    return sheet([], title=title, foot=f"Nothing to draw: {reason}.")[0]


#: blanks at which no line breaks: n = 12, n 12, missing 3
_TOGETHER = re.compile(r"(?<=\bn) (?=[=\d])|(?<=\bn =) (?=\d)|(?<=\bmissing) (?=\d)")


def wrap(text: str, inches: float, points: float, *, bold: bool = False) -> list[str]:
    """The text in lines no wider than `inches` at this size (line breaks of the text are kept)."""
    lines = []
    for paragraph in _TOGETHER.sub("\N{NO-BREAK SPACE}", text).split("\n"):
        line = ""
        for word in paragraph.split(" "):
            longer = f"{line} {word}".strip()
            if line and text_inches(longer, points, bold=bold) > inches:
                lines.append(line)
                longer = word
            line = longer
        lines.append(line)
    return lines


@functools.lru_cache(maxsize=4096)
def text_inches(text: str, points: float, *, bold: bool = False) -> float:
    """Width of a line of text at this size, from the letters' own widths."""
    font = FontProperties(family="DejaVu Sans", size=points, weight="bold" if bold else "normal")
    width, _, _ = text_to_path.get_text_width_height_descent(text, font, ismath=False)
    return float(width) / 72


def share_axis(axis: Axes) -> None:
    """A vertical axis from 0 to 100 % for shares."""
    axis.set_ylim(0, 1)
    axis.set_yticks([0, 0.25, 0.5, 0.75, 1], ["0", "25", "50", "75", "100"])


def label_above(axis: Axes, text: str) -> None:
    """The vertical axis' title, written level above the axis, where it can be read."""
    axis.set_ylabel(text, rotation=0, ha="left", va="bottom")
    axis.yaxis.set_label_coords(0.0, 1.0 + 0.07 / inches_tall(axis))


def inches_tall(axis: Axes) -> float:
    """Height of a panel in inches."""
    figure = axis.get_figure(root=True)
    return float(axis.get_position().height * figure.get_figheight()) if figure else 1.0


def inches_wide(axis: Axes) -> float:
    """Width of a panel in inches."""
    figure = axis.get_figure(root=True)
    return float(axis.get_position().width * figure.get_figwidth()) if figure else 1.0


def spread_out(places: Sequence[float], *, gap: float, low: float, high: float) -> list[float]:
    """Places for labels near the wanted ones, at least `gap` apart and within low to high."""
    order = sorted(range(len(places)), key=lambda i: places[i])
    out = [0.0] * len(places)
    floor = low
    for i in order:
        out[i] = max(places[i], floor)
        floor = out[i] + gap
    ceiling = high
    for i in reversed(order):
        out[i] = min(out[i], ceiling)
        ceiling = out[i] - gap
    return out


def picture(figure: Figure, *, form: str = "png", dpi: int = 200) -> bytes:
    """The figure as bytes of a png, svg or pdf file; the same figure gives the same bytes.

    No date or program name is written. ValueError for another form.
    """
    if form not in FORMS:
        raise ValueError(f"form must be one of {', '.join(FORMS)}; got {form!r}")
    out = io.BytesIO()
    fixed: Any = {"svg.hashsalt": "audit", "svg.fonttype": "none", "pdf.fonttype": 42}
    with mpl.rc_context({**RC, **fixed}):
        figure.savefig(out, format=form, dpi=dpi, metadata=FORMS[form])
    return out.getvalue()
