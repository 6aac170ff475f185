"""Rules for the state of a treatment, for several cases of one patient, and for agreed actions."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from schemas.fields import LOCAL
from schemas.rules.base import ROW, Evidence, Rule, days
from schemas.rules.facts import SEEN_ON
from schemas.rules.linking import TIMES
from schemas.vocabulary import WALKING_SEGMENTS

#: a patient not seen for this long, while others were, is probably lost
LOST_DAYS = 365
DAYS_A_YEAR = 365.25
#: ages of one patient may differ by this from what the dates say
AGE_YEARS = 1.1
#: cases of one patient within this many days were operated as one treatment
TOGETHER_DAYS = 30
BONE = ["patient_id", "side", "segment"]

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
    unseen = days(_newest_fact(evidence), evidence["cases"]["last_follow_up_date"])
    return (unseen > LOST_DAYS) & _status(evidence, "in_treatment")


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


def _ages_disagree(evidence: Evidence) -> pd.Series:
    """True for later cases whose age does not fit the age at the patient's first case."""
    cases = evidence["cases"]
    born = cases["age_at_surgery_years"] - (
        days(cases["surgery_date"], pd.Timestamp("1970-01-01")) / DAYS_A_YEAR
    )
    ordered = pd.DataFrame(
        {"patient": cases["patient_id"], "day": cases["surgery_date"], "born": born}
    )
    ordered = ordered.dropna().sort_values("day", kind="stable")
    first = ordered.groupby("patient", observed=True)["born"].transform("first")
    far = (ordered["born"] - first).abs() > AGE_YEARS
    return far.reindex(cases.index, fill_value=False)


def _by_bone(evidence: Evidence) -> pd.DataFrame:
    """Cases on bones with several cases, in order of surgery."""
    cases = evidence["cases"]
    known = cases[cases[[*BONE, "surgery_date"]].notna().all(axis=1)]
    several = known[known.duplicated(subset=BONE, keep=False)]
    return several.sort_values(["surgery_date", "case_id"])


def _latest_before(ordered: pd.DataFrame, column: str) -> pd.Series:
    """Latest value of a date column among the earlier cases on the same bone."""
    bones = [ordered[name] for name in BONE]
    latest = ordered[column].groupby(bones, sort=False, observed=True).cummax()
    latest = latest.groupby(bones, sort=False, observed=True).ffill()
    return latest.groupby(bones, sort=False, observed=True).shift()


def _operated_before(column: str) -> Callable[[Evidence], pd.Series]:
    """True for a case operated on or before such a day of an earlier case on the same bone."""

    def fails(evidence: Evidence) -> pd.Series:
        ordered = _by_bone(evidence)
        too_soon = ordered["surgery_date"] <= _latest_before(ordered, column)
        return too_soon.reindex(evidence["cases"].index, fill_value=False)

    return fails


def _removed_after_next(evidence: Evidence) -> pd.Series:
    ordered = _by_bone(evidence)
    following = ordered.groupby(BONE, sort=False, observed=True)["surgery_date"].shift(-1)
    late = days(ordered["device_removal_date"], following) > 1
    return late.reindex(evidence["cases"].index, fill_value=False)


def _second_leg_early(evidence: Evidence) -> pd.Series:
    """True for a staged second leg, operated over 30 days before the first leg united."""
    cases = evidence["cases"]
    columns = ["patient_id", "side", "surgery_date"]
    legs = cases[cases["segment"].isin(WALKING_SEGMENTS) & cases[columns].notna().all(axis=1)]
    place = legs.assign(place=np.arange(len(legs)))
    pairs = place.merge(
        place[[*columns, "union_date"]], on="patient_id", suffixes=("", "_of_first")
    )
    staged = days(pairs["surgery_date"], pairs["surgery_date_of_first"]) > TOGETHER_DAYS
    early = days(pairs["union_date_of_first"], pairs["surgery_date"]) > TOGETHER_DAYS
    other = pairs["side"] != pairs["side_of_first"]
    found = legs.index[pairs.loc[staged & early & other, "place"].unique()]
    return pd.Series(cases.index.isin(found), index=cases.index)


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
        id="bone_lengthened_twice_at_once",
        table="cases",
        column="surgery_date",
        severity="error",
        keeps_out=ROW,
        message="Correct the bone or the dates, or delete the double entry: an earlier case on "
        "the same bone was still in distraction.",
        source=LOCAL,
        fails=_operated_before("distraction_end_date"),
    ),
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
    _case_warning(
        "ages_disagree",
        "age_at_surgery_years",
        "Check the ages of this patient: they do not fit the days of surgery.",
        _ages_disagree,
    ),
    _case_warning(
        "bone_operated_before_union",
        "surgery_date",
        "Check the bone and the dates: an earlier case on the same bone had not united.",
        _operated_before("union_date"),
    ),
    _case_warning(
        "device_removed_after_next_surgery",
        "device_removal_date",
        "Check the day of device removal: a later case on the same bone had begun by then.",
        _removed_after_next,
    ),
    Rule(
        id="second_leg_before_first_united",
        table="cases",
        column="surgery_date",
        severity="warning",
        message="Check the day of surgery and the union date of the other leg: legs done one "
        "after the other usually wait for union.",
        source="9-48 months apart in one series: Park et al. Yonsei Med J 2015;56(6), "
        "PMC4630057; limit local choice",
        fails=_second_leg_early,
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
