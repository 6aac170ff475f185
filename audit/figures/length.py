"""Length achieved against length planned."""

from __future__ import annotations

import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from audit.figures.rows import one_row
from audit.figures.steps import label_lines
from audit.figures.style import (
    FAINT,
    GUIDE,
    INK,
    Page,
    drawn,
    label_above,
    looks_for,
    nothing_to_draw,
    sheet,
)
from audit.figures.words import (
    group_label,
    known,
    level_words,
    number,
    plain,
    reasons_in_words,
    sentences,
    spoken_range,
)
from schemas import vocabulary

AGREEMENT = "gain_agreement_mm"
LINES = {
    "bias": ("bias", "solid"),
    "limit_high": ("upper limit", (0, (5, 2))),
    "limit_low": ("lower limit", (0, (5, 2))),
}
_PAGE = Page(left=0.6, right=1.15, above=0.62, below=0.5, columns=2, gutter=0.7)


@drawn
def planned_against_achieved(
    measured: pd.DataFrame, agreement_rows: pd.DataFrame, *, tolerance_mm: float
) -> Figure:
    """Two panels: achieved against planned gain, and their difference against the plan (mm).

    measured: one row a case (planned_gain_mm, achieved_gain_mm, gain_error_mm, device_class, and
    reasons). agreement_rows: results rows of `gain_agreement_mm` for the same cases; their bias
    and limits of agreement are drawn with their intervals as bands (Bland & Altman 1999, Stat
    Methods Med Res 8:135-160), the patient-clustered interval of the bias where there is one.
    ValueError when the rows speak of more than one group or window.
    """
    title = "Gain at the end of distraction against the plan"
    shown = _with_device(measured)
    if shown.empty:
        return nothing_to_draw(title, "no case has both a planned and an achieved gain")
    figure, (left, right) = sheet(
        [2.75], title=title, foot=_foot(measured, shown, agreement_rows, tolerance_mm), page=_PAGE
    )
    _points(left, shown, "achieved_gain_mm")
    _points(right, shown, "gain_error_mm")
    _plan_lines(left, shown, tolerance_mm)
    _agreement(right, agreement_rows)
    label_above(left, "Achieved gain (mm)")
    label_above(right, "Achieved minus planned (mm)")
    for axis in (left, right):
        axis.set_xlabel("Planned gain (mm)")
    _key(figure, shown)
    return figure


def planned_against_achieved_alt(
    measured: pd.DataFrame, agreement_rows: pd.DataFrame, *, tolerance_mm: float
) -> str:
    """One or two sentences for those who cannot see the figure, from the same input."""
    shown = _with_device(measured)
    if shown.empty:
        return "No figure: no case has both a planned and an achieved gain."
    rows = {name: _row(agreement_rows, name) for name in LINES}
    values = "; ".join(
        f"{LINES[name][0]} {_value_words(row)}" for name, row in rows.items() if row is not None
    )
    return (
        f"Two scatter plots of {len(shown)} cases: achieved against planned gain with a band of "
        f"{plain(tolerance_mm)} mm round the plan, and the difference against the plan. {values}."
    )


def _with_device(measured: pd.DataFrame) -> pd.DataFrame:
    there = measured["planned_gain_mm"].notna() & measured["achieved_gain_mm"].notna()
    shown = measured.loc[there & measured["gain_error_mm"].notna()]
    codes = shown["device_class"].fillna("not_recorded")
    return shown.assign(device=[group_label("device_class", code) for code in codes])


def _devices(shown: pd.DataFrame) -> list[str]:
    order = [*vocabulary.CODE_LISTS["device_class"].values()]
    present = set(shown["device"])
    return [name for name in order if name in present] + sorted(present - set(order))


def _points(axis: Axes, shown: pd.DataFrame, column: str) -> None:
    names = _devices(shown)
    looks = looks_for(names)
    sns.scatterplot(
        data=shown,
        x="planned_gain_mm",
        y=column,
        hue="device",
        hue_order=names,
        style="device",
        style_order=names,
        palette={name: looks[name].colour for name in names},
        markers={name: looks[name].marker for name in names},
        s=24,
        linewidth=0.4,
        edgecolor="white",
        legend=False,
        ax=axis,
        zorder=3,
    )


