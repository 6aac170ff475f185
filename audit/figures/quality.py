"""Data quality over time, drawn: run charts of which each point has its interval."""

from __future__ import annotations

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from audit.figures.steps import label_lines
from audit.figures.style import (
    GUIDE,
    INK,
    LINE,
    LOOKS,
    SMALL,
    Page,
    drawn,
    inches_tall,
    label_above,
    nothing_to_draw,
    share_axis,
    sheet,
)
from audit.figures.words import known, level_words, number, opening, percent, sentences
from audit.quality.trend import COMPLETE, ERRORS, Trend

PLAIN, SIGNAL = LOOKS[0], LOOKS[1]
LABELS = {
    COMPLETE: "Cases complete in every key item (%)",
    ERRORS: "Error queries per 100 cases",
}
#: inches under a panel to the row of n: the ticks are two lines
_TICKS = 0.42
_PAGE = Page(left=0.75, right=1.15, above=0.34, below=_TICKS + 1.5 * LINE)


@drawn
def quality_over_time(trend: Trend, *, title: str) -> Figure:
    """Two run charts one above the other: cases complete in every key item, error queries.

    trend: from `audit.quality.trend.trend`. Points with their intervals, the median as centre line,
    n under each quarter; points that belong to a signal are larger diamonds. A quarter without
    cases has no point.
    """
    series = {name: _rows(trend, name) for name in LABELS}
    if not any(rows["value"].notna().any() for rows in series.values()):
        return nothing_to_draw(title, "no quarter has cases")
    figure, axes = sheet([1.8, 1.5], title=title, foot=_foot(trend, series[COMPLETE]), page=_PAGE)
    for axis, (name, rows) in zip(axes, series.items(), strict=True):
        _draw(axis, rows)
        if name == COMPLETE:
            share_axis(axis)
        else:
            top = float(rows[["high", "value"]].max().max())
            axis.set_ylim(0, 1.05 * top if top > 0 else 1)
        label_above(axis, LABELS[name])
        centre = rows["centre"].dropna()
        if len(centre):
            label_lines(axis, [(float(centre.iloc[0]), f"median {_in_unit(name, centre.iloc[0])}")])
        _quarters(axis, rows)
    return figure


def quality_over_time_alt(trend: Trend, *, title: str) -> str:
    """One or two sentences for those who cannot see the figure, from the same trend."""
    parts = []
    for name, words in LABELS.items():
        rows = _rows(trend, name)
        held = rows.loc[rows["value"].notna()]
        if held.empty:
            parts.append(f"{words.removesuffix(' (%)')}: no quarter has cases")
            continue
        first, last = held.iloc[0], held.iloc[-1]
        parts.append(
            f"{words.removesuffix(' (%)')}: {_in_unit(name, first['value'])} in "
            f"{first['quarter']}, {_in_unit(name, last['value'])} in {last['quarter']}, median "
            f"{_in_unit(name, held['centre'].iloc[0])} over {len(held)} quarters; "
            f"{trend.signals[name]}"
        )
    return sentences(title, *parts)


def _rows(trend: Trend, name: str) -> pd.DataFrame:
    rows = trend.points.loc[trend.points["series"] == name]
    return rows.reset_index(drop=True)


def _draw(axis: Axes, rows: pd.DataFrame) -> None:
    held = rows.loc[rows["value"].notna()]
    axis.vlines(held.index, held["low"], held["high"], color=GUIDE, linewidth=1.1, zorder=1)
    axis.plot(held.index, held["value"], color=GUIDE, linewidth=0.8, zorder=2)
    for marked, look, size, edge in ((False, PLAIN, 5, PLAIN.colour), (True, SIGNAL, 7, INK)):
        part = held.loc[(held["signal"] != "") == marked]
        axis.plot(
            part.index,
            part["value"],
            marker="D" if marked else "o",
            markersize=size,
            color=look.colour,
            markeredgecolor=edge,
            linestyle="none",
            clip_on=False,
            zorder=3,
        )
    centre = rows["centre"].dropna()
    if len(centre):
        axis.axhline(float(centre.iloc[0]), color=INK, linewidth=1.1, zorder=1)


def _quarters(axis: Axes, rows: pd.DataFrame) -> None:
    axis.set_xlim(-0.5, len(rows) - 0.5)
    axis.set_xticks(range(len(rows)), _names(rows["quarter"]))
    y = -(_TICKS + LINE / 2) / inches_tall(axis)
    axis.text(-0.02, y, "n", transform=axis.transAxes, size=SMALL, ha="right", va="center")
    across = axis.get_xaxis_transform()
    for place, n in enumerate(rows["n"]):
        axis.text(place, y, f"{n:.0f}", transform=across, size=SMALL, ha="center", va="center")


def _names(quarters: pd.Series) -> list[str]:
    """Q1 to Q4, the year below the first quarter shown of each year."""
    years = quarters.str[:4]
    new = years.ne(years.shift())
    return [
        f"{quarter[4:]}\n{year}" if first else quarter[4:]
        for quarter, year, first in zip(quarters, years, new, strict=True)
    ]


def _in_unit(name: str, value: float) -> str:
    if not known(value):
        return "no value"
    return percent(value) if name == COMPLETE else number(value, "events per 100 cases")


def _foot(trend: Trend, rows: pd.DataFrame) -> str:
    level = level_words(rows["level"].iloc[0])
    return sentences(
        f"Bars: {level} intervals (Wilson; exact Poisson). n: cases with a key item expected; rows "
        "of the cases table",
        f"Runs about the median: {opening(trend.signals[COMPLETE])} (complete); "
        f"{trend.signals[ERRORS]} (errors)",
        "Diamonds = points of a signal" if (trend.points["signal"] != "").any() else "",
        "Quarter of surgery; young cases are asked only for what can be expected of them by now",
    )
