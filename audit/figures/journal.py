"""A figure at the width of a journal's column: panels made to fit, no caption inside.

Widths of one column and of the page: 90 and 190 mm (publishers' artwork rules; common practice),
and of the text of an A4 document, 160 mm.
The heading and the footnote that a report's figure carries are taken out, for a journal prints the
caption itself; whoever saves the picture keeps them beside it. Lines keep their size and panels
grow or shrink; letters are never below 6 points. A width at which letters would run into one
another is refused with the reason: a picture made smaller until it fits cannot be read.
"""

from __future__ import annotations

import contextlib
import dataclasses
import io
import itertools
from collections.abc import Iterator, Sequence
from typing import Any

import matplotlib as mpl
from matplotlib.backends.backend_agg import RendererAgg
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.transforms import Bbox

from audit.figures.style import RC, TITLE


@dataclasses.dataclass(frozen=True, kw_only=True)
class Preset:
    """A width in mm, and the size of the letters there as a share of that in the report."""

    width_mm: float
    letters: float


#: the smallest letters of the kit's figures, 7.5 points, become 6 in one column
PRESETS: dict[str, Preset] = {
    "single": Preset(width_mm=90, letters=0.8),
    "text": Preset(width_mm=160, letters=0.87),
    "full": Preset(width_mm=190, letters=1.0),
}
#: nothing of the program or the day is written into a file
FORMS: dict[str, dict[str, None]] = {
    "png": {"Software": None},
    "svg": {"Date": None, "Creator": None},
    "pdf": {"CreationDate": None, "Creator": None, "Producer": None},
}
#: a panel narrower than this shows nothing
NARROWEST_MM = 25.0
MM = 25.4
_EDGE = 0.04  # inches of white round the picture
_TOUCH = 1.0  # pixels by which two boxes of letters may touch
_BLANK = 2.5  # pixels between two texts on one line, about a blank: 107 and 92 are not 10792
_ROUNDS = 4  # times the panels are made wider or narrower, as the letters beside them leave room

#: fonts as TrueType in PDF, letters as letters in SVG, ids from a fixed seed; letters not moved to
#: whole pixels, so that they are as wide in every form as they were measured
_FIXED: Any = {
    "pdf.fonttype": 42,
    "svg.fonttype": "none",
    "svg.hashsalt": "audit",
    "text.hinting": "none",
}


@dataclasses.dataclass(frozen=True, kw_only=True)
class Fit:
    """How a figure is put to a width. left, right: white beside the panels; low, high: where its
    content begins and ends, from the bottom; all in inches. obstacle: why it cannot be printed so,
    in words; empty when it can."""

    inches: float
    letters: float
    left: float
    right: float
    low: float = 0.0
    high: float = 0.0
    obstacle: str = ""


def fit(figure: Figure, *, preset: str) -> Fit:
    """Find how the figure is printed at a preset's width; it stays as it was.

    Letters must not run into one another or over the edge where they do not in the figure as it
    was made, and a panel needs 25 mm. ValueError for a preset not listed.
    """
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}; got {preset!r}")
    wanted = PRESETS[preset]
    with mpl.rc_context({**RC, **_FIXED}):
        before = _clashes(figure, _drawn(figure))
        found = _start(figure, wanted)
        for _ in range(_ROUNDS):
            with _put(figure, found):
                content = figure.get_tightbbox(_drawn(figure))
            left = float(found.left - content.x0 + _EDGE)
            right = float(found.right + content.x1 - found.inches + _EDGE)
            if (left, right) == (found.left, found.right):
                break
            found = dataclasses.replace(found, left=left, right=right)
        with _put(figure, found):
            renderer = _drawn(figure)
            obstacle = _obstacle(figure, renderer, before)
            content = figure.get_tightbbox(renderer)
    at = f"at {wanted.width_mm:g} mm "
    return dataclasses.replace(
        found,
        low=float(content.y0) - _EDGE,
        high=float(content.y1) + _EDGE,
        obstacle=at + obstacle if obstacle else "",
    )


def journal_picture(figure: Figure, found: Fit, *, form: str, dpi: int = 600) -> bytes:
    """The figure, put as `fit` found, as the bytes of a png, svg or pdf file.

    dpi: dots an inch of a png. Equal figures give equal bytes; the figure stays as it was.
    ValueError for a form not listed, and for a fit with an obstacle.
    """
    if form not in FORMS:
        raise ValueError(f"form must be one of {', '.join(FORMS)}; got {form!r}")
    if found.obstacle:
        raise ValueError(f"the figure cannot be printed so: {found.obstacle}")
    out = io.BytesIO()
    crop = Bbox([[0, found.low], [found.inches, found.high]])
    with mpl.rc_context({**RC, **_FIXED}), _put(figure, found):
        figure.savefig(
            out, format=form, dpi=dpi, facecolor="white", bbox_inches=crop, metadata=FORMS[form]
        )
    return out.getvalue()


def taken_out(figure: Figure) -> tuple[str, ...]:
    """The heading and the footnote that stand in the figure and not in the journal's picture."""
    return tuple(" ".join(text.get_text().split()) for text in _captions(figure))


def footnote(figure: Figure) -> str:
    """The footnote of a figure of the report, empty where it has none."""
    foots = [text for text in _captions(figure) if text.get_verticalalignment() == "bottom"]
    return " ".join(" ".join(text.get_text().split()) for text in foots)


