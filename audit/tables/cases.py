"""Cases for the meeting: which are drawn, and how their distraction ran."""

from __future__ import annotations

import pandas as pd

from audit import wording
from audit.discussion import cases_to_discuss
from audit.measures.distraction import session_rhythm
from audit.periods import last_day
from audit.run import AuditRun
from audit.tables.shown import ShownTable
from schemas import vocabulary


def heaviest_cases(run: AuditRun, *, most: int) -> pd.Series:
    """case_id -> its reasons in words, the `most` heaviest cases to discuss, heaviest first.

    Raises ValueError when `most` is below 1.
    """
    if most < 1:
        raise ValueError(f"most must be 1 or more; got {most!r}")
    found = cases_to_discuss(run)
    reasons = found.groupby("case_id", sort=False)["reason"].agg("; ".join)
    return reasons.head(most)


def rhythm_table(run: AuditRun) -> ShownTable:
    """Delivered beside prescribed, longest gap and reversals of every case with a logged session
    in the quarter; the whole log up to the cut-off is counted."""
    log = run.cohort.tables["distraction_sessions"]
    start, end = run.quarter.start_time.normalize(), last_day(run.quarter)
    day = log["started_at"].dt.normalize()
    active = sorted(log.loc[(day >= start) & (day <= end), "case_id"].unique())
    rhythm = session_rhythm(run.cohort).reindex(active)
    cases = run.cohort.cases.set_index("case_id")
    columns = [
        "Case", "Device and bone", "Sessions", "Delivered (mm/day)", "Prescribed (mm/day)",
        "Longest gap (days)", "Reversed (mm)", "Net gain logged (mm)",
    ]  # fmt: skip
    lines = [
        [
            str(case_id),
            _device_and_bone(cases.loc[case_id]),
            _number(row["sessions"], 0),
            _number(row["delivered_mm_per_day"], 2),
            _number(row["prescribed_mm_per_day"], 2),
            _number(row["longest_gap_days"], 0),
            _number(row["reversed_mm"], 2),
            _number(row["logged_gain_mm"], 1),
        ]
        for case_id, row in rhythm.iterrows()
    ]
    frame = pd.DataFrame(lines, columns=columns)
    notes: tuple[str, ...] = (
        "From the session log up to the cut-off. A day's rate is the sum over the days from the "
        "first to the last session, both counted. Gap: days in a row without a logged session. "
        "What was logged is not proof of what the bone did: see the films.",
        "Prescribed is not recorded unless every session has a prescription.",
    )
    if not lines:
        notes = ("No session is logged in the quarter.",)
    return ShownTable(frame, "session_rhythm", "Session rhythm, cases with sessions", notes)


def _number(value: float, decimals: int) -> str:
    return "not recorded" if pd.isna(value) else wording.rounded(float(value), decimals)


def _device_and_bone(case: pd.Series) -> str:
    device = vocabulary.label("device_class", str(case["device_class"]))
    return f"{device}, {vocabulary.label('segment', str(case['segment'])).lower()}"
