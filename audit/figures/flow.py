"""From the rows of the source to the cases of a series: a plain flow diagram."""

from __future__ import annotations

import dataclasses

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from audit.figures.style import GUIDE, INK, MUTED, SMALL, WIDTH, Page, drawn, sheet, wrap
from audit.figures.words import counted, known, sentences

MARK = "\N{DAGGER}"
NOTES = {
    MARK: f"{MARK} A rule on what is known only after surgery: selection on the outcome",
    "(data)": "(data): left out for the quality of the records, not on clinical grounds",
}
_EDGE = 0.02  # inches round the boxes, so that no border is cut
_PAGE = Page(left=0.15 - _EDGE, right=0.15 - _EDGE, above=0.12, below=0.1, end=0.05)
_LINE, _INSIDE, _GAP = 0.145, 0.08, 0.2  # inches: a line, room in a box, room between boxes
_LEFT = (0.0, 2.9)  # a main box: from, to
_END = (0.0, 4.3)
_RIGHT = (3.35, WIDTH - 0.3)
_TOGETHER = "\N{NO-BREAK SPACE}"  # a number and its noun stay on one line
_STEM = 0.6  # where the arrow downwards runs


@dataclasses.dataclass(frozen=True, kw_only=True)
class _Box:
    """Lines of a box, where it stands, and which of them are bold."""

    lines: tuple[str, ...]
    span: tuple[float, float]
    bold: int = 0

    @property
    def tall(self) -> float:
        return len(self.lines) * _LINE + 2 * _INSIDE


@drawn
def flow_diagram(flow: pd.DataFrame, *, title: str) -> Figure:
    """Boxes down the left for what is there, boxes at the right for what is left out in between.

    flow: from `audit.series.flow.whole_flow`. The last box says what had become of the cases.
    Counts that are missing are not written.
    """
    levels = _levels(flow)
    foot = sentences(
        "Case: a bone lengthened in one episode; limb: a side of a patient in one episode",
        "A limb or patient counts as left out where its last case is",
        *[words for sign, words in NOTES.items() if _is_used(flow, sign)],
    )
    tall = sum(box.tall + _GAP for pair in levels for box in pair if box)
    figure, (axis,) = sheet([tall + _EDGE], title=title, foot=foot, page=_PAGE)
    axis.set(xlim=(-_EDGE, WIDTH - 0.3 + _EDGE), ylim=(-tall, _EDGE))
    axis.axis("off")
    y = 0.0
    for number, (main, side) in enumerate(levels):
        _draw(axis, main, y)
        below = y - main.tall
        y = below - _GAP
        if side:
            _draw(axis, side, y)
            _arrow(axis, (_STEM, y - side.tall / 2), (side.span[0], y - side.tall / 2))
            y -= side.tall + _GAP
        if number < len(levels) - 1:
            _arrow(axis, (_STEM, below), (_STEM, y))
    return figure


def flow_diagram_alt(flow: pd.DataFrame, *, title: str) -> str:
    """The diagram in words, step by step, from the same table."""
    parts = []
    for _, rows in flow.groupby((flow["place"] != flow["place"].shift()).cumsum()):
        kind = rows["place"].iloc[0]
        texts = [
            f"{_name(row)}: {_counts(row).replace(_TOGETHER, ' ')}" for _, row in rows.iterrows()
        ]
        opening = {"main": "", "out": "left out: ", "end": "at the cut-off: "}[kind]
        parts.append(opening + "; ".join(texts))
    return sentences(title, *[part[:1].upper() + part[1:] for part in parts])


def _levels(flow: pd.DataFrame) -> list[tuple[_Box, _Box | None]]:
    """Pairs of a main box and the box of what is left out below it."""
    levels: list[tuple[_Box, _Box | None]] = []
    for _, row in flow.loc[flow["place"] == "main"].iterrows():
        below = _run_of(flow, int(row.name) + 1, "out")  # type: ignore[call-overload]
        lines = (*_wrapped(_sentence(row["words"]), _LEFT), *_wrapped(_counts(row), _LEFT))
        bold = len(_wrapped(_sentence(row["words"]), _LEFT))
        side = None if below.empty else _list_box("Left out", below, _RIGHT)
        levels.append((_Box(lines=lines, span=_LEFT, bold=bold), side))
    ends = flow.loc[flow["place"] == "end"]
    if len(ends):
        levels.append((_list_box("At the cut-off", ends, _END), None))
    return levels


def _run_of(flow: pd.DataFrame, start: int, place: str) -> pd.DataFrame:
    """The rows of one place from a row on, up to the first of another."""
    rest = flow.iloc[start:]
    return rest.loc[(rest["place"] == place).cummin()]


def _list_box(heading: str, rows: pd.DataFrame, span: tuple[float, float]) -> _Box:
    lines = [heading]
    for _, row in rows.iterrows():
        first, *more = _wrapped(f"{_name(row)}: {_counts(row)}", (span[0] + 0.15, span[1]))
        lines += [first, *[f"    {line}" for line in more]]
    return _Box(lines=tuple(lines), span=span, bold=1)


def _name(row: pd.Series) -> str:
    signs = [MARK] if row["on_outcome"] else []
    signs += ["(data)"] if row["ground"] == "data" else []
    return " ".join([str(row["words"]), *signs])


def _is_used(flow: pd.DataFrame, sign: str) -> bool:
    return any(_name(row).endswith(sign) for _, row in flow.iterrows()) or (
        sign == MARK and bool(flow["on_outcome"].any())
    )


def _counts(row: pd.Series) -> str:
    """`12 cases, 11 limbs, 10 patients`, without what is not counted."""
    nouns = {"cases": "case", "limbs": "limb", "patients": "patient"}
    return ", ".join(
        counted(int(row[name]), noun).replace(" ", _TOGETHER)
        for name, noun in nouns.items()
        if known(row[name])
    )


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}"


def _wrapped(text: str, span: tuple[float, float]) -> list[str]:
    return wrap(text, span[1] - span[0] - 2 * _INSIDE - 0.1, SMALL, bold=True)


def _draw(axis: Axes, box: _Box, top: float) -> None:
    left, right = box.span
    corners = ([left, right, right, left, left], [top, top, top - box.tall, top - box.tall, top])
    axis.fill(corners[0], corners[1], facecolor="white", edgecolor=MUTED, linewidth=0.8)
    for number, line in enumerate(box.lines):
        axis.text(
            left + _INSIDE,
            top - _INSIDE - (number + 0.5) * _LINE,
            line,
            size=SMALL,
            color=INK,
            va="center",
            weight="bold" if number < box.bold else "normal",
        )


def _arrow(axis: Axes, start: tuple[float, float], end: tuple[float, float]) -> None:
    axis.annotate(
        "",
        xy=end,
        xytext=start,
        arrowprops={
            "arrowstyle": "-|>",
            "color": GUIDE,
            "linewidth": 0.9,
            "shrinkA": 0,
            "shrinkB": 0,
        },
    )