def _captions(figure: Figure) -> list[Text]:
    """The texts that `audit.figures.style.sheet` puts over and under the panels."""
    return [
        text
        for text in figure.texts
        if text.get_text().strip()
        and (
            (text.get_verticalalignment() == "top" and text.get_fontsize() == TITLE)
            or (
                text.get_verticalalignment() == "bottom"
                and text.get_position()[1] * figure.get_figheight() < 0.1
            )
        )
    ]


def _start(figure: Figure, wanted: Preset) -> Fit:
    wide = figure.get_figwidth()
    places = [axis.get_position() for axis in figure.axes]
    left = min((place.x0 for place in places), default=0.0) * wide
    right = wide - max((place.x1 for place in places), default=1.0) * wide
    letters = wanted.letters
    inches = wanted.width_mm / MM
    return Fit(inches=inches, letters=letters, left=left * letters, right=right * letters)


@contextlib.contextmanager
def _put(figure: Figure, found: Fit) -> Iterator[None]:
    """The figure as found, without heading and footnote, for the length of the block."""
    size = tuple(figure.get_size_inches())
    places = [(axis, axis.get_position(), axis.get_in_layout()) for axis in figure.axes]
    moved = _moved([place for _, place, _ in places], size[0], found)
    captions = _captions(figure)
    texts: list[Any] = figure.findobj(Text)
    points = [text.get_fontsize() for text in texts]
    try:
        for text, height in zip(texts, points, strict=True):
            text.set_fontsize(height * found.letters)
        for text in captions:
            text.set_visible(False)
        figure.set_size_inches(found.inches, size[1])
        for (axis, _, _), place in zip(places, moved, strict=True):
            axis.set_position(place)
        yield
    finally:
        figure.set_size_inches(*size)
        for axis, place, in_layout in places:
            axis.set_position(place)
            axis.set_in_layout(in_layout)
        for text, height in zip(texts, points, strict=True):
            text.set_fontsize(height)
        for text in captions:
            text.set_visible(True)


def _moved(places: Sequence[Bbox], wide: float, found: Fit) -> list[Bbox]:
    """The places of the panels of a figure so many inches wide on the page as found.

    The white between panels shrinks as the letters do; panels share what is left.
    """
    columns: list[list[float]] = []
    for left, right in sorted((place.x0 * wide, place.x1 * wide) for place in places):
        if columns and left <= columns[-1][1]:
            columns[-1][1] = max(columns[-1][1], right)
        else:
            columns.append([left, right])
    if not columns:
        return []
    filled = sum(right - left for left, right in columns)
    first, last = columns[0][0], columns[-1][1]
    white = (last - first - filled) * found.letters
    room = found.inches - found.left - found.right - white
    # never quite nothing, so that the figure can still be drawn and refused with the reason
    part = max(room / filled, 1e-3)

    def place_of(x: float) -> float:
        panels = sum(min(x, right) - left for left, right in columns if left < x)
        between = (x - first - panels) * found.letters
        return (found.left + panels * part + between) / found.inches

    return [
        Bbox([[place_of(place.x0 * wide), place.y0], [place_of(place.x1 * wide), place.y1]])
        for place in places
    ]


def _obstacle(figure: Figure, renderer: RendererAgg, before: set[tuple[int, int]]) -> str:
    wide = figure.get_figwidth()
    narrow = min((axis.get_position().width * wide for axis in figure.axes), default=wide)
    if narrow * MM < NARROWEST_MM:
        return f"a panel would be narrower than {NARROWEST_MM:g} mm"
    if _clashes(figure, renderer) - before:
        return "letters would run into one another or over the edge"
    return ""


def _drawn(figure: Figure) -> RendererAgg:
    """Every text put in its place, as drawing does, without a picture; by the renderer given back
    texts can be measured."""
    width, height = (side * figure.dpi for side in figure.get_size_inches())
    figure.draw_without_rendering()
    return RendererAgg(width, height, figure.dpi)


def _clashes(figure: Figure, renderer: RendererAgg) -> set[tuple[int, int]]:
    """Pairs of texts that overlap, and texts that leave the page at the side (paired with 0)."""
    boxes = [(id(text), text.get_window_extent(renderer)) for text in _texts(figure)]
    wide = figure.get_figwidth() * figure.dpi
    out = {(name, 0) for name, box in boxes if box.x0 < -_TOUCH or box.x1 > wide + _TOUCH}
    for (one, first), (other, second) in itertools.combinations(boxes, 2):
        across = min(first.x1, second.x1) - max(first.x0, second.x0)
        up = min(first.y1, second.y1) - max(first.y0, second.y0)
        on_one_line = up > min(first.height, second.height) / 2
        if up > _TOUCH and across > (-_BLANK if on_one_line else _TOUCH):
            out.add((one, other))
    return out


def _texts(figure: Figure) -> list[Text]:
    """The texts that are drawn: ticks beyond the ends of an axis are not."""
    ticks: dict[int, bool] = {}
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            for tick in [*axis.get_major_ticks(), *axis.get_minor_ticks()]:
                inside = low <= tick.get_loc() <= high
                ticks |= {id(tick.label1): inside, id(tick.label2): inside}
    found: list[Any] = figure.findobj(Text)
    return [text for text in found if ticks.get(id(text), True) and _is_seen(text)]


def _is_seen(text: Text) -> bool:
    axes = text.axes
    shown = axes is None or axes.get_visible()
    return bool(text.get_text().strip() and text.get_visible() and shown)
