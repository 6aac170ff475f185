"""What our measures mean, for comparison with published ones; names that mean two things."""

from __future__ import annotations

import dataclasses

from audit.measures.common import DAYS_PER_MONTH, MM_PER_CM
from audit.settings import Settings

DAYS_PER_WEEK = 7.0


@dataclasses.dataclass(frozen=True, kw_only=True)
class Definition:
    """starts, ends: of the clock, "" where the measure has none. counts: what one n of ours is.
    tolerance: the measure is a share within a tolerance. words: what is counted, where the name
    does not say. unsaid: what papers leave open as a rule and no column can settle."""

    starts: str = ""
    ends: str = ""
    counts: str = "cases"
    tolerance: bool = False
    words: str = ""
    unsaid: tuple[str, ...] = ()


_WHAT_COUNTS = ("what counts as a complication", "how long cases were followed")
_OPERATIONS = ("what counts as unplanned", "how long cases were followed")
#: severe types in the names of measures -> which types these are
_SEVERE = {
    "type_ii_or_worse": "types II, IIIA and IIIB",
    "type_iii": "types IIIA and IIIB",
    "type_iiib": "type IIIB",
}
_HEALING = Definition(starts="surgery", ends="union")

#: measure of results.csv -> its definition; a measure that is not here is never laid beside
DEFINITIONS: dict[str, Definition] = {
    "latency_days": Definition(starts="surgery", ends="distraction_start"),
    "distraction_days": Definition(starts="distraction_start", ends="distraction_end"),
    "distraction_index_mm_per_day": Definition(starts="distraction_start", ends="distraction_end"),
    "healing_index_days_per_cm": _HEALING,
    "healing_index_months_per_cm": _HEALING,
    "healing_index_censored_days_per_cm": _HEALING,
    "maturation_index_days_per_cm": Definition(starts="distraction_end", ends="union"),
    "external_fixation_index_days_per_cm": Definition(starts="surgery", ends="fixator_removal"),
    "weight_bearing_index_days_per_cm": Definition(starts="surgery", ends="full_weight_bearing"),
    "gain_error_mm": Definition(),
    "gain_attainment_pct": Definition(),
    "gain_accuracy_pct": Definition(),
    "gain_within_tolerance": Definition(tolerance=True),
    "final_gain_error_mm": Definition(),
    "length_lost_mm": Definition(),
    "lengthening_pct": Definition(),
    "knee_flexion_retention_pct": Definition(unsaid=("when the knee was last examined",)),
    "knee_arc_retention_pct": Definition(unsaid=("when the knee was last examined",)),
    "complication_events": Definition(unsaid=_WHAT_COUNTS),
    "cases_with_complication": Definition(unsaid=_WHAT_COUNTS),
    "patients_with_complication": Definition(counts="patients", unsaid=_WHAT_COUNTS),
    "complications_per_100_cases": Definition(unsaid=_WHAT_COUNTS),
    **{
        f"complications_{name}_per_100_cases": Definition(
            words=f"{types} of Black 2015", unsaid=_WHAT_COUNTS
        )
        for name, types in _SEVERE.items()
    },
    "cases_with_unplanned_operation": Definition(unsaid=_OPERATIONS),
    "unplanned_operations_per_100_cases": Definition(unsaid=_OPERATIONS),
    "time_to_full_weight_bearing": Definition(
        starts="surgery", ends="full_weight_bearing", counts="episodes"
    ),
    "time_to_full_weight_bearing_by_case": Definition(starts="surgery", ends="full_weight_bearing"),
    "time_to_union": _HEALING,
    "time_to_knee_recovery": Definition(starts="surgery", ends="knee_recovery"),
}

#: names under which papers print different things (for the two indices: Acta Orthop and Clin
#: Orthop series print about 36 and about 24 days/cm of like patients under the first name)
TWO_MEANINGS: dict[str, str] = {
    "consolidation_index": "the consolidation index means surgery to union in some papers and end "
    "of distraction to union in others",
    "lengthening_index": "the lengthening index means time of distraction per centimetre in some "
    "papers and whole treatment per centimetre in others",
    "accuracy_pct": "accuracy means measured against prescribed distraction at each visit, the "
    "device's read-out against the film, or achieved against planned gain",
    "goal_reached": "a goal is reached within a tolerance that papers seldom give, or exactly",
}
#: how such a name is entered once the paper has been looked up
HOW_TO_ENTER = (
    "An index whose clock runs from surgery to union is entered as healing_index_days_per_cm, from "
    "the end of distraction to union as maturation_index_days_per_cm; achieved against planned "
    "gain as gain_accuracy_pct; a goal reached as gain_within_tolerance with tolerance_mm."
)
#: what papers print and the kit does not form
NOT_FORMED: dict[str, str] = {
    "residual_discrepancy_mm": "the difference in leg length that remains is another question than "
    "gain against plan, and the case tables do not hold it",
    "residual_discrepancy_within_tolerance": "the difference in leg length that remains is another "
    "question than gain against plan, and the case tables do not hold it",
    "knee_flexion_loss_deg": "we give the share of flexion kept, not the degrees lost",
}

_FACTORS: dict[tuple[str, str], float] = {
    ("weeks", "days"): DAYS_PER_WEEK,
    ("months", "days"): DAYS_PER_MONTH,
    ("months/cm", "days/cm"): DAYS_PER_MONTH,
    ("days/cm", "months/cm"): 1 / DAYS_PER_MONTH,
    ("cm", "mm"): MM_PER_CM,
    ("%", ""): 0.01,
    ("share", ""): 1.0,
}


def factor(unit: str, ours: str) -> float | None:
    """What to multiply a value in `unit` with to have it in our unit; None where that cannot be.

    A month is 30.4375 days; a share of ours has the unit "".
    """
    return 1.0 if unit == ours else _FACTORS.get((unit, ours))


def union_rule(settings: Settings) -> str:
    """Our union rule as a code of a file of published values; "" for a rule without a code."""
    names = {2: "two_cortices", 3: "three_cortices", 4: "four_cortices"}
    return names.get(settings.union_cortices, "")
