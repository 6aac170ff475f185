"""Measures: one file an audit question, one row a case; a missing value always has its reason."""

from __future__ import annotations

import pandas as pd

from audit.cohort import Cohort
from audit.measures.complications import complication_measures
from audit.measures.distraction import distraction_measures
from audit.measures.healing import healing_measures
from audit.measures.knee import knee_measures
from audit.measures.length import length_measures
from audit.measures.weight_bearing import number_episodes, weight_bearing_measures

#: columns of `cases` that stand beside the measures
KEYS = [
    "case_id",
    "patient_id",
    "centre",
    "side",
    "segment",
    "device_class",
    "surgery_date",
    "outcome_status",
    "follow_up_end",
    "achieved_gain_mm",
    "planned_gain_mm",
]

__all__ = ["KEYS", "measure_cases"]


def measure_cases(cohort: Cohort) -> pd.DataFrame:
    """Every measure of every case in the cohort, one row a case, in order of case_id.

    Columns: `KEYS`, `walking_episode`, each measure, and `<measure>_reason` with why it is
    missing. Units as in the name (mm, days, days_per_cm, months_per_cm, pct, deg).
    """
    cases = cohort.cases
    parts = [
        length_measures(cohort),
        distraction_measures(cohort),
        healing_measures(cohort),
        knee_measures(cohort),
        weight_bearing_measures(cohort),
        complication_measures(cohort),
    ]
    keys = cases[KEYS].assign(
        walking_episode=number_episodes(cases, cohort.settings.episode_gap_days)
    )
    measures = pd.concat(parts, axis=1)
    out = keys.merge(measures, left_on="case_id", right_index=True, how="left")
    return out.sort_values("case_id", kind="stable").reset_index(drop=True)
