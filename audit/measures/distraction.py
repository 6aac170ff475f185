"""How did distraction run?"""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.cohort import Cohort
from audit.measures.common import days_between, gain_reasons, measured


def distraction_measures(cohort: Cohort) -> pd.DataFrame:
    """Latency, days of distraction and mean rate, one row a case (index: case_id).

    Days count from the first to the last day of distraction (their difference, so both ends are
    not counted twice). The rate is gain at the end of distraction / those days, in mm/day.
    """
    cases = cohort.cases.set_index("case_id")
    start, end = cases["distraction_start_date"], cases["distraction_end_date"]
    latency = days_between(start, cases["surgery_date"])
    length = days_between(end, start)
    not_started = (start.isna(), "no_distraction_start")
    not_ended = (end.isna(), "distraction_not_finished")
    rate = cases["achieved_gain_mm"] / length.where(length > 0)
    return pd.concat(
        [
            measured("latency_days", latency, [not_started]),
            measured("distraction_days", length, [not_started, not_ended]),
            measured(
                "distraction_index_mm_per_day",
                rate,
                [not_started, not_ended, *gain_reasons(cases), (length <= 0, "no_day_between")],
            ),
            session_rhythm(cohort).reindex(cases.index),
        ],
        axis=1,
    )


def session_rhythm(cohort: Cohort) -> pd.DataFrame:
    """What the session log says, one row a case that has sessions (index: case_id).

    sessions: count; logged_gain_mm: net sum; reversed_mm: sum of reversals (positive);
    delivered_mm_per_day: net / days from first to last session day, both counted;
    prescribed_mm_per_day likewise (missing unless every session has a prescription);
    longest_gap_days: longest run of days between two session days, minus one.
    """
    columns = [
        "sessions",
        "logged_gain_mm",
        "reversed_mm",
        "delivered_mm_per_day",
        "prescribed_mm_per_day",
        "longest_gap_days",
    ]
    log = cohort.tables["distraction_sessions"]
    if log.empty:
        return pd.DataFrame(columns=columns, dtype=float)
    log = log.sort_values(["case_id", "started_at"], kind="stable")
    day = log["started_at"].dt.normalize()
    gap = (day - day.groupby(log["case_id"]).shift()) / pd.Timedelta(days=1) - 1
    groups = log.assign(
        day=day, gap=gap.clip(lower=0), back=log["delivered_mm"].clip(upper=0).abs()
    ).groupby("case_id")
    span = (groups["day"].max() - groups["day"].min()) / pd.Timedelta(days=1) + 1
    delivered = groups["delivered_mm"].sum()
    prescribed = (
        groups["prescribed_mm"]
        .sum(min_count=1)
        .where(groups["prescribed_mm"].count() == groups.size(), np.nan)
    )
    out = pd.DataFrame(
        {
            "sessions": groups.size().astype(float),
            "logged_gain_mm": delivered,
            "reversed_mm": groups["back"].sum(),
            "delivered_mm_per_day": delivered / span,
            "prescribed_mm_per_day": prescribed / span,
            "longest_gap_days": groups["gap"].max().fillna(0.0),
        }
    )
    return out[columns]
