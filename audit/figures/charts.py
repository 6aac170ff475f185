"""Charts over time and funnels: what the estimators found, drawn."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator

from audit.estimates.charts import ControlChart
from audit.estimates.funnel import FunnelLimits, FunnelPositions
from audit.figures.chart_parts import (
    chart_axes,
    chart_lines,
    chart_points,
    denominators,
    in_unit,
    line_names,
    marked_points,
    target_line,
)
from audit.figures.steps import label_lines
from audit.figures.style import (
    LINE,
    MUTED,
    SMALL,
    Page,
    drawn,
    label_above,
    nothing_to_draw,
    sheet,
)
from audit.figures.words import counted, opening, percent, plain, sentences

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
    chart_lines(axis, table)
    chart_points(axis, table)
    if target is not None:
        target_line(axis, target)
    chart_axes(axis, table, names, share=share)
    label_above(axis, f"{title.split(':')[0]} (%)" if share else f"{title.split(':')[0]} ({unit})")
    phase = chart.phases.iloc[-1]
    ends = line_names(table, phase=phase, target=target, unit="share" if share else unit)
    label_lines(axis, ends)
    if sizes:
        denominators(axis, table["order"], table["denominator"])
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
    aim = "" if target is None else f", target {in_unit(target, unit)}{words}"
    signals = opening("; ".join(chart.signals)) or "No signal"
    return (
        f"{title} over {counted(len(values), 'point')}, last "
        f"{in_unit(values.iloc[-1], unit)}{words}, centre line "
        f"{in_unit(chart.phases['centre'].iloc[-1], unit)}{words}{aim}. {signals}."
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
    target_line(axis, limits.target)
    for i, (level, rows) in enumerate(lines.groupby("level")):
        dashes = ("solid", (0, (5, 2)), (0, (1, 1)))[i % 3]
        for side in ("low", "high"):
            axis.plot(rows["size"], rows[side], color=MUTED, linewidth=0.9, linestyle=dashes)
        # the side that a unit can be beyond: no share lies above 100 %
        side = "low" if rows["high"].iloc[-1] >= 1 else "high"
        ends.append((float(rows[side].iloc[-1]), f"{100 * float(str(level)):g}% limit"))
    marked_points(axis, units["size"], units["share"], units["flag"] != "")
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
    axis.xaxis.set_major_locator(MaxNLocator(integer=True))
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


def _lines_that_exist(chart: ControlChart) -> pd.DataFrame:
    """The table without limits that lie at the end of the scale, where no point can be beyond."""
    table = chart.table.copy()
    if chart.kind != "individual":
        table["low"] = table["low"].mask(table["low"] <= 0)
    if chart.kind == "proportion":
        table["high"] = table["high"].mask(table["high"] >= 1)
    return table


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
    name = "unit" if "unit" in units else "order"
    flagged = [f"{row[name]}: {row['flag']}" for _, row in units.iterrows() if row["flag"]]
    return sentences(
        f"{counted(len(units), 'unit')}, {plain(units['size'].sum())} cases",
        opening(limits.method),
        f"Diamonds = outside a limit. {'; '.join(flagged)}" if flagged else "No unit is flagged",
        opening("; ".join(positions.notes)),
        "A funnel compares units and is no league table",
    )
