"""Two curves of one quantity, side by side with their names."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from audit.estimates.competing import CumulativeIncidence
from audit.estimates.estimate import Estimate
from audit.estimates.interval_survival import IntervalCurve
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
    LOOKS,
    Page,
    drawn,
    label_above,
    nothing_to_draw,
    share_axis,
    sheet,
)
from audit.figures.words import (
    counted,
    level_words,
    number,
    percent,
    sentences,
    spoken_range,
)

FIRST, SECOND = LOOKS[0], LOOKS[1]
SEEN, BETWEEN = "Day first seen", "Between visits"
COMPETING, COMPLEMENT = "Cumulative incidence", "1 minus Kaplan-Meier"
_PAGE = Page(left=0.75, right=2.0, above=0.3, below=0.48)


@drawn
def date_seen_and_interval(
    curve: SurvivalCurve,
    interval_curve: IntervalCurve,
    *,
    title: str,
    unit: str,
    share_label: str,
    minimum_at_risk: int = 5,
) -> Figure:
    """The share that has reached the event by the day first seen, and what the visits allow.

    curve: of the days first seen. interval_curve: of the intervals (last visit without, first
    with]; inside a shaded box the visits do not fix the curve, between boxes it is level. unit,
    minimum_at_risk: as for `time_curves`; both curves stop where the first one does.
    """
    scale = scale_between(curve.unit, unit)
    table = _enough(curve.table, minimum_at_risk)
    if table.empty or interval_curve.n == 0:
        return nothing_to_draw(title, _too_few(minimum_at_risk))
    x, share = table["time"].to_numpy() / scale, 1 - table["survival"].to_numpy()
    end = float(x[-1])
    foot = _seen_foot(curve, interval_curve, minimum_at_risk)
    figure, (axis,) = sheet([2.9], title=title, foot=foot, page=_PAGE)
    draw_band(axis, x, 1 - table["high"].to_numpy(), 1 - table["low"].to_numpy(), FIRST)
    draw_steps(axis, x, share, FIRST)
    level = _draw_boxes(axis, _boxes(interval_curve, scale), end)
    _frame(axis, end, unit, share_label)
    seen = _median(SEEN, curve.median(), unit, scale)
    between = _interval_median(interval_curve, unit, scale)
    label_ends(
        axis,
        [
            EndLabel(x=end, y=float(share[-1]), text=seen, look=FIRST),
            EndLabel(x=end, y=level, text=between, look=SECOND),
        ],
    )
    return figure


def date_seen_and_interval_alt(
    curve: SurvivalCurve, interval_curve: IntervalCurve, *, unit: str, share_label: str
) -> str:
    """One or two sentences for those who cannot see the figure, from the same curves."""
    if curve.n == 0 or interval_curve.n == 0:
        return "No curve: no case has a time."
    scale = scale_between(curve.unit, unit)
    seen = _median(SEEN, curve.median(), unit, scale).replace("\n", " ")
    between = _interval_median(interval_curve, unit, scale).replace("\n", " ")
    return (
        f"{share_label} over time in {unit}, two curves of the same {counted(curve.n, 'case')}. "
        f"{seen}; {between}."
    )


@drawn
def incidence_beside_complement(
    incidence: CumulativeIncidence,
    curve: SurvivalCurve,
    *,
    title: str,
    unit: str,
    share_label: str,
    minimum_at_risk: int = 5,
) -> Figure:
    """Cumulative incidence, where death and amputation compete, beside 1 minus Kaplan-Meier.

    incidence: of the event. curve: of the same cases, competing events taken as censoring, which
    overstates the share. unit, minimum_at_risk: as for `time_curves`.
    """
    scale = scale_between(curve.unit, unit)
    table, other = _enough(incidence.table, minimum_at_risk), _enough(curve.table, minimum_at_risk)
    if table.empty or other.empty:
        return nothing_to_draw(title, _too_few(minimum_at_risk))
    foot = _incidence_foot(incidence, minimum_at_risk)
    figure, (axis,) = sheet([2.9], title=title, foot=foot, page=_PAGE)
    x, share = table["time"].to_numpy() / scale, table["incidence"].to_numpy()
    x2, share2 = other["time"].to_numpy() / scale, 1 - other["survival"].to_numpy()
    draw_band(axis, x, table["low"].to_numpy(), table["high"].to_numpy(), FIRST)
    draw_steps(axis, x, share, FIRST)
    draw_steps(axis, x2, share2, SECOND)
    _frame(axis, max(float(x[-1]), float(x2[-1])), unit, share_label)
    ends = [(COMPETING, x, share, FIRST), (COMPLEMENT, x2, share2, SECOND)]
    label_ends(
        axis,
        [
            EndLabel(x=float(xs[-1]), y=float(ys[-1]), text=_reached(name, xs, ys, unit), look=look)
            for name, xs, ys, look in ends
        ],
    )
    return figure


def incidence_beside_complement_alt(
    incidence: CumulativeIncidence,
    curve: SurvivalCurve,
    *,
    unit: str,
    share_label: str,
    minimum_at_risk: int = 5,
) -> str:
    """One or two sentences for those who cannot see the figure, from the same curves."""
    scale = scale_between(curve.unit, unit)
    table, other = _enough(incidence.table, minimum_at_risk), _enough(curve.table, minimum_at_risk)
    if table.empty or other.empty:
        return f"No curve: {_too_few(minimum_at_risk)}."
    first = _reached(COMPETING, table["time"] / scale, table["incidence"], unit)
    second = _reached(COMPLEMENT, other["time"] / scale, 1 - other["survival"], unit)
    both = f"{first}; {second}".replace("\n", " ")
    events = counted(incidence.other_events, "competing event")
    return f"{share_label} over time in {unit}, {events}. {both}."


def _enough(table: pd.DataFrame, minimum_at_risk: int) -> pd.DataFrame:
    """The rows up to the last with enough at risk; none where that is the start itself."""
    enough = np.flatnonzero(table["at_risk"] >= minimum_at_risk)
    return table.iloc[: enough[-1] + 1] if enough.size and enough[-1] > 0 else table.iloc[:0]


def _too_few(minimum_at_risk: int) -> str:
    return f"a curve needs {minimum_at_risk} cases at risk after the start"


def _frame(axis: Axes, longest: float, unit: str, share_label: str) -> None:
    ticks = choose_ticks(longest, unit)
    share_axis(axis)
    axis.set_xlim(0, max(longest, ticks[-1]) * 1.005)
    axis.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    axis.set_xlabel(f"{unit.capitalize()} from surgery")
    label_above(axis, f"{share_label} (%)")


def _boxes(curve: IntervalCurve, scale: float) -> pd.DataFrame:
    """Each interval with mass as drawn: start, end, and the shares before and after it."""
    table = curve.table
    before = np.concatenate([[1.0], table["survival"].to_numpy()[:-1]])
    left, right = table["left"].to_numpy() / scale, table["right"].to_numpy() / scale
    end = np.where(np.isinf(right), left, right)
    after = np.where(np.isinf(right), before, table["survival"].to_numpy())
    return pd.DataFrame({"start": left, "end": end, "before": 1 - before, "after": 1 - after})


def _draw_boxes(axis: Axes, boxes: pd.DataFrame, end: float) -> float:
    """Draws the boxes and the level parts between them up to `end`; gives the last level."""
    x, y = 0.0, 0.0
    level: dict[str, Any] = {"color": SECOND.colour, "linewidth": 1.6, "solid_capstyle": "butt"}
    for start, stop, before, after in boxes.to_numpy():
        if start >= end:
            break
        axis.plot([x, start], [before, before], **level)
        wide, high = stop - start, after - before
        fill: dict[str, Any] = {"color": SECOND.colour, "alpha": 0.3, "linewidth": 0}
        axis.add_patch(Rectangle((start, before), min(wide, end - start), high, **fill))
        if wide == 0:
            axis.plot([stop, stop], [before, after], **level)
        x, y = stop, after
    if x < end:
        axis.plot([x, end], [y, y], **level)
    return float(y)


def _median(name: str, median: Estimate, unit: str, scale: float) -> str:
    if median.value is None:
        return f"{name}\nmedian not reached"
    limits = spoken_range(median.low, median.high, unit=unit, scale=scale)
    return f"{name}\nmedian {number(median.value / scale, unit)} {unit}\n({limits})"


def _interval_median(curve: IntervalCurve, unit: str, scale: float) -> str:
    found = curve.quantile_interval(0.5)
    if found is None or np.isinf(found[1]):
        return f"{BETWEEN}\nmedian not reached"
    after, until = (number(end / scale, unit) for end in found)
    if after == until and found[0] != found[1]:
        after, until = (f"{end / scale:.1f}" for end in found)
    if found[0] == found[1]:
        return f"{BETWEEN}\nmedian {until} {unit}"
    return f"{BETWEEN}\nmedian after {after}\nand up to {until} {unit}"


def _reached(name: str, times: Any, shares: Any, unit: str) -> str:
    last_x, last_y = np.asarray(times)[-1], np.asarray(shares)[-1]
    return f"{name}\n{percent(last_y)} by {number(last_x, unit)} {unit}"


def _seen_foot(curve: SurvivalCurve, interval_curve: IntervalCurve, minimum_at_risk: int) -> str:
    return sentences(
        f"{SEEN}: 1 minus Kaplan-Meier of the visit at which the event was first seen, band and"
        f" interval of the median {level_words(curve.level)}, {curve.interval}; n = {curve.n}, "
        f"events {curve.events}, missing {curve.missing}",
        f"{BETWEEN}: it happened after the last visit without it and not later than the first with"
        " it (Turnbull); in a shaded box the visits do not fix the curve; n ="
        f" {interval_curve.n}, missing {interval_curve.missing}; no limits in closed form",
        f"Both stop where fewer than {minimum_at_risk} remain at risk",
    )


def _incidence_foot(incidence: CumulativeIncidence, minimum_at_risk: int) -> str:
    same = "No competing event happened, so the two curves are the same"
    apart = (
        "1 minus Kaplan-Meier treats competing events as if the case could still reach the event,"
        " which overstates the share"
    )
    return sentences(
        f"{COMPETING}: Aalen-Johansen, band {level_words(incidence.level)}, {incidence.interval}",
        f"n = {incidence.n}, events {incidence.events}, competing events (death, amputation) "
        f"{incidence.other_events}, missing {incidence.missing}",
        apart if incidence.other_events else same,
        f"Curves stop where fewer than {minimum_at_risk} remain at risk",
    )
