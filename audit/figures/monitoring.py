"""A criterion over time, and its misses case by case: drawn as `audit.monitoring.series` found."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from audit.estimates.run_rules import FEW_CROSSINGS
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
    GUIDE,
    INK,
    LINE,
    MUTED,
    SMALL,
    Page,
    drawn,
    inches_tall,
    inches_wide,
    label_above,
    nothing_to_draw,
    sheet,
    spread_out,
)
from audit.figures.words import counted, known, opening, sentences
from audit.monitoring.cumulative import CumulativeSeries
from audit.monitoring.series import MonitoredSeries

_CUMULATIVE = Page(left=0.75, right=1.4, above=0.36, below=0.42, end=0.3)
_ROW = 0.2  # inches: the row of numbers of changes between plot and axis title


@drawn
def measure_over_time(series: MonitoredSeries) -> Figure:
    """A run or control chart of the window: points, lines, target apart, changes numbered.

    Points that belong to a signal are larger diamonds; the rules that fired stand in words under
    the figure, with the key of the numbered changes and what a reader must know. A quarter without
    a case is a gap. Without a chart the figure says why.
    """
    table = _in_view(series)
    if series.chart is None or not table["value"].notna().any():
        return nothing_to_draw(chart_title(series), series.reason or "no point is in view")
    plan = series.plan
    page = Page(left=0.75, right=1.4, above=0.46, below=0.3 + 1.5 * LINE * plan.by_period, end=0.08)
    figure, (axis,) = sheet([2.5], title=chart_title(series), foot=_foot(series), page=page)
    chart_lines(axis, table)
    chart_points(axis, table)
    if plan.target is not None:
        target_line(axis, plan.target)
    chart_axes(axis, table, _tick_names(series, table), share=plan.unit == "share")
    if plan.kind == "days_between":
        _log_scale(axis)
    label_above(axis, _axis_words(series))
    _draw_marks(axis, series)
    phase = series.chart.phases.iloc[-1]
    label_lines(axis, line_names(table, phase=phase, target=plan.target, unit=plan.unit))
    if plan.by_period:
        denominators(axis, table["order"], table["n"])
    return figure


def measure_over_time_alt(series: MonitoredSeries) -> str:
    """A few sentences for those who cannot see the figure, from the same series."""
    table, unit = _in_view(series), series.plan.unit
    values = table["value"].dropna()
    if series.chart is None or values.empty:
        return f"No chart of {chart_title(series)}: {series.reason or 'no point is in view'}."
    words = "" if unit == "share" else f" {unit}"
    target = series.plan.target
    aim = "" if target is None else f", target {in_unit(target, unit)}{words}"
    centre = table["centre"].dropna().iloc[-1]
    return sentences(
        f"{chart_title(series)}: {counted(len(values), 'point')}, last "
        f"{in_unit(values.iloc[-1], unit)}{words}, centre line {in_unit(centre, unit)}{words}{aim}",
        opening("; ".join(series.signals)) or "No signal",
        f"Over time: {series.change.answer}, {series.change.reason}",
        _key(series),
    )


def chart_title(series: MonitoredSeries) -> str:
    """Measure, population, kind of chart and period."""
    first = series.quarter - series.settings.window_quarters + 1
    plan = series.plan
    period = f"{quarter_words(first)} to {quarter_words(series.quarter)}"
    return f"{plan.title}: {plan.population}. {plan.chart_name}, {period}"


def quarter_words(quarter: pd.Period) -> str:
    """A quarter that no line break tears apart."""
    return f"{quarter.year}\N{NO-BREAK SPACE}Q{quarter.quarter}"


def _in_view(series: MonitoredSeries) -> pd.DataFrame:
    """The points in view, numbered from 1; limits at the end of a scale are none."""
    table = series.charted.reset_index(drop=True)
    if series.plan.unit == "share":
        table["high"] = table["high"].mask(table["high"] >= 1)
    return table.assign(order=range(1, len(table) + 1))


def _tick_names(series: MonitoredSeries, table: pd.DataFrame) -> Sequence[str]:
    if series.plan.by_period:
        return [f"{point[:4]} {point[4:]}" for point in table["point"]]
    return [f"{day:%Y-%m}" for day in table["last_day"]]


def _axis_words(series: MonitoredSeries) -> str:
    plan = series.plan
    if plan.kind == "days_between":
        return "Days since the event before (each tick ten times the one below)"
    if plan.kind == "cases_between":
        return f"{opening(plan.unit)} without an event since the one before"
    if plan.kind == "rate":
        return plan.title
    return f"{plan.title} ({'%' if plan.unit == 'share' else plan.unit})"


def _log_scale(axis: Axes) -> None:
    """Gaps run from a day to a year: equal steps for equal factors, numbers written out."""
    low, high = 0.8, axis.get_ylim()[1]
    axis.set_yscale("log")
    axis.set_ylim(low, high)
    places = [place for place in (1, 10, 100, 1000) if place <= high]
    axis.set_yticks(places, [str(place) for place in places])
    axis.minorticks_off()


def _draw_marks(axis: Axes, series: MonitoredSeries) -> None:
    """A thin line for each change of the service with its number between plot and axis title."""
    across, tall = axis.get_xaxis_transform(), inches_tall(axis)
    low, high = axis.get_xlim()
    gap = 0.17 * (high - low) / inches_wide(axis)
    places = spread_out([mark.place for mark in series.marks], gap=gap, low=low, high=high)
    for mark, place in zip(series.marks, places, strict=True):
        axis.axvline(mark.place, color=GUIDE, linewidth=0.8, linestyle=(0, (2, 2)), zorder=0)
        axis.text(
            place,
            1 + 0.5 * _ROW / tall,
            str(mark.number),
            transform=across,
            size=SMALL,
            ha="center",
            va="center",
            bbox={"boxstyle": "circle,pad=0.15", "facecolor": "white", "edgecolor": GUIDE},
        )
    if series.marks:
        axis.yaxis.set_label_coords(0.0, 1 + (0.07 + _ROW) / tall)


def _key(series: MonitoredSeries) -> str:
    """The key of the numbered changes."""
    if not series.marks:
        return ""
    marks = [f"{mark.number} = {mark.day.date()}, {mark.words}" for mark in series.marks]
    return f"Changes in the service: {'; '.join(marks)}"


def _foot(series: MonitoredSeries) -> str:
    """What the chart found, what it says of the process, the key, and who is in it."""
    chart, shown = series.chart, series.charted
    found = opening("; ".join(series.signals)) or "No signal by these rules in view"
    shapes = "Diamonds = points of a signal" if series.signals else ""
    if (shown["signal"] == FEW_CROSSINGS).any():
        shapes += ", hollow where it is one of the whole series"
    parts = (
        sentences(
            f"{counted(int(shown['value'].notna().sum()), 'point')} in view",
            opening(chart.method) if chart is not None else "",
        ),
        sentences(shapes, found),
        sentences(
            f"Over time: {series.change.answer} ({series.change.reason})",
            f"Target against limits: {series.capable.answer} ({series.capable.reason})",
            opening(series.power.words) if series.plan.by_period else "",
        ),
        sentences(_key(series)),
        sentences(
            opening("; ".join(series.notes)), "Finished cases only" if series.plan.waits else ""
        ),
    )
    return "\n".join(part for part in parts if part)


@drawn
def cumulative_misses(series: CumulativeSeries) -> Figure:
    """Observed minus expected misses in order of surgery, over the CUSUM with its limit.

    Misses are points; those at which the CUSUM lies beyond its limit are larger diamonds.
    """
    if series.table.empty or series.lengths is None:
        return nothing_to_draw(cumulative_title(series), series.found.reason)
    table = series.table
    figure, (top, low) = sheet(
        [1.9, 1.3], title=cumulative_title(series), foot=_cumulative_foot(series), page=_CUMULATIVE
    )
    top.axhline(0, color=INK, linewidth=1.1)
    for axis, column in ((top, "excess"), (low, "path")):
        axis.plot(table["order"], table[column], color=GUIDE, linewidth=0.9, zorder=2)
        _mark_misses(axis, table, column)
        axis.set_xlim(0, len(table) + 1)
        axis.margins(y=0.12)
    limit = series.lengths.decision
    low.axhline(limit, color=MUTED, linewidth=0.9, linestyle=(0, (5, 2)))
    low.set_ylim(-0.08 * limit, 1.1 * max(limit, float(table["path"].max())))
    _case_ticks(top, table, dated=False)
    _case_ticks(low, table, dated=True)
    label_above(top, "Misses so far, more or fewer than the target allows")
    label_above(low, "Cumulative sum (CUSUM)")
    last = float(table["excess"].iloc[-1])
    ends = [(0.0, "as the target allows")]
    if abs(last) >= 0.05:
        ends.append((last, f"{abs(last):.1f} {'more' if last > 0 else 'fewer'}"))
    label_lines(top, ends)
    label_lines(low, [(limit, f"limit {limit:.2f}")])
    return figure


def _mark_misses(axis: Axes, table: pd.DataFrame, column: str) -> None:
    """Every miss a point, a diamond where the sum lies beyond its limit."""
    shown = table.loc[table["miss"] == 1]
    marked_points(axis, shown["order"], shown[column], shown["signal"])


def _case_ticks(axis: Axes, table: pd.DataFrame, *, dated: bool) -> None:
    """Ticks at whole cases, with the month of surgery under them where asked."""
    step = next((size for size in (5, 10, 20, 50, 100, 200) if len(table) / size <= 8), 500)
    places = [1, *range(step, len(table) + 1, step)]
    days = dict(zip(table["order"], table["day"], strict=True))
    names = [f"{place}\n{days[place]:%Y-%m}" if dated else str(place) for place in places]
    axis.set_xticks(places, names)
    axis.set_xlabel("Cases in order of surgery" if dated else "")


def cumulative_title(series: CumulativeSeries) -> str:
    """Measure, population, kind of chart and period."""
    return (
        f"{series.title}: {series.criterion.population}. Misses case by case against the target, "
        f"all cases due by {quarter_words(series.quarter)}"
    )


def _cumulative_foot(series: CumulativeSeries) -> str:
    return sentences(
        "Points = misses, diamonds = misses beyond the limit"
        if series.table["signal"].any()
        else "Points = misses",
        opening(series.found.reason),
        "CUSUM of single cases (Steiner et al. 2000)",
        opening(series.run_length),
        opening("; ".join(series.notes)),
    )


def cumulative_misses_alt(series: CumulativeSeries) -> str:
    """A few sentences for those who cannot see the figure, from the same series."""
    if series.table.empty or series.lengths is None:
        return f"No chart of {cumulative_title(series)}: {series.found.reason}."
    last = series.table["path"].iloc[-1]
    end = f"The sum ends at {last:.2f}, limit {series.lengths.decision:.2f}" if known(last) else ""
    return sentences(
        f"{cumulative_title(series)}: {series.found.answer}, {series.found.reason}", end
    )
