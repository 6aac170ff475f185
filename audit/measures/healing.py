"""How long did the bone take for each centimetre?"""

from __future__ import annotations

import pandas as pd

from audit.cohort import Cohort
from audit.measures.common import (
    DAYS_PER_MONTH,
    days_between,
    index_reasons,
    measured,
    per_centimetre,
    with_case,
)
from schemas.vocabulary import FIXATOR_CLASSES, WALKING_SEGMENTS


def healing_measures(cohort: Cohort) -> pd.DataFrame:
    """Per-centimetre indices among cases that reached the milestone (index: case_id).

    days/cm of the gain at the end of distraction, from surgery unless the name says otherwise; no
    index below 10 mm gained. Cases that wait are missing with the reason, so a young quarter looks
    quick here: the censored twin (`healing_index_censored`) keeps them in.
    """
    cases = cohort.cases.set_index("case_id")
    gain, surgery = cases["achieved_gain_mm"], cases["surgery_date"]
    union, loaded = cases["union_date"], cases["full_weight_bearing_date"]
    end, frame_off = cases["distraction_end_date"], cases["fixator_removal_date"]
    short = index_reasons(cases)
    waiting = [*short, (union.isna(), "not_united")]
    framed = cases["device_class"].isin(FIXATOR_CLASSES)
    walks = cases["segment"].isin(WALKING_SEGMENTS)
    healing = per_centimetre(days_between(union, surgery), gain)
    maturation = per_centimetre(days_between(union, end), gain)
    fixation = per_centimetre(days_between(frame_off, surgery), gain)
    loading = per_centimetre(days_between(loaded, surgery), gain)
    return pd.concat(
        [
            measured("healing_index_days_per_cm", healing, waiting),
            measured("healing_index_months_per_cm", healing / DAYS_PER_MONTH, waiting),
            measured(
                "maturation_index_days_per_cm",
                maturation,
                [*waiting, (end.isna(), "no_distraction_end")],
            ),
            measured(
                "external_fixation_index_days_per_cm",
                fixation,
                [(~framed, "not_a_fixator"), *short, (frame_off.isna(), "fixator_not_removed")],
            ),
            measured(
                "weight_bearing_index_days_per_cm",
                loading,
                [
                    (~walks, "not_a_walking_bone"),
                    *short,
                    (loaded.isna(), "not_yet_full_weight_bearing"),
                ],
            ),
        ],
        axis=1,
    )


def days_to_union(cohort: Cohort) -> pd.DataFrame:
    """Time to union, one row a case (index: case_id): `duration` (days), `observed`.

    A case that has not united is censored at its last film that shows it, else at the end of
    follow-up: the last day on which the state was seen to be absent.
    """
    cases = cohort.cases.set_index("case_id")
    unbridged = _films_without_union(cohort)
    seen_without = unbridged.groupby("case_id")["taken_on"].max()
    censored = _reindexed(seen_without, cases).fillna(cases["follow_up_end"])
    observed = cases["union_date"].notna()
    day = cases["union_date"].where(observed, censored)
    out = pd.DataFrame({"duration": days_between(day, cases["surgery_date"]), "observed": observed})
    before = unbridged.loc[~(unbridged["taken_on"] >= unbridged["union_date"])]
    last_without = _reindexed(before.groupby("case_id")["taken_on"].max(), cases)
    lower = days_between(last_without, cases["surgery_date"]).fillna(0.0)
    out["lower"] = lower.where(observed, out["duration"])
    out["upper"] = out["duration"].where(observed, float("inf"))
    return out


def _films_without_union(cohort: Cohort) -> pd.DataFrame:
    """Films on or after surgery on which too few cortices are bridged."""
    films = with_case(cohort.tables["radiographs"], cohort.cases, "surgery_date", "union_date")
    few = films["cortices_bridged"] < cohort.settings.union_cortices
    return films.loc[few & (films["taken_on"] >= films["surgery_date"])]


def _reindexed(days: pd.Series, cases: pd.DataFrame) -> pd.Series:
    return days.reindex(cases.index).astype("datetime64[ns]")


def censored_healing_index(cohort: Cohort) -> pd.DataFrame:
    """Healing index as a time per centimetre, waiting cases kept (index: case_id).

    `duration` in days/cm = days to union (or to the last film without it) / gain in cm, with
    `observed`. Missing with `reason` where no index is formed: no gain yet, or below 10 mm.
    """
    cases = cohort.cases.set_index("case_id")
    times = days_to_union(cohort)
    gain = cases["achieved_gain_mm"]
    out = measured("duration", per_centimetre(times["duration"], gain), index_reasons(cases))
    out = out.rename(columns={"duration_reason": "reason"})
    return out.assign(observed=times["observed"])
