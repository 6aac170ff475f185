"""Step curves with their bands and direct labels, shared by the figures of times."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from audit.figures.style import GUIDE, SMALL, Look, inches_tall, spread_out

DAYS_IN = {"days": 1.0, "weeks": 7.0, "months": 30.4375}
_TICKS = {"weeks": (4, 8, 13, 26, 52), "days": (30, 60, 90, 180, 365), "months": (3, 6, 12, 24)}
MOST_TICKS = 7


@dataclasses.dataclass(frozen=True, kw_only=True)
class EndLabel:
    """A label for the end of a curve: where the curve ends and what to write."""

    x: float
    y: float
    text: str
    look: Look


def scale_between(curve_unit: str, unit: str) -> float:
    """How many of the curve's units make one of the drawn unit. ValueError where none is known."""
    if unit == curve_unit:
        return 1.0
    if curve_unit == "days" and unit in DAYS_IN:
        return DAYS_IN[unit]
    choices = ", ".join(DAYS_IN) if curve_unit == "days" else curve_unit
    raise ValueError(f"unit of a curve in {curve_unit} must be one of {choices}; got {unit!r}")


def choose_ticks(longest: float, unit: str) -> list[float]:
    """Ticks from 0 that suit the unit, at most about seven."""
    for step in _TICKS.get(unit, ()):
        if longest / step <= MOST_TICKS:
            return [float(x) for x in np.arange(0, longest + 0.35 * step, step)]
    return [float(x) for x in MaxNLocator(6).tick_values(0, longest) if 0 <= x <= longest]


def draw_steps(axis: Axes, x: np.ndarray, y: np.ndarray, look: Look) -> None:
    """A step curve that holds each value until the next time; title the axes afterwards."""
    table = pd.DataFrame({"x": x, "y": y})
    sns.lineplot(
        data=table,
        x="x",
        y="y",
        ax=axis,
        estimator=None,
        errorbar=None,
        sort=False,
        color=look.colour,
        linestyle=look.dashes,
        drawstyle="steps-post",
        legend=False,
    )
    axis.set(xlabel="", ylabel="")


def draw_band(axis: Axes, x: np.ndarray, low: np.ndarray, high: np.ndarray, look: Look) -> None:
    """The interval band of a step curve; left open where there are no limits."""
    axis.fill_between(x, low, high, step="post", color=look.colour, alpha=0.14, linewidth=0)


def label_ends(axis: Axes, labels: Sequence[EndLabel]) -> None:
    """Writes each label in the right margin, tied to the end of its curve by a thin line.

    Set the axis' limits first.
    """
    lines = max((label.text.count("\n") + 1 for label in labels), default=1)
    gap = (0.135 * lines + 0.08) / inches_tall(axis)
    half = gap / 2
    low, high = axis.get_ylim()
    wanted = [(label.y - low) / (high - low) for label in labels]
    places = spread_out(wanted, gap=gap, low=half, high=max(1 - half, half))
    for label, place in zip(labels, places, strict=True):
        axis.annotate(
            "",
            xy=(label.x, label.y),
            xytext=(1.055, place),
            textcoords=axis.transAxes,
            annotation_clip=False,
            arrowprops={"arrowstyle": "-", "color": GUIDE, "linewidth": 0.6, "shrinkA": 0},
        )
        axis.text(1.08, place, label.text, transform=axis.transAxes, va="center", size=SMALL)
        axis.plot(
            [1.055],
            [place],
            transform=axis.transAxes,
            marker=label.look.marker,
            color=label.look.colour,
            markersize=5,
            linestyle="none",
            clip_on=False,
        )


def label_lines(axis: Axes, labels: Sequence[tuple[float, str]]) -> None:
    """Names level lines in the right margin, each (height, words); set the axis' limits first."""
    lines = max((words.count("\n") + 1 for _, words in labels), default=1)
    gap = (0.135 * lines + 0.03) / inches_tall(axis)
    # through the axis' own scale, which need not be linear
    scale = axis.transScale + axis.transLimits
    wanted = [float(scale.transform((axis.get_xlim()[0], y))[1]) for y, _ in labels]
    for (_, words), place in zip(labels, spread_out(wanted, gap=gap, low=0, high=1), strict=True):
        axis.text(1.03, place, words, transform=axis.transAxes, va="center", size=SMALL)
