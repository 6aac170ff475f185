"""What knee was kept, limb by limb?"""

from __future__ import annotations

import pandas as pd

from audit.cohort import Cohort
from audit.measures.common import measured
from audit.measures.knee import knee_examinations
from audit.measures.weight_bearing import MIXED, number_episodes
from schemas.vocabulary import WALKING_SEGMENTS

BY_LIMB = "knee_flexion_retention_pct_by_limb"


def limb_knee_measures(cohort: Cohort) -> pd.DataFrame:
    """Knee flexion kept, one row a limb: femur and tibia of one side in one walking episode share
    a knee, so they count once.

    Retention = 100 x last flexion after the LAST surgery / last flexion on or before the FIRST;
    examinations recorded with any case of the limb count, those between the surgeries do not.
    No baseline: missing with its reason, never imputed. Columns: patient_id, side, episode, cases,
    surgery_date (first), last_surgery_date, device_class, segment, centre (the common value, else
    `mixed`), baseline_deg, last_deg (degrees), knee_flexion_retention_pct_by_limb and its reason.
    A case without a side is a limb of its own. Cases of bones nobody walks on are left out.
    """
    cases = cohort.cases.set_index("case_id", drop=False).rename_axis(None)
    cases = cases.loc[cases["segment"].isin(WALKING_SEGMENTS)]
    episode = number_episodes(cases, cohort.settings.episode_gap_days)
    which_side = cases["side"].astype(object).fillna("case " + cases["case_id"])
    limb = episode.astype(str) + " " + which_side.astype(str)
    limb_of = limb.astype(object)
    groups = cases.assign(episode=episode).groupby(limb_of, sort=False)
    out = pd.DataFrame(
        {
            "patient_id": groups["patient_id"].first(),
            "side": groups["side"].first(),
            "episode": groups["episode"].first(),
            "cases": groups.size(),
            "surgery_date": groups["surgery_date"].min(),
            "last_surgery_date": groups["surgery_date"].max(),
        }
    )
    for column in ("device_class", "segment", "centre"):
        same = groups[column].nunique(dropna=False) == 1
        out[column] = groups[column].first().where(same, MIXED)
    knees = knee_examinations(cohort).dropna(subset=["flexion_deg"])
    retained = _retention(knees.assign(limb=knees["case_id"].map(limb_of)), out)
    return pd.concat([out, retained], axis=1).reset_index(drop=True)


def _retention(knees: pd.DataFrame, limbs: pd.DataFrame) -> pd.DataFrame:
    """Baseline, last and retention, aligned with `limbs`; of two examinations on one day the
    smaller flexion counts as the later."""
    knees = knees.dropna(subset=["limb"]).sort_values(
        ["limb", "examined_on", "flexion_deg"], ascending=[True, True, False], kind="stable"
    )
    first = knees["limb"].map(limbs["surgery_date"]).astype("datetime64[ns]")
    final = knees["limb"].map(limbs["last_surgery_date"]).astype("datetime64[ns]")

    def latest(rows: pd.DataFrame) -> pd.Series:
        return rows.groupby("limb")["flexion_deg"].last().reindex(limbs.index).astype(float)

    baseline = latest(knees.loc[knees["examined_on"] <= first])
    last = latest(knees.loc[knees["examined_on"] > final])
    reasons = [
        (baseline.isna(), "no_baseline_motion"),
        (baseline <= 0, "baseline_not_above_zero"),
        (last.isna(), "no_motion_after_surgery"),
    ]
    kept = measured(BY_LIMB, 100 * last / baseline.where(baseline > 0), reasons)
    return pd.concat([baseline.rename("baseline_deg"), last.rename("last_deg"), kept], axis=1)
