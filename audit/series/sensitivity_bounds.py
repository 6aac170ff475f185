"""Best and worst case of every share: what it could be, whatever the missing answers are.

No assumption about the missing answers is made: all are taken as good news, then all as bad news
(Manski 2003, Partial Identification of Probability Distributions, chapter 1; from memory). For a
share by a fixed day those last seen before that day without the event are the missing answers; for
complications, cases lost to follow-up without an event so far are.
"""

from __future__ import annotations

from typing import Any

import pandas as pd

from audit.cohort import Cohort
from audit.estimates.estimate import not_estimable
from audit.measures.weight_bearing import REACHED, WAITING
from audit.results.groups import Slice
from audit.results.rows import result_row
from audit.results.summaries import share_rows
from audit.results.times import time_table
from audit.results.walking import INCIDENCE, TIME, competing_times
from audit.settings import Settings

BEST, WORST = "best_case", "worst_case"
Row = dict[str, object]

#: share -> the answer that is good news
GOOD: dict[str, bool] = {
    "gain_within_tolerance": True,
    "cases_with_complication": False,
    "patients_with_complication": False,
    "cases_with_unplanned_operation": False,
    INCIDENCE: True,
    "time_to_union": False,
}
#: share of yes answers -> count of events that it is made of
COUNTED = {
    "cases_with_complication": "complication_events",
    "patients_with_complication": "complication_events",
    "cases_with_unplanned_operation": "unplanned_operations",
}
LOST = "lost_to_follow_up"
NOTHING_KNOWN = "no case has an answer: the share could be anything from 0 to 1"


def answers_of(name: str, cases: pd.DataFrame) -> pd.DataFrame:
    """Columns answer (True, False or missing) and patient_id of a share of `GOOD`, by case.

    cases: measured cases. `patients_with_complication` has one row a patient. No event so far and
    lost to follow-up: the answer is missing, though the main analysis counts it as no.
    """
    if name not in COUNTED:
        return pd.DataFrame({"answer": cases[name], "patient_id": cases["patient_id"]})
    counts, lost = cases[COUNTED[name]], cases["outcome_status"] == LOST
    patients = cases["patient_id"]
    if name.startswith("patients"):
        counts, lost = counts.groupby(patients).max(), lost.groupby(patients).any()
        patients = pd.Series(counts.index, index=counts.index)
    known = (counts > 0) | (counts.notna() & ~lost)
    answer = (counts > 0).astype("boolean").where(known)
    return pd.DataFrame({"answer": answer, "patient_id": patients})


def episodes_watched(cohort: Cohort) -> pd.DataFrame:
    """The walking episodes in days as competing risks need them, with a column `usable`.

    Not usable: taken over in mid-treatment, for of those that ended before nobody knows.
    """
    return _with_usable(competing_times(time_table(cohort, TIME)))


def cases_watched(cohort: Cohort) -> pd.DataFrame:
    """The cases with their time to union, and `usable` as in `episodes_watched`."""
    return _with_usable(time_table(cohort, "time_to_union"))


def _with_usable(table: pd.DataFrame) -> pd.DataFrame:
    return table.assign(usable=table["reason"].isna() & (table["entry"].fillna(0) <= 0))


def answer_on(table: pd.DataFrame, day: float) -> pd.Series:
    """True where the event was reached by the day, missing where nobody knows.

    Unknown: still waiting when last seen, before that day. A cause of death or amputation is an
    answer: the event is not to come.
    """
    duration = table["duration"].astype(float)
    reached = (table["cause"] == REACHED) & (duration <= day)
    unknown = (table["cause"] == WAITING) & (duration < day)
    return reached.astype("boolean").mask(unknown)


def bound_rows(name: str, part: Slice, settings: Settings, *, statistic: str) -> dict[str, Row]:
    """Best and worst case of a share as result rows: variant -> row under `statistic`.

    part: rows with `answer` and `patient_id`; rows that are not `usable` are left out and counted
    in `missing`. The interval is that of the filled table, over patients; n counts its rows, and
    the note says how many were filled.
    """
    rows = part.rows
    usable = rows["usable"] if "usable" in rows else pd.Series(True, index=rows.index)
    rows, left_out = rows.loc[usable], int((~usable).sum())
    answer = rows["answer"].astype("boolean")
    unknown = int(answer.isna().sum())
    found: dict[str, Row] = {}
    for variant in (BEST, WORST):
        if unknown == len(answer):
            about: dict[str, Any] = {"missing": unknown + left_out, "level": settings.level}
            nothing = not_estimable(NOTHING_KNOWN, **about)
            found[variant] = result_row(name, statistic, part, nothing)
            continue
        filled = answer.fillna(GOOD[name] if variant == BEST else not GOOD[name])
        row = share_rows(name, filled, rows["patient_id"], part, settings)[-1]
        news = "good" if variant == BEST else "bad"
        words = [f"not known, taken as {news} news: {unknown}"]
        words += [f"taken over in mid-treatment, left out: {left_out}"] if left_out else []
        note = "; ".join(text for text in (*words, str(row["note"])) if text)
        found[variant] = row | {"statistic": statistic, "note": note, "missing": left_out}
    return found
