"""What the audit meeting talks about: cases to look at, and actions kept, overdue or asked for."""

from audit.discussion.actions import (
    AGREED_LATER,
    CLOSED,
    LAPSED,
    NOTHING_DONE,
    OPEN,
    OVERDUE,
    Actions,
    actions_of,
    report_state,
)
from audit.discussion.cases import cases_to_discuss
from audit.discussion.limits import LIMITS, Limit

__all__ = [
    "AGREED_LATER",
    "CLOSED",
    "LAPSED",
    "LIMITS",
    "NOTHING_DONE",
    "OPEN",
    "OVERDUE",
    "Actions",
    "Limit",
    "actions_of",
    "cases_to_discuss",
    "report_state",
]
