"""How often things went wrong: events per 100 cases with their intervals."""

from __future__ import annotations

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from audit.figures.rows import CLUSTERED, events_and_cases, preferred
from audit.figures.style import (
    FAINT,
    INK,
    LOOKS,
    SMALL,
    Page,
    drawn,
    inches_tall,
    inches_wide,
    nothing_to_draw,
    sheet,
)
from audit.figures.words import group_label, known, level_words, number, sentences, value_and_range

MEASURE = "complications_per_100_cases"
TITLE = "Complications: events per 100 cases"
HEADS = {
    "all": "All events",
    "origin": "By origin",
    "course_class": "By course",
    "severity_type": "By severity",
    "device_class": "By device class",
    "segment": "By segment",
    "device_class+segment": "By device class and segment",
    "centre": "By centre",
}
ROW = 0.215
FURTHEST = 3.0  # an interval is drawn up to this many times the largest value
_PAGE = Page(left=1.7, right=2.05, above=0.34, below=0.45)


@drawn
def complication_rates(rows: pd.DataFrame) -> Figure:
    """Events per 100 cases, a dot and an interval a row, events and cases written beside.

    rows: results rows of `complications_per_100_cases` for one window; each grouping among them
    (origin, course class, severity type, ...) is a block in the order given. A row without events
    is an open dot at 0 whose line ends at the upper limit. The patient-clustered interval is drawn
    where there is one, else the exact one.
    """
    shown = preferred(rows, measure=MEASURE, statistic="rate")
    shown = shown.loc[shown["value"].notna()].reset_index(drop=True)
    if shown.empty:
        return nothing_to_draw(TITLE, "no complication is on record to count, or no case")
    places = _places(shown)
    figure, (axis,) = sheet(
        [ROW * (max(places.values()) + 1) + 0.1], title=TITLE, foot=_foot(shown), page=_PAGE
    )
    axis.set(xlim=(0, _right_end(shown)), ylim=(max(places.values()) + 0.7, -0.7), ylabel="")
    for place, row in shown.iterrows():
        _draw_row(axis, places[str(place)], row)
    _write_words(axis, shown, places)
    axis.set_xlabel("Events per 100 cases")
    axis.grid(axis="x", color=FAINT, linewidth=0.6)
    axis.set_axisbelow(True)
    axis.tick_params(axis="y", length=0, pad=7)
    return figure


def complication_rates_alt(rows: pd.DataFrame) -> str:
    """One or two sentences for those who cannot see the figure, from the same results rows."""
    shown = preferred(rows, measure=MEASURE, statistic="rate")
    shown = shown.loc[shown["value"].notna()]
    if shown.empty:
        return "No figure: no complication is on record to count, or no case."
    parts = [
        f"{_label(row)} {_rate_words(row)}, "
        f"{events_and_cases(row['note'], between=' events in ')} cases"
        for _, row in shown.iterrows()
    ]
    return f"Dots with intervals: complications per 100 cases. {'; '.join(parts)}."


def _places(shown: pd.DataFrame) -> dict[str, float]:
    """Height of each row, and of each block's heading (`head:<grouping>`)."""
    places: dict[str, float] = {}
    y, before = 0.0, None
    for index, row in shown.iterrows():
        if row["group_by"] != before and row["group_by"] != "all":
            y += 0.35 if before is not None else 0.0
            places[f"head:{row['group_by']}"] = y
            y += 1
        before = row["group_by"]
        places[str(index)] = y
        y += 1
    return places


def _right_end(shown: pd.DataFrame) -> float:
    largest = max(float(shown["value"].max()), 1.0)
    highs = shown["high"].dropna()
    furthest = float(highs.max()) if len(highs) else largest
    return 1.05 * min(furthest, FURTHEST * largest)


def _draw_row(axis: Axes, y: float, row: pd.Series) -> None:
    colour = LOOKS[0].colour
    if known(row["low"]) and known(row["high"]):
        axis.plot([row["low"], row["high"]], [y, y], color=colour, linewidth=1.8, zorder=2)
    none = row["value"] == 0
    axis.plot(
        [row["value"]],
        [y],
        marker="o",
        markersize=5.5,
        color=colour,
        markerfacecolor="white" if none else colour,
        linestyle="none",
        clip_on=False,
        zorder=3,
    )


def _label(row: pd.Series) -> str:
    return "All events" if row["group_by"] == "all" else group_label(row["group_by"], row["group"])


def _rate_words(row: pd.Series) -> str:
    if not known(row["high"]):
        return f"{number(row['value'], row['unit'])} (no interval)"
    if row["value"] == 0:
        return f"0 (up to {number(row['high'], row['unit'])})"
    return value_and_range(row)


def _write_words(axis: Axes, shown: pd.DataFrame, places: dict[str, float]) -> None:
    inch = 1 / inches_wide(axis)
    columns = {0.5: "events / cases", 1.45: "per 100 (interval)"}
    for offset, head in columns.items():
        axis.text(
            1 + offset * inch,
            1 + 0.12 / inches_tall(axis),
            head,
            transform=axis.transAxes,
            size=SMALL,
            ha="center",
            va="center",
        )
    for index, row in shown.iterrows():
        cells = {0.5: events_and_cases(row["note"]) or f"n {row['n']}", 1.45: _rate_words(row)}
        for offset, text in cells.items():
            axis.text(
                1 + offset * inch,
                places[str(index)],
                text,
                transform=axis.get_yaxis_transform(),
                size=SMALL,
                ha="center",
                va="center",
            )
    heads = [key for key in places if key.startswith("head:")]
    labels = [_label(row) for _, row in shown.iterrows()]
    axis.set_yticks([places[str(index)] for index in shown.index], labels)
    for key in heads:
        axis.text(
            -1.55 * inch,
            places[key],
            HEADS.get(key[5:], key[5:]),
            transform=axis.get_yaxis_transform(),
            size=SMALL,
            weight="bold",
            va="center",
            color=INK,
        )


def _foot(shown: pd.DataFrame) -> str:
    clustered = shown["statistic"].str.endswith(CLUSTERED)
    plain = sorted(set(shown.loc[~clustered, "method"]))
    twins = sorted({str(method).split(" (")[0] for method in shown.loc[clustered, "method"]})
    missing = int(shown["missing"].max())
    return sentences(
        "Events, not cases with events: one case may have several",
        f"Lines are {level_words(shown['level'].iloc[0])} intervals; a line cut off by the frame"
        " goes on, see the numbers",
        f"Cases without an answer: {missing}" if missing else "",
        f"Intervals: {'; '.join([*twins, *plain])}",
        "Open dot = no event; the line ends at the upper limit"
        if (shown["value"] == 0).any()
        else "",
    )
