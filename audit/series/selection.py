"""From a run and a plan to a case series: the rules in their order, each with what it left out."""

from __future__ import annotations

import pandas as pd

from audit.errors import UnusableInput
from audit.plan import SelectionRule, SeriesPlan
from audit.run import AuditRun
from audit.series.case_series import (
    BY_RULE,
    FLOW_COLUMNS,
    LEFT_OUT_COLUMNS,
    NOT_RECORDED,
    SELECTED,
    START,
    CaseSeries,
)
from audit.series.facts import case_facts
from audit.series.narrow import narrowed_run
from audit.series.rules import leaves_out, not_recorded, on_outcome
from audit.series.units import Counts, counts_of, limb_of


def case_series(run: AuditRun, plan: SeriesPlan) -> CaseSeries:
    """The series that a plan selects from a run.

    A case counts at the first rule that leaves it out. Where an `include` rule leaves cases out
    only because its column is empty, they stand in a row of their own with the ground `data`.
    Where no case is left out, the run is taken as it is. Raises UnusableInput when no case is left
    over, with the rule that took the last.
    """
    flow, left_out = select(run, plan.rules)
    selected = run.cohort.cases.loc[~run.cohort.cases["case_id"].isin(left_out["case_id"])]
    if selected.empty:
        last = f" rule {left_out['rule'].iloc[-1]!r} took the last." if len(left_out) else ""
        raise UnusableInput(
            f"{plan.name or 'The plan'} leaves no case of the {len(run.cohort.cases)} in the "
            f"cohort:{last or ' the cohort is empty.'} Check its rules against the tables."
        )
    narrowed = run if left_out.empty else narrowed_run(run, frozenset(selected["case_id"]))
    return CaseSeries(run=narrowed, plan=plan, whole=run, flow=flow, left_out=left_out)


def select(run: AuditRun, rules: tuple[SelectionRule, ...]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """(flow in `FLOW_COLUMNS`, one row a case left out in `LEFT_OUT_COLUMNS`)."""
    facts = case_facts(run.cohort, run.measured)
    limbs = limb_of(run.cohort.cases, gap_days=run.cohort.settings.episode_gap_days)
    facts = facts.assign(limb=limbs)
    lines = [_line(START, counts_of(facts), words="in the cohort")]
    gone = []
    for rule in rules:
        out, unknown = leaves_out(rule, facts), not_recorded(rule, facts)
        empty = int(facts[rule.column].isna().sum())
        for step, part in ((BY_RULE, out & ~unknown), (NOT_RECORDED, out & unknown)):
            if step == NOT_RECORDED and not part.any():
                continue
            kept = facts.loc[~part]
            line = _line(step, counts_of(facts) - counts_of(kept), rule=rule)
            lines.append(line | {"unrecorded": empty})
            gone.append(
                pd.DataFrame({"case_id": facts.loc[part, "case_id"]}).assign(
                    rule=rule.id, step=step
                )
            )
            facts, out, unknown = kept, out.loc[~part], unknown.loc[~part]
    lines.append(_line(SELECTED, counts_of(facts), words="in the series"))
    left_out = pd.concat(gone, ignore_index=True) if gone else pd.DataFrame()
    return pd.DataFrame(lines, columns=FLOW_COLUMNS), left_out.reindex(columns=LEFT_OUT_COLUMNS)


def _line(
    step: str, counts: Counts, *, rule: SelectionRule | None = None, words: str = ""
) -> dict[str, object]:
    line: dict[str, object] = {
        "step": step,
        "rule": "" if rule is None else rule.id,
        "words": words if rule is None else rule.words,
        "kind": "" if rule is None else rule.kind,
        "ground": "" if rule is None else rule.ground,
        "cases": counts.cases,
        "limbs": counts.limbs,
        "patients": counts.patients,
        "on_outcome": rule is not None and on_outcome(rule),
        "unrecorded": 0,
    }
    if step == NOT_RECORDED and rule is not None:
        line["ground"] = "data"
        line["words"] = f"{rule.words}: not recorded"
    return line
