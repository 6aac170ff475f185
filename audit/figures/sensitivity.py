"""Sensitivity runs beside the main analysis: a forest of values with intervals by outcome."""

from __future__ import annotations

from typing import Any

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from audit.figures.style import (
    FAINT,
    GUIDE,
    INK,
    LOOKS,
    SMALL,
    TEXT,
    Page,
    drawn,
    inches_tall,
    inches_wide,
    nothing_to_draw,
    sheet,
)
from audit.figures.words import counted, known, level_words, sentences
from audit.tables.series_sensitivity import (
    MAIN,
    difference_words,
    is_share,
    value_words,
)

ROW = 0.185  # inches a run
COLUMNS = (("n", 0.22), ("value (interval)", 1.36))  # inches from the right edge of the plot
SHARES = (0.0, 100.0)  # per cent: the axis of a share, beyond which nothing goes on
_PAGE = Page(left=2.05, right=2.35, above=0.36, below=0.3)


@drawn
def sensitivity_forest(rows: pd.DataFrame, *, title: str) -> Figure:
    """A panel an outcome, a line a run: value, interval, n; the main analysis on top, dashed line.

    rows: from `shown_rows`. Shares are drawn in per cent on one axis from 0 to 100. A limit that
    does not exist ends in an arrow at the frame; a run without a value says so.
    """
    if rows.empty or not rows["value"].notna().any():
        return nothing_to_draw(title, "no outcome has a value")
    panels = [part for _, part in rows.groupby("outcome", sort=False)]
    heights = [ROW * len(part) + 0.06 for part in panels]
    figure, axes = sheet(heights, title=title, foot=_foot(rows), page=_PAGE)
    for axis, part in zip(axes, panels, strict=True):
        _draw_panel(axis, part.reset_index(drop=True))
    return figure


def sensitivity_forest_alt(rows: pd.DataFrame) -> str:
    """Sentences for those who cannot see the figure: per outcome the main value and the runs that
    lie furthest from it."""
    lines = []
    for outcome, part in rows.groupby("outcome", sort=False):
        others = part.loc[(part["variant"] != MAIN) & part["difference"].notna()]
        if others.empty:
            continue
        main = part.loc[part["variant"] == MAIN]
        value = value_words(main.iloc[0]) if len(main) else "no main value"
        ends = dict.fromkeys((others["difference"].idxmin(), others["difference"].idxmax()))
        words = [f"{part.loc[i, 'run']} {difference_words(part.loc[i]) or '0'}" for i in ends]
        lines.append(f"{outcome}: main analysis {value}; furthest from it: {', '.join(words)}")
    if not lines:
        return "No forest of sensitivity runs: no outcome has a value."
    head = f"Forest of sensitivity runs for {counted(len(lines), 'outcome')}"
    return sentences(head, *lines)


def _draw_panel(axis: Axes, part: pd.DataFrame) -> None:
    scale = 100.0 if is_share(part.iloc[0]) else 1.0
    values = part[["value", "low", "high"]].astype(float) * scale
    low, high = _limits(values, share=scale > 1)
    axis.set(xlim=(low, high), ylim=(len(part) - 0.5, -0.5))
    main = values.loc[part["variant"] == MAIN, "value"]
    if len(main) and known(main.iloc[0]):
        axis.axvline(main.iloc[0], color=GUIDE, linewidth=0.9, linestyle=(0, (4, 2)), zorder=1)
    for place, (_, row) in enumerate(values.iterrows()):
        _draw_run(axis, place, row, is_main=part.loc[place, "variant"] == MAIN)
    axis.set_yticks(range(len(part)), list(part["run"]))
    axis.tick_params(axis="y", length=0)
    axis.grid(axis="x", color=FAINT, linewidth=0.6, zorder=0)
    axis.set_axisbelow(True)
    _write(axis, part)


def _limits(values: pd.DataFrame, *, share: bool) -> tuple[float, float]:
    """The axis: 0 to 100 for shares, else all values and limits, unless a limit runs far off."""
    if share:
        return SHARES
    centre = values["value"].dropna()
    arms = pd.concat([values["value"] - values["low"], values["high"] - values["value"]]).dropna()
    room = 4 * float(arms.median()) if len(arms) else 1.0
    low = max(float(values[["low", "value"]].min().min()), float(centre.min()) - room)
    high = min(float(values[["high", "value"]].max().max()), float(centre.max()) + room)
    pad = 0.06 * (high - low) or 1.0
    return low - pad, high + pad


def _draw_run(axis: Axes, place: int, row: pd.Series, *, is_main: bool) -> None:
    if not known(row["value"]):
        return
    look, ends = LOOKS[0] if is_main else LOOKS[1], axis.get_xlim()
    style: dict[str, Any] = {"color": look.colour, "linewidth": 2.0 if is_main else 1.4}
    if known(row["low"]) or known(row["high"]):
        low = row["low"] if known(row["low"]) else ends[0]
        high = row["high"] if known(row["high"]) else ends[1]
        axis.plot([low, high], [place, place], zorder=3, **style)
        arrow: dict[str, Any] = {"markersize": 5, "clip_on": False, "color": look.colour}
        if low <= ends[0] and ends != SHARES:
            axis.plot([ends[0]], [place], marker="<", zorder=4, **arrow)
        if high >= ends[1] and ends != SHARES:
            axis.plot([ends[1]], [place], marker=">", zorder=4, **arrow)
    axis.plot(
        [row["value"]],
        [place],
        marker="D" if is_main else "o",
        markersize=5.5 if is_main else 4.5,
        color=look.colour,
        zorder=5,
    )


def _write(axis: Axes, part: pd.DataFrame) -> None:
    wide, tall = inches_wide(axis), inches_tall(axis)
    cells = {
        "n": [str(row["n"]) if known(row["value"]) else "" for _, row in part.iterrows()],
        "value (interval)": [value_words(row) for _, row in part.iterrows()],
    }
    above = 1 + 0.12 / tall
    head: dict[str, Any] = {"size": TEXT, "weight": "bold", "ha": "left", "va": "center"}
    axis.text(-1.9 / wide, above, part["outcome"].iloc[0], transform=axis.transAxes, **head)
    for name, inches in COLUMNS:
        x = 1 + inches / wide
        where: dict[str, Any] = {"size": SMALL, "ha": "center", "va": "center", "color": INK}
        axis.text(x, above, name, transform=axis.transAxes, **where)
        for place, text in enumerate(cells[name]):
            axis.text(x, place, text, transform=axis.get_yaxis_transform(), **where)


def _foot(rows: pd.DataFrame) -> str:
    level = level_words(rows["level"].iloc[0])
    shares = bool(rows.apply(is_share, axis=1).any())
    return sentences(
        f"Diamond and dashed line: main analysis; dots: the runs; lines: {level} intervals",
        "An arrow: the interval goes on beyond the frame" if not shares else "",
        "Best and worst case: all answers that are not known taken as good, or as bad news"
        if shares
        else "",
    )
