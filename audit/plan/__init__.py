"""What a plan of a case series is: the author's texts, rules of selection, choices of analysis."""

from audit.plan.facts import BASELINE, FACTS, Fact
from audit.plan.rules import rule_words
from audit.plan.series_plan import (
    GROUNDS,
    KINDS,
    RegressionPlan,
    SelectionRule,
    SeriesPlan,
)
from audit.plan.study import CHOICES, FIELD_WORDS, REQUIRED, StudyFields

__all__ = [
    "BASELINE",
    "CHOICES",
    "FACTS",
    "FIELD_WORDS",
    "GROUNDS",
    "KINDS",
    "REQUIRED",
    "Fact",
    "RegressionPlan",
    "SelectionRule",
    "SeriesPlan",
    "StudyFields",
    "rule_words",
]
