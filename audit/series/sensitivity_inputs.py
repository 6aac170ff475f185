"""Inputs of the sensitivity runs: the same cases under another rule, for the same functions.

Every function takes the cohort of a series (and its measured cases) and returns new tables.
"""

from __future__ import annotations

import dataclasses

import pandas as pd

from audit.cohort import Cohort
from audit.measures.common import MM_PER_CM, days_between, with_case
from audit.measures.healing import healing_measures
from audit.measures.length import length_measures
from audit.measures.weight_bearing import number_episodes
from audit.results.times import time_table
from audit.series.units import limb_of
from schemas.vocabulary import WALKING_SEGMENTS

#: indices whose days count from surgery, so that another day 0 changes them
FROM_SURGERY = (
    "healing_index_days_per_cm",
    "external_fixation_index_days_per_cm",
    "weight_bearing_index_days_per_cm",
)
#: indices that end with union
TO_UNION = ("healing_index_days_per_cm", "maturation_index_days_per_cm")
NO_START = "no_distraction_start"
NO_FILM = "no film with cortices counted"
PER_CM = "healing_index_censored_days_per_cm"


def first_limb_cases(measured: pd.DataFrame, *, gap_days: int) -> pd.Series:
    """True for the cases of the limb that each patient had operated first (index: as given).

    Several bones of that limb in the first episode stay together (`limb_of`). Surgery on both
    sides on one day: the side whose case comes first by `case_id`. The rule of
    `walking_variants.first_limbs`, here over all bones.
    """
    ordered = measured.sort_values(["patient_id", "surgery_date", "case_id"], kind="stable")
    limb = limb_of(ordered, gap_days=gap_days)
    first = limb == limb.groupby(ordered["patient_id"]).transform("first")
    return first.reindex(measured.index).astype(bool)


def limbs_of(cohort: Cohort, limbs: pd.DataFrame, case_ids: pd.Series) -> pd.DataFrame:
    """The rows of `limb_knee_measures` whose cases are all among `case_ids`."""
    cases = cohort.cases.loc[cohort.cases["segment"].isin(WALKING_SEGMENTS)]
    episode = number_episodes(cases, cohort.settings.episode_gap_days).astype(str)
    side = cases["side"].astype(object).where(cases["side"].notna(), "")
    whole = cases["case_id"].isin(set(case_ids)).groupby(episode + " " + side.astype(str)).all()
    mine = limbs["side"].astype(object).where(limbs["side"].notna(), "")
    key = limbs["episode"].astype(str) + " " + mine.astype(str)
    return limbs.loc[key.map(whole).astype(bool)]


def with_tolerance(cohort: Cohort, measured: pd.DataFrame, tolerance_mm: float) -> pd.DataFrame:
    """Measured cases with `gain_within_tolerance` judged by another tolerance (mm)."""
    settings = dataclasses.replace(cohort.settings, tolerance_mm=tolerance_mm)
    found = length_measures(dataclasses.replace(cohort, settings=settings))
    return _replaced(measured, found, ("gain_within_tolerance",))


@dataclasses.dataclass(frozen=True)
class UnionRule:
    """The cases with union as the films show it under a rule of so many cortices.

    cohort: `union_date` is the first film that meets the rule. unassessed: case ids without a film
    on which cortices were counted. words: how the films compare with the recorded dates.
    """

    cohort: Cohort
    unassessed: frozenset[str]
    words: str


def by_union_rule(cohort: Cohort, cortices: int) -> UnionRule:
    """Union at the first film with at least so many cortices bridged.

    Films before surgery or before the end of distraction do not count. A case with films but none
    that meets the rule is waiting since its last film without; a case without any film on which
    cortices were counted cannot be judged and is missing, whatever date was recorded for it.
    """
    cases = cohort.cases
    films = with_case(cohort.tables["radiographs"], cases, "surgery_date", "distraction_end_date")
    films = films.loc[films["cortices_bridged"].notna()]
    films = films.loc[films["taken_on"] >= films["surgery_date"]]
    after = ~(films["taken_on"] < films["distraction_end_date"])
    meets = films.loc[after & (films["cortices_bridged"] >= cortices)]
    day = cases["case_id"].map(meets.groupby("case_id")["taken_on"].min()).astype("datetime64[ns]")
    tables = cohort.tables | {"cases": cases.assign(union_date=day)}
    settings = dataclasses.replace(cohort.settings, union_cortices=cortices)
    judged = cases["case_id"].isin(films["case_id"])
    return UnionRule(
        dataclasses.replace(cohort, tables=tables, settings=settings),
        frozenset(cases.loc[~judged, "case_id"]),
        _compared(day[judged], cases.loc[judged, "union_date"]),
    )


