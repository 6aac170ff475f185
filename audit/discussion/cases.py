"""Which cases must we discuss? Facts that ask for a look, never a judgement of a person."""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.discussion.limits import limits_for
from audit.measures.common import MM_PER_CM
from audit.periods import last_day
from audit.run import AuditRun

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
    cut-off. weight: how heavily a reason counts in the order (1 to 4, local choice). The limits
    stand in `audit.discussion.limits`, the tolerance of the plan in the settings.
    """
    active = _active(run)
    reasons = [
        *_bone(run, active),
        *_length(run, active),
        *_motion(active),
        *_walking(run, active),
        *_course(run, active),
        *_sessions(run, active),
    ]
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
    facts = run.cohort.cases.set_index("case_id")
    more = ["age_at_surgery_years", "distraction_start_date", "distraction_end_date"]
    return chosen.assign(**{name: facts[name].reindex(chosen.index) for name in more})


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


def _days_to_now(run: AuditRun, cases: pd.DataFrame) -> pd.Series:
    return (run.cohort.cutoff - cases["surgery_date"]) / pd.Timedelta(days=1)


def _bone(run: AuditRun, cases: pd.DataFrame) -> list[pd.DataFrame]:
    flag = limits_for("healing_index", cases)
    waited = _days_to_now(run, cases)
    overdue = flag * cases["achieved_gain_mm"] / MM_PER_CM
    waiting = cases["healing_index_days_per_cm_reason"] == "not_united"
    rate = cases["distraction_index_mm_per_day"]
    speed = "distraction index " + _words(rate, "{:.2f} mm/day")
    index = cases["healing_index_days_per_cm"]
    framed = cases["external_fixation_index_days_per_cm"]
    return [
        _reason(cases, waiting & (waited > overdue), "union overdue for the length gained", 3),
        _reason(
            cases,
            index > flag,
            "healing index " + _words(index, "{:.0f} days/cm") + ", above its flag",
            2,
        ),
        _reason(
            cases,
            framed > limits_for("fixation_index", cases),
            "external fixation index " + _words(framed, "{:.0f} days/cm") + ", above its flag",
            2,
        ),
        _reason(cases, rate > limits_for("fast_distraction", cases), speed, 2),
        _reason(cases, rate < limits_for("slow_distraction", cases), speed, 2),
    ]


def _length(run: AuditRun, cases: pd.DataFrame) -> list[pd.DataFrame]:
    """Every gain outside the tolerance of the plan; a large error counts heavier."""
    error = cases["gain_error_mm"]
    size = _words(error.abs(), "{:.0f} mm")
    side = pd.Series(np.where(error < 0, "short of", "beyond"), error.index, dtype=object)
    words = size + " " + side + " the plan"
    missed = cases["gain_within_tolerance"].astype("boolean").eq(False).fillna(False)
    large = error.abs() > limits_for("gain_error", cases)
    return [_reason(cases, missed & large, words, 2), _reason(cases, missed & ~large, words, 1)]


def _motion(cases: pd.DataFrame) -> list[pd.DataFrame]:
    last, baseline = cases["knee_flexion_last_deg"], cases["knee_flexion_baseline_deg"]
    united = cases["healing_index_days_per_cm"].notna()
    degrees = _words(last, "{:.0f} degrees")
    lost = _words(baseline - last, "{:.0f} degrees")
    stiff = last < limits_for("stiff_knee", cases)
    distracting = (
        cases["distraction_start_date"].notna()
        & cases["distraction_end_date"].isna()
        & (cases["outcome_status"] == "in_treatment")
    )
    urgent = distracting & (last < limits_for("stiff_in_distraction", cases))
    far = baseline - last > limits_for("flexion_lost", cases)
    return [
        _reason(cases, urgent, "knee flexion " + degrees + " during distraction", 4),
        _reason(cases, stiff & ~urgent, "knee flexion " + degrees + " at the last examination", 3),
        _reason(
            cases,
            united & ~stiff & far,
            "knee flexion " + lost + " below baseline after union",
            2,
        ),
    ]


def _walking(run: AuditRun, cases: pd.DataFrame) -> list[pd.DataFrame]:
    waited = _days_to_now(run, cases)
    waits = cases["full_weight_bearing_days_reason"] == "not_yet_full_weight_bearing"
    long = waits & (cases["outcome_status"] == "in_treatment")
    long &= waited > limits_for("full_weight_bearing", cases)
    words = "no full weight bearing " + _words(waited, "{:.0f} days") + " after surgery"
    return [_reason(cases, long, words, 2)]


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
    return [
        _reason(cases, grade.notna(), "complication of severity type " + _words(grade, "{}"), 4),
        _reason(cases, ending.notna(), ending, 3),
    ]


def _sessions(run: AuditRun, cases: pd.DataFrame) -> list[pd.DataFrame]:
    """Gaps of the session log that ended in the quarter, and those still open at its end."""
    start, end = run.quarter.start_time.normalize(), min(last_day(run.quarter), run.cohort.cutoff)
    log = run.cohort.tables["distraction_sessions"]
    days = log.assign(day=log["started_at"].dt.normalize())[["case_id", "day"]].drop_duplicates()
    days = days.loc[days["day"] <= end].sort_values(["case_id", "day"], kind="stable")
    gap = (days["day"] - days.groupby("case_id")["day"].shift()).dt.days - 1
    longest = gap.loc[days["day"] >= start].groupby(days["case_id"]).max().reindex(cases.index)
    last = days.groupby("case_id")["day"].max().reindex(cases.index)
    going_on = cases["distraction_end_date"].isna() & (cases["outcome_status"] == "in_treatment")
    silent = ((end - last).dt.days).where(going_on)
    limit = limits_for("missed_sessions", cases)
    return [
        _reason(
            cases,
            longest >= limit,
            _words(longest, "{:.0f}") + " days in a row without a logged session",
            1,
        ),
        _reason(
            cases,
            silent >= limit,
            "no session logged in the last " + _words(silent, "{:.0f} days") + " of distraction",
            1,
        ),
    ]
