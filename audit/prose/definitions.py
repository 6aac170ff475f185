"""How every measure of the paper is formed, in one table: the register of definitions."""

from __future__ import annotations

import pandas as pd

from audit.results.catalogue import MEASURES, TIMES
from audit.series.case_series import CaseSeries
from audit.settings import Settings
from audit.tables.shown import ShownTable

NAME = "series_definitions"
#: measure -> how it is formed
_FORMED: dict[str, str] = {
    "latency_days": "day of the start of distraction minus day of surgery",
    "distraction_days": "last minus first day of distraction",
    "distraction_index_mm_per_day": "achieved gain over days of distraction",
    "healing_index_days_per_cm": "days from surgery to union over achieved gain in cm",
    "healing_index_months_per_cm": "the same in months of 30.4375 days",
    "maturation_index_days_per_cm": "days from the end of distraction to union over achieved gain "
    "in cm",
    "external_fixation_index_days_per_cm": "days from surgery to removal of the fixator over "
    "achieved gain in cm; fixators only",
    "weight_bearing_index_days_per_cm": "days from surgery to full weight bearing over achieved "
    "gain in cm",
    "gain_error_mm": "gain at the end of distraction minus planned gain, sign kept",
    "gain_attainment_pct": "100 times achieved over planned gain",
    "gain_accuracy_pct": "100 times (1 minus the distance from the plan over the plan)",
    "gain_within_tolerance": "distance of the achieved from the planned gain at most {tolerance:g} "
    "mm",
    "final_gain_error_mm": "gain on the last film minus planned gain, sign kept",
    "length_lost_mm": "gain at the end of distraction minus gain on the last film",
    "lengthening_pct": "100 times achieved gain over length of the segment before surgery",
    "knee_flexion_retention_pct": "100 times last knee flexion over flexion before surgery",
    "knee_arc_retention_pct": "the same for the arc: flexion minus extension deficit",
    "complication_events": "complications of a case, each event counted",
    "complication_events_type_ii_or_worse": "complications of a case of severity type II or worse",
    "complication_events_type_iii": "complications of a case of severity type IIIA or IIIB",
    "complication_events_type_iiib": "complications of a case of severity type IIIB",
    "unplanned_operations": "operations of a case that were not planned",
    "time_to_full_weight_bearing": "first surgery to the last full weight bearing of a walking "
    "episode; event: full load without aids allowed; waiting: censored at the last visit with less",
    "time_to_full_weight_bearing_by_case": "the same for each case alone",
    "time_to_union": "surgery to the first film with {cortices} of 4 cortices bridged; waiting: "
    "censored at the last film without",
    "healing_index_censored_days_per_cm": "time to union per cm gained, waiting cases kept as "
    "censored",
    "time_to_knee_recovery": "surgery to the first examination after distraction with at least "
    "{recovery:g}% of the flexion before surgery; censored at the last examination with less",
}
_EACH = {True: "finished case", False: "case"}


def definitions_table(series: CaseSeries) -> ShownTable:
    """Every measure with its formula in words, unit and unit of analysis, from the settings."""
    settings = series.run.cohort.settings
    lines = [
        (one.title, _formed(one.name, settings), one.unit or "yes or no", _EACH[one.waits])
        for one in MEASURES
    ]
    lines += [(title, _formed(name, settings), unit, each) for name, (title, unit, each)
              in TIMES.items()]  # fmt: skip
    frame = pd.DataFrame(lines, columns=["Measure", "How it is formed", "Unit", "One value a"])
    notes = (
        "Days count from surgery, day 0; 1 cm is 10 mm. No index per centimetre below 10 mm "
        "gained. A value that lacks one of its inputs is missing and is not replaced.",
    )
    return ShownTable(frame, NAME, "Definitions of the measures", notes)


def _formed(name: str, settings: Settings) -> str:
    words = _FORMED.get(name, "as its name says")
    return words.format(
        tolerance=settings.tolerance_mm,
        cortices=settings.union_cortices,
        recovery=100 * settings.recovery_share,
    )