def _compared(by_films: pd.Series, recorded: pd.Series) -> str:
    both = by_films.notna() & recorded.notna()
    counts = {
        "same day": by_films == recorded,
        "earlier": both & (by_films < recorded),
        "later": both & (by_films > recorded),
        "recorded only": by_films.isna() & recorded.notna(),
        "films only": by_films.notna() & recorded.isna(),
    }
    listed = ", ".join(f"{words} {int(found.sum())}" for words, found in counts.items())
    return f"against the recorded date: {listed}"


def measured_by_union(rule: UnionRule, measured: pd.DataFrame) -> pd.DataFrame:
    """Measured cases with their indices up to union by the rule's films."""
    out = _replaced(measured, healing_measures(rule.cohort), TO_UNION)
    lost = out["case_id"].isin(rule.unassessed)
    for name in TO_UNION:
        reason = out[f"{name}_reason"]
        out[f"{name}_reason"] = reason.mask(lost & (reason == "not_united"), NO_FILM)
    return out


def times_by_union(rule: UnionRule, name: str) -> pd.DataFrame:
    """The time table `name` with union by the rule's films; cases without films have a reason."""
    table = time_table(rule.cohort, name)
    lost = table["case_id"].isin(rule.unassessed) & table["reason"].isna()
    return table.assign(reason=table["reason"].astype(object).mask(lost, NO_FILM))


def measured_from_start(measured: pd.DataFrame) -> pd.DataFrame:
    """Measured cases with the indices of `FROM_SURGERY` counted from the start of distraction."""
    centimetres = measured["achieved_gain_mm"] / MM_PER_CM
    out = measured.copy()
    for name in FROM_SURGERY:
        known, start = measured[name].notna(), measured["latency_days"]
        out[name] = measured[name] - start / centimetres
        reason = measured[f"{name}_reason"].astype(object)
        out[f"{name}_reason"] = reason.mask(known & start.isna(), NO_START)
    return out


def times_from_start(cohort: Cohort, name: str) -> pd.DataFrame:
    """The time table `name` with day 0 moved to the start of distraction.

    A walking episode starts with the earliest distraction of its cases. Without a recorded start
    the time is missing with that reason. A time that ended before distraction began counts as 0.
    """
    table = time_table(cohort, name)
    latency = _latency(cohort, table, name)
    out = table.copy()
    for column in ("duration", "lower", "upper", "entry", "ended"):
        out[column] = (table[column].astype(float) - latency).clip(lower=0.0)
    unknown = latency.isna() & table["reason"].isna()
    return out.assign(reason=table["reason"].astype(object).mask(unknown, NO_START))


def _latency(cohort: Cohort, table: pd.DataFrame, name: str) -> pd.Series:
    """From surgery to the start of distraction, in the unit of the table (index: as the table)."""
    cases = cohort.cases
    if "episode" in table:
        cases = cases.loc[cases["segment"].isin(WALKING_SEGMENTS)]
        episode = number_episodes(cases, cohort.settings.episode_gap_days)
        start = cases["distraction_start_date"].groupby(episode).min()
        days = days_between(start, cases["surgery_date"].groupby(episode).min())
        return table["episode"].map(days).astype(float)
    days = days_between(cases["distraction_start_date"], cases["surgery_date"])
    if name == PER_CM:
        days = days / (cases["achieved_gain_mm"] / MM_PER_CM)
    return table["case_id"].map(days.set_axis(cases["case_id"])).astype(float)


def _replaced(measured: pd.DataFrame, found: pd.DataFrame, names: tuple[str, ...]) -> pd.DataFrame:
    """Measured cases with measures (and their reasons) taken from a table by case_id."""
    out = measured.copy()
    for name in (part for each in names for part in (each, f"{each}_reason")):
        values = found[name].reindex(measured["case_id"])
        out[name] = values.set_axis(measured.index)
    return out
