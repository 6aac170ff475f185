"""Rules for what only some devices have: a stroke, a way in, a frame to take off, pin sites."""

from __future__ import annotations

import pandas as pd

from schemas.fields import LOCAL
from schemas.rules.base import Evidence, Rule
from schemas.rules.linking import of_case
from schemas.rules.units import stroke_in_cm
from schemas.vocabulary import NAIL_CLASSES

EXCHANGED = ("device_exchanged",)

STROKE = "a mechanism cannot exceed its stroke; tolerance for film error: local choice"


def _beyond_stroke(evidence: Evidence, column: str, tolerance: float) -> pd.Series:
    cases = evidence["cases"]
    beyond = cases[column] > cases["device_stroke_mm"] + tolerance
    one_device = ~cases["outcome_status"].isin(EXCHANGED)
    return beyond & one_device & ~stroke_in_cm(evidence)


def _gain_beyond_stroke(evidence: Evidence, tolerance: float) -> pd.Series:
    beyond = _beyond_stroke(evidence, "achieved_gain_mm", tolerance)
    return beyond & evidence["cases"]["device_class"].isin(NAIL_CLASSES)


def _frame_on_nail(evidence: Evidence) -> pd.Series:
    cases = evidence["cases"]
    given = cases["fixator_removal_date"].notna()
    return given & cases["device_class"].isin(["lengthening_nail"])


def _approach_without_nail(evidence: Evidence) -> pd.Series:
    cases = evidence["cases"]
    other = cases["device_class"].notna() & ~cases["device_class"].isin(NAIL_CLASSES)
    return cases["nail_approach"].notna() & other


def _grade_without_scheme(evidence: Evidence) -> pd.Series:
    events = evidence["complications"]
    return events["pin_site_grade"].notna() & events["pin_site_scheme"].isna()


def _grade_on_nail(evidence: Evidence) -> pd.Series:
    device = of_case(evidence, "complications", "device_class")
    graded = evidence["complications"]["pin_site_grade"].notna()
    return graded & device.isin(["lengthening_nail"])


def _grade_after_removal(evidence: Evidence) -> pd.Series:
    events = evidence["complications"]
    removed = of_case(evidence, "complications", "fixator_removal_date")
    return events["pin_site_grade"].notna() & (events["occurred_on"] > removed)


def _several_schemes(evidence: Evidence) -> pd.Series:
    schemes = evidence["complications"]["pin_site_scheme"]
    return schemes.notna() & (len(schemes.dropna().unique()) > 1)


DEVICE_RULES: tuple[Rule, ...] = (
    Rule(
        id="gain_beyond_stroke",
        table="cases",
        column="achieved_gain_mm",
        severity="error",
        message="Correct the achieved gain or the device stroke: the gain is over 10 mm more "
        "than the device can lengthen.",
        source=STROKE,
        fails=lambda evidence: _gain_beyond_stroke(evidence, 10),
    ),
    Rule(
        id="gain_above_stroke",
        table="cases",
        column="achieved_gain_mm",
        severity="warning",
        message="Check the achieved gain and the device stroke: the gain is over 3 mm more than "
        "the device can lengthen.",
        source=STROKE,
        fails=lambda evidence: _gain_beyond_stroke(evidence, 3),
    ),
    Rule(
        id="plan_above_stroke",
        table="cases",
        column="planned_gain_mm",
        severity="warning",
        message="Check the device stroke and the plan as made before surgery: the plan is more "
        "than the device can lengthen.",
        source=LOCAL,
        fails=lambda evidence: _beyond_stroke(evidence, "planned_gain_mm", 0),
    ),
    Rule(
        id="fixator_removal_on_nail",
        table="cases",
        column="fixator_removal_date",
        severity="warning",
        message="Check the device class, or clear the day of fixator removal: a lengthening nail "
        "has no fixator, so the date is not used.",
        source=LOCAL,
        fails=_frame_on_nail,
    ),
    Rule(
        id="nail_approach_without_nail",
        table="cases",
        column="nail_approach",
        severity="warning",
        message="Check the device class, or clear the nail approach: this device has no nail.",
        source=LOCAL,
        fails=_approach_without_nail,
    ),
    Rule(
        id="pin_site_grade_without_scheme",
        table="complications",
        column="pin_site_scheme",
        severity="warning",
        message="Enter the name of the grading scheme: a pin-site grade means nothing without it.",
        source=LOCAL,
        fails=_grade_without_scheme,
    ),
    Rule(
        id="pin_site_grade_on_nail",
        table="complications",
        column="pin_site_grade",
        severity="warning",
        message="Check the case and its device class, or clear the grade: a lengthening nail has "
        "no pin sites.",
        source=LOCAL,
        fails=_grade_on_nail,
    ),
    Rule(
        id="pin_site_grade_after_removal",
        table="complications",
        column="pin_site_grade",
        severity="warning",
        message="Check the day of the event and of fixator removal: there are no pin sites after "
        "it.",
        source=LOCAL,
        fails=_grade_after_removal,
    ),
    Rule(
        id="several_pin_site_schemes",
        table="complications",
        column="pin_site_scheme",
        severity="warning",
        message="Use one pin-site scheme, or check its spelling: grades of several schemes "
        "cannot be counted together.",
        source=LOCAL,
        fails=_several_schemes,
        file_level=True,
    ),
)
