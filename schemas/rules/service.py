"""Rules for service events: limits of a chart are recomputed only by a recorded decision."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from schemas.rules.base import ROW, Evidence, Rule

SOURCE = "limits are recomputed only by a recorded decision with its cause: common practice"


def _rebase_without(column: str) -> Callable[[Evidence], pd.Series]:
    def fails(evidence: Evidence) -> pd.Series:
        events = evidence["service_events"]
        return events["kind"].isin(["rebase"]) & events[column].isna()

    return fails


def _needed(name: str, column: str, what: str) -> Rule:
    return Rule(
        id=name,
        table="service_events",
        column=column,
        severity="error",
        keeps_out=ROW,
        message=f"Enter {what}, or change the kind: limits are recomputed only by a decision that "
        "names the criterion, the cause and who decided.",
        source=SOURCE,
        fails=_rebase_without(column),
    )


SERVICE_RULES: tuple[Rule, ...] = (
    _needed("rebase_without_criterion", "criterion", "the criterion that is meant"),
    _needed("rebase_without_cause", "cause", "the cause of the change"),
    _needed("rebase_without_decider", "decided_by", "the role that decided"),
)
