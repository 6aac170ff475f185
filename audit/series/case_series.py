"""A case series: a run narrowed to the selected cases, with the record of who was left out."""

from __future__ import annotations

import dataclasses

import pandas as pd

from audit.plan import SeriesPlan
from audit.run import AuditRun

#: columns of `CaseSeries.flow`
FLOW_COLUMNS = [
    "step",
    "rule",
    "words",
    "kind",
    "ground",
    "cases",
    "limbs",
    "patients",
    "on_outcome",
    "unrecorded",
]
LEFT_OUT_COLUMNS = ["case_id", "rule", "step"]
#: values of the column `step`
START, BY_RULE, NOT_RECORDED, SELECTED = "in_cohort", "by_rule", "not_recorded", "selected"


@dataclasses.dataclass(frozen=True)
class CaseSeries:
    """What a paper is written from.

    run: cohort, measured and results hold the selected cases only. plan: as it was read. whole:
    the run before selection. flow: columns of `FLOW_COLUMNS`; the first and last rows carry totals,
    those between what was left out, and cases, limbs and patients each add up: a limb or patient
    counts as left out at the step that takes its last case. on_outcome: the rule tests something
    known only after surgery, which is selection on the outcome. unrecorded: cases there at a step
    whose column is empty: an `include` rule leaves them out, an `exclude` rule keeps them.
    left_out: one row a case left out, with the first rule that did it.
    """

    run: AuditRun
    plan: SeriesPlan
    whole: AuditRun | None
    flow: pd.DataFrame
    left_out: pd.DataFrame

    @property
    def cases(self) -> pd.DataFrame:
        """The selected cases, one row each."""
        return self.run.cohort.cases
