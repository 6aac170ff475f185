"""Did we gain the length that we planned?"""

from __future__ import annotations

import pandas as pd

from audit.cohort import Cohort
from audit.measures.common import GREY_GAIN_MM, SHORTEST_GAIN_MM, gain_reasons, measured

#: gains are typed to a tenth of a millimetre: a difference this small is arithmetic, not length
ROUNDING_MM = 1e-9


def length_measures(cohort: Cohort) -> pd.DataFrame:
    """Achieved against planned length, one row a case (index: case_id).

    mm and %. The plan is the length planned before surgery. Achieved = at the end of distraction;
    final = on the last film. `gain_within_tolerance` is True/False (`settings.tolerance_mm`).
    Missing with a reason where distraction has not ended or a length is not recorded. A case that
    ended in amputation is judged like any other: by its recorded gain, or left out with a reason.
    """
    cases = cohort.cases.set_index("case_id")
    achieved, planned = cases["achieved_gain_mm"], cases["planned_gain_mm"]
    error = achieved - planned
    within = (error.abs() <= cohort.settings.tolerance_mm + ROUNDING_MM).astype("boolean")
    reasons = [*gain_reasons(cases), (planned.isna(), "no_planned_gain")]
    final = cases["final_gain_mm"]
    no_final = [(final.isna(), "no_final_gain")]
    before = cases["segment_length_before_mm"]
    parts = [
        measured("gain_error_mm", error, reasons),
        measured("gain_attainment_pct", 100 * achieved / planned, reasons),
        measured("gain_accuracy_pct", 100 * (1 - error.abs() / planned), reasons),
        measured("gain_within_tolerance", within.mask(error.isna()), reasons),
        measured("length_lost_mm", achieved - final, gain_reasons(cases) + no_final),
        measured(
            "final_gain_error_mm", final - planned, [*no_final, (planned.isna(), "no_planned_gain")]
        ),
        measured(
            "lengthening_pct",
            100 * achieved / before,
            [*gain_reasons(cases), (before.isna(), "no_length_before")],
        ),
        _gain_band(achieved),
    ]
    return pd.concat(parts, axis=1)


def _gain_band(achieved: pd.Series) -> pd.DataFrame:
    """How far per-centimetre indices can be trusted for the gain: none, with care, or usual."""
    band = pd.Series(pd.NA, index=achieved.index, dtype=object)
    band = band.mask(achieved < SHORTEST_GAIN_MM, "under_10mm")
    band = band.mask(
        achieved.between(SHORTEST_GAIN_MM, GREY_GAIN_MM, inclusive="left"), "10_to_30mm"
    )
    return band.mask(achieved >= GREY_GAIN_MM, "30mm_or_more").to_frame("gain_band")
