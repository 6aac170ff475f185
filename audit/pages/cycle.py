"""The audit cycle in a notebook: summary, criteria, states, actions, cases to look at."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from audit.monitoring.series import MonitoredSeries
from audit.pages.showing import show
from audit.run import AuditRun
from audit.tables import actions, front, summary, verdicts


def show_summary(run: AuditRun, changes: Mapping[str, str] | None = None) -> None:
    """The audit on one page. changes: from `changes_over_time`, where charts are shown."""
    show(summary.summary_table(run, changes))
    show(summary.summary_criteria_table(run, changes))


def changes_over_time(followed: Sequence[MonitoredSeries]) -> dict[str, str]:
    """criterion id -> improved, unchanged, worse or cannot tell; followed: from
    `audit.pages.monitoring.follow`."""
    return {series.criterion.id: series.change.answer for series in followed}


def show_actions(run: AuditRun, changes: Mapping[str, str] | None = None) -> None:
    """Actions of earlier audits first, overdue on top; then what asks for a decision."""
    show(actions.action_table(run, changes))


def show_standards(run: AuditRun) -> None:
    """Criteria, targets and verdicts: quarter beside rolling year beside all time."""
    show(verdicts.verdict_table(run))


def show_states(run: AuditRun, window: str = "year_to") -> None:
    """The five states behind the verdicts; window: all, quarter or year_to."""
    show(verdicts.state_table(run, window if window == "all" else f"{window}:{run.quarter}"))


def show_register(run: AuditRun) -> None:
    """The register in print, with the sources of the targets and the accepted exceptions."""
    register = run.kept_register
    show(verdicts.register_table(register.criteria, version=register.version))


def show_discussion(run: AuditRun) -> None:
    """The cases to discuss, and the limits beyond which a case is looked at."""
    show(front.discussion_table(run))
    show(front.limit_table(run))
