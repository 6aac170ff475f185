"""Controlled tables of an invented release, made by hand, for the tests of its files."""

from __future__ import annotations

import datetime

import pandas as pd

from audit.disclosure.controlled import ControlledTable
from audit.disclosure.settings import ControlSettings
from audit.release.summary import ReleaseFacts
from audit.summaries.table import SummaryTable

PERIOD = "four quarters to 2026 Q3"
NUMBERS = ("numerator", "denominator", "value", "low", "high")
COHORT = """
device_class        segment  statistic  unit   numerator  denominator  value  low  high  marker  reason
all                 all      count      cases  45         45           45     .    .     .       .
lengthening_nail    all      count      cases  30         45           30     .    .     .       .
circular_fixator    all      count      cases  15         45           15     .    .     .       .
all                 femur    count      cases  25         45           25     .    .     .       .
lengthening_nail    femur    count      cases  20         45           20     .    .     .       .
circular_fixator    femur    count      cases  .          45           .      .    .     [c]     few_people
all                 tibia    count      cases  20         45           20     .    .     .       .
lengthening_nail    tibia    count      cases  .          45           .      .    .     [c]     second_cell
circular_fixator    tibia    count      cases  0          45           0      .    .     .       .
"""
OUTCOMES = """
measure             device_class      statistic  unit     numerator  denominator  value  low   high  marker  reason
gain_error_mm       all               mean       mm       .          45           -3.5   -5.2  -1.8  .       .
gain_error_mm       all               sd         mm       .          45           6.4    .     .     .       .
gain_error_mm       lengthening_nail  mean       mm       .          30           -2.5   -4    -1    .       .
gain_error_mm       circular_fixator  mean       mm       .          .            .      .     .     [c]     few_people
within_tolerance    all               share      share    30         45           0.666666666666667  0.53  0.78  .  .
within_tolerance    lengthening_nail  share      share    20         30           0.0000007  .     .     [u]     .
within_tolerance    circular_fixator  share      share    .          .            .      .     .     [x]     not_estimable
"""
CURVE = """
day   statistic  unit   numerator_midpoint6  denominator_midpoint6  value_midpoint6  low  high  marker  reason
90    curve      share  9                    45                     0.2              .    .     .       .
120   curve      share  15                   45                     0.333            .    .     .       .
365   curve      share  .                    .                      .                .    .     [c]     few_people
"""


def frame_of(text: str) -> pd.DataFrame:
    """A frame written with blanks between columns; a lone dot is a missing cell."""
    lines = [line.split() for line in text.strip().splitlines()]
    frame = pd.DataFrame(lines[1:], columns=lines[0]).replace(".", None)
    for name in frame.columns:
        if name.split("_")[0] in NUMBERS:
            frame[name] = pd.to_numeric(frame[name])
        elif name in ("marker", "reason"):
            frame[name] = frame[name].fillna("")
    return frame


def controlled_table(
    text: str, *, name: str, dimensions: tuple[str, ...], level: str = "external"
) -> ControlledTable:
    """One controlled table."""
    frame = frame_of(text)
    table = SummaryTable(
        name=name,
        title=f"{name.replace('-', ' ').capitalize()}, invented service, {PERIOD}",
        period=PERIOD,
        population="all cases operated in the period",
        counted="cases",
        dimensions=dimensions,
        frame=frame.iloc[:0],
        notes=("A case is one bone segment.", f"Made by hand for {name}."),
        source="invented tables",
    )
    hidden = int((frame["marker"] == "[c]").sum())
    return ControlledTable(
        table=table,
        level=level,
        frame=frame,
        controls=("Counts from 1 to 7 were hidden.", "All counts were rounded to multiples of 5."),
        flags=(
            "group disclosure: circular_fixator, tibia: none of the group",
            "coarser grouping: segments were merged",
        )
        if name == "cohort"
        else (),
        hidden=(hidden, 0),
    )


def release(level: str = "external") -> tuple[ControlledTable, ...]:
    """Three tables of one release: counts, outcomes, a curve."""
    return (
        controlled_table(
            COHORT, name="cohort", dimensions=("device_class", "segment"), level=level
        ),
        controlled_table(
            OUTCOMES, name="outcomes", dimensions=("measure", "device_class"), level=level
        ),
        controlled_table(
            CURVE, name="time-to-full-weight-bearing", dimensions=("day",), level=level
        ),
    )


def facts() -> ReleaseFacts:
    """The cover of an invented release."""
    return ReleaseFacts(
        title="Summary tables of limb lengthening",
        place="Invented limb reconstruction service",
        period=PERIOD,
        contact="audit office of the invented service",
        source="case tables of the invented service",
        prepared_on=datetime.date(2026, 11, 2),
        next_update="2027-02-01",
        data_to=datetime.date(2026, 9, 30),
        settings=ControlSettings(version="1", justification="as the department decided"),
        checks=("Attack by linear program: no hidden cell was pinned.",),
    )
