"""Rules for union: its place in time, the healing and fixation indices, and the films behind it."""

from __future__ import annotations

import pandas as pd

from schemas.fields import LOCAL
from schemas.rules.base import Evidence, Rule, days
from schemas.rules.linking import case_dates, cases_marked, day_count, timeline
from schemas.vocabulary import FIXATOR_CLASSES, FRAME_ONLY_CLASSES

#: below this gain no index is formed, so none is judged
LEAST_GAIN_MM = 10
#: cortices that make a union (three of four on two views)
UNION_CORTICES = 3
FILM_DAYS = 14
CUT_SHORT = ("stopped_early",)

INDEX = (
    "femur 0.6-2.5 and tibia 1.6-4.0 months/cm: Horn et al. Acta Orthop 2018, DOI "
    "10.1080/17453674.2018.1534321; 31.3 and 47.1 days/cm: Laubscher et al. Bone Joint J "
    "2016;98-B:1382-8, DOI 10.1302/0301-620X.98B10.36643; limits local choice"
)
FIXATION = (
    "15.1-50 days/cm: Singh et al. Skeletal Radiol 2010;39:261-266; 57.6 days/cm: Front Surg "
    "2023, DOI 10.3389/fsurg.2023.1280332; limits local choice"
)
MATURATION = (
    "means 4.5-6 months over a nail: J Orthop Traumatol, DOI 10.1186/s10195-019-0538-y; limits "
    "local choice"
)
CORTICES = "three of four cortices on two views: common practice; limit in days local choice"


def _index(evidence: Evidence, column: str) -> pd.Series:
    """Days from surgery to a date per cm gained, missing below the least gain."""
    cases = evidence["cases"]
    gain = cases["achieved_gain_mm"].where(cases["achieved_gain_mm"] >= LEAST_GAIN_MM)
    return days(cases[column], cases["surgery_date"]) / (gain / 10)


def _healing_impossible(evidence: Evidence) -> pd.Series:
    index = _index(evidence, "union_date")
    return (index <= 0) | (index > 400)


def _healing_unusual(evidence: Evidence) -> pd.Series:
    index = _index(evidence, "union_date")
    return (index < 10) | (index > 125)


def _fixation(evidence: Evidence, low: float, high: float) -> pd.Series:
    """Index outside limits. Over a nail the frame comes off early: no low limit there."""
    device = evidence["cases"]["device_class"]
    index = _index(evidence, "fixator_removal_date")
    too_short = (index < low) & device.isin(FRAME_ONLY_CLASSES)
    return too_short | ((index > high) & device.isin(FIXATOR_CLASSES))


def _maturation(evidence: Evidence) -> pd.Series:
    cases = evidence["cases"]
    return days(cases["union_date"], cases["distraction_end_date"])


def _maturation_unusual(evidence: Evidence) -> pd.Series:
    span = _maturation(evidence)
    return (span > 540) | ((span >= 0) & (span < 14))


def _united_early(evidence: Evidence) -> pd.Series:
    return _maturation(evidence) < 0


def _stopped(evidence: Evidence) -> pd.Series:
    return evidence["cases"]["outcome_status"].isin(CUT_SHORT)


def _gain_in_treatment(evidence: Evidence) -> pd.Series:
    cases = evidence["cases"]
    waiting = cases["outcome_status"].isin(["in_treatment"]) & cases["union_date"].isna()
    return waiting & cases["achieved_gain_mm"].notna() & cases["distraction_end_date"].isna()


def _union_without_end(evidence: Evidence) -> pd.Series:
    cases = evidence["cases"]
    return cases["union_date"].notna() & cases["distraction_end_date"].isna()


def _union_without_film(evidence: Evidence) -> pd.Series:
    line = timeline(evidence, "radiographs")
    cortices = evidence["radiographs"]["cortices_bridged"].to_numpy()[line.rows]
    away = day_count(line.day - case_dates(evidence, "union_date", line))
    near = (cortices >= UNION_CORTICES) & (abs(away) <= FILM_DAYS)
    judged = cases_marked(evidence, line, cortices >= 0)
    return evidence["cases"]["union_date"].notna() & judged & ~cases_marked(evidence, line, near)


def _film_without_union(evidence: Evidence) -> pd.Series:
    line = timeline(evidence, "radiographs")
    cortices = evidence["radiographs"]["cortices_bridged"].to_numpy()[line.rows]
    after_distraction = line.day > case_dates(evidence, "distraction_end_date", line)
    late = line.day > case_dates(evidence, "last_follow_up_date", line)
    bridged = (cortices >= UNION_CORTICES) & after_distraction & ~late
    return evidence["cases"]["union_date"].isna() & cases_marked(evidence, line, bridged)


