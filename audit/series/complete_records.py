"""Which cases have complete records, what the others lack, and whether the two are alike."""

from __future__ import annotations

import dataclasses

import pandas as pd

from audit.cohort import Cohort
from audit.results.baseline import baseline_table, unit_facts
from audit.results.catalogue import NOT_APPLICABLE
from audit.results.times import time_table

#: outcomes that a complete record holds, where they apply to the case
NEEDED = (
    "gain_error_mm",
    "healing_index_days_per_cm",
    "external_fixation_index_days_per_cm",
    "weight_bearing_index_days_per_cm",
    "knee_flexion_retention_pct",
)
#: no index is formed of so small a gain: nothing is missing
NOT_FORMED = "length_under_10mm"
#: reasons that time will settle, or that the end of treatment has settled
WAITING = (
    "distraction_not_finished",
    "not_united",
    "fixator_not_removed",
    "not_yet_full_weight_bearing",
)
#: only a case still in treatment can be waiting for these
WAITING_IN_TREATMENT = ("no_motion_after_surgery",)
IN_TREATMENT = "in_treatment"
#: treatment goes on, or ended in a way after which the milestone is not to come
STILL_OR_NEVER = (IN_TREATMENT, "stopped_early", "device_exchanged", "amputated", "died")
LOST = "lost_to_follow_up"
#: reason given where a milestone is not recorded although treatment was completed or follow-up lost
LOST_BEFORE, UNRECORDED = "lost_before", "completed_without"

GAP_COLUMNS = ["case_id", "measure", "reason"]


def record_gaps(measured: pd.DataFrame) -> pd.DataFrame:
    """One row a case and outcome of `NEEDED` that should be there and is not.

    Columns: case_id, measure, reason. A milestone of a case that is still in treatment, or whose
    treatment ended so that it will not come (stopped, exchanged, amputated, died), is not missing
    but waiting; nor is an index missing below 10 mm gained or where it does not apply. The reason
    is that of the measured case, or for a milestone `lost_before` or `completed_without`.
    """
    status = measured["outcome_status"]
    parts = []
    for name in NEEDED:
        reason = measured[f"{name}_reason"].astype(object)
        waits = reason.isin(WAITING)
        excused = waits & status.isin(STILL_OR_NEVER)
        excused |= reason.isin(WAITING_IN_TREATMENT) & (status == IN_TREATMENT)
        gap = reason.notna() & ~reason.isin((*NOT_APPLICABLE, NOT_FORMED)) & ~excused
        why = reason.mask(waits & (status == LOST), LOST_BEFORE)
        why = why.mask(waits & (status != LOST), UNRECORDED)
        rows = pd.DataFrame({"case_id": measured["case_id"], "measure": name, "reason": why})
        parts.append(rows.loc[gap])
    return pd.concat(parts, ignore_index=True)[GAP_COLUMNS]


def complete_cases(measured: pd.DataFrame) -> pd.Series:
    """True for the cases without any gap in `record_gaps` (index: as given)."""
    return ~measured["case_id"].isin(record_gaps(measured)["case_id"])


@dataclasses.dataclass(frozen=True)
class CompleteAgainstIncomplete:
    """baseline: as from `baseline_table`, complete cases first. complete, incomplete: cases.
    patients: patients of the complete and of the incomplete cases; one can be in both. gaps: as
    from `record_gaps`."""

    baseline: pd.DataFrame
    complete: int
    incomplete: int
    patients: tuple[int, int]
    gaps: pd.DataFrame


def compare_complete(cohort: Cohort, measured: pd.DataFrame) -> CompleteAgainstIncomplete:
    """Facts known at surgery of complete and of incomplete cases, with standardised differences.

    One row a case. Asked for by Lee 2021, J Clin Epidemiol 134:79-88 (DOI
    10.1016/j.jclinepi.2021.01.008): say whether complete records differ from the others.
    """
    table = time_table(cohort, "time_to_union")
    whole = complete_cases(measured).set_axis(measured["case_id"])
    complete = table["case_id"].map(whole).astype(bool)
    # of a walking episode, so nothing to tell case by case
    facts = unit_facts(cohort, table).drop(columns=["both_sides", "several_bones"])
    patients = table["patient_id"]
    return CompleteAgainstIncomplete(
        baseline=baseline_table(facts, complete),
        complete=int(complete.sum()),
        incomplete=int((~complete).sum()),
        patients=(patients[complete].nunique(), patients[~complete].nunique()),
        gaps=record_gaps(measured),
    )
