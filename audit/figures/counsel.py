"""What families were told about walking, against what happened."""

from __future__ import annotations

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from audit.figures.style import (
    FAINT,
    LOOKS,
    SMALL,
    Page,
    drawn,
    inches_wide,
    nothing_to_draw,
    sheet,
)
from audit.figures.words import known, percent, sentences

TITLE = "Full weight bearing by the promised week"
ROW = 0.3
_PAGE = Page(left=1.75, right=1.9, above=0.34, below=0.48)


@drawn
def promised_against_happened(calibration: pd.DataFrame) -> Figure:
    """Share walking by the week that was promised, with its interval, a row a band of promises.

    calibration: band (words, weeks promised), share (0-1), low, high, n; missing numbers where a
    band is not estimable. No target line: the kit does not know what share a promise meant.
    """
    shown = calibration.loc[calibration["share"].notna()]
    if shown.empty:
        return nothing_to_draw(TITLE, "no case has both a promise and a known course")
    figure, (axis,) = sheet([ROW * len(calibration) + 0.1], title=TITLE, foot=_foot(), page=_PAGE)
    look, inch = LOOKS[0], 1 / inches_wide(axis)
    for place, (_, row) in enumerate(calibration.iterrows()):
        if known(row["low"]) and known(row["high"]):
            axis.plot([row["low"], row["high"]], [place, place], color=look.colour, linewidth=1.8)
        if known(row["share"]):
            axis.plot([row["share"]], [place], marker=look.marker, color=look.colour, clip_on=False)
        _cell(axis, 1 + 0.3 * inch, place, f"{row['n']:.0f}" if known(row["n"]) else "0")
        _cell(axis, 1 + 1.15 * inch, place, _words(row))
    _cell(axis, 1 + 0.3 * inch, -0.5 - 0.12 / ROW, "n")
    _cell(axis, 1 + 1.15 * inch, -0.5 - 0.12 / ROW, "share (interval)")
    axis.set(xlim=(0, 1), ylim=(len(calibration) - 0.5, -0.5))
    axis.set_yticks(range(len(calibration)), [str(band) for band in calibration["band"]])
    axis.set_xticks([0, 0.25, 0.5, 0.75, 1], ["0", "25", "50", "75", "100"])
    axis.set_xlabel("Share with full weight bearing by the promised week (%)")
    axis.grid(axis="x", color=FAINT, linewidth=0.6)
    axis.set_axisbelow(True)
    axis.tick_params(axis="y", length=0, pad=7)
    return figure


def _cell(axis: Axes, x: float, y: float, text: str) -> None:
    across = axis.get_yaxis_transform()
    axis.text(x, y, text, transform=across, size=SMALL, ha="center", va="center")


def promised_against_happened_alt(calibration: pd.DataFrame) -> str:
    """One or two sentences for those who cannot see the figure, from the same table."""
    shown = calibration.loc[calibration["share"].notna()]
    if shown.empty:
        return "No figure: no case has both a promise and a known course."
    parts = [f"{row['band']}: {_words(row)}, n {row['n']:.0f}" for _, row in shown.iterrows()]
    return f"Share with full weight bearing by the promised week. {'; '.join(parts)}."


def _words(row: pd.Series) -> str:
    if not known(row["share"]):
        return "not estimable"
    if not known(row["low"]) or not known(row["high"]):
        return f"{percent(row['share'], row['n'])} (no interval)"
    share, low, high = (percent(row[name], row["n"]) for name in ("share", "low", "high"))
    return f"{share} ({low} to {high})"


def _foot() -> str:
    return sentences(
        "n = cases or walking episodes with a promise; dots = share that bore full weight by the"
        " promised week, waiting cases kept in; lines = intervals",
    )
