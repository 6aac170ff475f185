"""Other definitions of the time to full weight bearing, decided before looking at the results."""

from __future__ import annotations

import dataclasses

import pandas as pd

from audit.cohort import Cohort
from audit.measures.common import days_between
from audit.measures.weight_bearing import IMPOSSIBLE, number_episodes
from audit.results.times import time_table
from schemas.vocabulary import WALKING_SEGMENTS

TIME = "time_to_full_weight_bearing"
MAIN = "main"
STOPPED = "stopped_or_exchanged_as_competing"
FIRST_EPISODE = "first_episode_of_each_patient"
FIRST_LIMB = "first_limb_only"
#: outcomes that the sensitivity run takes as competing, on top of death and amputation
STOPPED_OUTCOMES = ("stopped_early", "device_exchanged")

#: variant -> its definition, as it stands in the note of each row
SENSITIVITY: dict[str, str] = {
    MAIN: "every walking episode; stopped treatment and device exchange stay at risk",
    STOPPED: "stopped treatment and device exchange before full weight bearing end the wait too",
    FIRST_EPISODE: "the first walking episode of each patient, so that patients count once",
    FIRST_LIMB: "the limb operated first in each patient's first episode, alone",
}


def variant_tables(cohort: Cohort) -> dict[str, pd.DataFrame]:
    """Variant -> its table, in the columns of `time_table`.

    A window later holds the rows whose first surgery lies in it: "first" means first of all the
    patient's surgeries in the cohort, whether or not it lies in the window.
    """
    main = time_table(cohort, TIME)
    return {
        MAIN: main,
        STOPPED: with_stops(cohort, main),
        FIRST_EPISODE: first_episodes(main),
        FIRST_LIMB: time_table(first_limbs(cohort), TIME),
    }


def first_episodes(table: pd.DataFrame) -> pd.DataFrame:
    """The earliest episode of each patient, waiting or not; all others are left out."""
    ordered = table.sort_values(["patient_id", "surgery_date"], kind="stable")
    return ordered.drop_duplicates("patient_id").sort_index()


def with_stops(cohort: Cohort, table: pd.DataFrame) -> pd.DataFrame:
    """The episodes, with stopped treatment and device exchange as competing events.

    A case's wait ends on the day of its outcome if that is before its full weight bearing (a case
    that never reached it, or only later). The episode ends with the first of its cases that ends
    so; death or amputation keeps its own, if earlier. A stop on the day of full weight bearing or
    after it changes nothing, and neither does one without a day.
    """
    cases = _walking_cases(cohort)
    reached = cases["full_weight_bearing_date"]
    stop = cases["outcome_date"].where(cases["outcome_status"].isin(STOPPED_OUTCOMES))
    stop = stop.where(reached.isna() | (stop < reached))
    first = cases.groupby("episode")["surgery_date"].transform("min")
    days = days_between(stop, first).groupby(cases["episode"]).min()
    stopped = table["episode"].map(days)
    ended = table["ended"].where(~(stopped < table["ended"]), stopped).fillna(stopped)
    return table.assign(ended=ended, cause=table["cause"].mask(ended.notna(), IMPOSSIBLE))


def first_limbs(cohort: Cohort) -> Cohort:
    """The cohort with only the limb that each patient had operated first, in the first episode.

    One row a patient: several bones of that limb are still one time (the later), but nobody waits
    for the other leg. Surgery on both sides on one day: the side whose case comes first by
    `case_id`. A side that is not recorded is a limb of its own.
    """
    cases = _walking_cases(cohort)
    ordered = cases.sort_values(["patient_id", "surgery_date", "case_id"], kind="stable")
    # a text of its own for a missing side: missing values do not equal one another
    limb = ordered["side"].astype(object).where(ordered["side"].notna(), "not_recorded")
    limb = limb.astype(str) + ordered["episode"].astype(str)
    mine = limb == limb.groupby(ordered["patient_id"]).transform("first")
    keep = set(ordered.loc[mine, "case_id"])
    tables = {
        name: table.loc[table["case_id"].isin(keep)].reset_index(drop=True)
        if name in ("cases", "weight_bearing")
        else table
        for name, table in cohort.tables.items()
    }
    # one episode a patient is left: a case that fell out must not split it in two
    settings = dataclasses.replace(cohort.settings, episode_gap_days=10**6)
    return dataclasses.replace(cohort, tables=tables, settings=settings)


def _walking_cases(cohort: Cohort) -> pd.DataFrame:
    """Cases of bones people walk on, with the number of their walking episode."""
    cases = cohort.cases.loc[cohort.cases["segment"].isin(WALKING_SEGMENTS)]
    return cases.assign(episode=number_episodes(cases, cohort.settings.episode_gap_days))
