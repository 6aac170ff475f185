"""Counts of the series that no row of results holds: who is in, from when to when."""

from __future__ import annotations

import dataclasses

import pandas as pd

from audit.cohort import Cohort
from audit.series.case_series import BY_RULE, NOT_RECORDED, CaseSeries
from audit.wording import count_of
from schemas import vocabulary


@dataclasses.dataclass(frozen=True)
class Counts:
    """cases, limbs, patients of the series; the same before selection; cases left out by ground."""

    cases: int
    limbs: int
    patients: int
    cases_before: int
    limbs_before: int
    patients_before: int
    left_out: dict[str, int]

    @property
    def several(self) -> bool:
        """True where a patient gives more than one case."""
        return self.cases > self.patients


def counts_of_series(series: CaseSeries) -> Counts:
    """The counts of the flow: its first and last rows, and what was left out between them."""
    flow = series.flow
    first, last = flow.iloc[0], flow.iloc[-1]
    between = flow.loc[flow["step"].isin((BY_RULE, NOT_RECORDED))]
    out = between.groupby("ground")["cases"].sum() if len(between) else pd.Series(dtype=int)
    return Counts(
        cases=int(last["cases"]),
        limbs=int(last["limbs"]),
        patients=int(last["patients"]),
        cases_before=int(first["cases"]),
        limbs_before=int(first["limbs"]),
        patients_before=int(first["patients"]),
        left_out={str(ground): int(count) for ground, count in out.items()},
    )


def patients_with_several(series: CaseSeries) -> int:
    """Patients who give more than one case."""
    return int((series.cases["patient_id"].value_counts() > 1).sum())


def month_words(day: pd.Timestamp) -> str:
    """`March 2021`: a paper gives no day of an operation."""
    return "not recorded" if pd.isna(day) else f"{_MONTHS[day.month - 1]} {day.year}"


def period_words(series: CaseSeries | Cohort) -> str:
    """`from March 2019 to June 2026`, the first and last surgery of a series or a cohort."""
    days = series.cases["surgery_date"]
    if days.empty:
        return "in no period: no case was selected"
    return f"from {month_words(days.min())} to {month_words(days.max())}"


def kinds_words(series: CaseSeries, column: str) -> str:
    """`lengthening nail 120/228 (53%), ...` of a column with a code list."""
    codes = series.cases[column]
    known = int(codes.notna().sum())
    parts = []
    for code in vocabulary.codes(column):
        count = int((codes == code).sum())
        if count:
            parts.append(f"{vocabulary.label(column, code).lower()} {count_of(count, known)}")
    if known < len(codes):
        parts.append(f"not recorded {len(codes) - known}")
    return ", ".join(parts)


_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip
