"""Rules for the state of a treatment, growth plates, and agreed actions."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from schemas.fields import LOCAL
from schemas.rules.base import Evidence, Rule
from schemas.rules.facts import SEEN_ON
from schemas.rules.linking import TIMES

#: a patient not seen for this long, while others were, is probably lost
LOST_DAYS = 365

GROWTH = "growth stops at 14 in girls and 16 in boys in the arithmetic method: from memory"


def _status(evidence: Evidence, *codes: str) -> pd.Series:
    return evidence["cases"]["outcome_status"].isin(codes)


def _final_without_date(evidence: Evidence) -> pd.Series:
    cases = evidence["cases"]
    final = cases["outcome_status"].notna() & ~_status(evidence, "in_treatment")
    return final & cases["outcome_date"].isna()


def _date_in_treatment(evidence: Evidence) -> pd.Series:
    return evidence["cases"]["outcome_date"].notna() & _status(evidence, "in_treatment")


def _completed_without_union(evidence: Evidence) -> pd.Series:
    return evidence["cases"]["union_date"].isna() & _status(evidence, "completed")


def _newest_fact(evidence: Evidence) -> pd.Timestamp:
    dates = [evidence["cases"][column] for column in (*SEEN_ON, "last_follow_up_date")]
    dates += [evidence[table][column] for table, column in TIMES.items()]
    return pd.Series([column.max() for column in dates], dtype="datetime64[ns]").max()


def _probably_lost(evidence: Evidence) -> pd.Series:
    unseen = _newest_fact(evidence) - evidence["cases"]["last_follow_up_date"]
    return (unseen.dt.days > LOST_DAYS) & _status(evidence, "in_treatment")


def _physes_against_age(evidence: Evidence) -> pd.Series:
    cases, patients = evidence["cases"], evidence["patients"]
    age = cases["age_at_surgery_years"]
    female, male = (
        cases["patient_id"].isin(patients["patient_id"][patients["sex"].isin([sex])])
        for sex in ("female", "male")
    )
    grown = (female & (age > 14)) | (male & (age > 16))
    still_open = cases["physes_open"].isin(["yes"]) & grown
    return still_open | (cases["physes_open"].isin(["no"]) & (age < 10))


def _case_warning(
    name: str, column: str, message: str, fails: Callable[[Evidence], pd.Series]
) -> Rule:
    return Rule(
        id=name,
        table="cases",
        column=column,
        severity="warning",
        message=message,
        source=LOCAL,
        fails=fails,
    )


_ERRORS: tuple[Rule, ...] = (
    Rule(
        id="closed_before_raised",
        table="actions",
        column="closed_on",
        severity="error",
        message="Correct the day the action was closed or raised: it cannot be closed first.",
        source=LOCAL,
        fails=lambda evidence: evidence["actions"]["closed_on"] < evidence["actions"]["raised_on"],
    ),
)

_WARNINGS: tuple[Rule, ...] = (
    _case_warning(
        "final_status_without_date",
        "outcome_date",
        "Enter the outcome date: the treatment is no longer going on.",
        _final_without_date,
    ),
    _case_warning(
        "outcome_date_in_treatment",
        "outcome_date",
        "Check the outcome status, or clear the outcome date: the case is still in treatment.",
        _date_in_treatment,
    ),
    _case_warning(
        "completed_without_union",
        "union_date",
        "Enter the union date, or check the outcome status: the treatment is completed.",
        _completed_without_union,
    ),
    _case_warning(
        "probably_lost",
        "outcome_status",
        "Check the outcome status, or enter the visits that are missing: the case in treatment "
        "has not been seen for over a year.",
        _probably_lost,
    ),
    Rule(
        id="physes_unusual_for_age",
        table="cases",
        column="physes_open",
        severity="warning",
        message="Check the age and the growth plates: they are rarely open in girls over 14 and "
        "boys over 16, or closed before 10.",
        source=GROWTH,
        fails=_physes_against_age,
    ),
    Rule(
        id="due_before_raised",
        table="actions",
        column="due_on",
        severity="warning",
        message="Check the day the action is due: it lies before the day it was raised.",
        source=LOCAL,
        fails=lambda evidence: evidence["actions"]["due_on"] < evidence["actions"]["raised_on"],
    ),
)

TREATMENT_RULES: tuple[Rule, ...] = _ERRORS + _WARNINGS