_ERRORS: tuple[Rule, ...] = (
    Rule(
        id="union_before_surgery",
        table="cases",
        column="union_date",
        severity="error",
        message="Correct the union date or the day of surgery: the bone cannot unite before it "
        "is cut.",
        source=LOCAL,
        fails=lambda evidence: evidence["cases"]["union_date"] < evidence["cases"]["surgery_date"],
    ),
    Rule(
        id="union_before_distraction_end",
        table="cases",
        column="union_date",
        severity="error",
        message="Correct the union date or the end of distraction, or enter that treatment "
        "stopped early: a bone that has united cannot be lengthened further.",
        source="premature consolidation stops distraction: from memory",
        fails=lambda evidence: _united_early(evidence) & ~_stopped(evidence),
    ),
    Rule(
        id="maturation_over_1095_days",
        table="cases",
        column="union_date",
        severity="error",
        message="Correct the union date or the end of distraction: they lie over three years "
        "apart.",
        source=MATURATION,
        fails=lambda evidence: _maturation(evidence) > 1095,
    ),
    Rule(
        id="healing_index_impossible",
        table="cases",
        column="union_date",
        severity="error",
        message="Correct the union date, the day of surgery or the achieved gain: together they "
        "mean no time at all or over 400 days for a centimetre.",
        source=INDEX,
        fails=_healing_impossible,
    ),
    # stands here because a union date that is an error must be out by now, and an interim gain
    # must be out before an index is formed with it
    Rule(
        id="gain_while_in_distraction",
        table="cases",
        column="achieved_gain_mm",
        severity="error",
        message="Enter the last day of distraction, or clear the achieved gain until distraction "
        "has ended: an interim gain belongs in the radiographs table.",
        source=LOCAL,
        fails=_gain_in_treatment,
    ),
    Rule(
        id="fixation_index_impossible",
        table="cases",
        column="fixator_removal_date",
        severity="error",
        message="Correct the day of fixator removal or the achieved gain: together they mean "
        "less than 10 or more than 200 days in the frame for a centimetre.",
        source=FIXATION,
        fails=lambda evidence: _fixation(evidence, 10, 200),
    ),
)

_WARNINGS: tuple[Rule, ...] = (
    Rule(
        id="union_before_end_of_stopped_distraction",
        table="cases",
        column="union_date",
        severity="warning",
        message="Check the union date and the end of distraction: early union may be why "
        "treatment stopped, but then distraction ends with it.",
        source="premature consolidation stops distraction: from memory",
        fails=lambda evidence: _united_early(evidence) & _stopped(evidence),
    ),
    Rule(
        id="union_without_distraction_end",
        table="cases",
        column="union_date",
        severity="warning",
        message="Enter the last day of distraction, or check the union date: a united bone is no "
        "longer distracted.",
        source=LOCAL,
        fails=_union_without_end,
    ),
    Rule(
        id="maturation_unusual",
        table="cases",
        column="union_date",
        severity="warning",
        message="Check the union date and the end of distraction: they lie less than 14 or more "
        "than 540 days apart.",
        source=MATURATION,
        fails=_maturation_unusual,
    ),
    Rule(
        id="healing_index_unusual",
        table="cases",
        column="union_date",
        severity="warning",
        message="Check the union date and the achieved gain: together they mean less than 10 or "
        "more than 125 days for a centimetre (a short gain makes the index large).",
        source=INDEX,
        fails=_healing_unusual,
    ),
    Rule(
        id="fixation_index_unusual",
        table="cases",
        column="fixator_removal_date",
        severity="warning",
        message="Check the day of fixator removal and the achieved gain: together they mean less "
        "than 15 or more than 90 days in the frame for a centimetre.",
        source=FIXATION,
        fails=lambda evidence: _fixation(evidence, 15, 90),
    ),
    Rule(
        id="union_without_film",
        table="cases",
        column="union_date",
        severity="warning",
        message="Enter the film that shows the union, or check the union date: no film within 14 "
        "days shows three bridged cortices.",
        source=CORTICES,
        fails=_union_without_film,
    ),
    Rule(
        id="bridged_film_without_union",
        table="cases",
        column="union_date",
        severity="warning",
        message="Enter the union date, or check the films: one after distraction shows three "
        "bridged cortices.",
        source=CORTICES,
        fails=_film_without_union,
    ),
)

HEALING_RULES: tuple[Rule, ...] = _ERRORS + _WARNINGS
