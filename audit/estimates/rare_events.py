"""Rare events: which chart fits a series of counts, and the gaps that such a chart needs."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pandas as pd

from audit.estimates.chart_words import EVENTS_NEEDED
from audit.estimates.inputs import as_numbers, as_yes_no


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Gaps:
    """gaps: between neighbouring events, in time order; open_gap: since the last event.

    The open gap is censored (the next event has not come) and is not a point of the chart; it is
    None where there was no event. missing: cases or dates without a value.
    """

    gaps: np.ndarray
    open_gap: int | None
    missing: int


def counted_chart_fits(counts: Any) -> str:
    """Why a chart of counts a period misleads here, or an empty text where it fits.

    About five events a period are needed, and no more than half of the periods may be zero
    (common teaching of health-care control charts); otherwise chart `days_between` or
    `cases_between`. counts: events a period; missing periods are passed over.
    """
    numbers = as_numbers(counts, name="counts")
    known = numbers[~np.isnan(numbers)]
    if not len(known):
        return "no period has a count"
    if (known == 0).sum() * 2 > len(known):
        return "more than half of the periods have no event: chart the gaps between events"
    if known.mean() < EVENTS_NEEDED:
        return (
            f"{known.mean():.1f} events a period, about {EVENTS_NEEDED} are needed: "
            "chart the gaps between events"
        )
    return ""


def cases_between(events: Any) -> Gaps:
    """Cases without an event between two with one, from a yes/no a case in time order.

    Cases before the first event are left out, as nobody knows when the event before them was.
    A case whose answer is missing is passed over and counted.
    """
    answers = as_yes_no(events)
    known = answers[~np.isnan(answers)]
    at = np.flatnonzero(known)
    return Gaps(
        gaps=np.diff(at) - 1,
        open_gap=int(len(known) - 1 - at[-1]) if len(at) else None,
        missing=int(len(answers) - len(known)),
    )


def days_between(dates: Any, *, cutoff: Any) -> Gaps:
    """Days between neighbouring events, from their dates; `cutoff` closes the open gap.

    Dates are put in order; two events on one day give a gap of 0, for which the chart of days
    between has no limits. A missing date is passed over and counted. ValueError for text that is
    no ISO date and for an event after the cut-off.
    """
    try:
        column = pd.to_datetime(pd.Series(dates), format="ISO8601")
        last = pd.Timestamp(cutoff)
    except (TypeError, ValueError):
        raise ValueError("dates and cutoff must be dates or ISO text") from None
    known = column.dropna().dt.normalize().sort_values()
    if len(known) and known.iloc[-1] > last:
        raise ValueError("an event is dated after the cut-off")
    return Gaps(
        gaps=known.diff().dropna().dt.days.to_numpy(),
        open_gap=int((last.normalize() - known.iloc[-1]).days) if len(known) else None,
        missing=int(column.isna().sum()),
    )
