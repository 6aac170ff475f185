"""What knee was kept?"""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.cohort import Cohort
from audit.measures.common import days_between, measured, with_case


def knee_examinations(cohort: Cohort) -> pd.DataFrame:
    """Knee examinations with the days of their case, in order of case and day.

    `arc_deg` = flexion - extension deficit (missing unless both are recorded). Two examinations on
    one day stand with the smaller flexion last, so that the cautious one counts as the latest.
    """
    motion = cohort.tables["joint_motion"]
    knees = motion.loc[motion["joint"] == "knee"]
    knees = with_case(
        knees,
        cohort.cases,
        "patient_id",
        "side",
        "surgery_date",
        "distraction_end_date",
        "union_date",
    )
    knees = knees.assign(arc_deg=knees["flexion_deg"] - knees["extension_deficit_deg"])
    return knees.sort_values(
        ["case_id", "examined_on", "flexion_deg"], ascending=[True, True, False], kind="stable"
    ).reset_index(drop=True)


def knee_measures(cohort: Cohort) -> pd.DataFrame:
    """Knee motion kept, one row a case (index: case_id).

    Retention = 100 x last value after surgery / baseline (the last on or before surgery); degrees
    for the rest. No baseline: missing with `no_baseline_motion`, never imputed. `knee_flexion_*`
    also gives the curve's points: baseline, worst after surgery, at union (nearest examination
    within 30 days), last.
    """
    index = pd.Index(cohort.cases["case_id"], name="case_id")
    knees = knee_examinations(cohort)
    before = knees.loc[knees["examined_on"] <= knees["surgery_date"]]
    after = knees.loc[knees["examined_on"] > knees["surgery_date"]]
    parts = [
        _retention("knee_flexion_retention_pct", "flexion_deg", before, after, index),
        _retention("knee_arc_retention_pct", "arc_deg", before, after, index),
    ]
    points = {
        "knee_flexion_baseline_deg": _last(before, "flexion_deg"),
        "knee_flexion_worst_deg": after.groupby("case_id")["flexion_deg"].min(),
        "knee_flexion_at_union_deg": _near_union(after),
        "knee_flexion_last_deg": _last(after, "flexion_deg"),
        "knee_extension_deficit_last_deg": _last(after, "extension_deficit_deg"),
    }
    parts.append(pd.DataFrame(points, index=index, dtype=float))
    return pd.concat(parts, axis=1)


def _last(knees: pd.DataFrame, column: str) -> pd.Series:
    return knees.dropna(subset=[column]).groupby("case_id")[column].last()


def _retention(
    name: str, column: str, before: pd.DataFrame, after: pd.DataFrame, index: pd.Index
) -> pd.DataFrame:
    baseline = _last(before, column).reindex(index)
    last = _last(after, column).reindex(index)
    reasons = [
        (baseline.isna(), "no_baseline_motion"),
        (baseline <= 0, "baseline_not_above_zero"),
        (last.isna(), "no_motion_after_surgery"),
    ]
    return measured(name, 100 * last / baseline.where(baseline > 0), reasons)


def _near_union(after: pd.DataFrame, window_days: int = 30) -> pd.Series:
    distance = days_between(after["examined_on"], after["union_date"]).abs()
    near = after.assign(distance=distance).loc[distance <= window_days]
    near = near.dropna(subset=["flexion_deg"]).sort_values(["case_id", "distance"], kind="stable")
    return near.groupby("case_id")["flexion_deg"].first()


def days_to_knee_recovery(cohort: Cohort) -> pd.DataFrame:
    """Time to regain a share of baseline flexion, one row a case (index: case_id).

    Event: first examination after the end of distraction with flexion >= share x baseline
    (`settings.recovery_share`). `duration` in days from surgery, `observed`, `lower`, `upper`
    (known only to lie between two examinations), `reason` where there is no baseline. Not
    recovered, distraction unfinished included: censored at the last examination that shows it,
    else at the end of follow-up.
    """
    cases = cohort.cases.set_index("case_id")
    knees = knee_examinations(cohort).dropna(subset=["flexion_deg"])
    before = knees.loc[knees["examined_on"] <= knees["surgery_date"]]
    baseline = _last(before, "flexion_deg").reindex(cases.index)
    after = knees.loc[knees["examined_on"] > knees["surgery_date"]].copy()
    need = cohort.settings.recovery_share * after["case_id"].map(baseline)
    settled = after["examined_on"] > after["distraction_end_date"]
    enough = settled & (after["flexion_deg"] >= need - 1e-9)
    first = _day_by_case(after.loc[enough].groupby("case_id")["examined_on"].min(), cases)
    short = after.loc[~enough]
    short = short.loc[~(short["examined_on"] > short["case_id"].map(first))]
    last_short = _day_by_case(short.groupby("case_id")["examined_on"].max(), cases)
    observed = first.notna()
    day = first.where(observed, last_short.fillna(cases["follow_up_end"]))
    reasons = [
        (baseline.isna(), "no_baseline_motion"),
        (baseline <= 0, "baseline_not_above_zero"),
    ]
    out = measured("duration", days_between(day, cases["surgery_date"]), reasons)
    out = out.rename(columns={"duration_reason": "reason"})
    lower = days_between(last_short, cases["surgery_date"]).fillna(0.0)
    usable = out["duration"].notna()
    out["observed"] = observed & usable
    out["lower"] = lower.where(observed, out["duration"]).where(usable)
    out["upper"] = out["duration"].where(observed, np.inf).where(usable)
    return out


def _day_by_case(days: pd.Series, cases: pd.DataFrame) -> pd.Series:
    return days.reindex(cases.index).astype("datetime64[ns]")
