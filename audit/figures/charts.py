"""Charts over time and funnels: what the estimators found, drawn."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter

from audit.estimates.charts import ControlChart
from audit.estimates.funnel import FunnelLimits, FunnelPositions
from audit.figures.steps import label_lines
from audit.figures.style import (
    GUIDE,
    INK,
    LINE,
    LOOKS,
    MUTED,
    SMALL,
    Page,
    drawn,
    inches_tall,
    label_above,
    nothing_to_draw,
    sheet,
    text_inches,
)
from audit.figures.words import counted, known, number, opening, percent, plain, sentences

PLAIN, SIGNAL, TARGET = LOOKS[0], LOOKS[1], LOOKS[2]
_WIDE = 5.05  # inches of a chart's plot
_PAGE = Page(left=0.75, right=1.4, above=0.3, below=0.5)


@drawn
def chart_over_time(
    chart: ControlChart,
    *,
    title: str,
    unit: str,
    periods: Sequence[str] | None = None,
    target: float | None = None,
) -> Figure:
    """A run or control chart: points, centre, limits where there are any, target apart.

    chart: from `control_chart`. unit: of the vertical axis ("%" is written for proportions).
    periods: a name a point, in the order of the chart (its numbers otherwise). target: in the
    unit of the chart's values, a line of its own. Points that are part of a signal are larger
    diamonds; the rules that fired stand in words under the figure. ValueError where the periods
    are not one a point.
    """
    table = _lines_that_exist(chart)
    names = [str(order) for order in table["order"]] if periods is None else list(periods)
    if len(names) != len(table):
        raise ValueError(f"periods must be one a point: {len(table)} points, got {len(names)}")
    if not table["value"].notna().any():
        return nothing_to_draw(title, "no period has a value")
    sizes = bool(table["denominator"].notna().any())
    page = Page(left=0.75, right=1.4, above=0.3, below=0.3 + 1.5 * LINE * sizes)
    figure, (axis,) = sheet([2.5], title=title, foot=_chart_foot(chart), page=page)
    share = chart.kind == "proportion"
    _chart_lines(axis, table)
    _chart_points(axis, table)
    if target is not None:
        axis.axhline(target, color=TARGET.colour, linewidth=1.4, linestyle=(0, (1, 1)), zorder=1)
    _chart_axes(axis, table, names, share)
    label_above(axis, f"{title.split(':')[0]} (%)" if share else f"{title.split(':')[0]} ({unit})")
    label_lines(axis, _line_names(table, chart.phases, target, "share" if share else unit))
    if sizes:
        _denominators(axis, table)
    return figure


def chart_over_time_alt(
    chart: ControlChart, *, title: str, unit: str, target: float | None = None
) -> str:
    """One or two sentences for those who cannot see the figure, from the same chart."""
    values = chart.table["value"].dropna()
    if values.empty:
        return f"No chart of {title}: no period has a value."
    share = chart.kind == "proportion"
    unit, words = ("share", "") if share else (unit, f" {unit}")
    aim = "" if target is None else f", target {_in_unit(target, unit)}{words}"
    signals = opening("; ".join(chart.signals)) or "No signal"
    return (
        f"{title} over {counted(len(values), 'point')}, last "
        f"{_in_unit(values.iloc[-1], unit)}{words}, centre line "
        f"{_in_unit(chart.phases['centre'].iloc[-1], unit)}{words}{aim}. {signals}."
    )


@drawn
def funnel(
    limits: FunnelLimits, positions: FunnelPositions, *, title: str, share_label: str
) -> Figure:
    """Shares of several units against their size, with limits round the target. No ranking.

    limits: at the sizes through which the funnel's lines are drawn. positions: the units; a
    column `unit` in their table names them (their `order` otherwise). Flagged units are diamonds.
    """
    units = positions.table.dropna(subset=["size", "share"])
    if units.empty:
        return nothing_to_draw(title, "no unit has cases")
    figure, (axis,) = sheet([2.9], title=title, foot=_funnel_foot(limits, positions), page=_PAGE)
    lines = limits.table.dropna(subset=["size"]).sort_values("size")
    ends: list[tuple[float, str]] = [(limits.target, f"target {percent(limits.target)}")]
    axis.axhline(limits.target, color=TARGET.colour, linewidth=1.4, linestyle=(0, (1, 1)))
    for i, (level, rows) in enumerate(lines.groupby("level")):
        dashes = ("solid", (0, (5, 2)), (0, (1, 1)))[i % 3]
        for side in ("low", "high"):
            axis.plot(rows["size"], rows[side], color=MUTED, linewidth=0.9, linestyle=dashes)
        ends.append((float(rows["high"].iloc[-1]), f"{100 * float(str(level)):g}% limit"))
    _marked_points(axis, units["size"], units["share"], units["flag"] != "")
    name = "unit" if "unit" in units else "order"
    for _, row in units.iterrows():
        axis.annotate(
            str(row[name]),
            (row["size"], row["share"]),
            xytext=(5, 5),
            textcoords="offset points",
            size=SMALL,
        )
    axis.set(
        xlim=(0, 1.06 * float(max(lines["size"].max(), units["size"].max()))), ylim=(-0.02, 1.02)
    )
    axis.yaxis.set_major_formatter(FuncFormatter(lambda share, _: f"{100 * share:.0f}"))
    axis.set_xlabel("Cases of the unit")
    label_above(axis, f"{share_label} (%)")
    label_lines(axis, ends)
    return figure


def funnel_alt(limits: FunnelLimits, positions: FunnelPositions, *, share_label: str) -> str:
    """One or two sentences for those who cannot see the figure, from the same tables."""
    units = positions.table.dropna(subset=["size", "share"])
    if units.empty:
        return "No funnel: no unit has cases."
    name = "unit" if "unit" in units else "order"
    flagged = [f"unit {row[name]}: {row['flag']}" for _, row in units.iterrows() if row["flag"]]
    return (
        f"{share_label} of {counted(len(units), 'unit')} against size, target "
        f"{percent(limits.target)}. {'; '.join(flagged) or 'No unit lies outside the limits'}."
    )


def _chart_lines(axis: Axes, table: pd.DataFrame) -> None:
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


def _lines_that_exist(chart: ControlChart) -> pd.DataFrame:
    """The table without limits that lie at the end of the scale, where no point can be beyond."""
    table = chart.table.copy()
    if chart.kind != "individual":
        table["low"] = table["low"].mask(table["low"] <= 0)
    if chart.kind == "proportion":
        table["high"] = table["high"].mask(table["high"] >= 1)
    return table


def _chart_points(axis: Axes, table: pd.DataFrame) -> None:
    axis.plot(table["order"], table["value"], color=GUIDE, linewidth=0.8, zorder=2)
    _marked_points(axis, table["order"], table["value"], table["signal"] != "")


def _marked_points(axis: Axes, x: pd.Series, y: pd.Series, marked: pd.Series) -> None:
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


def _chart_axes(axis: Axes, table: pd.DataFrame, names: Sequence[str], share: bool) -> None:
    order = table["order"].to_numpy()
    axis.set_xlim(order[0] - 0.6, order[-1] + 0.6)
    every = _every(names)
    axis.set_xticks(order[::every], list(names)[::every])
    axis.margins(y=0.1)
    if share:
        low, high = axis.get_ylim()
        axis.set_ylim(max(low, -0.03), min(high, 1.03))
        axis.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{100 * value:.0f}"))
    axis.set_xlabel("")


def _every(names: Sequence[str]) -> int:
    """Every how many points a name fits under the axis."""
    widest = max(text_inches(name, SMALL) for name in names) + 0.1
    return max(1, int(np.ceil(widest * len(names) / _WIDE)))


def _line_names(
    table: pd.DataFrame, phases: pd.DataFrame, target: float | None, unit: str
) -> list[tuple[float, str]]:
    last = table.iloc[-1]
    trial = "trial " if phases["limits"].iloc[-1] == "trial" else ""
    words = {"centre": "centre", "high": f"{trial}upper limit", "low": f"{trial}lower limit"}
    labels = [
        (last[name], f"{text} {_in_unit(last[name], unit)}")
        for name, text in words.items()
        if known(last[name])
    ]
    if target is not None:
        exact = f"{plain(100 * target)}%" if unit == "share" else plain(target)
        labels.append((target, f"target {exact}"))
    return labels


def _in_unit(value: float, unit: str) -> str:
    return percent(value) if unit == "share" else number(value, unit)


def _denominators(axis: Axes, table: pd.DataFrame) -> None:
    y = -(0.3 + LINE / 2) / inches_tall(axis)
    counts = [plain(size) if known(size) else "0" for size in table["denominator"]]
    every = _every(counts)
    axis.text(-0.02, y, "n", transform=axis.transAxes, size=SMALL, ha="right", va="center")
    across = axis.get_xaxis_transform()
    for order, count in list(zip(table["order"], counts, strict=True))[::every]:
        axis.text(order, y, count, transform=across, size=SMALL, ha="center", va="center")


def _chart_foot(chart: ControlChart) -> str:
    return sentences(
        f"{counted(chart.n, 'point')} with a value, {chart.missing} without",
        opening(chart.method),
        "Diamonds = points of a signal. " + opening("; ".join(chart.signals))
        if chart.signals
        else "No signal by these rules",
        opening("; ".join(chart.notes)),
    )


def _funnel_foot(limits: FunnelLimits, positions: FunnelPositions) -> str:
    units = positions.table
    flagged = [f"{row['order']}: {row['flag']}" for _, row in units.iterrows() if row["flag"]]
    return sentences(
        f"{counted(len(units), 'unit')}, {plain(units['size'].sum())} cases",
        opening(limits.method),
        f"Diamonds = outside a limit. {'; '.join(flagged)}" if flagged else "No unit is flagged",
        opening("; ".join(positions.notes)),
        "A funnel compares units, never persons, and is no league table",
    )
