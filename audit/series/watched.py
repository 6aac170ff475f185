"""How long each case was watched for something, and how long it could have been."""

from __future__ import annotations

import pandas as pd

from audit.cohort import Cohort
from audit.measures.common import days_between
from audit.results.catalogue import NOT_APPLICABLE
from audit.results.times import time_table
from schemas.vocabulary import COMPETING_OUTCOMES

CASE = "case"
#: names of targets: (words, time to an event as in `audit.results.catalogue.TIMES`)
TIMES_WATCHED: dict[str, tuple[str, str]] = {
    "union": ("union", "time_to_union"),
    "full_weight_bearing": ("full weight bearing", "time_to_full_weight_bearing"),
    "knee_recovery": ("regained knee flexion", "time_to_knee_recovery"),
}
UNIT_WORDS: dict[str, str] = {
    CASE: "one row a case",
    "union": "one row a case",
    "full_weight_bearing": "one row a walking episode",
    "knee_recovery": "one row a case",
}
#: statuses after which nothing more is owed to the case
DONE = ("completed", *COMPETING_OUTCOMES)
COLUMNS = [
    "patient_id",
    "surgery_date",
    "device_class",
    "segment",
    "centre",
    "to_end",
    "ended",
    "watched",
    "possible",
    "reason",
]


def watched(cohort: Cohort, target: str) -> pd.DataFrame:
    """One row a unit of analysis, columns `COLUMNS`; target: `CASE` or one of `TIMES_WATCHED`.

    to_end: days from surgery to the end of watching. ended: True where the event, death or
    amputation ended the need to watch; else the case was lost from sight, or the cut-off came.
    watched: days from surgery (arrival, if taken over) to then; possible: the same days, but up to
    the cut-off where the need had not ended. For the target `CASE` the need ends with the treatment
    (completed, died or amputated, on the day of it), and later visits add nothing; to_end alone
    runs to the last visit, and only death and amputation end it. reason: why a row has no time.
    Raises ValueError for another target.
    """
    if target == CASE:
        return _by_case(cohort)
    if target not in TIMES_WATCHED:
        raise ValueError(
            f"target must be {CASE} or one of {', '.join(TIMES_WATCHED)}; got {target!r}"
        )
    table = time_table(cohort, TIMES_WATCHED[target][1])
    table = table.loc[~table["reason"].isin(NOT_APPLICABLE)].reset_index(drop=True)
    stopped = table["ended"].astype(float)
    if "case_id" in table:
        # only walking times know of death and amputation; a bone cannot unite after them either
        stopped = stopped.fillna(table["case_id"].map(_stopped(cohort)))
    stopped = stopped.mask(table["observed"])
    to_end = stopped.fillna(table["duration"].astype(float))
    ended = table["observed"] | stopped.notna()
    table = table.assign(to_end=to_end, ended=ended, reason=table["reason"].astype(object))
    return _with_possible(table, cohort)


def _stopped(cohort: Cohort) -> pd.Series:
    """Days from surgery to death or amputation, by case_id; missing for the others."""
    cases = cohort.cases.set_index("case_id")
    day = cases["outcome_date"].where(cases["outcome_status"].isin(COMPETING_OUTCOMES))
    return days_between(day, cases["surgery_date"])


def _by_case(cohort: Cohort) -> pd.DataFrame:
    cases = cohort.cases
    seen = days_between(cases["follow_up_end"], cases["surgery_date"])
    status = cases["outcome_status"]
    done = days_between(cases["outcome_date"].where(status.isin(DONE)), cases["surgery_date"])
    stopped = done.where(status.isin(COMPETING_OUTCOMES))
    entry = days_between(cases["entry_date"], cases["surgery_date"])
    to_end = stopped.fillna(seen)
    to_cutoff = days_between(pd.Series(cohort.cutoff, cases.index), cases["surgery_date"])
    owed = done.fillna(to_cutoff)
    late = (entry > 0) & (entry >= to_end)
    table = cases.assign(
        to_end=to_end,
        ended=stopped.notna(),
        watched=(to_end.clip(upper=owed) - entry).clip(lower=0),
        possible=(owed - entry).clip(lower=0),
        reason=late.map({True: "arrived_too_late", False: pd.NA}).astype(object),
    )
    return table[COLUMNS].reset_index(drop=True)


def _with_possible(table: pd.DataFrame, cohort: Cohort) -> pd.DataFrame:
    last = pd.Series(cohort.cutoff, index=table.index)
    to_cutoff = days_between(last, table["surgery_date"])
    owed = table["to_end"].where(table["ended"], to_cutoff)
    late = table["reason"].isna() & (table["entry"] > 0) & (table["entry"] >= table["to_end"])
    return table.assign(
        watched=(table["to_end"] - table["entry"]).astype(float),
        possible=(owed - table["entry"]).astype(float),
        reason=table["reason"].mask(late, "arrived_too_late"),
    )[COLUMNS]
