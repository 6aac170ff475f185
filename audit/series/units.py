"""Limbs and patients behind cases."""

from __future__ import annotations

import dataclasses

import pandas as pd

from audit.measures.weight_bearing import number_episodes


@dataclasses.dataclass(frozen=True)
class Counts:
    """Cases, and the limbs and patients that they belong to."""

    cases: int
    limbs: int
    patients: int

    def __sub__(self, other: Counts) -> Counts:
        return Counts(
            self.cases - other.cases, self.limbs - other.limbs, self.patients - other.patients
        )


def limb_of(cases: pd.DataFrame, *, gap_days: int) -> pd.Series:
    """The limb of every case, as a text; aligned with the frame.

    One patient and side in one episode (cases operated within `gap_days` of one another are one
    episode); a case without a side is a limb of its own.
    """
    episode = number_episodes(cases, gap_days).astype("int64").astype(str)
    return episode + " " + cases["side"].fillna("case " + cases["case_id"]).astype(str)


def counts_of(cases: pd.DataFrame) -> Counts:
    """Counts of a frame with case_id, patient_id and `limb` (from `limb_of`)."""
    return Counts(len(cases), cases["limb"].nunique(), cases["patient_id"].nunique())
