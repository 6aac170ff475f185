"""Rules for planned, achieved and final gain: rate, share of the bone, films, and each other."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from schemas.fields import LOCAL
from schemas.rules.base import Evidence, Rule
from schemas.rules.linking import case_dates, day_count, timeline
from schemas.rules.milestones import distraction_days
from schemas.rules.units import segment_in_cm

#: a film counts as the one at the end of distraction when it is at most this far from it
FILM_DAYS = 14
#: patients whose plan has nothing to do with a discrepancy
NO_DISCREPANCY = ("short_stature", "skeletal_dysplasia")

RATE = (
    "risk of poor bone above 1.5 mm a day: Kenawey M et al. Clin Orthop Relat Res "
    "2011;469:264-273; other limits local choice"
)
SHARE = (
    "mean tibial gain 100.7 % in dysplasia: Chilbule et al. Indian J Orthop 2016;50:397-405, DOI "
    "10.4103/0019-5413.185604; later growth better below 30 %: Journeau et al. J Child Orthop "
    "2016;10:613-617, DOI 10.1007/s11832-016-0792-y; limits local choice"
)
LOSS = "callus subsides after distraction: PMC2899179 and PMC6169569; limits local choice"


def _rate(evidence: Evidence) -> pd.Series:
    """Mean mm a day, missing where distraction lasted less than a day."""
    length = distraction_days(evidence)
    return evidence["cases"]["achieved_gain_mm"] / length.where(length >= 1)


def _rate_unusual(evidence: Evidence) -> pd.Series:
    rate = _rate(evidence)
    return (rate < 0.25) | (rate > 1.5)


def _share(evidence: Evidence) -> pd.Series:
    """Achieved gain in percent of the bone, missing where the bone looks like centimetres."""
    cases = evidence["cases"]
    bone = cases["segment_length_before_mm"].where(~segment_in_cm(evidence))
    return 100 * cases["achieved_gain_mm"] / bone


def _share_impossible(evidence: Evidence) -> pd.Series:
    share = _share(evidence)
    return (share < -10) | (share > 200)


def _share_high(evidence: Evidence) -> pd.Series:
    cases, share = evidence["cases"], _share(evidence)
    child = cases["physes_open"].isin(["yes"]) | (cases["age_at_surgery_years"] < 18)
    return (share > 30) | (~child & (share > 25))


def _gain_without_end(evidence: Evidence) -> pd.Series:
    cases = evidence["cases"]
    return cases["achieved_gain_mm"].notna() & cases["distraction_end_date"].isna()


def _lost(evidence: Evidence) -> pd.Series:
    cases = evidence["cases"]
    return cases["achieved_gain_mm"] - cases["final_gain_mm"]


def _film_gain(evidence: Evidence) -> pd.Series:
    """Gain on the film nearest to the end of distraction, for every case; the later if tied."""
    cases = evidence["cases"]
    line = timeline(evidence, "radiographs")
    gain = evidence["radiographs"]["gain_mm"].to_numpy()[line.rows]
    away = np.abs(day_count(line.day - case_dates(evidence, "distraction_end_date", line)))
    near = np.flatnonzero((away <= FILM_DAYS) & ~np.isnan(gain))
    nearest_last = near[np.argsort(-away[near], kind="stable")]
    found = np.full(len(cases), np.nan)
    found[line.case[nearest_last]] = gain[nearest_last]
    return pd.Series(found, index=cases.index)


def _film_differs(evidence: Evidence) -> pd.Series:
    achieved = evidence["cases"]["achieved_gain_mm"]
    allowed = (0.05 * achieved.abs()).clip(lower=3)
    return (achieved - _film_gain(evidence)).abs() > allowed


def _small_discrepancy(evidence: Evidence) -> pd.Series:
    cases = evidence["cases"]
    patients = evidence["patients"]
    no_discrepancy = patients["patient_id"][patients["aetiology"].isin(NO_DISCREPANCY)]
    sides = cases.groupby("patient_id", observed=True)["side"].transform("nunique")
    excused = cases["patient_id"].isin(no_discrepancy) | (sides > 1)
    short = cases["planned_gain_mm"] - cases["discrepancy_before_mm"].abs() > 20
    return short & ~excused


def _gain_rule(
    name: str, severity: str, message: str, source: str, fails: Callable[[Evidence], pd.Series]
) -> Rule:
    return Rule(
        id=name,
        table="cases",
        column="achieved_gain_mm",
        severity=severity,
        message=message,
        source=source,
        fails=fails,
    )


_ACHIEVED: tuple[Rule, ...] = (
    _gain_rule(
        "mean_rate_over_3_mm_a_day",
        "error",
        "Correct the achieved gain or the days of distraction: together they mean over 3 mm a day.",
        RATE,
        lambda evidence: _rate(evidence) > 3,
    ),
    _gain_rule(
        "share_of_bone_impossible",
        "error",
        "Correct the achieved gain or the bone length before: the gain lies outside -10 to 200 "
        "percent of the bone.",
        SHARE,
        _share_impossible,
    ),
    _gain_rule(
        "mean_rate_unusual",
        "warning",
        "Check the achieved gain and the days of distraction: together they mean less than 0.25 "
        "or more than 1.5 mm a day.",
        RATE,
        _rate_unusual,
    ),
    _gain_rule(
        "share_of_bone_high",
        "warning",
        "Check the achieved gain and the bone length before: the gain is over 25 percent of the "
        "bone, or over 30 percent in a child.",
        SHARE,
        _share_high,
    ),
    _gain_rule(
        "gain_without_distraction_end",
        "warning",
        "Enter the last day of distraction: without it the achieved gain cannot be set against "
        "time.",
        LOCAL,
        _gain_without_end,
    ),
    _gain_rule(
        "gain_differs_from_film",
        "warning",
        "Compare the achieved gain with the film at the end of distraction: they differ by more "
        "than 3 mm and 5 percent.",
        "subsidence or loss: PMC2899179 and PMC6169569; limits local choice",
        _film_differs,
    ),
)

_OTHERS: tuple[Rule, ...] = (
    Rule(
        id="length_lost_over_10_mm",
        table="cases",
        column="final_gain_mm",
        severity="warning",
        message="Check the final gain: over 10 mm have been lost since the end of distraction.",
        source=LOSS,
        fails=lambda evidence: _lost(evidence) > 10,
    ),
    Rule(
        id="gained_after_distraction",
        table="cases",
        column="final_gain_mm",
        severity="warning",
        message="Check the final and the achieved gain: over 5 mm were gained after distraction "
        "had ended.",
        source=LOCAL,
        fails=lambda evidence: _lost(evidence) < -5,
    ),
    Rule(
        id="plan_beyond_discrepancy",
        table="cases",
        column="discrepancy_before_mm",
        severity="warning",
        message="Check the discrepancy before and the planned gain: the plan is over 20 mm more "
        "than the discrepancy.",
        source=LOCAL,
        fails=_small_discrepancy,
    ),
)

LENGTH_RULES: tuple[Rule, ...] = _ACHIEVED + _OTHERS
