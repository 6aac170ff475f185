"""Rules for several cases of one patient: ages, one bone twice, and one leg after the other."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
import pandas as pd

from schemas.fields import LOCAL
from schemas.rules.base import ROW, Evidence, Rule
from schemas.rules.linking import kept, rows_marked
from schemas.vocabulary import WALKING_SEGMENTS

DAYS_A_YEAR = 365.25
#: ages of one patient may differ by this from what the dates say
AGE_YEARS = 1.1
#: cases of one patient within this many days were operated as one treatment
TOGETHER_DAYS = 30
#: a missing day, as a whole number
_NEVER = np.iinfo("int64").min


@dataclasses.dataclass(frozen=True)
class InOrder:
    """Cases that belong together, in order of surgery.

    rows: positions in `cases`. group: whole numbers. day: day of surgery as a whole number.
    follows: True where the row before belongs to the same group.
    """

    rows: np.ndarray
    group: np.ndarray
    day: np.ndarray
    follows: np.ndarray


def _in_order(group: np.ndarray, day: np.ndarray, wanted: np.ndarray) -> InOrder:
    rows = np.flatnonzero(wanted & (group >= 0) & (day != _NEVER))
    rows = rows[np.lexsort((day[rows], group[rows]))]
    follows = np.zeros(len(rows), dtype=bool)
    follows[1:] = group[rows][1:] == group[rows][:-1]
    return InOrder(rows, group[rows], day[rows], follows)


def _day(evidence: Evidence, column: str) -> np.ndarray:
    return evidence["cases"][column].to_numpy("datetime64[D]").astype("int64")


def _groups(evidence: Evidence, *columns: str) -> np.ndarray:
    """One whole number for every set of values, -1 where one of them is missing."""
    cases = evidence["cases"]
    group = np.zeros(len(cases), dtype="int64")
    known = np.ones(len(cases), dtype=bool)
    for column in columns:
        codes, names = pd.factorize(cases[column])
        known &= codes >= 0
        group = group * (len(names) + 1) + codes
    return np.where(known, group, -1)


def _by_bone(evidence: Evidence) -> InOrder:
    def work_out() -> InOrder:
        group = _groups(evidence, "patient_id", "side", "segment")
        return _in_order(group, _day(evidence, "surgery_date"), np.ones(len(group), dtype=bool))

    return kept(evidence, "cases", "surgery_date", work_out)


def _latest_so_far(values: np.ndarray, group: np.ndarray) -> np.ndarray:
    """Largest value up to and with each place of its group; groups lie together."""
    return pd.Series(values).groupby(group, sort=False).cummax().to_numpy()


def _ages_disagree(evidence: Evidence) -> pd.Series:
    """True for later cases whose age does not fit the age at the patient's first case."""
    cases = evidence["cases"]
    age = cases["age_at_surgery_years"].to_numpy(dtype="float64")
    patients = _in_order(
        _groups(evidence, "patient_id"), _day(evidence, "surgery_date"), ~np.isnan(age)
    )
    born = age[patients.rows] - patients.day / DAYS_A_YEAR
    starts = np.flatnonzero(~patients.follows)
    first = np.repeat(born[starts], np.diff(np.append(starts, len(born))))
    return rows_marked(cases, patients.rows[np.abs(born - first) > AGE_YEARS])


def _operated_by(column: str) -> Callable[[Evidence], pd.Series]:
    """True for a case operated on or before such a day of an earlier case on the same bone."""

    def fails(evidence: Evidence) -> pd.Series:
        bones = _by_bone(evidence)
        latest = _latest_so_far(_day(evidence, column)[bones.rows], bones.group)
        too_soon = bones.follows.copy()
        too_soon[1:] &= (latest[:-1] != _NEVER) & (bones.day[1:] <= latest[:-1])
        return rows_marked(evidence["cases"], bones.rows[too_soon])

    return fails


def _removed_after_next(evidence: Evidence) -> pd.Series:
    bones = _by_bone(evidence)
    removed = _day(evidence, "device_removal_date")[bones.rows]
    late = np.zeros(len(bones.rows), dtype=bool)
    late[:-1] = bones.follows[1:] & (removed[:-1] > bones.day[1:] + 1)
    return rows_marked(evidence["cases"], bones.rows[late])


def _second_leg_early(evidence: Evidence) -> pd.Series:
    """True for a staged second leg, operated over 30 days before the first leg united."""
    cases = evidence["cases"]
    patient = _groups(evidence, "patient_id")
    right = cases["side"].isin(["right"]).to_numpy()
    leg = cases["segment"].isin(WALKING_SEGMENTS) & cases["side"].isin(["left", "right"])
    limb = np.where(patient >= 0, 2 * patient + right, -1)
    limbs = _in_order(limb, _day(evidence, "surgery_date"), leg.to_numpy())
    united = _latest_so_far(_day(evidence, "union_date")[limbs.rows], limbs.group)
    # the last operation on the other leg that was over 30 days before
    packed = (limbs.group << 24) + limbs.day
    other = limbs.group ^ 1
    place = np.searchsorted(packed, (other << 24) + limbs.day - TOGETHER_DAYS) - 1
    found = (place >= 0) & (limbs.group[place] == other)
    waiting = united[place] > limbs.day + TOGETHER_DAYS
    return rows_marked(cases, limbs.rows[found & waiting])


def _warning(name: str, column: str, message: str, fails: Callable[[Evidence], pd.Series]) -> Rule:
    return Rule(
        id=name,
        table="cases",
        column=column,
        severity="warning",
        message=message,
        source=LOCAL,
        fails=fails,
    )


REPEAT_RULES: tuple[Rule, ...] = (
    Rule(
        id="bone_lengthened_twice_at_once",
        table="cases",
        column="surgery_date",
        severity="error",
        keeps_out=ROW,
        message="Correct the bone or the dates, or delete the double entry: an earlier case on "
        "the same bone was still in distraction.",
        source=LOCAL,
        fails=_operated_by("distraction_end_date"),
    ),
    _warning(
        "ages_disagree",
        "age_at_surgery_years",
        "Check the ages of this patient: they do not fit the days of surgery.",
        _ages_disagree,
    ),
    _warning(
        "bone_operated_before_union",
        "surgery_date",
        "Check the bone and the dates: an earlier case on the same bone had not united.",
        _operated_by("union_date"),
    ),
    _warning(
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
)
