"""Which cases must we discuss? Facts that ask for a look, never a judgement of a person."""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.measures.distraction import session_rhythm
from audit.periods import last_day
from audit.run import AuditRun

#: healing index above which a single case is looked at, days/cm, by (device class, segment)
#: (upper ends of published ranges: Acta Orthop 2019;90:81-87; Children 2023;10:1586 mean + 1 SD)
INDEX_FLAG = {
    ("lengthening_nail", "femur"): 76.0,
    ("lengthening_nail", "tibia"): 122.0,
    ("circular_fixator", "femur"): 82.0,
    ("circular_fixator", "tibia"): 79.0,
    ("monolateral_fixator", "femur"): 82.0,
    ("monolateral_fixator", "tibia"): 79.0,
    ("lengthening_over_nail", "femur"): 60.0,
    ("lengthening_over_nail", "tibia"): 60.0,
}
STIFF_FLEXION_DEG = 90.0  # flexion below which a knee is looked at: local choice
LOST_FLEXION_DEG = 15.0  # loss from baseline that is looked at: local choice
LARGE_ERROR_MM = 10.0  # distance from the plan that is looked at: local choice
MISSED_DAYS = 2.0  # days in a row without a logged session: local choice
SEVERE = ("II", "IIIA", "IIIB")
ENDED = {
    "stopped_early": "treatment stopped early",
    "device_exchanged": "device exchanged",
    "lost_to_follow_up": "lost to follow-up",
    "amputated": "amputated",
    "died": "died",
}
COLUMNS = ["case_id", "device_class", "segment", "surgery_date", "reason", "weight"]


def cases_to_discuss(run: AuditRun) -> pd.DataFrame:
    """One row a case and reason, heaviest case first: `COLUMNS`.

    Cases active in the quarter: operated by its end and followed into it, or in treatment at the
    cut-off. weight: how heavily a reason counts in the order (1 to 4, local choice).
    """
    active = _active(run)
    reasons = [*_length_and_bone(run, active), *_motion(active), *_course(run, active)]
    filled = [part for part in reasons if not part.empty]
    if not filled:
        return pd.DataFrame(columns=COLUMNS)
    found = pd.concat(filled, ignore_index=True)
    total = found.groupby("case_id")["weight"].transform("sum")
    found = found.assign(_total=total)
    found = found.sort_values(
        ["_total", "case_id", "weight"], ascending=[False, True, False], kind="stable"
    )
    return found[COLUMNS].reset_index(drop=True)


def _active(run: AuditRun) -> pd.DataFrame:
    end = last_day(run.quarter)
    cases = run.measured
    followed = (cases["follow_up_end"] >= run.quarter.start_time.normalize()) | (
        cases["outcome_status"] == "in_treatment"
    )
    chosen = cases.loc[(cases["surgery_date"] <= end) & followed].set_index("case_id", drop=False)
    rhythm = session_rhythm(run.cohort).reindex(chosen.index)
    return chosen.assign(longest_gap_days=rhythm["longest_gap_days"])


def _words(values: pd.Series, form: str) -> pd.Series:
    """Values in words, whatever the type of a column that may be wholly missing."""
    return pd.Series([form.format(value) for value in values], values.index, dtype=object)


def _reason(
    cases: pd.DataFrame, applies: pd.Series, words: pd.Series | str, weight: int
) -> pd.DataFrame:
    applies = applies.fillna(False).astype(bool)
    found = cases.loc[applies, ["case_id", "device_class", "segment", "surgery_date"]].copy()
    found["reason"] = words[applies] if isinstance(words, pd.Series) else words
    found["weight"] = weight
    return found


def _length_and_bone(run: AuditRun, cases: pd.DataFrame) -> list[pd.DataFrame]:
    pairs = pd.Series(list(zip(cases["device_class"], cases["segment"], strict=True)), cases.index)
    flag = pairs.map(INDEX_FLAG)
    waited = (run.cohort.cutoff - cases["surgery_date"]) / pd.Timedelta(days=1)
    overdue = flag * cases["achieved_gain_mm"] / 10
    waiting = cases["healing_index_days_per_cm_reason"] == "not_united"
    error = cases["gain_error_mm"]
    size = _words(error.abs(), "{:.0f} mm")
    side = pd.Series(np.where(error < 0, "short of", "beyond"), error.index, dtype=object)
    return [
        _reason(cases, waiting & (waited > overdue), "union overdue for the length gained", 3),
        _reason(
            cases,
            cases["healing_index_days_per_cm"] > flag,
            "healing index above its flag",
            2,
        ),
        _reason(cases, error.abs() > LARGE_ERROR_MM, size + " " + side + " the plan", 2),
    ]


def _motion(cases: pd.DataFrame) -> list[pd.DataFrame]:
    last, baseline = cases["knee_flexion_last_deg"], cases["knee_flexion_baseline_deg"]
    united = cases["healing_index_days_per_cm"].notna()
    degrees = _words(last, "{:.0f} degrees")
    lost = _words(baseline - last, "{:.0f} degrees")
    stiff = last < STIFF_FLEXION_DEG
    return [
        _reason(cases, stiff, "knee flexion " + degrees + " at the last examination", 3),
        _reason(
            cases,
            united & ~stiff & (baseline - last > LOST_FLEXION_DEG),
            "knee flexion " + lost + " below baseline after union",
            2,
        ),
    ]


def _course(run: AuditRun, cases: pd.DataFrame) -> list[pd.DataFrame]:
    start, end = run.quarter.start_time.normalize(), last_day(run.quarter)
    events = run.cohort.tables["complications"]
    recent = events.loc[
        events["severity_type"].isin(SEVERE)
        & (events["occurred_on"] >= start)
        & (events["occurred_on"] <= end)
    ]
    worst = recent.sort_values("severity_type").groupby("case_id")["severity_type"].last()
    grade = cases["case_id"].map(worst).astype(object)
    ending = cases["outcome_status"].map(ENDED).astype(object)
    gap = cases["longest_gap_days"]
    return [
        _reason(cases, grade.notna(), "complication of severity type " + _words(grade, "{}"), 4),
        _reason(cases, ending.notna(), ending, 3),
        _reason(
            cases,
            gap >= MISSED_DAYS,
            _words(gap, "{:.0f}") + " days in a row without a logged session",
            1,
        ),
    ]
