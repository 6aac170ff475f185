"""What a criterion is: a plain sentence, a measure, a target and where the target comes from."""

from audit.criteria.criterion import (
    AGES,
    DIRECTIONS,
    EVENTS_OF_RATE,
    EXCEPTION_CODES,
    GIVEN,
    INDEX_DATES,
    LEVELS,
    MEASURES,
    STATISTICS,
    UNITS,
    AcceptedReason,
    Criterion,
    unit_of,
)
from audit.criteria.entries import criteria_from

__all__ = [
    "AGES",
    "DIRECTIONS",
    "EVENTS_OF_RATE",
    "EXCEPTION_CODES",
    "GIVEN",
    "INDEX_DATES",
    "LEVELS",
    "MEASURES",
    "STATISTICS",
    "UNITS",
    "AcceptedReason",
    "Criterion",
    "criteria_from",
    "unit_of",
]
