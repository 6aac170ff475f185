"""Curves of the time to an event, rising, with the numbers behind them under the axis."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from audit.estimates.survival import SurvivalCurve
from audit.figures.steps import (
    EndLabel,
    choose_ticks,
    draw_band,
    draw_steps,
    label_ends,
    scale_between,
)
from audit.figures.style import (
    GUIDE,
    LINE,
    SMALL,
    Look,
    Page,
    drawn,
    inches_tall,
    label_above,
    looks_for,
    nothing_to_draw,
    share_axis,
    sheet,
)
from audit.figures.words import (
    estimate_words,
    level_words,
    number,
    percent,
    sentences,
    spoken_range,
)

MOST_CURVES = 4
ROWS = {"at_risk": "At risk", "censored": "Censored so far", "events": "Events so far"}
_PAGE = Page(left=1.45, right=1.85, above=0.3, below=0.45)


@dataclasses.dataclass(frozen=True, kw_only=True)
class _Drawn:
    """A curve as it is drawn: its rows up to the cut, in the drawn unit."""

    name: str
    curve: SurvivalCurve
    rows: pd.DataFrame
    scale: float
    look: Look

    @property
    def end(self) -> float:
        return float(self.rows["time"].iloc[-1]) / self.scale


@drawn
def time_curves(
    curves: Mapping[str, SurvivalCurve],
    *,
    title: str,
    unit: str,
    share_label: str,
    minimum_at_risk: int,
    at: Sequence[float] | None = None,
) -> Figure:
    """The share that HAS reached the event by each time, one rising curve a group.

    curves: label -> curve, at most four. unit: "days", "weeks" or "months" for curves in days,
    else the curve's own. share_label: what the vertical axis counts. minimum_at_risk: each curve
    stops where fewer remain. at: times of the ticks and of the rows under the axis, in `unit`.
    Under the axis, for each group: at risk, censored and events so far, which add up to the cases
    that have entered. ValueError for more than four curves or a unit that does not fit.
    """
    shown = _drawable(curves, unit, minimum_at_risk)
    if not shown:
        return nothing_to_draw(title, _why_nothing(curves, minimum_at_risk))
    ticks = list(at) if at else choose_ticks(max(part.end for part in shown), unit)
    blocks = len(ROWS) + (len(shown) > 1)
    page = dataclasses.replace(_PAGE, below=0.48 + LINE * blocks * len(shown))
    figure, (axis,) = sheet(
        [2.9], title=title, foot=_foot(curves, shown, unit, minimum_at_risk), page=page
    )
    share_axis(axis)
    axis.set_xlim(0, max([*ticks, *(part.end for part in shown)]) * 1.005)
    axis.axhline(0.5, color=GUIDE, linewidth=0.6, linestyle=(0, (1, 3)), zorder=0)
    for part in shown:
        _draw_curve(axis, part)
    axis.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    axis.set_xlabel(f"{unit.capitalize()} from surgery")
    label_above(axis, f"{share_label} (%)")
    label_ends(axis, [_end_label(part, unit) for part in shown])
    _rows_under(axis, shown, ticks)
    return figure


def time_curves_alt(
    curves: Mapping[str, SurvivalCurve], *, unit: str, share_label: str, minimum_at_risk: int
) -> str:
    """One or two sentences for those who cannot see the figure, from the same input."""
    shown = _drawable(curves, unit, minimum_at_risk)
    if not shown:
        return f"No curve: {_why_nothing(curves, minimum_at_risk)}."
    groups = [
        f"{part.name}: {part.curve.events} events among {part.curve.n}, "
        f"{_median_words(part, unit)}, {percent(1 - part.rows['survival'].iloc[-1], part.curve.n)} "
        f"by {number(part.end, unit)} {unit}"
        for part in shown
    ]
    return f"{share_label}: rising curves over time in {unit}. {'; '.join(groups)}."


def _drawable(curves: Mapping[str, SurvivalCurve], unit: str, minimum_at_risk: int) -> list[_Drawn]:
    if len(curves) > MOST_CURVES:
        raise ValueError(f"at most {MOST_CURVES} curves can be told apart; got {len(curves)}")
    looks = looks_for(curves)
    parts = [
        _Drawn(
            name=name,
            curve=curve,
            rows=curve.cut(minimum_at_risk),
            scale=scale_between(curve.unit, unit),
            look=looks[name],
        )
        for name, curve in curves.items()
    ]
    return [part for part in parts if len(part.rows) and part.end > 0]


def _why_nothing(curves: Mapping[str, SurvivalCurve], minimum_at_risk: int) -> str:
    if not any(curve.n for curve in curves.values()):
        return "no case has a time"
    sizes = ", ".join(f"{name} n {curve.n}" for name, curve in curves.items())
    return f"a curve needs {minimum_at_risk} cases at risk after the start ({sizes})"


def _draw_curve(axis: Axes, part: _Drawn) -> None:
    rows, x = part.rows, part.rows["time"].to_numpy() / part.scale
    draw_band(axis, x, 1 - rows["high"].to_numpy(), 1 - rows["low"].to_numpy(), part.look)
    draw_steps(axis, x, 1 - rows["survival"].to_numpy(), part.look)
    median = part.curve.median()
    if median.value is not None and median.value / part.scale <= part.end:
        axis.plot(
            [median.value / part.scale],
            [0.5],
            marker=part.look.marker,
            color=part.look.colour,
            markeredgecolor="white",
            markersize=6.5,
            linestyle="none",
            zorder=4,
        )


def _end_label(part: _Drawn, unit: str) -> EndLabel:
    median = part.curve.median()
    lines = [part.name, "median not reached"]
    if median.value is not None:
        limits = spoken_range(median.low, median.high, unit=unit, scale=part.scale)
        lines = [
            part.name,
            f"median {number(median.value / part.scale, unit)} {unit}",
            f"({limits})",
        ]
    share = 1 - float(part.rows["survival"].iloc[-1])
    return EndLabel(x=part.end, y=share, text="\n".join(lines), look=part.look)


def _median_words(part: _Drawn, unit: str) -> str:
    median = part.curve.median()
    if median.value is None:
        return "median not reached" if part.curve.n else "no cases"
    return f"median {estimate_words(median, unit=unit, scale=part.scale)}"


def _rows_under(axis: Axes, shown: Sequence[_Drawn], ticks: Sequence[float]) -> None:
    """At risk, censored and events so far, a block of rows a group, aligned with the ticks."""
    tall = inches_tall(axis)
    y = -(0.48 + LINE / 2) / tall
    step = LINE / tall
    across, beside = axis.get_xaxis_transform(), axis.transAxes
    for part in shown:
        table = part.curve.at_risk_table([tick * part.scale for tick in ticks])
        if len(shown) > 1:
            where: dict[str, Any] = {"transform": beside, "va": "center", "ha": "left"}
            axis.text(-0.33, y, part.name, size=SMALL, weight="bold", **where)
            y -= step
        for column, words in ROWS.items():
            axis.text(-0.06, y, words, transform=beside, size=SMALL, va="center", ha="right")
            for tick, count in zip(ticks, table[column], strict=True):
                axis.text(
                    tick,
                    y,
                    f"{count:.0f}",
                    transform=across,
                    size=SMALL,
                    va="center",
                    ha="center",
                    gid=f"{column}|{part.name}|{tick:g}",
                )
            y -= step


def _foot(
    curves: Mapping[str, SurvivalCurve], shown: Sequence[_Drawn], unit: str, minimum_at_risk: int
) -> str:
    first = shown[0].curve
    counts = "; ".join(
        f"{name}: n {curve.n}, events {curve.events}, censored {curve.n - curve.events}, "
        f"missing {curve.missing}"
        for name, curve in curves.items()
    )
    stops = ", ".join(f"{part.name} at {number(part.end, unit)} {unit}" for part in shown)
    drawn_names = {part.name for part in shown}
    left_out = ", ".join(name for name in curves if name not in drawn_names)
    late = any((part.curve.table["entered"].iloc[1:] > 0).any() for part in shown)
    return sentences(
        "1 minus Kaplan-Meier: waiting cases are kept in until last seen waiting",
        f"Bands and intervals of medians: {level_words(first.level)}, {first.interval}",
        counts,
        f"A curve stops where fewer than {minimum_at_risk} remain at risk: {stops}",
        f"Not drawn, too few at risk: {left_out}" if left_out else "",
        "Some cases came under observation later, so the three rows add up to those who had"
        " entered by then"
        if late
        else "",
    )
