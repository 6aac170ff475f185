"""The course of knee flexion through treatment."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from audit.figures.steps import EndLabel, label_ends
from audit.figures.style import (
    LINE,
    SMALL,
    Look,
    Page,
    drawn,
    inches_tall,
    label_above,
    looks_for,
    nothing_to_draw,
    sheet,
)
from audit.figures.words import known, number, sentences

STAGES = {
    "baseline": "Before surgery",
    "worst": "Worst since",
    "at_union": "At union",
    "last": "Last seen",
}
DODGE = 0.09
TITLE = "Knee flexion through treatment"


@drawn
def knee_course(points: pd.DataFrame) -> Figure:
    """Median knee flexion with quartiles at each stage, a line a group (degrees).

    points: stage (baseline, worst, at_union, last), group (words), median, q1, q3, n; a stage
    without cases has n 0 and missing numbers, and stays empty. Lines join medians of the cases
    examined at each stage, which need not be the same cases. ValueError for another stage.
    """
    table = _in_order(points)
    shown = table.loc[table["median"].notna()]
    if shown.empty:
        return nothing_to_draw(TITLE, "no knee examination with a usable flexion")
    groups = list(dict.fromkeys(table["group"]))
    looks = looks_for(groups)
    below = 0.42 + LINE * len(groups)
    figure, (axis,) = sheet(
        [2.7], title=TITLE, foot=_foot(), page=Page(left=1.75, right=1.75, above=0.3, below=below)
    )
    ends = []
    for place, group in enumerate(groups):
        rows = shown.loc[shown["group"] == group]
        if len(rows):
            shift = DODGE * (place - (len(groups) - 1) / 2)
            ends.append(_draw_group(axis, rows, shift, looks[group]))
    axis.set_xticks(range(len(STAGES)), list(STAGES.values()))
    axis.set_xlim(-0.3, len(STAGES) - 0.7)
    axis.set_ylim(bottom=min(0.0, float(shown["q1"].min())), top=1.06 * float(shown["q3"].max()))
    axis.set(xlabel="", ylabel="")
    label_above(axis, "Knee flexion (degrees)")
    label_ends(axis, ends)
    _write_counts(axis, table, groups)
    return figure


def knee_course_alt(points: pd.DataFrame) -> str:
    """One or two sentences for those who cannot see the figure, from the same table."""
    table = _in_order(points)
    shown = table.loc[table["median"].notna()]
    if shown.empty:
        return "No figure: no knee examination with a usable flexion."
    groups = []
    for group in dict.fromkeys(shown["group"]):
        rows = shown.loc[shown["group"] == group]
        steps = ", ".join(
            f"{STAGES[row['stage']].lower()} {number(row['median'], 'degrees')} (n {row['n']:.0f})"
            for _, row in rows.iterrows()
        )
        groups.append(f"{group}: {steps}")
    return f"Median knee flexion in degrees at four stages. {'; '.join(groups)}."


def _in_order(points: pd.DataFrame) -> pd.DataFrame:
    stages = points["stage"].astype(str).str.replace(" ", "_")
    for stage in stages.unique():
        if stage not in STAGES:
            raise ValueError(f"stage must be one of {', '.join(STAGES)}; got {stage!r}")
    place = stages.map({stage: i for i, stage in enumerate(STAGES)}).astype(float)
    return points.assign(stage=stages, place=place).sort_values("place", kind="stable")


def _draw_group(axis: Axes, rows: pd.DataFrame, shift: float, look: Look) -> EndLabel:
    x = rows["place"] + shift
    axis.vlines(x, rows["q1"], rows["q3"], color=look.colour, linewidth=2.6, alpha=0.45)
    sns.lineplot(
        x=x,
        y=rows["median"],
        ax=axis,
        estimator=None,
        errorbar=None,
        sort=False,
        color=look.colour,
        linestyle=look.dashes,
        marker=look.marker,
        markersize=6,
        legend=False,
    )
    last = rows.iloc[-1]
    degrees = f"{number(last['median'], 'degrees')} degrees"
    text = f"{last['group']}\n{STAGES[last['stage']].lower()} {degrees}"
    return EndLabel(x=float(x.iloc[-1]), y=float(last["median"]), text=text, look=look)


def _write_counts(axis: Axes, table: pd.DataFrame, groups: Sequence[str]) -> None:
    step, y = LINE / inches_tall(axis), -(0.42 + LINE / 2) / inches_tall(axis)
    for group in groups:
        axis.text(
            -0.06, y, f"{group}, n", transform=axis.transAxes, size=SMALL, ha="right", va="center"
        )
        rows = table.loc[table["group"] == group]
        for place, count in zip(rows["place"], rows["n"], strict=True):
            axis.text(
                place,
                y,
                f"{count:.0f}" if known(count) else "0",
                transform=axis.get_xaxis_transform(),
                size=SMALL,
                ha="center",
                va="center",
            )
        y -= step


def _foot() -> str:
    return sentences(
        "Points = medians, bars = quartiles of the cases examined at that stage; the numbers under"
        " the axis say how many, and they need not be the same cases at each stage",
        "Groups stand side by side only to be told apart",
    )
