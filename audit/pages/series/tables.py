"""Who was treated, what came of it, what went wrong: tables and figures of the series."""

from __future__ import annotations

from typing import TYPE_CHECKING

from audit import figures
from audit.pages.series.drawn import Drawn
from audit.results.courses import at_risk_frame, curves_by, knee_points
from audit.results.groups import ALL
from audit.series.case_series import CaseSeries
from audit.series.complications import KINDS, PHASE, RESULT
from audit.tables import measures
from audit.tables.series_complications import (
    series_complication_rates,
    series_complications,
    series_complications_by_group,
)
from audit.tables.series_outcomes import series_outcome_sections, series_outcomes
from audit.tables.series_regression import series_regression_table
from audit.tables.series_table_one import series_balance, series_table_one
from audit.tables.shown import ShownTable

if TYPE_CHECKING:
    from audit.estimates.survival import SurvivalCurve

TIMES = (0, 60, 90, 120, 180, 270, 365)
WALKING = "time_to_full_weight_bearing"
UNION = "time_to_union"


def series_tables(series: CaseSeries) -> tuple[ShownTable, ...]:
    """Every table of outcomes, in the order of the paper."""
    return (
        series_table_one(series),
        series_balance(series),
        series_outcomes(series),
        measures.agreement_table(series.run),
        measures.at_risk_table(at_risk_frame(_curves(series, WALKING), TIMES)),
        series_complications(series),
        series_complications_by_group(series),
        series_complication_rates(series),
        series_regression_table(series),
        *series_outcome_sections(series),
    )


def series_figures(series: CaseSeries) -> tuple[Drawn, ...]:
    """Every figure of outcomes, in the order of the paper."""
    return (
        planned_against_achieved(series),
        time_curves(series, UNION),
        time_curves(series, WALKING),
        knee_course(series),
        complication_rates(series),
    )


def planned_against_achieved(series: CaseSeries) -> Drawn:
    """Achieved against planned gain, and their agreement."""
    run = series.run
    rows = measures.rows_of(run, "gain_agreement_mm", ALL, ALL)
    tolerance = run.cohort.settings.tolerance_mm
    return Drawn(
        "planned_against_achieved",
        "Achieved against planned gain, and their difference with limits of agreement.",
        figures.planned_against_achieved_alt(run.measured, rows, tolerance_mm=tolerance),
        figures.planned_against_achieved(run.measured, rows, tolerance_mm=tolerance),
    )


#: time -> heading, label of the share, caption
_CURVES: dict[str, tuple[str, str, str]] = {
    WALKING: (
        "Time to full weight bearing",
        "Patients bearing full weight",
        "Share of patients bearing full weight by days from surgery, by device class, with 95% "
        "bands and numbers at risk. Time zero: first surgery of the walking episode. Event: all "
        "its bones fully loaded. Censored: when last seen waiting.",
    ),
    UNION: (
        "Time to union",
        "Bones united",
        "Share of bones united by days from surgery, by device class, with 95% bands and numbers "
        "at risk. Time zero: surgery. Event: first film that meets the union rule. Censored: when "
        "last seen without.",
    ),
}


def _curves(series: CaseSeries, name: str) -> dict[str, SurvivalCurve]:
    """By device class; one curve for all where no class has enough members for its own."""
    cohort = series.run.cohort
    return curves_by(cohort, name, "device_class") or curves_by(cohort, name)


def time_curves(series: CaseSeries, name: str = WALKING) -> Drawn:
    """Rising curves of a time to an event by device class, with the rows at risk.

    name: time_to_full_weight_bearing or time_to_union. ValueError for another.
    """
    if name not in _CURVES:
        raise ValueError(f"time must be one of {', '.join(_CURVES)}; got {name!r}")
    title, label, caption = _CURVES[name]
    curves, fewest = _curves(series, name), series.run.cohort.settings.minimum_at_risk
    alt = figures.time_curves_alt(curves, unit="days", share_label=label, minimum_at_risk=fewest)
    drawn = figures.time_curves(
        curves,
        title=title,
        unit="days",
        share_label=label,
        minimum_at_risk=fewest,
        at=TIMES,
    )
    return Drawn(f"{name}_curves", caption, alt, drawn)


def knee_course(series: CaseSeries) -> Drawn:
    """Knee flexion through treatment by device class."""
    points = knee_points(series.run.measured)
    return Drawn(
        "knee_course",
        "Knee flexion at baseline, at its worst, at union and when last seen: median and "
        "quartiles by device class.",
        figures.knee_course_alt(points),
        figures.knee_course(points),
    )


def complication_rates(series: CaseSeries) -> Drawn:
    """Complications per 100 cases by kind."""
    results = series.run.results
    kinds = [kind for kind in KINDS if kind not in (PHASE, RESULT)]
    rows = results.loc[
        (results["measure"] == "complications_per_100_cases")
        & (results["window"] == ALL)
        & results["group_by"].isin(kinds)
    ]
    return Drawn(
        "complication_rates",
        "Complications per 100 cases by origin, course class and severity type, with 95% "
        "intervals.",
        figures.complication_rates_alt(rows),
        figures.complication_rates(rows),
    )
