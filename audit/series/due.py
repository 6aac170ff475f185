"""Which cases could have been followed for a span of time, and which of them were."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence

import pandas as pd

from audit.cohort import Cohort
from audit.criteria import Criterion
from audit.results.catalogue import BY_NAME
from schemas.vocabulary import COMPETING_OUTCOMES

DAY_WORDS = {
    "surgery_date": "surgery",
    "distraction_end_date": "the end of distraction",
    "union_date": "union",
    "full_weight_bearing_date": "full weight bearing",
    "fixator_removal_date": "removal of the fixator",
}


@dataclasses.dataclass(frozen=True)
class Due:
    """A span of follow-up. words: what it is. rows: one a case with patient_id, surgery_date,
    device_class, segment, centre, due (the span was over by the cut-off) and followed (seen on
    or after its last day, or dead or amputated before)."""

    words: str
    rows: pd.DataFrame


def due_table(cohort: Cohort, criteria: Sequence[Criterion]) -> Iterator[Due]:
    """The settings' waiting days after surgery, then for every measure that the criteria give time
    to mature the days that they give it, after the day they name; a case without that day has no
    row."""
    for days in cohort.settings.waiting_days:
        yield Due(f"{days} days after surgery", _rows(cohort, "surgery_date", days))
    spans: dict[tuple[str, str, int], None] = {}
    for one in criteria:
        if one.matures_after_days and one.measure in BY_NAME:
            spans[one.measure, one.index_date, one.matures_after_days] = None
    for measure, index_date, days in spans:
        title = BY_NAME[measure].title
        words = f"{title}: {days} days after {DAY_WORDS[index_date]}"
        yield Due(words, _rows(cohort, index_date, days))


def _rows(cohort: Cohort, index_date: str, days: int) -> pd.DataFrame:
    cases = cohort.cases.loc[cohort.cases[index_date].notna()]
    last = cases[index_date] + pd.Timedelta(days=days)
    ended = cases["outcome_date"].where(cases["outcome_status"].isin(COMPETING_OUTCOMES))
    return cases[["patient_id", "surgery_date", "device_class", "segment", "centre"]].assign(
        due=last <= cohort.cutoff,
        followed=(cases["follow_up_end"] >= last) | (ended <= last),
    )
