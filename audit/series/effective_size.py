"""How many independent cases the cases of an outcome are worth, where patients give several."""

from __future__ import annotations

import pandas as pd

from audit.estimates.clusters import effective_number
from audit.estimates.estimate import Estimate
from audit.measures.limbs import BY_LIMB, limb_knee_measures
from audit.results.catalogue import NOT_APPLICABLE
from audit.results.groups import Slice, Window, slices
from audit.series.case_series import CaseSeries

EFFECTIVE_COLUMNS = [
    "measure",
    "unit_of_analysis",
    "group_by",
    "group",
    "n",
    "missing",
    "patients",
    "patients_with_several",
    "patients_both_sides",
    "effective",
    "design_effect",
    "method",
    "note",
]
#: outcomes a case, in the order of the table
BY_CASE = (
    "gain_error_mm",
    "gain_within_tolerance",
    "healing_index_days_per_cm",
    "external_fixation_index_days_per_cm",
    "weight_bearing_index_days_per_cm",
    "complication_events",
)


def effective_sizes(series: CaseSeries) -> pd.DataFrame:
    """One row an outcome and group: n, patients and the effective number (`EFFECTIVE_COLUMNS`).

    n counts rows with a value, missing those without. patients_with_several: patients who give
    more than one of the n rows; patients_both_sides: of both sides. effective: n / design effect
    (see `effective_number`), missing with its reason in `note` where it cannot be estimated; the
    design effect 1 + (m - 1) ICC is that of Donner 1986, Int Stat Rev 54:67-82. Groups: all cases
    and each group of the plan.
    """
    cohort, measured = series.run.cohort, series.run.measured
    groupings = ((), tuple(series.plan.group_by.split("+")))
    rows = []
    for name in BY_CASE:
        rows += [
            _row(name, "case", part)
            for part in slices(_applicable(measured, name), (Window("all"),), groupings)
        ]
    limbs = limb_knee_measures(cohort)
    rows += [_row(BY_LIMB, "limb", part) for part in slices(limbs, (Window("all"),), groupings)]
    return pd.DataFrame(rows, columns=EFFECTIVE_COLUMNS)


def _applicable(measured: pd.DataFrame, name: str) -> pd.DataFrame:
    reason = f"{name}_reason"
    if reason not in measured:
        return measured
    return measured.loc[~measured[reason].isin(NOT_APPLICABLE)]


def _row(measure: str, each: str, part: Slice) -> dict[str, object]:
    values = part.rows[measure].astype("float64")
    found: Estimate = effective_number(values, part.rows["patient_id"])
    known = part.rows.loc[values.notna()]
    by_patient = known.groupby("patient_id")
    effect = None if not found.value else found.n / found.value
    return {
        "measure": measure,
        "unit_of_analysis": each,
        "group_by": part.group_by,
        "group": part.group,
        "n": found.n,
        "missing": found.missing,
        "patients": known["patient_id"].nunique(),
        "patients_with_several": int((by_patient.size() > 1).sum()),
        "patients_both_sides": int((by_patient["side"].nunique() > 1).sum()),
        "effective": found.value,
        "design_effect": effect,
        "method": found.method,
        "note": found.note,
    }
