"""When did they walk on it without aids?"""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.cohort import Cohort
from audit.measures.common import days_between, measured, with_case
from schemas.vocabulary import COMPETING_OUTCOMES, WALKING_SEGMENTS

MIXED = "mixed"
#: cause codes of a waiting time: still waiting, full weight bearing, made impossible
WAITING, REACHED, IMPOSSIBLE = 0, 1, 2


def days_to_full_weight_bearing(cohort: Cohort) -> pd.DataFrame:
    """Time from surgery to full weight bearing, one row a case (index: case_id).

    duration, observed: reached, else censored at the last `weight_bearing` assessment after
    surgery that shows less than full load, else (no such row) at the end of follow-up. lower,
    upper: what the clinic days say, half open (lower, upper]: after the last assessment without
    it, not later than the first day with it; upper is inf while waiting. entry: days from surgery
    to arrival (0 unless taken over). reason: why there is no time (bones nobody walks on).
    ended: first day on which death or amputation made it impossible, missing otherwise.
    """
    cases = cohort.cases.set_index("case_id")
    surgery, reached = cases["surgery_date"], cases["full_weight_bearing_date"]
    short = _assessments_without(cohort)
    seen_without = _by_case(short, cases)
    observed = reached.notna()
    day = reached.where(observed, seen_without.fillna(cases["follow_up_end"]))
    walks = cases["segment"].isin(WALKING_SEGMENTS)
    reasons = [(~walks, "not_a_walking_bone")]
    out = measured("duration", days_between(day, surgery), reasons)
    out = out.rename(columns={"duration_reason": "reason"})
    earlier = short.loc[~(short["assessed_on"] >= short["full_weight_bearing_date"])]
    lower = days_between(_by_case(earlier, cases), surgery).fillna(0.0)
    out["observed"] = observed & walks
    out["lower"] = lower.where(observed, out["duration"]).where(walks)
    out["upper"] = out["duration"].where(observed, np.inf).where(walks)
    out["entry"] = days_between(cases["entry_date"], surgery).where(walks)
    ended = cases["outcome_date"].where(cases["outcome_status"].isin(COMPETING_OUTCOMES))
    out["ended"] = days_between(ended, surgery).where(walks & ~observed)
    return out


def _assessments_without(cohort: Cohort) -> pd.DataFrame:
    """Assessments on or after surgery that show less than full load."""
    seen = with_case(
        cohort.tables["weight_bearing"], cohort.cases, "surgery_date", "full_weight_bearing_date"
    )
    return seen.loc[(seen["load"] != "full") & (seen["assessed_on"] >= seen["surgery_date"])]


def _by_case(assessments: pd.DataFrame, cases: pd.DataFrame) -> pd.Series:
    last = assessments.groupby("case_id")["assessed_on"].max()
    return last.reindex(cases.index).astype("datetime64[ns]")


def weight_bearing_measures(cohort: Cohort) -> pd.DataFrame:
    """Columns of the case table (index: case_id): the days among those who reached full weight
    bearing, whether it was reached, and the day up to which a waiting case was seen waiting."""
    times = days_to_full_weight_bearing(cohort)
    waiting = (~times["observed"], "not_yet_full_weight_bearing")
    other = (times["reason"].notna(), "not_a_walking_bone")
    out = measured("full_weight_bearing_days", times["duration"], [other, waiting])
    walks = times["reason"].isna()
    out["full_weight_bearing_reached"] = times["observed"].astype("boolean").where(walks)
    out["full_weight_bearing_waited_days"] = times["duration"].where(walks & ~times["observed"])
    out["full_weight_bearing_after_days"] = times["lower"]
    return out


def number_episodes(cases: pd.DataFrame, gap_days: int) -> pd.Series:
    """Walking episode of every case, numbered from 1 in order of patient and surgery.

    Cases of one patient belong together while each is operated within `gap_days` of the one
    before. Aligned with the frame's index.
    """
    ordered = cases.sort_values(["patient_id", "surgery_date", "case_id"], kind="stable")
    gap = days_between(
        ordered["surgery_date"], ordered.groupby("patient_id")["surgery_date"].shift()
    )
    starts = gap.isna() | (gap > gap_days)
    return starts.cumsum().reindex(cases.index)


def walking_episodes(cohort: Cohort) -> pd.DataFrame:
    """Time to full weight bearing, one row a walking episode: one person learning to walk once.

    Cases of one patient operated within `settings.episode_gap_days` of one another. duration runs
    from the first surgery to the last full-weight-bearing date; while a case waits it is censored
    at the latest censoring day of those waiting. lower, upper: after the latest day on which a
    case was seen without it. entry: days from the first surgery to the first day under this
    service. cause: 0 waiting, 1 reached, 2 made impossible by death or amputation (`ended`, days).
    device_class, segment, centre: the common value, else `mixed`. cases, limbs: how many.
    """
    cases = cohort.cases.set_index("case_id", drop=False)
    times = days_to_full_weight_bearing(cohort)
    walking = times["reason"].isna()
    cases, times = cases.loc[walking].rename_axis(None), times.loc[walking].rename_axis(None)
    table = cases.assign(
        episode=number_episodes(cases, cohort.settings.episode_gap_days),
        observed=times["observed"],
    )
    origin = table.groupby("episode")["surgery_date"].transform("min")
    offset = days_between(table["surgery_date"], origin)
    for name in ("duration", "lower", "upper", "entry", "ended"):
        table[name] = times[name] + offset
    groups = table.groupby("episode")
    out = pd.DataFrame(
        {
            "patient_id": groups["patient_id"].first(),
            "surgery_date": groups["surgery_date"].min(),
            "cases": groups.size(),
            "limbs": groups["side"].nunique(dropna=False),
            "observed": groups["observed"].all(),
            "entry": groups["entry"].min(),
            "ended": groups["ended"].min(),
            "promised_weeks": groups["counselled_full_weight_bearing_weeks"].max(),
        }
    )
    waiting = table.loc[~table["observed"]].groupby("episode")["duration"].max()
    out["duration"] = groups["duration"].max().where(out["observed"], waiting)
    out["upper"] = out["duration"].where(out["observed"], np.inf)
    out["lower"] = groups["lower"].max().where(out["observed"], out["duration"])
    out["cause"] = np.where(out["observed"], REACHED, WAITING)
    out.loc[out["ended"].notna(), "cause"] = IMPOSSIBLE
    for column in ("device_class", "segment", "centre"):
        out[column] = _common_value(groups[column])
    return out.reset_index()


def _common_value(groups: pd.api.typing.SeriesGroupBy) -> pd.Series:
    same = groups.nunique(dropna=False) == 1
    return groups.first().where(same, MIXED)
