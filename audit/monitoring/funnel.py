"""Do centres differ by more than chance? A funnel, its policy, and the checks before it.

Policy before looking; six checks as in Verburg et al. 2018, Stat Methods Med Res (policy, case
mix, cases a unit, overdispersion, link with the unit, construction); limits as Spiegelhalter
2005, Stat Med 24:1185. It compares units with batch data, is no league table, and is not for
single practitioners.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd

from audit.cohort import Cohort
from audit.criteria import Criterion
from audit.estimates.funnel import (
    FunnelLimits,
    FunnelPositions,
    funnel_limits,
    funnel_positions,
)
from audit.estimates.inputs import check_choice
from audit.monitoring.cases import Answers, answers_for
from audit.monitoring.funnel_checks import (
    FunnelCheck,
    Steadiness,
    funnel_checks,
    steadiness,
)
from audit.monitoring.points import Span, span_to
from audit.monitoring.settings import DEFAULTS, MonitoringSettings
from audit.periods import last_complete_quarter

UNITS = ("centre", "surgeon")
LEVELS = (0.95, 0.998)


@dataclasses.dataclass(frozen=True, kw_only=True)
class FunnelChoices:
    """by: what is compared. surgeon_reason: why persons are compared, needed for by="surgeon",
    which is off unless this is given. override_reason: why a funnel is drawn although a unit's
    own run chart signals. Both are printed."""

    by: str = "centre"
    surgeon_reason: str = ""
    override_reason: str = ""
    settings: MonitoringSettings = DEFAULTS

    def __post_init__(self) -> None:
        check_choice(self.by, UNITS, name="by")
        if self.by == "surgeon" and not self.surgeon_reason.strip():
            raise ValueError("a funnel by surgeon needs a recorded reason (surgeon_reason)")


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class FunnelFound:
    """A funnel with what must stand above it.

    refused: why there is none, or empty (then `limits` and `positions` are there; the table of
    `positions` also has `unit` and `queries`, the open data queries of its cases). policy: item
    and words. checks: the six, then whether every unit is steady.
    """

    criterion: Criterion
    by: str
    policy: tuple[tuple[str, str], ...]
    checks: tuple[FunnelCheck, ...]
    refused: str
    limits: FunnelLimits | None
    positions: FunnelPositions | None
    notes: tuple[str, ...]
    quarter: pd.Period


def funnel_for(
    cohort: Cohort,
    measured: pd.DataFrame,
    criterion: Criterion,
    *,
    quarter: pd.Period | None = None,
    choices: FunnelChoices | None = None,
) -> FunnelFound:
    """The funnel of a share over the window that ends with `quarter`, by rising size of the unit.

    Refused, with the reason, for other statistics, for one unit, for a target of 0 or 1, and
    while a unit's own run chart signals (unless overridden). Cases without a unit, not yet due or
    without an answer are counted in the notes.
    """
    choices = choices or FunnelChoices()
    quarter = last_complete_quarter(cohort.cutoff) if quarter is None else quarter
    span = span_to(quarter, choices.settings)
    answers = _with_unit(cohort, answers_for(cohort, measured, criterion), choices.by)
    units, notes = _units(cohort, answers.rows, span)
    refused = answers.reason or _why_refused(criterion, units, choices)
    steady = Steadiness() if refused else steadiness(answers, span, choices.settings)
    unsteady = ", ".join(steady.unsteady)
    if unsteady and not choices.override_reason.strip():
        refused = (
            f"the run chart of {unsteady} signals, and a process that changes cannot be compared; "
            "find the cause first"
        )
    limits = positions = None
    if not refused:
        limits, positions = _drawn(criterion, units)
    if choices.override_reason.strip() and unsteady:
        notes.append(f"drawn although {unsteady} signals: {choices.override_reason}")
    if choices.surgeon_reason.strip() and choices.by == "surgeon":
        notes.append(f"persons are compared, by decision: {choices.surgeon_reason}")
    return FunnelFound(
        criterion=criterion,
        by=choices.by,
        policy=_policy(criterion, choices, span),
        checks=funnel_checks(criterion, units, steady, minimum=choices.settings.minimum_cases),
        refused=refused,
        limits=limits,
        positions=positions,
        notes=tuple(notes),
        quarter=quarter,
    )


def _with_unit(cohort: Cohort, answers: Answers, by: str) -> Answers:
    unit = cohort.cases.set_index("case_id")[by]
    rows = answers.rows.assign(unit=answers.rows["unit_id"].map(unit))
    return dataclasses.replace(answers, rows=rows)


def _units(cohort: Cohort, rows: pd.DataFrame, span: Span) -> tuple[pd.DataFrame, list[str]]:
    """(unit, events, size, queries: one row a unit; who is not in it)."""
    inside = rows.loc[span.holds(rows["day"])]
    due = inside.loc[inside["due"]]
    known = due.loc[due["value"].notna()]
    asked = cohort.queries.loc[cohort.queries["case_id"].isin(known["unit_id"]), "case_id"]
    counts = known.assign(queries=known["unit_id"].map(asked.value_counts()).fillna(0))
    groups = counts.groupby("unit")
    units = pd.DataFrame(
        {
            "events": groups["value"].sum(),
            "size": groups.size(),
            "queries": groups["queries"].sum(),
        }
    ).reset_index()
    left_out = {
        "without a unit": int(known["unit"].isna().sum()),
        "not yet due": len(inside) - len(due),
        "due, but not known": len(due) - len(known),
    }
    return units, [f"{words}, left out: {count}" for words, count in left_out.items() if count]


def _why_refused(criterion: Criterion, units: pd.DataFrame, choices: FunnelChoices) -> str:
    if criterion.statistic != "proportion":
        return "a funnel is for shares only"
    if not 0 < criterion.target < 1:
        return f"a target of {criterion.target:g} leaves no room for chance"
    if len(units) < 2:
        return f"{len(units)} {choices.by} with cases: a funnel compares units"
    return ""


def _drawn(criterion: Criterion, units: pd.DataFrame) -> tuple[FunnelLimits, FunnelPositions]:
    """(limits on every size up to the largest unit, the units against their own limits)."""
    own = funnel_limits(criterion.target, units["size"], levels=LEVELS, method="exact_step")
    placed = funnel_positions(units["events"], units["size"], limits=own)
    named = units.assign(order=np.arange(1, len(units) + 1))[["order", "unit", "queries"]]
    table = placed.table.merge(named, on="order", validate="one_to_one")
    sizes = np.arange(1, int(1.1 * units["size"].max()) + 2)
    lines = funnel_limits(criterion.target, sizes, levels=LEVELS, method="exact_step")
    return lines, dataclasses.replace(placed, table=table)


def _policy(
    criterion: Criterion, choices: FunnelChoices, span: Span
) -> tuple[tuple[str, str], ...]:
    wanted = "at least" if criterion.direction == "at_least" else "at most"
    return (
        ("Measure", f"{criterion.words} ({criterion.population})"),
        ("Target", f"{wanted} {criterion.target:.0%}, fixed in the register: {criterion.source}"),
        ("Limits", "exact binomial, 95% (alert) and 99.8% (alarm), round the target"),
        ("Period", f"cases of {span.first.date()} to {span.last.date()} that are due"),
        ("Fewest cases", f"{choices.settings.minimum_cases} a {choices.by}"),
        ("Case mix", "not adjusted: no model; compare who was treated before any result"),
        ("Outside a limit", "check the data first, then the care; never a ranking"),
    )
