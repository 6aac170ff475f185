"""Rules for joint motion: knee arc, repeated examinations, and losses during distraction."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from schemas.fields import LOCAL
from schemas.rules.base import Evidence, Rule
from schemas.rules.linking import Timeline, case_dates, rows_marked, timeline

SAME_DAY_DEGREES = 15
STIFF_KNEE = 45
CONTRACTURE = 40
#: an event within this many days answers a query about lost motion
EVENT_DAYS = 14
EVENT_ORIGINS = ("soft_tissue", "joint")


def _knee(evidence: Evidence) -> pd.Series:
    return evidence["joint_motion"]["joint"].isin(["knee"])


def _no_arc(evidence: Evidence) -> pd.Series:
    motion = evidence["joint_motion"]
    return _knee(evidence) & (motion["flexion_deg"] <= motion["extension_deficit_deg"])


def _stiff(evidence: Evidence) -> pd.Series:
    """Above 160 degrees the column's own usual limit asks already."""
    return _knee(evidence) & (evidence["joint_motion"]["flexion_deg"] < 30)


def _same_day_differs(column: str) -> Callable[[Evidence], pd.Series]:
    """True for a repeated examination of a joint on one day that is far from the first."""

    def fails(evidence: Evidence) -> pd.Series:
        motion = evidence["joint_motion"]
        line = timeline(evidence, "joint_motion")
        codes, names = pd.factorize(motion["joint"])
        joint = codes[line.rows]
        value = motion[column].to_numpy(dtype="float64")[line.rows]
        given = np.flatnonzero((joint >= 0) & ~np.isnan(value))
        examination = (_packed(line) * (len(names) + 1) + joint)[given]
        given = given[np.argsort(examination, kind="stable")]
        examination.sort(kind="stable")
        first = np.searchsorted(examination, examination)
        far = np.abs(value[given] - value[given][first]) > SAME_DAY_DEGREES
        return rows_marked(motion, line.rows[given[far]])

    return fails


def _in_distraction(evidence: Evidence, line: Timeline) -> np.ndarray:
    """True for rows dated within distraction; a case still in treatment may have no end yet."""
    cases = evidence["cases"]
    start = case_dates(evidence, "distraction_start_date", line)
    end = case_dates(evidence, "distraction_end_date", line)
    ongoing = cases["outcome_status"].isin(["in_treatment"]) & cases["union_date"].isna()
    open_ended = np.isnat(end) & ongoing.to_numpy()[line.case]
    return (line.day >= start) & ((line.day <= end) | open_ended)


def _unanswered(evidence: Evidence, line: Timeline) -> np.ndarray:
    """True for rows without a joint or soft-tissue event of the case within 14 days."""
    events = timeline(evidence, "complications")
    origin = evidence["complications"]["origin"].isin(EVENT_ORIGINS).to_numpy()
    events = events.keep(origin[events.rows])
    event_at = _packed(events)
    place = _packed(line)
    nearest_after = np.searchsorted(event_at, place - EVENT_DAYS)
    padded = np.append(event_at, np.iinfo("int64").max)
    return padded[nearest_after] > place + EVENT_DAYS


def _packed(line: Timeline) -> np.ndarray:
    """Case and day as one whole number, so that days of different cases lie far apart."""
    return (line.case.astype("int64") << 24) + line.day.astype("int64")


def _flexion_lost(evidence: Evidence) -> pd.Series:
    motion = evidence["joint_motion"]
    line = timeline(evidence, "joint_motion")
    flexion = motion["flexion_deg"].to_numpy(dtype="float64")[line.rows]
    line_of_knee = _knee(evidence).to_numpy()[line.rows] & ~np.isnan(flexion)
    line, flexion = line.keep(line_of_knee), flexion[line_of_knee]
    baseline = np.full(len(evidence["cases"]), np.nan)
    before = line.day <= case_dates(evidence, "surgery_date", line)
    baseline[line.case[before]] = flexion[before]
    low = (flexion < STIFF_KNEE) | (flexion < baseline[line.case] / 2)
    lost = low & _in_distraction(evidence, line) & _unanswered(evidence, line)
    return rows_marked(motion, line.rows[lost])


def _contracture(evidence: Evidence) -> pd.Series:
    motion = evidence["joint_motion"]
    line = timeline(evidence, "joint_motion")
    deficit = motion["extension_deficit_deg"].to_numpy(dtype="float64")[line.rows]
    bent = _knee(evidence).to_numpy()[line.rows] & (deficit > CONTRACTURE)
    bent &= _in_distraction(evidence, line) & _unanswered(evidence, line)
    return rows_marked(motion, line.rows[bent])


def _repeat_rule(column: str) -> Rule:
    return Rule(
        id="same_day_examinations_differ",
        table="joint_motion",
        column=column,
        severity="warning",
        message="Check both examinations of this joint on this day, or delete one: they differ "
        "by more than 15 degrees.",
        source=LOCAL,
        fails=_same_day_differs(column),
    )


MOTION_RULES: tuple[Rule, ...] = (
    Rule(
        id="knee_arc_not_positive",
        table="joint_motion",
        column="flexion_deg",
        severity="error",
        message="Correct the flexion or the extension deficit: the knee must bend further than "
        "the position it can straighten to.",
        source=LOCAL,
        fails=_no_arc,
    ),
    Rule(
        id="knee_flexion_under_30",
        table="joint_motion",
        column="flexion_deg",
        severity="warning",
        message="Check the flexion: a knee that bends less than 30 degrees is rare.",
        source="normal ranges: Soucie JM et al. Haemophilia 2011;17:500-507, DOI "
        "10.1111/j.1365-2516.2010.02399.x; limit local choice",
        fails=_stiff,
    ),
    _repeat_rule("flexion_deg"),
    _repeat_rule("extension_deficit_deg"),
    Rule(
        id="flexion_lost_in_distraction",
        table="joint_motion",
        column="flexion_deg",
        severity="warning",
        message="Check the flexion, and enter the complication if it is right: during "
        "distraction the knee lost half of its flexion or bends less than 45 degrees.",
        source="45 degrees as a rule of thumb: from memory; half: local choice",
        fails=_flexion_lost,
    ),
    Rule(
        id="contracture_in_distraction",
        table="joint_motion",
        column="extension_deficit_deg",
        severity="warning",
        message="Check the extension deficit, and enter the complication if it is right: knees "
        "can slip out of joint beyond 40 degrees.",
        source="subluxation above 40 degrees of fixed flexion: femoral series, PMID 11352190",
        fails=_contracture,
    ),
)
