"""One criterion, its accepted exceptions, and the closed lists its entries are taken from."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

from schemas import vocabulary

if TYPE_CHECKING:
    import pandas as pd

STATISTICS = ("mean", "median", "proportion", "median_time", "rate")
DIRECTIONS = ("at_most", "at_least")
AGES = ("any", "child", "adult")
LEVELS = ("published", "local")
UNITS = ("case", "walking_episode")
INDEX_DATES = (
    "surgery_date",
    "distraction_end_date",
    "union_date",
    "full_weight_bearing_date",
    "fixator_removal_date",
)
_AVERAGES = ("mean", "median")
#: measure -> statistics by which a criterion can judge it
MEASURES: dict[str, tuple[str, ...]] = {
    "latency_days": _AVERAGES,
    "distraction_days": _AVERAGES,
    "distraction_index_mm_per_day": _AVERAGES,
    "healing_index_days_per_cm": _AVERAGES,
    "healing_index_months_per_cm": _AVERAGES,
    "maturation_index_days_per_cm": _AVERAGES,
    "external_fixation_index_days_per_cm": _AVERAGES,
    "weight_bearing_index_days_per_cm": _AVERAGES,
    "gain_error_mm": _AVERAGES,
    "gain_attainment_pct": _AVERAGES,
    "gain_accuracy_pct": _AVERAGES,
    "gain_within_tolerance": ("proportion",),
    "final_gain_error_mm": _AVERAGES,
    "length_lost_mm": _AVERAGES,
    "lengthening_pct": _AVERAGES,
    "knee_flexion_retention_pct": _AVERAGES,
    "knee_arc_retention_pct": _AVERAGES,
    "complications_per_100_cases": ("rate",),
    "unplanned_operations_per_100_cases": ("rate",),
    "complications_type_ii_or_worse_per_100_cases": ("rate",),
    "complications_type_iii_per_100_cases": ("rate",),
    "complications_type_iiib_per_100_cases": ("rate",),
    "time_to_full_weight_bearing": ("median_time",),
    "time_to_full_weight_bearing_by_case": ("median_time",),
    "time_to_union": ("median_time",),
    "healing_index_censored_days_per_cm": ("median_time",),
    "time_to_knee_recovery": ("median_time",),
}
#: rate -> the column of the measured cases that holds its count of events a case
EVENTS_OF_RATE: dict[str, str] = {
    "complications_per_100_cases": "complication_events",
    "unplanned_operations_per_100_cases": "unplanned_operations",
    "complications_type_ii_or_worse_per_100_cases": "complication_events_type_ii_or_worse",
    "complications_type_iii_per_100_cases": "complication_events_type_iii",
    "complications_type_iiib_per_100_cases": "complication_events_type_iiib",
}
GIVEN = "given"
#: column of a case (aetiology: of its patient) -> what an exception may name in it. Loss to
#: follow-up is missing data and "unknown" is no reason, so neither can excuse a miss; treatment
#: that goes on or was completed is none either.
EXCEPTION_CODES: dict[str, tuple[str, ...]] = {
    "outcome_status": ("stopped_early", "device_exchanged", "amputated", "died"),
    "aetiology": tuple(code for code in vocabulary.codes("aetiology") if code != "unknown"),
    "arrival_date": (GIVEN,),
}


def unit_of(measure: str) -> str:
    """What is counted for a measure: one of `UNITS`."""
    return "walking_episode" if measure == "time_to_full_weight_bearing" else "case"


@dataclasses.dataclass(frozen=True, kw_only=True)
class AcceptedReason:
    """An exception agreed in advance: missing the criterion is acceptable where it holds.

    column: one of `EXCEPTION_CODES`; codes: what the column may hold (`GIVEN`: any value); words:
    for people, no part of the definition.
    """

    column: str
    codes: tuple[str, ...]
    words: str = dataclasses.field(compare=False)

    def __str__(self) -> str:
        return f"{self.column} {' or '.join(self.codes)}"

    def holds(self, cases: pd.DataFrame) -> pd.Series:
        """True for the cases in which it holds; cases: with the column."""
        if self.codes == (GIVEN,):
            return cases[self.column].notna()
        return cases[self.column].isin(self.codes)


@dataclasses.dataclass(frozen=True, kw_only=True)
class Criterion:
    """One line of the register. Empty device_class or segment means every one; a child is under
    18 years at surgery. index_date: the day by which a case belongs to a quarter.
    matures_after_days: a case is not yet due until so many days after its index date.
    minimum_completeness: share (0-1) of the cases due that must have what the measure needs, else
    the data are not fit to judge it; None = the kit's default. exceptions: where missing the
    criterion is acceptable. unit: what is counted, one of `UNITS`; it follows from the measure."""

    id: str
    words: str
    measure: str
    statistic: str
    target: float
    direction: str
    source: str
    target_level: str
    reason: str = ""
    device_class: tuple[str, ...] = ()
    segment: tuple[str, ...] = ()
    age: str = "any"
    index_date: str = "surgery_date"
    matures_after_days: int = 0
    minimum_completeness: float | None = None
    exceptions: tuple[AcceptedReason, ...] = ()
    unit: str = ""

    def __post_init__(self) -> None:
        if not self.unit:
            object.__setattr__(self, "unit", unit_of(self.measure))

    @property
    def population(self) -> str:
        """The cases it speaks of, in words."""
        parts = [
            " or ".join(vocabulary.label(name, code).lower() for code in codes)
            for name, codes in (("device_class", self.device_class), ("segment", self.segment))
            if codes
        ]
        if self.age != "any":
            parts.append("under 18 years" if self.age == "child" else "18 years or older")
        return "; ".join(parts) or "all cases"

    def excused(self, cases: pd.DataFrame) -> pd.Series:
        """The words of the first exception that holds for each case, missing where none does.

        cases: one row a case, with the columns that the exceptions name. Whether the case misses
        the criterion is not looked at here.
        """
        import pandas as pd

        words = pd.Series(pd.NA, index=cases.index, dtype=object)
        for exception in self.exceptions:
            words = words.mask(words.isna() & exception.holds(cases), exception.words)
        return words
