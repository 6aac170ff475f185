"""Rules for the log of distraction sessions. The log is put in order once for all of them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from schemas.fields import LOCAL
from schemas.rules.base import Evidence, Rule
from schemas.rules.linking import (
    Timeline,
    case_dates,
    first_of_case,
    rows_marked,
    timeline,
)

TABLE = "distraction_sessions"
#: mm a day, beyond which the log cannot be right, and beyond which it is asked about
IMPOSSIBLE_MM = 3.0
HIGH_MM = 1.5
MOST_A_DAY = 6
#: whole days without a session that ask for a reason
GAP_DAYS = 2
#: sums of decimal steps are compared with this much room
ROUNDING_MM = 1e-6

RATE = (
    "risk of poor bone above 1.5 mm a day: Kenawey M et al. Clin Orthop Relat Res "
    "2011;469:264-273; at most 3 mm a day: local choice"
)
AGREEMENT = (
    "film and log agreed to 96 %: Kirane et al. Clin Orthop Relat Res 2014;472:3869-78; limits "
    "local choice"
)


def _column(evidence: Evidence, line: Timeline, column: str) -> np.ndarray:
    return evidence[TABLE][column].to_numpy(dtype="float64")[line.rows]


def _day_starts(line: Timeline) -> np.ndarray:
    """Places where a day of a case begins in the ordered log."""
    begins = ~line.follows
    begins[1:] |= line.day[1:] != line.day[:-1]
    return np.flatnonzero(begins)


def _day_totals(evidence: Evidence) -> tuple[Timeline, np.ndarray, np.ndarray]:
    """The ordered log, where its days begin, and the mm of each day (missing steps count 0)."""
    line = timeline(evidence, TABLE)
    starts = _day_starts(line)
    steps = np.nan_to_num(_column(evidence, line, "delivered_mm"))
    totals = np.add.reduceat(steps, starts) if len(starts) else np.zeros(0)
    return line, starts, totals


def _impossible_day(evidence: Evidence) -> pd.Series:
    """Every session of such a day: nobody can say which of them is wrong."""
    line, starts, totals = _day_totals(evidence)
    lengths = np.diff(np.append(starts, len(line.rows)))
    wrong = np.repeat(totals > IMPOSSIBLE_MM + ROUNDING_MM, lengths)
    return rows_marked(evidence[TABLE], line.rows[wrong])


def _high_day(evidence: Evidence) -> pd.Series:
    """The last session of such a day: one query a day."""
    line, starts, totals = _day_totals(evidence)
    last = np.append(starts, len(line.rows))[1:] - 1
    return rows_marked(evidence[TABLE], line.rows[last[totals > HIGH_MM + ROUNDING_MM]])


def _many_a_day(evidence: Evidence) -> pd.Series:
    """The first session beyond the usual number on its day."""
    line = timeline(evidence, TABLE)
    starts = _day_starts(line)
    lengths = np.diff(np.append(starts, len(line.rows)))
    return rows_marked(evidence[TABLE], line.rows[starts[lengths > MOST_A_DAY] + MOST_A_DAY])


def _same_moment(evidence: Evidence) -> pd.Series:
    log = evidence[TABLE]
    line = timeline(evidence, TABLE)
    moment = log["started_at"].to_numpy()[line.rows]
    again = np.zeros(len(moment), dtype=bool)
    again[1:] = line.follows[1:] & (moment[1:] == moment[:-1])
    return rows_marked(log, line.rows[again])


def _too_early(evidence: Evidence) -> pd.Series:
    """The first lengthening session of a case, where it lies before the start of distraction."""
    line = timeline(evidence, TABLE)
    early = line.day < case_dates(evidence, "distraction_start_date", line)
    early &= _column(evidence, line, "delivered_mm") > 0
    return rows_marked(evidence[TABLE], first_of_case(line, early))


def _too_late(evidence: Evidence) -> pd.Series:
    """The first lengthening session of a case after the end of distraction; reversals may come."""
    line = timeline(evidence, TABLE)
    late = line.day > case_dates(evidence, "distraction_end_date", line)
    late &= _column(evidence, line, "delivered_mm") > 0
    return rows_marked(evidence[TABLE], first_of_case(line, late))


def _gap(evidence: Evidence) -> pd.Series:
    """The session after the first gap of a case; what follows the end of distraction is no gap."""
    line = timeline(evidence, TABLE)
    away = np.zeros(len(line.rows), dtype=bool)
    step = (line.day[1:] - line.day[:-1]).astype("int64")
    away[1:] = line.follows[1:] & (step > GAP_DAYS)
    away &= ~(line.day > case_dates(evidence, "distraction_end_date", line))
    return rows_marked(evidence[TABLE], first_of_case(line, away))


def _over_prescription(evidence: Evidence) -> pd.Series:
    log = evidence[TABLE]
    allowed = 1.5 * log["prescribed_mm"] + ROUNDING_MM
    return (log["prescribed_mm"] > 0) & (log["delivered_mm"] > allowed)


def _log_difference(evidence: Evidence) -> pd.Series:
    """Absolute difference between net logged length and achieved gain of every case, in mm.

    Missing where there is no log, a step of it is missing, distraction has not ended, or the
    patient came only after distraction had begun (the log then starts in the middle).
    """
    cases = evidence["cases"]
    line = timeline(evidence, TABLE)
    net = np.full(len(cases), np.nan)
    starts = np.flatnonzero(~line.follows)
    if len(starts):
        steps = _column(evidence, line, "delivered_mm")
        net[line.case[starts]] = np.add.reduceat(steps, starts)
    comparable = cases["distraction_end_date"].notna()
    comparable &= ~(cases["arrival_date"] > cases["distraction_start_date"])
    return (cases["achieved_gain_mm"] - net).abs().where(comparable)


def _allowed(evidence: Evidence, least: float, share: float) -> pd.Series:
    return (share * evidence["cases"]["achieved_gain_mm"].abs()).clip(lower=least)


def _log_far(evidence: Evidence) -> pd.Series:
    return _log_difference(evidence) > _allowed(evidence, 10, 0.25)


def _log_differs(evidence: Evidence) -> pd.Series:
    differs = _log_difference(evidence) > _allowed(evidence, 3, 0.10)
    return differs & ~_log_far(evidence)


def _session_rule(
    name: str, column: str, message: str, source: str, fails: Callable[[Evidence], pd.Series]
) -> Rule:
    return Rule(
        id=name,
        table=TABLE,
        column=column,
        severity="warning",
        message=message,
        source=source,
        fails=fails,
    )


SESSION_RULES: tuple[Rule, ...] = (
    Rule(
        id="day_total_over_3_mm",
        table=TABLE,
        column="delivered_mm",
        severity="error",
        message="Correct the sessions of this day: together they lengthen by more than 3 mm.",
        source=RATE,
        fails=_impossible_day,
    ),
    _session_rule(
        "day_total_over_1_5_mm",
        "delivered_mm",
        "Check the sessions of this day: together they lengthen by more than 1.5 mm.",
        RATE,
        _high_day,
    ),
    _session_rule(
        "over_prescription",
        "delivered_mm",
        "Check the delivered length: it is over one and a half times what was prescribed.",
        LOCAL,
        _over_prescription,
    ),
    _session_rule(
        "many_sessions_a_day",
        "started_at",
        "Check the sessions of this day: there are more than six.",
        "3 or 4 sessions a day: common practice, no published source; limit local choice",
        _many_a_day,
    ),
    _session_rule(
        "session_logged_twice",
        "started_at",
        "Check this session, or delete it: another of the case starts at the same moment.",
        LOCAL,
        _same_moment,
    ),
    _session_rule(
        "session_before_distraction",
        "started_at",
        "Check this session and the first day of distraction: from here the log lengthens before "
        "it.",
        LOCAL,
        _too_early,
    ),
    _session_rule(
        "session_after_distraction",
        "started_at",
        "Check this session and the last day of distraction: from here the log lengthens after it.",
        LOCAL,
        _too_late,
    ),
    _session_rule(
        "gap_in_sessions",
        "started_at",
        "Enter the sessions that are missing, or confirm the pause: two whole days or more "
        "before this one have none.",
        "a pause can let the bone unite too early: from memory; limit local choice",
        _gap,
    ),
    Rule(
        id="log_differs_from_gain",
        table="cases",
        column="achieved_gain_mm",
        severity="warning",
        message="Compare the achieved gain with the session log: they differ by more than 3 mm "
        "and 10 percent.",
        source=AGREEMENT,
        fails=_log_differs,
    ),
    Rule(
        id="log_far_from_gain",
        table="cases",
        column="achieved_gain_mm",
        severity="warning",
        message="Check film, log and device with the treating surgeon: gain and log differ by "
        "more than 10 mm and 25 percent, which can mean that the device failed.",
        source=AGREEMENT,
        fails=_log_far,
    ),
)
