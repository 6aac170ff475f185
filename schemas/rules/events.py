"""Rules for complications: dates, and classes against what was done and what came of it."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from schemas.fields import LOCAL
from schemas.rules.base import Evidence, Rule
from schemas.rules.linking import of_case
from schemas.vocabulary import SOURCES


def _class_with(column: str, code: str, operation: str) -> Callable[[Evidence], pd.Series]:
    def fails(evidence: Evidence) -> pd.Series:
        events = evidence["complications"]
        return events[column].isin([code]) & events["unplanned_operation"].isin([operation])

    return fails


def _plan_reached(evidence: Evidence) -> pd.Series:
    achieved = of_case(evidence, "complications", "achieved_gain_mm")
    reached = achieved >= of_case(evidence, "complications", "planned_gain_mm")
    return reached & evidence["complications"]["severity_type"].isin(["IIIA"])


def _lasting_problem(evidence: Evidence) -> pd.Series:
    events = evidence["complications"]
    return events["permanent"].isin(["yes"]) & events["course_class"].isin(["problem"])


def _left_open(evidence: Evidence) -> pd.Series:
    events = evidence["complications"]
    completed = of_case(evidence, "complications", "outcome_status").isin(["completed"])
    return completed & events["resolved_on"].isna() & events["permanent"].isna()


def _class_rule(
    name: str, column: str, message: str, fails: Callable[[Evidence], pd.Series]
) -> Rule:
    return Rule(
        id=name,
        table="complications",
        column=column,
        severity="warning",
        message=message,
        source=SOURCES[column],
        fails=fails,
    )


EVENT_RULES: tuple[Rule, ...] = (
    Rule(
        id="resolved_before_occurred",
        table="complications",
        column="resolved_on",
        severity="error",
        message="Correct the day the event was over or the day it occurred: it cannot be over "
        "first.",
        source=LOCAL,
        fails=lambda evidence: (
            evidence["complications"]["resolved_on"] < evidence["complications"]["occurred_on"]
        ),
    ),
    _class_rule(
        "obstacle_without_operation",
        "course_class",
        "Check the course class and whether there was an unplanned operation: an obstacle needs "
        "one.",
        _class_with("course_class", "obstacle", "no"),
    ),
    _class_rule(
        "problem_with_operation",
        "course_class",
        "Check the course class and whether there was an unplanned operation: a problem resolves "
        "without one.",
        _class_with("course_class", "problem", "yes"),
    ),
    _class_rule(
        "type_ii_without_operation",
        "severity_type",
        "Check the severity type and whether there was an unplanned operation: type II usually "
        "means one.",
        _class_with("severity_type", "II", "no"),
    ),
    _class_rule(
        "type_i_with_operation",
        "severity_type",
        "Check the severity type and whether there was an unplanned operation: type I needs none.",
        _class_with("severity_type", "I", "yes"),
    ),
    _class_rule(
        "type_iiia_with_plan_reached",
        "severity_type",
        "Check the severity type and the achieved gain: type IIIA means that the plan was not "
        "reached, but it was.",
        _plan_reached,
    ),
    Rule(
        id="permanent_problem",
        table="complications",
        column="permanent",
        severity="warning",
        message="Check the course class and the lasting effect: a problem leaves none.",
        source=SOURCES["course_class"],
        fails=_lasting_problem,
    ),
    Rule(
        id="unresolved_at_completion",
        table="complications",
        column="resolved_on",
        severity="warning",
        message="Enter the day the event was over, or whether its effect lasts: the treatment is "
        "completed.",
        source=LOCAL,
        fails=_left_open,
    ),
)
