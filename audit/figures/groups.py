"""A measure by group: every case as a point, the mean with its interval, n and missing."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from audit.figures.rows import preferred
from audit.figures.style import (
    FAINT,
    GUIDE,
    INK,
    SMALL,
    Page,
    drawn,
    inches_tall,
    inches_wide,
    looks_for,
    nothing_to_draw,
    sheet,
)
from audit.figures.words import group_label, known, level_words, sentences, value_and_range

GOLDEN = 0.6180339887498949
BELOW = 0.27  # rows: the mean lies under the points of its group
ROW = 0.37  # inches a group
COLUMNS = (("n", 0.25), ("missing", 0.72), ("mean", 1.58))  # inches from the right edge of the plot
_PAGE = Page(left=1.75, right=2.35, above=0.34, below=0.5)


@drawn
def measure_by_group(
    measured: pd.DataFrame, rows: pd.DataFrame, *, measure: str, title: str, unit: str
) -> Figure:
    """One row a group: all its cases as points, mean with interval, n and missing at the right.

    measured: one row a case with the grouping columns. rows: results rows of the measure for ONE
    grouping and window; the mean's patient-clustered interval is drawn where there is one. Points
    are shaken up and down by their rank, the same way each time. ValueError when the rows hold
    more than one grouping or window.
    """
    means = _means(rows, measure)
    if means.empty or not measured[measure].notna().any():
        return nothing_to_draw(title, "no case has a value")
    figure, (axis,) = sheet(
        [ROW * len(means) + 0.1], title=title, foot=_foot(means, unit), page=_PAGE
    )
    points = _points(measured, means, measure)
    looks = looks_for(dict.fromkeys(means["group"].str.split("+").str[0]))
    _draw_points(axis, points, {name: look.colour for name, look in looks.items()})
    _set_limits(axis, points, means)
    for place, (_, row) in enumerate(means.iterrows()):
        _draw_mean(axis, place, row)
    _write_columns(axis, means)
    axis.set(ylim=(len(means) - 0.5, -0.5), ylabel="", xlabel=f"{title.split(':')[0]} ({unit})")
    labels = [group_label(row["group_by"], row["group"]) for _, row in means.iterrows()]
    axis.set_yticks(range(len(means)), labels)
    axis.tick_params(axis="y", length=0)
    axis.grid(axis="x", color=FAINT, linewidth=0.6, zorder=0)
    axis.set_axisbelow(True)
    return figure


def measure_by_group_alt(rows: pd.DataFrame, *, measure: str, title: str, unit: str) -> str:
    """One or two sentences for those who cannot see the figure, from the same results rows."""
    means = _means(rows, measure)
    groups = [
        f"{group_label(row['group_by'], row['group'])}: {_mean_words(row)} (n {row['n']}, "
        f"missing {row['missing']})"
        for _, row in means.iterrows()
        if known(row["value"])
    ]
    if not groups:
        return f"No figure of {title}: no group has a mean."
    return (
        f"{title} of every case by group, with means and intervals in {unit}. {'; '.join(groups)}."
    )


def _means(rows: pd.DataFrame, measure: str) -> pd.DataFrame:
    means = preferred(rows, measure=measure, statistic="mean")
    if len(set(means["group_by"])) > 1:
        raise ValueError(f"{measure}: one grouping a figure, got {means['group_by'].nunique()}")
    return means


def _points(measured: pd.DataFrame, means: pd.DataFrame, measure: str) -> pd.DataFrame:
    parts = []
    for place, (_, row) in enumerate(means.iterrows()):
        chosen = _members(measured, str(row["group_by"]), str(row["group"]))
        values = chosen[measure].dropna().astype(float).sort_values(kind="stable").to_numpy()
        shake = np.modf(GOLDEN * np.arange(1, len(values) + 1))[0] - 0.5
        device = str(row["group"]).split("+")[0]
        parts.append(
            pd.DataFrame({"value": values, "y": place - 0.12 + 0.46 * shake, "device": device})
        )
    return pd.concat(parts, ignore_index=True)


def _members(measured: pd.DataFrame, group_by: str, group: str) -> pd.DataFrame:
    if group_by == "all":
        return measured
    chosen = pd.Series(True, index=measured.index)
    for column, code in zip(group_by.split("+"), group.split("+"), strict=True):
        chosen &= measured[column].fillna("not_recorded") == code
    return measured.loc[chosen]


def _draw_points(axis: Axes, points: pd.DataFrame, palette: dict[str, str]) -> None:
    names = list(palette)
    looks = looks_for(names)
    sns.scatterplot(
        data=points,
        x="value",
        y="y",
        hue="device",
        hue_order=names,
        palette=palette,
        style="device",
        style_order=names,
        markers={name: looks[name].marker for name in names},
        s=16,
        alpha=0.6,
        linewidth=0,
        legend=False,
        ax=axis,
        zorder=2,
    )


def _set_limits(axis: Axes, points: pd.DataFrame, means: pd.DataFrame) -> None:
    """The axis spans all cases; an interval of two or three cases may run out of it."""
    low, high = float(points["value"].min()), float(points["value"].max())
    room = 0.05 * (high - low) or 1.0
    axis.set_xlim(low - room, high + room)
    if low < 0 < high:
        axis.axvline(0, color=GUIDE, linewidth=0.8, linestyle=(0, (1, 2)), zorder=1)


def _draw_mean(axis: Axes, place: int, row: pd.Series) -> None:
    if not known(row["value"]):
        return
    if known(row["low"]) and known(row["high"]):
        axis.plot(
            [row["low"], row["high"]], [place + BELOW] * 2, color=INK, linewidth=1.8, zorder=4
        )
    axis.plot(
        [row["value"]],
        [place + BELOW],
        marker="|",
        markersize=9,
        markeredgewidth=2.2,
        color=INK,
        linestyle="none",
        zorder=5,
    )


def _mean_words(row: pd.Series) -> str:
    if not known(row["value"]):
        return "not estimable"
    return value_and_range(row)


def _write_columns(axis: Axes, means: pd.DataFrame) -> None:
    wide = inches_wide(axis)
    cells = {
        "n": [f"{count}" for count in means["n"]],
        "missing": [f"{count}" for count in means["missing"]],
        "mean": [_mean_words(row) for _, row in means.iterrows()],
    }
    head = {"n": "n", "missing": "missing", "mean": "mean (interval)"}
    for name, inches in COLUMNS:
        x = 1 + inches / wide
        where: dict[str, Any] = {"size": SMALL, "ha": "center", "va": "center", "color": INK}
        axis.text(x, 1 + 0.12 / inches_tall(axis), head[name], transform=axis.transAxes, **where)
        for place, text in enumerate(cells[name]):
            axis.text(x, place, text, transform=axis.get_yaxis_transform(), **where)
    for place in range(len(means)):
        axis.axhline(place, color=FAINT, linewidth=0.6, zorder=0)


def _foot(means: pd.DataFrame, unit: str) -> str:
    clustered = means["statistic"].str.endswith("_clustered")
    methods = sorted(
        {str(method).split(" (")[0] for method in means.loc[means["value"].notna(), "method"]}
    )
    notes = [
        f"{group_label(row['group_by'], row['group'])}: {row['note']}"
        for _, row in means.iterrows()
        if row["note"] and not known(row["value"])
    ]
    level = level_words(means["level"].iloc[0])
    return sentences(
        f"Each point is a case; upright stroke = mean, line = its {level} interval ({unit})",
        "A line cut off by the frame goes on, see the numbers",
        f"Intervals: {'; '.join(methods)}" if methods else "",
        "Cases of one patient are allowed for" if bool(clustered.any()) else "",
        f"Without a mean: {'. '.join(notes)}" if notes else "",
    )