def _plan_lines(axis: Axes, shown: pd.DataFrame, tolerance_mm: float) -> None:
    both = shown[["planned_gain_mm", "achieved_gain_mm"]]
    low, high = float(both.min().min()), float(both.max().max())
    room = max(0.05 * (high - low), 1.6 * tolerance_mm)
    ends = [low - room, high + room]
    axis.fill_between(
        ends,
        [end - tolerance_mm for end in ends],
        [end + tolerance_mm for end in ends],
        color=FAINT,
        linewidth=0,
        zorder=1,
    )
    axis.plot(ends, ends, color=INK, linewidth=0.9, zorder=2)
    axis.set(xlim=ends, ylim=ends, xlabel="", ylabel="")


def _row(rows: pd.DataFrame, statistic: str) -> pd.Series | None:
    return one_row(rows, measure=AGREEMENT, statistic=statistic)


def _agreement(axis: Axes, rows: pd.DataFrame) -> None:
    axis.axhline(0, color=GUIDE, linewidth=0.7, linestyle=(0, (1, 2)), zorder=1)
    low, high = axis.get_ylim()
    labels: list[tuple[float, str]] = []
    for name, (words, dashes) in LINES.items():
        row = _row(rows, name)
        if row is None or not known(row["value"]):
            continue
        if known(row["low"]) and known(row["high"]):
            axis.axhspan(row["low"], row["high"], color=GUIDE, alpha=0.18, linewidth=0, zorder=0)
        axis.axhline(row["value"], color=INK, linewidth=1.0, linestyle=dashes, zorder=2)
        limits = spoken_range(row["low"], row["high"], unit=row["unit"])
        labels.append((row["value"], f"{words} {number(row['value'], row['unit'])}\n({limits})"))
        low, high = min(low, row["value"]), max(high, row["value"])
    room = 0.12 * (high - low)
    axis.set(ylim=(low - room, high + room), xlabel="", ylabel="")
    label_lines(axis, labels)


def _key(figure: Figure, shown: pd.DataFrame) -> None:
    names = _devices(shown)
    looks, counts = looks_for(names), shown["device"].value_counts()
    handles = [
        Line2D(
            [],
            [],
            color=looks[name].colour,
            marker=looks[name].marker,
            linestyle="none",
            markersize=5,
        )
        for name in names
    ]
    figure.legend(
        handles,
        [f"{name} (n {counts[name]})" for name in names],
        loc="upper left",
        bbox_to_anchor=(0.1 / figure.get_figwidth(), 1 - 0.3 / figure.get_figheight()),
        ncols=len(names) if len(names) < 4 else 3,
        frameon=False,
        handletextpad=0.1,
        columnspacing=1.0,
    )


def _value_words(row: pd.Series) -> str:
    if not known(row["value"]):
        return "not estimable"
    return f"{number(row['value'], 'mm')} mm ({spoken_range(row['low'], row['high'], unit='mm')})"


def _foot(
    measured: pd.DataFrame, shown: pd.DataFrame, rows: pd.DataFrame, tolerance_mm: float
) -> str:
    missing = measured.loc[~measured.index.isin(shown.index)]
    why = reasons_in_words(missing["gain_error_mm_reason"]) if len(missing) else ""
    found = [row for row in (_row(rows, name) for name in LINES) if row is not None]
    silent = {row["note"] for row in found if not known(row["value"]) and row["note"]}
    methods = list(dict.fromkeys(row["method"] for row in found if known(row["value"])))
    level = level_words(found[0]["level"]) if found else ""
    return sentences(
        f"n = {len(shown)} of {len(measured)} cases" + (f" (not shown: {why})" if why else ""),
        f"Left: line = achieved as planned, band = within {plain(tolerance_mm)} mm of the plan",
        f"Right: bias and limits of agreement, grey bands = their {level} intervals"
        if found
        else "",
        f"Methods: {'; '.join(methods)}" if methods else "",
        f"Not drawn: {'; '.join(sorted(silent))}" if silent else "",
    )
