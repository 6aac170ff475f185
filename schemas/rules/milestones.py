"""Rules for the order of the milestones of one case, and the time between them."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from schemas.fields import LOCAL
from schemas.rules.base import Evidence, Rule, days
from schemas.vocabulary import FRAME_ONLY_CLASSES

#: treatments that ended before the plan, so that short distraction is no surprise
CUT_SHORT = ("stopped_early", "device_exchanged", "amputated", "died")
ARM_SEGMENTS = ("humerus", "forearm")

LATENCY = (
    "5-7 days: Makhdom et al. Adv Orthop 2015:912790, DOI 10.1155/2015/912790; limits local choice"
)
LOADING = (
    "frames allow early load, nails differ: Robbins and Paley, Tech Orthop 2020, "
    "DOI 10.1097/BTO.0000000000000475; rule local choice"
)


def _before(column: str, other: str) -> Callable[[Evidence], pd.Series]:
    """A rule that fails where a date of a case lies before another date of the same case."""
    return lambda evidence: evidence["cases"][column] < evidence["cases"][other]


def _latency(evidence: Evidence) -> pd.Series:
    cases = evidence["cases"]
    return days(cases["distraction_start_date"], cases["surgery_date"])


def distraction_days(evidence: Evidence) -> pd.Series:
    """Days from the first to the last day of distraction, missing where either is."""
    cases = evidence["cases"]
    return days(cases["distraction_end_date"], cases["distraction_start_date"])


def _latency_unusual(evidence: Evidence) -> pd.Series:
    latency = _latency(evidence)
    return (latency < 3) | (latency > 14)


def _no_days_but_gain(evidence: Evidence) -> pd.Series:
    return (distraction_days(evidence) < 1) & (evidence["cases"]["achieved_gain_mm"] > 0)


def _distraction_days_unusual(evidence: Evidence) -> pd.Series:
    cases, length = evidence["cases"], distraction_days(evidence)
    short = (length < cases["planned_gain_mm"] / 1.5) & ~cases["outcome_status"].isin(CUT_SHORT)
    return short | (length > cases["planned_gain_mm"] / 0.25)


def _frame_off_before_end(evidence: Evidence) -> pd.Series:
    cases = evidence["cases"]
    off_early = cases["fixator_removal_date"] < cases["distraction_end_date"]
    return off_early & cases["device_class"].isin(FRAME_ONLY_CLASSES)


def _loaded_before_union(evidence: Evidence) -> pd.Series:
    cases = evidence["cases"]
    early = cases["full_weight_bearing_date"] < cases["union_date"]
    return early & ~cases["device_class"].isin(FRAME_ONLY_CLASSES)


def _walking_on_arm(evidence: Evidence) -> pd.Series:
    cases = evidence["cases"]
    return cases["full_weight_bearing_date"].notna() & cases["segment"].isin(ARM_SEGMENTS)


def _case_error(
    name: str, column: str, message: str, fails: Callable[[Evidence], pd.Series]
) -> Rule:
    return Rule(
        id=name,
        table="cases",
        column=column,
        severity="error",
        message=message,
        source=LOCAL,
        fails=fails,
    )


_ERRORS: tuple[Rule, ...] = (
    _case_error(
        "distraction_starts_before_surgery",
        "distraction_start_date",
        "Correct the start of distraction or the day of surgery: distraction cannot start first.",
        _before("distraction_start_date", "surgery_date"),
    ),
    _case_error(
        "latency_over_60_days",
        "distraction_start_date",
        "Correct the start of distraction or the day of surgery: they lie over 60 days apart.",
        lambda evidence: _latency(evidence) > 60,
    ),
    _case_error(
        "distraction_ends_before_surgery",
        "distraction_end_date",
        "Correct the end of distraction or the day of surgery: distraction cannot end first.",
        _before("distraction_end_date", "surgery_date"),
    ),
    _case_error(
        "distraction_ends_before_start",
        "distraction_end_date",
        "Correct the first or the last day of distraction: the last lies before the first.",
        _before("distraction_end_date", "distraction_start_date"),
    ),
    _case_error(
        "distraction_over_400_days",
        "distraction_end_date",
        "Correct the first or the last day of distraction: they lie over 400 days apart.",
        lambda evidence: distraction_days(evidence) > 400,
    ),
    _case_error(
        "distraction_of_no_days_with_gain",
        "distraction_end_date",
        "Correct the last day of distraction or the achieved gain: no length is gained in less "
        "than a day.",
        _no_days_but_gain,
    ),
    _case_error(
        "frame_removed_before_distraction_end",
        "fixator_removal_date",
        "Correct the day of fixator removal or the end of distraction: a frame that alone holds "
        "the bone stays on until then.",
        _frame_off_before_end,
    ),
    _case_error(
        "fixator_removed_before_surgery",
        "fixator_removal_date",
        "Correct the day of fixator removal or the day of surgery: a fixator cannot come off "
        "before it is put on.",
        _before("fixator_removal_date", "surgery_date"),
    ),
    _case_error(
        "device_removed_before_surgery",
        "device_removal_date",
        "Correct the day of device removal or the day of surgery: a device cannot come out "
        "before it is put in.",
        _before("device_removal_date", "surgery_date"),
    ),
    _case_error(
        "full_weight_bearing_before_surgery",
        "full_weight_bearing_date",
        "Correct the day of full weight bearing or the day of surgery: only walking after the "
        "operation is asked for.",
        _before("full_weight_bearing_date", "surgery_date"),
    ),
    _case_error(
        "outcome_before_surgery",
        "outcome_date",
        "Correct the outcome date or the day of surgery: no outcome comes before the operation.",
        _before("outcome_date", "surgery_date"),
    ),
    _case_error(
        "arrival_before_surgery",
        "arrival_date",
        "Correct the day of arrival, or clear it when the patient was operated here: it is only "
        "for patients taken over after surgery.",
        _before("arrival_date", "surgery_date"),
    ),
    _case_error(
        "last_follow_up_before_surgery",
        "last_follow_up_date",
        "Correct the last follow-up or the day of surgery: the operated case cannot have been "
        "last seen before the operation.",
        _before("last_follow_up_date", "surgery_date"),
    ),
    _case_error(
        "arrival_after_last_follow_up",
        "arrival_date",
        "Correct the day of arrival or the last follow-up: nobody is last seen before arriving.",
        lambda evidence: (
            evidence["cases"]["arrival_date"] > evidence["cases"]["last_follow_up_date"]
        ),
    ),
)

_WARNINGS: tuple[Rule, ...] = (
    Rule(
        id="latency_unusual",
        table="cases",
        column="distraction_start_date",
        severity="warning",
        message="Check the start of distraction: it usually lies 3 to 14 days after surgery.",
        source=LATENCY,
        fails=_latency_unusual,
    ),
    Rule(
        id="distraction_days_unusual",
        table="cases",
        column="distraction_end_date",
        severity="warning",
        message="Check both days of distraction and the planned gain: the plan would have been "
        "lengthened faster than 1.5 or slower than 0.25 mm a day.",
        source="1.5 mm a day: Kenawey M et al. Clin Orthop Relat Res 2011;469:264-273; 0.25 mm a "
        "day: local choice",
        fails=_distraction_days_unusual,
    ),
    Rule(
        id="full_weight_bearing_before_distraction_end",
        table="cases",
        column="full_weight_bearing_date",
        severity="warning",
        message="Check the day of full weight bearing: full load without aids is unusual before "
        "distraction has ended.",
        source=LOADING,
        fails=_before("full_weight_bearing_date", "distraction_end_date"),
    ),
    Rule(
        id="full_weight_bearing_before_union",
        table="cases",
        column="full_weight_bearing_date",
        severity="warning",
        message="Check the day of full weight bearing and the union date: without a frame, full "
        "load is unusual before union.",
        source=LOADING,
        fails=_loaded_before_union,
    ),
    Rule(
        id="full_weight_bearing_on_arm",
        table="cases",
        column="full_weight_bearing_date",
        severity="warning",
        message="Check the segment, or clear the day of full weight bearing: nobody walks on an "
        "arm bone.",
        source=LOCAL,
        fails=_walking_on_arm,
    ),
)

MILESTONE_RULES: tuple[Rule, ...] = _ERRORS + _WARNINGS
