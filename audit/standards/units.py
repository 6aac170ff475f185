"""The units of a criterion (cases, or walking episodes), with what places and excuses them."""

from __future__ import annotations

import pandas as pd

from audit.cohort import Cohort
from audit.criteria import INDEX_DATES, Criterion
from audit.measures.weight_bearing import days_to_full_weight_bearing, number_episodes
from audit.quality.criterion_fitness import Judge, fitness_judge, with_fitness
from audit.results.times import time_table

ADULT_YEARS = 18
#: outcomes after which nothing is waited for; the last ones at once, even if other cases go on
OVER = ("completed", "lost_to_follow_up", "amputated", "died")
ENDED = OVER[1:]
#: facts of a case that criteria choose and excuse by, beside the measures
_FACTS = ("age_at_surgery_years", "outcome_status", "arrival_date", *INDEX_DATES)


def judge_of(cohort: Cohort, measured: pd.DataFrame) -> Judge:
    """What the units of every criterion are made from: the measures with the facts of each case."""
    more = [name for name in _FACTS if name not in measured]
    facts = cohort.cases[["case_id", *more]]
    table = measured.merge(facts, on="case_id", validate="one_to_one")
    people = cohort.tables["patients"].set_index("patient_id")["aetiology"]
    return fitness_judge(cohort, table.assign(aetiology=table["patient_id"].map(people)))


def units_of(judge: Judge, criterion: Criterion) -> pd.DataFrame:
    """One row a unit of the criterion's population, in the order of the measures.

    Beside the measures, or the columns of `time_table`: unit_id, case_ids (joined by "+"),
    age_at_surgery_years, day (index date), early (index date too recent to be due), waited_for
    (what has not come yet can still come), excused (words of the exception that holds for any of
    its cases), fitness and placed (from `with_fitness`).
    """
    table = _times(judge, criterion) if criterion.statistic == "median_time" else _cases(judge)
    table["waited_for"] = _waited_for(judge, table)
    table["excused"] = _excused(judge, criterion, table)
    counted = with_fitness(judge, criterion, table)
    day = counted[criterion.index_date]
    wait = pd.Timedelta(days=criterion.matures_after_days)
    counted = counted.assign(day=day, early=judge.cohort.cutoff - day < wait)
    return in_population(counted, criterion)


def _cases(judge: Judge) -> pd.DataFrame:
    table = judge.measured
    return table.assign(
        unit_id=table["case_id"],
        case_ids=table["case_id"],
        outcomes=table["outcome_status"],
        seen=table["follow_up_end"],
    )


def _times(judge: Judge, criterion: Criterion) -> pd.DataFrame:
    """The rows of a time to an event with age, ids and outcomes of their cases."""
    cases = judge.measured.set_index("case_id")
    table = time_table(judge.cohort, criterion.measure)
    if "case_id" in table:
        own = cases.loc[table["case_id"]]
        return table.assign(
            unit_id=table["case_id"],
            case_ids=table["case_id"],
            age_at_surgery_years=own["age_at_surgery_years"].to_numpy(),
            outcomes=own["outcome_status"].to_numpy(),
            seen=own["follow_up_end"].to_numpy(),
        )
    episode = episode_of(judge.cohort)
    # a status that was lost to an error joins as an empty word
    known = cases.loc[episode.index].fillna({"outcome_status": ""}).reset_index()
    groups = known.groupby(episode.to_numpy())
    first = groups["age_at_surgery_years"].min()
    return table.assign(
        unit_id="E" + table["episode"].astype(int).astype(str).str.zfill(5),
        case_ids=table["episode"].map(groups["case_id"].agg("+".join)),
        age_at_surgery_years=table["episode"].map(first),
        outcomes=table["episode"].map(groups["outcome_status"].agg("+".join)),
        seen=table["episode"].map(groups["follow_up_end"].max()),
    )


def _waited_for(judge: Judge, table: pd.DataFrame) -> pd.Series:
    """True while a case of the unit is in treatment, or was stopped or exchanged and seen of late,
    unless one of its cases ended for good without what is waited for."""
    outcomes = table["outcomes"].fillna("").str.split("+").map(set)
    over = outcomes.map(lambda found: found <= {*OVER} or bool(found & {*ENDED}))
    going_on = outcomes.map(lambda found: "in_treatment" in found)
    lately = judge.cohort.cutoff - pd.Timedelta(days=judge.choices.contact_days)
    return ~over.astype(bool) & (going_on.astype(bool) | (table["seen"] >= lately))


def episode_of(cohort: Cohort) -> pd.Series:
    """case_id -> number of its walking episode, as in `walking_episodes`; only cases that are in
    one."""
    walks = days_to_full_weight_bearing(cohort)["reason"].isna()
    cases = cohort.cases.set_index("case_id", drop=False).loc[walks].rename_axis(None)
    return number_episodes(cases, cohort.settings.episode_gap_days).rename_axis("case_id")


def _excused(judge: Judge, criterion: Criterion, table: pd.DataFrame) -> pd.Series:
    by_case = criterion.excused(judge.measured.set_index("case_id"))
    if "case_id" in table:
        return table["case_id"].map(by_case).astype(object)
    found = by_case.groupby(by_case.index.map(episode_of(judge.cohort))).first()
    return table["episode"].map(found).astype(object)


def in_population(table: pd.DataFrame, criterion: Criterion) -> pd.DataFrame:
    """The rows of the cases that the criterion speaks of."""
    chosen = pd.Series(True, index=table.index)
    if criterion.device_class:
        chosen &= table["device_class"].isin(criterion.device_class)
    if criterion.segment:
        chosen &= table["segment"].isin(criterion.segment)
    if criterion.age == "child":
        chosen &= table["age_at_surgery_years"] < ADULT_YEARS
    if criterion.age == "adult":
        chosen &= table["age_at_surgery_years"] >= ADULT_YEARS
    return table.loc[chosen]
