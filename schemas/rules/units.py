"""Rules for centimetres typed where millimetres are asked for. They only ask, never convert."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from schemas.fields import LOCAL
from schemas.rules.base import Evidence, Rule
from schemas.rules.milestones import distraction_days

#: two lengths that should be close "disagree by about ten" within these ratios
ABOUT_TEN = (7, 14)
#: what is sensible in mm for a gain, a stroke and a bone (usual limits of the contract)
SENSIBLE_GAIN = (10, 120)
SENSIBLE_STROKE = (20, 150)
SENSIBLE_BONE = (100, 560)
#: a gain of this many mm a day of distraction is consistent in itself
CONSISTENT_RATE = 0.25
#: a column whose median lies below this looks like centimetres from top to bottom
MEDIANS = {
    "planned_gain_mm": 10,
    "achieved_gain_mm": 10,
    "final_gain_mm": 10,
    "device_stroke_mm": 10,
    "segment_length_before_mm": 100,
}
MEDIAN_VALUES = 5


def _ten_times_sensible(values: pd.Series, limits: tuple[int, int]) -> pd.Series:
    """True where the value is too small for these limits and ten times the value is not."""
    return (values < limits[0]) & (values * 10).between(*limits)


def _about_ten(small: pd.Series, large: pd.Series) -> pd.Series:
    return (large / small).between(*ABOUT_TEN)


def _gain_in_cm(evidence: Evidence, column: str, others: tuple[str, ...]) -> pd.Series:
    cases = evidence["cases"]
    value = cases[column]
    against = pd.Series(data=False, index=cases.index)
    for other in others:
        against |= _about_ten(value, cases[other])
    return _ten_times_sensible(value, SENSIBLE_GAIN) & against


def planned_in_cm(evidence: Evidence) -> pd.Series:
    """True where the plan is a tenth of the achieved or final gain."""
    return _gain_in_cm(evidence, "planned_gain_mm", ("achieved_gain_mm", "final_gain_mm"))


def achieved_in_cm(evidence: Evidence) -> pd.Series:
    """True where the achieved gain is a tenth of plan or final gain and too small for its days."""
    cases = evidence["cases"]
    tenth = _gain_in_cm(evidence, "achieved_gain_mm", ("planned_gain_mm", "final_gain_mm"))
    return tenth & ~(cases["achieved_gain_mm"] / distraction_days(evidence) >= CONSISTENT_RATE)


def final_in_cm(evidence: Evidence) -> pd.Series:
    """True where the final gain is a tenth of the achieved one, or of the plan if that is all."""
    cases = evidence["cases"]
    tenth = _gain_in_cm(evidence, "final_gain_mm", ("achieved_gain_mm", "planned_gain_mm"))
    agrees = (cases["final_gain_mm"] / cases["achieved_gain_mm"]).between(0.5, 2)
    return tenth & ~agrees


def _longest_gain(cases: pd.DataFrame) -> pd.Series:
    return cases[["planned_gain_mm", "achieved_gain_mm", "final_gain_mm"]].max(axis=1)


def stroke_in_cm(evidence: Evidence) -> pd.Series:
    """True where the gain does not fit into the stroke, but does into ten times the stroke."""
    cases = evidence["cases"]
    stroke, gain = cases["device_stroke_mm"], _longest_gain(cases)
    fits_only_ten_times = (gain > 2 * stroke) & (gain <= 10 * stroke)
    return _ten_times_sensible(stroke, SENSIBLE_STROKE) & fits_only_ten_times


def segment_in_cm(evidence: Evidence) -> pd.Series:
    """True where the gain is over half the bone, but not over half of ten times the bone."""
    cases = evidence["cases"]
    bone, gain = cases["segment_length_before_mm"], _longest_gain(cases)
    return _ten_times_sensible(bone, SENSIBLE_BONE) & (gain > bone / 2) & (gain <= bone * 5)


def _column_in_cm(column: str, low: float) -> Callable[[Evidence], pd.Series]:
    def fails(evidence: Evidence) -> pd.Series:
        values = evidence["cases"][column]
        given = values.dropna()
        looks_like_cm = len(given) >= MEDIAN_VALUES and bool(given.median() < low)
        return values.notna() & looks_like_cm

    return fails


def _one(column: str, fails: Callable[[Evidence], pd.Series]) -> Rule:
    return Rule(
        id="centimetres_for_millimetres",
        table="cases",
        column=column,
        severity="warning",
        message="Check the unit: beside the other lengths of the case this looks like "
        "centimetres, so enter millimetres.",
        source=LOCAL,
        fails=fails,
    )


def _whole_column(column: str, low: float) -> Rule:
    return Rule(
        id="column_in_centimetres",
        table="cases",
        column=column,
        severity="warning",
        message="Check the unit of the whole column: its middle value looks like centimetres, so "
        "enter millimetres.",
        source=LOCAL,
        fails=_column_in_cm(column, low),
        file_level=True,
    )


UNIT_RULES: tuple[Rule, ...] = (
    _one("planned_gain_mm", planned_in_cm),
    _one("achieved_gain_mm", achieved_in_cm),
    _one("final_gain_mm", final_in_cm),
    _one("device_stroke_mm", stroke_in_cm),
    _one("segment_length_before_mm", segment_in_cm),
    *(_whole_column(column, low) for column, low in MEDIANS.items()),
)
