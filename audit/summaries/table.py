"""A summary table in long form: one row a statistic, with the people it rests on."""

from __future__ import annotations

import dataclasses

import pandas as pd

#: what a dimension holds in the row over all its categories
ALL = "all"
STATISTICS = ("count", "share", "mean", "sd", "median", "q1", "q3", "rate", "curve")
#: columns of a frame after those of its dimensions
COLUMNS = (
    "statistic",
    "unit",
    "numerator",
    "denominator",
    "people_with",
    "people",
    "value",
    "low",
    "high",
    "method",
)


@dataclasses.dataclass(frozen=True, eq=False)
class SummaryTable:
    """name: lower case with dashes, as in file names. title: topic, place, period. dimensions: key
    columns of the frame, each with `ALL` in the rows over all its categories. counted: what n
    counts ("cases", "walking episodes", "patients", "events").

    frame: the dimensions, then `COLUMNS`, one row a statistic of a cell. statistic: one of
    `STATISTICS`; a count has value = numerator. numerator: units with the attribute, or events
    (missing for averages). denominator: units the statistic rests on. people_with, people: distinct
    patients behind numerator and denominator, on which disclosure control decides. value, low, high
    at full precision (share 0-1).

    Missing numbers: averages and curve points have neither numerator nor people_with, their
    denominator and people are the units and patients that they rest on (a curve point: those still
    at risk on that day). Of a count of events, denominator is the cases and people the patients
    among whom they were counted, so there can be more events than cases. Nothing to count at all
    (a table that the source does not have): value and numerator missing, and a note says why.

    additive: dimensions over whose categories the counts of a table sum to the row `ALL`.
    coarser: dimension -> (category -> coarser category), the declared merging to try before hiding.
    merged: the same table at that coarser grouping, made from the cases again, because people and
    averages of merged categories cannot be added up from the frame.
    tied: dimensions that say something of the value itself (a verdict); where the value is hidden,
    they are hidden too. They are no part of the key: the other dimensions tell the cells apart.
    A dimension of states, measures or criteria has no row `ALL` unless it is additive.
    """

    name: str
    title: str
    period: str
    population: str
    counted: str
    dimensions: tuple[str, ...]
    frame: pd.DataFrame
    additive: tuple[str, ...] = ()
    coarser: dict[str, dict[str, str]] = dataclasses.field(default_factory=dict)
    notes: tuple[str, ...] = ()
    source: str = ""
    merged: SummaryTable | None = None
    tied: tuple[str, ...] = ()
