"""Parts of charts over time, shared by the figures that draw them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter

from audit.estimates.run_rules import FEW_CROSSINGS
from audit.figures.style import GUIDE, INK, LINE, LOOKS, MUTED, SMALL, inches_tall, text_inches
from audit.figures.words import known, number, percent, plain

PLAIN, SIGNAL, TARGET = LOOKS[0], LOOKS[1], LOOKS[2]
WIDE = 5.05  # inches of a chart's plot


def chart_lines(axis: Axes, table: pd.DataFrame) -> None:
    """Centre and limits, phase by phase, so that they break at a recorded decision."""
    for _, rows in table.groupby("phase"):
        x = rows["order"].to_numpy(dtype=float)
        edges = np.concatenate([x - 0.5, x[-1:] + 0.5])
        for name, style in (("centre", "solid"), ("low", (0, (5, 2))), ("high", (0, (5, 2)))):
            axis.stairs(
                rows[name].to_numpy(),
                edges,
                baseline=None,
                color=INK if name == "centre" else MUTED,
                linewidth=1.1 if name == "centre" else 0.9,
                linestyle=style,
            )


def chart_points(axis: Axes, table: pd.DataFrame) -> None:
    """The points in order, joined by a thin line that a missing point breaks.

    A diamond is hollow where the only signal is one of the whole series.
    """
    axis.plot(table["order"], table["value"], color=GUIDE, linewidth=0.8, zorder=2)
    marked_points(axis, table["order"], table["value"], table["signal"] != "")
    whole = table.loc[table["signal"] == FEW_CROSSINGS]
    axis.plot(
        whole["order"],
        whole["value"],
        marker="D",
        markersize=4.5,
        color="white",
        linestyle="none",
        zorder=5,
    )


def marked_points(axis: Axes, x: pd.Series, y: pd.Series, marked: pd.Series) -> None:
    """Points; those that are marked are larger diamonds with a dark outline."""
    axis.plot(
        x[~marked],
        y[~marked],
        marker="o",
        markersize=5,
        color=PLAIN.colour,
        linestyle="none",
        zorder=3,
    )
    axis.plot(
        x[marked],
        y[marked],
        marker="D",
        markersize=7,
        color=SIGNAL.colour,
        markeredgecolor=INK,
        linestyle="none",
        zorder=4,
    )


def target_line(axis: Axes, target: float) -> None:
    """The target, a line of its own: it is no limit of the process."""
    axis.axhline(target, color=TARGET.colour, linewidth=1.4, linestyle=(0, (1, 1)), zorder=1)


def chart_axes(axis: Axes, table: pd.DataFrame, names: Sequence[str], *, share: bool) -> None:
    """Limits and ticks: a name a point where it fits, shares in per cent."""
    order = table["order"].to_numpy()
    room = max(0.6, 0.015 * len(order))
    axis.set_xlim(order[0] - room, order[-1] + room)
    every = tick_step(names)
    axis.set_xticks(order[::every], list(names)[::every])
    axis.margins(y=0.1)
    if share:
        low, high = axis.get_ylim()
        axis.set_ylim(max(low, -0.03), min(high, 1.03))
        axis.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{100 * value:.0f}"))
    axis.set_xlabel("")


def tick_step(names: Sequence[str]) -> int:
    """Every how many points a name fits under the axis."""
    widest = max(text_inches(name, SMALL) for name in names) + 0.1
    return max(1, int(np.ceil(widest * len(names) / WIDE)))


def line_names(
    table: pd.DataFrame, *, phase: pd.Series, target: float | None, unit: str
) -> list[tuple[float, str]]:
    """Heights and words of the lines at the right end, those of the last phase (its row in the
    chart's phases): the centre line is called median where it is one."""
    rows = table.loc[table["phase"] == table["phase"].iloc[-1]]
    last = rows[["centre", "low", "high"]].ffill().iloc[-1]
    kind = "trial " if phase["limits"] == "trial" else ""
    median = bool(phase["withheld"]) or "median as centre line" in phase["method"]
    words = {
        "centre": "median" if median else "centre",
        "high": f"{kind}upper limit",
        "low": f"{kind}lower limit",
    }
    labels = [
        (last[name], f"{text} {in_unit(last[name], unit)}")
        for name, text in words.items()
        if known(last[name])
    ]
    if target is not None:
        exact = f"{plain(100 * target)}%" if unit == "share" else plain(target)
        labels.append((target, f"target {exact}"))
    return labels


def in_unit(value: float, unit: str) -> str:
    """A value of a chart as it is written: shares in per cent, others by their unit."""
    return percent(value) if unit == "share" else number(value, unit)


def denominators(axis: Axes, orders: pd.Series, sizes: pd.Series) -> None:
    """A row of n under the axis, one a point."""
    y = -(0.3 + LINE / 2) / inches_tall(axis)
    counts = [plain(size) if known(size) else "0" for size in sizes]
    every = tick_step(counts)
    axis.text(-0.02, y, "n", transform=axis.transAxes, size=SMALL, ha="right", va="center")
    across = axis.get_xaxis_transform()
    for order, count in list(zip(orders, counts, strict=True))[::every]:
        axis.text(order, y, count, transform=across, size=SMALL, ha="center", va="center")
