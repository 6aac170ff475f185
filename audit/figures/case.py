"""The course of one case on one time axis, for the case meeting. Internal use only."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from audit.figures.steps import choose_ticks
from audit.figures.style import (
    FAINT,
    GUIDE,
    LOOKS,
    SMALL,
    WIDTH,
    Look,
    Page,
    drawn,
    inches_tall,
    label_above,
    nothing_to_draw,
    sheet,
    spread_out,
    text_inches,
)
from audit.figures.words import counted, known, plain
from audit.measures.course import CaseCourse
from schemas import vocabulary

LOGGED, FILM, KNEE, EVENT, PLAN = LOOKS
PRESCRIBED = Look(colour=GUIDE, marker="", dashes=(0, (3, 1.5)))
_PAGE = Page(left=0.85, right=1.4, above=0.3, below=0.1, end=0.42)
_INSIDE = WIDTH - _PAGE.left - _PAGE.right
_ON_WHITE = {"facecolor": "white", "edgecolor": "none", "pad": 1.2}
_LOADS = vocabulary.CODE_LISTS["load"]
_LENGTHS: tuple[tuple[str, str, str, Look, dict[str, Any]], ...] = (
    # column, table, words, look, how it is drawn
    ("logged_mm", "logged", "session log", LOGGED, {"drawstyle": "steps-post"}),
    ("prescribed_mm", "logged", "prescribed", PRESCRIBED, {"linewidth": 1.0}),
    (
        "gain_mm",
        "films",
        "last film",
        FILM,
        {"marker": "s", "markersize": 4.5, "linestyle": "none"},
    ),
)


@drawn
def case_course(course: CaseCourse) -> Figure:
    """Length, load, knee flexion, milestones and complications of a case, in days from surgery.

    course: from `audit.measures.course.case_course`. Panels without data say so in words.
    Complications are numbered on their days and listed under the figure; a thin line runs until
    they were resolved.
    """
    title = f"Case {course.case_id}: {_who(course)}"
    span = _span(course)
    if span is None:
        return nothing_to_draw(title, "nothing dated is on record after surgery")
    names = [f"{row['milestone']} {row['day']:.0f}" for _, row in course.milestones.iterrows()]
    lanes = _lanes(
        course.milestones["day"], [text_inches(name, SMALL) + 0.15 for name in names], span
    )
    events = _lanes(course.complications["day"], [0.2] * len(course.complications), span)
    heights = [
        0.15 * (max(lanes, default=0) + 1),
        1.7,
        0.75,
        0.95,
        0.16 * (max(events, default=0) + 1) + 0.1,
    ]
    figure, axes = sheet(heights, title=title, foot=_foot(course), page=_PAGE)
    for axis in axes:
        axis.set_xlim(*span)
    _milestone_strip(axes[0], course.milestones["day"], names, lanes)
    _length_panel(axes[1], course)
    _load_panel(axes[2], course)
    _knee_panel(axes[3], course)
    _event_strip(axes[4], course.complications, events)
    _shared_axis(axes, course, span)
    return figure


def case_course_alt(course: CaseCourse) -> str:
    """One or two sentences for those who cannot see the figure, from the same course."""
    rows = course.milestones.iterrows()
    steps = ", ".join(f"{row['milestone']} day {row['day']:.0f}" for _, row in rows)
    planned, achieved = course.planned_gain_mm, course.achieved_gain_mm
    plan = "not recorded" if planned is None else f"{plain(planned)} mm"
    gain = "not yet known" if achieved is None else f"{plain(achieved)} mm"
    return (
        f"Course of case {course.case_id} ({_who(course)}) in days from surgery: planned gain "
        f"{plan}, achieved {gain}; {steps or 'no milestone yet'}; "
        f"{counted(len(course.films), 'film')}, {counted(len(course.knee), 'knee examination')}, "
        f"{counted(len(course.complications), 'complication')}."
    )


def _who(course: CaseCourse) -> str:
    codes = {
        "side": course.side,
        "segment": course.segment,
        "device_class": course.device_class,
        "outcome_status": course.outcome_status,
    }
    words = [vocabulary.label(name, code) for name, code in codes.items() if code]
    return ", ".join([*words[:1], *(word[:1].lower() + word[1:] for word in words[1:])])


def _span(course: CaseCourse) -> tuple[float, float] | None:
    """First and last day to draw; None when nothing is dated after surgery."""
    tables = (course.milestones, course.logged, course.films, course.loads, course.knee)
    days = [float(day) for table in (*tables, course.complications) for day in table["day"]]
    days += [] if course.follow_up_end is None else [course.follow_up_end]
    if not days or max(days) <= 0:
        return None
    return min(0.0, *days) - 0.02 * max(days), 1.02 * max(days)


def _lanes(days: pd.Series, widths: Sequence[float], span: tuple[float, float]) -> list[int]:
    """A lane for each label, so that neighbours on one day do not write over each other."""
    scale = _INSIDE / (span[1] - span[0])
    ends: list[float] = []
    lanes = []
    for day, width in zip(days, widths, strict=True):
        start = (day - span[0]) * scale
        lane = next((i for i, end in enumerate(ends) if end <= start), len(ends))
        ends[lane : lane + 1] = [start + width]
        lanes.append(lane)
    return lanes


def _milestone_strip(
    axis: Axes, days: pd.Series, names: Sequence[str], lanes: Sequence[int]
) -> None:
    top = max(lanes, default=0)
    axis.set_ylim(-0.5, top + 0.5)
    for day, name, lane in zip(days, names, lanes, strict=True):
        axis.plot([day, day], [-0.5, top - lane + 0.3], color=GUIDE, linewidth=0.7, clip_on=False)
        axis.text(day, top - lane, name, size=SMALL, va="center", ha="left", bbox=_ON_WHITE)
    if not names:
        _say(axis, "no milestone yet")
    axis.spines[["left", "bottom"]].set_visible(False)
    axis.set_yticks([])
    label_above(axis, "Milestones (day)")


def _length_panel(axis: Axes, course: CaseCourse) -> None:
    ends: list[tuple[float, str, str]] = []
    if course.planned_gain_mm is not None:
        plan = course.planned_gain_mm
        axis.axhline(plan, color=PLAN.colour, linewidth=1.2, linestyle=PLAN.dashes)
        ends.append((plan, f"planned {plain(plan)}", PLAN.colour))
    for column, table, words, look, how in _LENGTHS:
        rows = getattr(course, table).dropna(subset=[column])
        if len(rows):
            style: dict[str, Any] = {"color": look.colour, "linestyle": look.dashes, **how}
            axis.plot(rows["day"], rows[column], **style)
            last = float(rows[column].iloc[-1])
            ends.append((last, f"{words} {plain(last)}", look.colour))
    axis.margins(y=0.12)
    axis.set_ylim(bottom=min(0.0, float(axis.dataLim.ymin)))
    if not ends:
        _say(axis, "no length on record")
    _labels_beside(axis, ends)
    label_above(axis, "Length gained (mm)")


def _labels_beside(axis: Axes, ends: Sequence[tuple[float, str, str]]) -> None:
    low, high = axis.get_ylim()
    wanted = [(y - low) / (high - low) for y, _, _ in ends]
    places = spread_out(wanted, gap=0.14 / inches_tall(axis), low=0.03, high=0.97)
    for (_, words, colour), wish, place in zip(ends, wanted, places, strict=True):
        line: dict[str, Any] = {
            "color": colour,
            "linewidth": 1.2,
            "clip_on": False,
            "transform": axis.transAxes,
        }
        axis.plot([1.0, 1.03], [wish, place], **line)
        axis.text(1.04, place, words, transform=axis.transAxes, size=SMALL, va="center")


def _load_panel(axis: Axes, course: CaseCourse) -> None:
    rows = course.loads.loc[course.loads["load"].isin(list(_LOADS))]
    if rows.empty:
        _say(axis, "no assessment of load on record")
    else:
        steps = rows["load"].map({code: i for i, code in enumerate(_LOADS)}).astype(float)
        axis.plot(rows["day"], steps, color=LOGGED.colour, drawstyle="steps-post", linewidth=1.2)
        axis.plot(
            rows["day"], steps, color=LOGGED.colour, marker="o", markersize=3.5, linestyle="none"
        )
    axis.set_ylim(-0.4, len(_LOADS) - 0.6)
    axis.set_yticks(range(len(_LOADS)), list(_LOADS.values()))
    label_above(axis, "Load allowed at the assessment")


def _knee_panel(axis: Axes, course: CaseCourse) -> None:
    rows = course.knee.dropna(subset=["flexion_deg"])
    if rows.empty:
        _say(axis, "no knee examination on record")
        axis.set_yticks([])
    else:
        look = KNEE
        axis.plot(
            rows["day"], rows["flexion_deg"], color=look.colour, marker=look.marker, markersize=4.5
        )
        axis.set_ylim(0, max(150.0, 1.05 * float(rows["flexion_deg"].max())))
        axis.set_yticks([0, 45, 90, 135])
        first, last = rows.iloc[0], rows.iloc[-1]
        words = f"first {plain(first['flexion_deg'])}\nlast {plain(last['flexion_deg'])}"
        axis.text(1.04, 0.5, words, transform=axis.transAxes, size=SMALL, va="center")
    label_above(axis, "Knee flexion (degrees)")


def _event_strip(axis: Axes, events: pd.DataFrame, lanes: Sequence[int]) -> None:
    top = max(lanes, default=0)
    axis.set_ylim(-0.7, top + 0.6)
    for (_, row), lane in zip(events.iterrows(), lanes, strict=True):
        y = top - lane
        if known(row["resolved_day"]):
            axis.plot([row["day"], row["resolved_day"]], [y, y], color=EVENT.colour, linewidth=1.0)
        axis.plot([row["day"]], [y], marker="o", markersize=9, color=EVENT.colour, linestyle="none")
        words: dict[str, Any] = {"size": 6.5, "color": "white", "weight": "bold", "ha": "center"}
        axis.text(row["day"], y, f"{row['number']}", va="center_baseline", **words)
    if events.empty:
        _say(axis, "none on record")
    axis.spines["left"].set_visible(False)
    axis.set_yticks([])
    label_above(axis, "Complications (numbers: see below)")


def _shared_axis(axes: Sequence[Axes], course: CaseCourse, span: tuple[float, float]) -> None:
    # A tick beyond the span would stretch a panel away from the strip of milestones above it.
    ticks = [tick for tick in choose_ticks(span[1], "days") if tick <= span[1]]
    for axis in axes[1:]:
        last = axis is axes[-1]
        axis.set_xticks(ticks, [f"{tick:g}" for tick in ticks] if last else [""] * len(ticks))
        axis.grid(axis="x", color=FAINT, linewidth=0.6)
        axis.set_axisbelow(True)
        for day in course.milestones["day"]:
            axis.axvline(day, color=GUIDE, linewidth=0.7, linestyle=(0, (3, 2)), zorder=1)
    axes[0].set_xticks([])
    axes[-1].set_xlabel("Days from surgery")


def _say(axis: Axes, words: str) -> None:
    """Words in an empty panel."""
    axis.text(0.5, 0.5, words, transform=axis.transAxes, size=SMALL, ha="center", va="center")


def _foot(course: CaseCourse) -> str:
    events = [_event_words(row) for _, row in course.complications.iterrows()]
    end = "" if course.follow_up_end is None else f"; follow-up to day {course.follow_up_end:.0f}"
    counts = {
        "film": course.films,
        "load assessment": course.loads,
        "knee examination": course.knee,
        "logged session": course.logged,
    }
    numbers = ", ".join(f"{noun}s: {len(rows)}" for noun, rows in counts.items())
    notes = f"Dashed uprights = milestones. {numbers.capitalize()}{end}."
    return "\n".join([*events, notes])


def _event_words(row: pd.Series) -> str:
    codes = {
        name: row[name] for name in ("origin", "course_class", "severity_type") if known(row[name])
    }
    words = [vocabulary.label(name, str(code)).lower() for name, code in codes.items()]
    if "severity_type" in codes:
        words[-1] = vocabulary.label("severity_type", str(codes["severity_type"]))
    words += ["unplanned operation"] if row["unplanned_operation"] == "yes" else []
    words += ["permanent"] if row["permanent"] == "yes" else []
    day = row["resolved_day"]
    words += [f"resolved day {day:.0f}"] if known(day) else ["not resolved on record"]
    return f"{row['number']}: day {row['day']:.0f}, {', '.join(words)}"
