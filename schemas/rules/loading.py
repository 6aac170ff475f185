"""Rules for load and walking aids, and for the day of full weight bearing beside them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from schemas.fields import LOCAL
from schemas.rules.base import Evidence, Rule
from schemas.rules.linking import (
    Timeline,
    case_dates,
    cases_marked,
    day_count,
    first_of_case,
    rows_marked,
    timeline,
)

#: the date of full weight bearing and the assessment that shows it may lie this far apart
VISIT_DAYS = 14
#: nobody is told to wait this many weeks for one lengthening; as days it is common
LONGEST_PROMISE_WEEKS = 60


def _has_load(evidence: Evidence, line: Timeline, *codes: str) -> np.ndarray:
    return evidence["weight_bearing"]["load"].isin(codes).to_numpy()[line.rows]


def _walks_freely(evidence: Evidence, line: Timeline) -> np.ndarray:
    """True for rows after surgery that show full load without aids."""
    table = evidence["weight_bearing"]
    free = (table["load"].isin(["full"]) & table["aid"].isin(["none"])).to_numpy()[line.rows]
    return free & (line.day > case_dates(evidence, "surgery_date", line))


def _full_in_wheelchair(evidence: Evidence) -> pd.Series:
    table = evidence["weight_bearing"]
    return table["load"].isin(["full"]) & table["aid"].isin(["wheelchair"])


def _unaided_without_load(evidence: Evidence) -> pd.Series:
    table = evidence["weight_bearing"]
    return table["load"].isin(["none", "toe_touch"]) & table["aid"].isin(["none"])


def _jumps(evidence: Evidence) -> pd.Series:
    line = timeline(evidence, "weight_bearing")
    none, full = _has_load(evidence, line, "none"), _has_load(evidence, line, "full")
    jump = np.zeros(len(full), dtype=bool)
    jump[1:] = line.follows[1:] & none[:-1] & full[1:]
    return rows_marked(evidence["weight_bearing"], line.rows[jump])


def _date_without_assessment(evidence: Evidence) -> pd.Series:
    line = timeline(evidence, "weight_bearing")
    away = day_count(line.day - case_dates(evidence, "full_weight_bearing_date", line))
    shown = _has_load(evidence, line, "full") & (np.abs(away) <= VISIT_DAYS)
    judged = cases_marked(evidence, line, np.ones(len(line.rows), dtype=bool))
    dated = evidence["cases"]["full_weight_bearing_date"].notna()
    return dated & judged & ~cases_marked(evidence, line, shown)


def _assessment_without_date(evidence: Evidence) -> pd.Series:
    line = timeline(evidence, "weight_bearing")
    undated = evidence["cases"]["full_weight_bearing_date"].isna()
    return undated & cases_marked(evidence, line, _walks_freely(evidence, line))


def _date_later_than_seen(evidence: Evidence) -> pd.Series:
    line = timeline(evidence, "weight_bearing")
    late = day_count(case_dates(evidence, "full_weight_bearing_date", line) - line.day)
    return cases_marked(evidence, line, _walks_freely(evidence, line) & (late > VISIT_DAYS))


def _below_full_again(evidence: Evidence) -> pd.Series:
    """One row a case: the first assessment below full after the day of full weight bearing."""
    line = timeline(evidence, "weight_bearing")
    below = _has_load(evidence, line, "none", "toe_touch", "partial")
    below &= line.day > case_dates(evidence, "full_weight_bearing_date", line)
    return rows_marked(evidence["weight_bearing"], first_of_case(line, below))


LOADING_RULES: tuple[Rule, ...] = (
    Rule(
        id="full_load_in_wheelchair",
        table="weight_bearing",
        column="aid",
        severity="warning",
        message="Check load and aid: full load and a wheelchair do not go together.",
        source=LOCAL,
        fails=_full_in_wheelchair,
    ),
    Rule(
        id="no_aid_without_load",
        table="weight_bearing",
        column="aid",
        severity="warning",
        message="Check load and aid: nobody walks without aids on a leg that may not be loaded.",
        source=LOCAL,
        fails=_unaided_without_load,
    ),
    Rule(
        id="load_jumps_to_full",
        table="weight_bearing",
        column="load",
        severity="warning",
        message="Check this load, or enter the assessments between: the one before shows no load "
        "at all.",
        source="early loading depends on the device: Robbins and Paley, Tech Orthop 2020, DOI "
        "10.1097/BTO.0000000000000475; rule local choice",
        fails=_jumps,
    ),
    Rule(
        id="below_full_after_full_weight_bearing",
        table="weight_bearing",
        column="load",
        severity="warning",
        message="Check this load and the day of full weight bearing, and enter a complication if "
        "full load was lost again.",
        source=LOCAL,
        fails=_below_full_again,
    ),
    Rule(
        id="full_weight_bearing_without_assessment",
        table="cases",
        column="full_weight_bearing_date",
        severity="warning",
        message="Enter the assessment that shows full load, or check the date: none lies within "
        "14 days.",
        source=LOCAL,
        fails=_date_without_assessment,
    ),
    Rule(
        id="full_load_seen_without_date",
        table="cases",
        column="full_weight_bearing_date",
        severity="warning",
        message="Enter the day of full weight bearing, or check the assessments: one shows full "
        "load without aids.",
        source=LOCAL,
        fails=_assessment_without_date,
    ),
    Rule(
        id="full_weight_bearing_later_than_seen",
        table="cases",
        column="full_weight_bearing_date",
        severity="warning",
        message="Check the day of full weight bearing: an assessment over 14 days earlier shows "
        "full load without aids.",
        source=LOCAL,
        fails=_date_later_than_seen,
    ),
    Rule(
        id="days_for_weeks",
        table="cases",
        column="counselled_full_weight_bearing_weeks",
        severity="warning",
        message="Check the unit: enter weeks, for this looks like days.",
        source=LOCAL,
        fails=lambda evidence: (
            evidence["cases"]["counselled_full_weight_bearing_weeks"] > LONGEST_PROMISE_WEEKS
        ),
    ),
)
