"""Rules for dated facts against the limits of their case: surgery, last follow-up, death."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from schemas.fields import LOCAL
from schemas.rules.base import ROW, VALUE, Evidence, Rule, days
from schemas.rules.linking import TIMES, beside, case_positions, of_case, rows_marked

#: case dates that show that somebody saw the case on that day
SEEN_ON = (
    "surgery_date",
    "distraction_start_date",
    "distraction_end_date",
    "union_date",
    "full_weight_bearing_date",
    "fixator_removal_date",
    "device_removal_date",
)
#: outcomes on whose day the case was seen; of a death or a loss one can hear later
SEEN_OUTCOMES = ("completed", "stopped_early", "device_exchanged", "amputated")
#: tables of which every row is a day on which the case was seen
VISITS = ("radiographs", "joint_motion", "weight_bearing", "complications")
#: tables that may hold a baseline from before surgery, and how old it may be
BASELINES = ("radiographs", "joint_motion", "weight_bearing")
BASELINE_DAYS = 365
#: a home log is read at the next visit, so its last session lies close to one
LOG_DAYS = 31


def _before_surgery(table: str) -> Callable[[Evidence], pd.Series]:
    column = TIMES[table]
    return lambda evidence: evidence[table][column] < of_case(evidence, table, "surgery_date")


def _long_before_surgery(table: str) -> Callable[[Evidence], pd.Series]:
    def fails(evidence: Evidence) -> pd.Series:
        surgery = of_case(evidence, table, "surgery_date")
        return days(surgery, evidence[table][TIMES[table]]) > BASELINE_DAYS

    return fails


def _death(evidence: Evidence) -> pd.Series:
    """Day of death of every case, missing where the patient is not known to have died."""
    cases = evidence["cases"]
    return cases["outcome_date"].where(cases["outcome_status"].isin(["died"]))


def _after_death(table: str, column: str) -> Callable[[Evidence], pd.Series]:
    def fails(evidence: Evidence) -> pd.Series:
        frame = evidence[table]
        last_moment = _death(evidence) + pd.Timedelta(days=1)
        if last_moment.isna().all():
            return pd.Series(data=False, index=frame.index)
        if table != "cases":
            last_moment = beside(evidence, table, last_moment)
        return frame[column] >= last_moment

    return fails


def _latest(evidence: Evidence, table: str, column: str) -> np.ndarray:
    """Latest day of a column of a child table for every case, missing where none."""
    positions = case_positions(evidence, table)
    day = evidence[table][column].to_numpy("datetime64[D]").astype("int64")
    latest = np.full(len(evidence["cases"]), np.iinfo("int64").min)
    known = positions >= 0
    np.maximum.at(latest, positions[known], day[known])
    return latest


def last_seen(evidence: Evidence) -> pd.Series:
    """Latest day on which a case must have been seen, over all its dates, visits and events."""
    cases = evidence["cases"]
    outcome = cases["outcome_date"].where(cases["outcome_status"].isin(SEEN_OUTCOMES))
    dates = [cases[column] for column in SEEN_ON] + [outcome]
    latest = np.full(len(cases), np.iinfo("int64").min)
    for values in dates:
        latest = np.maximum(latest, values.to_numpy("datetime64[D]").astype("int64"))
    for table in VISITS:
        latest = np.maximum(latest, _latest(evidence, table, TIMES[table]))
    latest = np.maximum(latest, _latest(evidence, "complications", "resolved_on"))
    return pd.Series(latest.astype("datetime64[D]").astype("datetime64[ns]"), index=cases.index)


def _facts_after_last_follow_up(evidence: Evidence) -> pd.Series:
    return last_seen(evidence) > evidence["cases"]["last_follow_up_date"]


def _log_after_last_follow_up(evidence: Evidence) -> pd.Series:
    cases = evidence["cases"]
    last_session = _latest(evidence, "distraction_sessions", "started_at")
    last_seen_on = cases["last_follow_up_date"].to_numpy("datetime64[D]").astype("int64")
    known = cases["last_follow_up_date"].notna().to_numpy()
    known &= last_session > np.iinfo("int64").min
    late = known & (last_session > last_seen_on + LOG_DAYS)
    return rows_marked(cases, late)


def _death_rule(table: str, column: str, keeps_out: str) -> Rule:
    return Rule(
        id="after_death",
        table=table,
        column=column,
        severity="error",
        keeps_out=keeps_out,
        message="Correct this date, the outcome status or the day of death: nothing happens to a "
        "case after death.",
        source=LOCAL,
        fails=_after_death(table, column),
    )


def _baseline_rule(table: str) -> Rule:
    return Rule(
        id="long_before_surgery",
        table=table,
        column=TIMES[table],
        severity="warning",
        message="Check this date or the case: a baseline is rarely older than a year before "
        "surgery.",
        source=LOCAL,
        fails=_long_before_surgery(table),
    )


def _start_rule(table: str, message: str) -> Rule:
    return Rule(
        id=table.removesuffix("s").removeprefix("distraction_") + "_before_surgery",
        table=table,
        column=TIMES[table],
        severity="error",
        keeps_out=ROW,
        message=message,
        source=LOCAL,
        fails=_before_surgery(table),
    )


_FOLLOW_UP = Rule(
    id="facts_after_last_follow_up",
    table="cases",
    column="last_follow_up_date",
    severity="error",
    message="Correct the last follow-up: a milestone, film, examination, assessment or event of "
    "the case is dated after it.",
    source=LOCAL,
    fails=_facts_after_last_follow_up,
)
_LOG = Rule(
    id="sessions_after_last_follow_up",
    table="cases",
    column="last_follow_up_date",
    severity="warning",
    message="Enter the visit at which the session log was read: its last session lies more than "
    "a month after the last follow-up.",
    source=LOCAL,
    fails=_log_after_last_follow_up,
)

FACT_RULES: tuple[Rule, ...] = (
    _start_rule(
        "complications",
        "Correct the day of the event or the day of surgery: a complication cannot come before "
        "the operation.",
    ),
    _start_rule(
        "distraction_sessions",
        "Correct the day of the session or the day of surgery: no session is given before the "
        "device is in.",
    ),
    *(_death_rule("cases", column, VALUE) for column in SEEN_ON[1:]),
    _death_rule("cases", "last_follow_up_date", VALUE),
    *(_death_rule(table, column, ROW) for table, column in TIMES.items()),
    _death_rule("complications", "resolved_on", VALUE),
    _FOLLOW_UP,
    *(_baseline_rule(table) for table in BASELINES),
    _LOG,
)
