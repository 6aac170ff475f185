"""Numbers, shares, rates and agreement of a group of cases."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from audit.estimates import averages, proportions, rates
from audit.estimates.agreement import agreement
from audit.estimates.clusters import (
    clustered_mean,
    clustered_median,
    clustered_proportion,
    clustered_rate,
    clustered_ratio_of_totals,
    effective_number,
)
from audit.estimates.estimate import Estimate
from audit.measures.common import MM_PER_CM
from audit.measures.complications import SEVERE, SPLITS
from audit.results.catalogue import MEASURES, NOT_APPLICABLE, WORDS_FOR_REASONS, Measure
from audit.results.groups import ALL, Slice
from audit.results.rows import result_row
from audit.settings import Settings
from schemas import vocabulary

Rows = list[dict[str, object]]
PER = 100.0


def measure_rows(part: Slice, settings: Settings, measures: Sequence[Measure] = MEASURES) -> Rows:
    """Every measure of the catalogue, or those in `measures`, for one group of cases."""
    rows: Rows = []
    for measure in measures:
        inside = _population(part.rows, measure)
        about = _why_missing(inside, measure)
        summarise = _share_rows if measure.kind == "yes_no" else _number_rows
        rows += summarise(measure, part, inside, settings, about)
    return rows


def _population(cases: pd.DataFrame, measure: Measure) -> pd.DataFrame:
    """The columns that a measure needs, without the cases to which it does not apply."""
    reason = f"{measure.name}_reason"
    # each once: a measure may be the gain itself
    wanted = dict.fromkeys((measure.name, reason, "patient_id", "achieved_gain_mm"))
    table = cases[[name for name in wanted if name in cases]]
    return table.loc[~table[reason].isin(NOT_APPLICABLE)] if reason in table else table


def _why_missing(cases: pd.DataFrame, measure: Measure) -> str:
    reason = f"{measure.name}_reason"
    if reason not in cases or cases[measure.name].notna().all():
        return ""
    counts = cases[reason].value_counts()
    order = sorted(counts.index, key=lambda code: (-counts[code], code))
    return ", ".join(f"{WORDS_FOR_REASONS.get(code, code)}: {counts[code]}" for code in order)


def _number_rows(
    measure: Measure, part: Slice, cases: pd.DataFrame, settings: Settings, about: str
) -> Rows:
    values, patients = cases[measure.name].astype(float), cases["patient_id"]
    plain: dict[str, Any] = {"level": settings.level, "unit": measure.unit}
    sampling: dict[str, Any] = {"resamples": settings.resamples, "seed": settings.seed}
    found: dict[str, Estimate] = {
        "mean": averages.mean(values, **plain),
        "mean_clustered": clustered_mean(values, patients, **plain),
        "sd": averages.standard_deviation(values, **plain),
        "median": averages.median(values, **plain),
        "median_clustered": clustered_median(values, patients, **plain, **sampling),
        "q1": averages.quantile(values, q=0.25, **plain),
        "q3": averages.quantile(values, q=0.75, **plain),
        "min": averages.minimum(values, **plain),
        "max": averages.maximum(values, **plain),
    }
    if measure.index:
        centimetres = (cases["achieved_gain_mm"] / MM_PER_CM).where(values.notna())
        total = values * centimetres
        found["ratio_of_totals"] = averages.ratio_of_totals(total, centimetres, **plain)
        found["ratio_of_totals_clustered"] = clustered_ratio_of_totals(
            total, centimetres, patients, **plain
        )
    if part.group_by == ALL:
        found["effective_n"] = effective_number(values, patients)
    return [
        result_row(measure.name, statistic, part, estimate, note=about)
        for statistic, estimate in found.items()
    ]


def _share_rows(
    measure: Measure, part: Slice, cases: pd.DataFrame, settings: Settings, about: str
) -> Rows:
    return share_rows(measure.name, cases[measure.name], cases["patient_id"], part, settings, about)


def share_rows(
    name: str,
    answers: pd.Series,
    patients: pd.Series,
    part: Slice,
    settings: Settings,
    about: str = "",
) -> Rows:
    """Share of yes (0-1), by Wilson and with the patient-clustered twin."""
    yes = answers.astype("boolean")
    known = int(yes.notna().sum())
    share = proportions.proportion(
        int(yes.sum()), known, missing=len(yes) - known, level=settings.level
    )
    twin = clustered_proportion(yes.astype(object), patients, level=settings.level)
    return [
        result_row(name, "proportion", part, share, note=about),
        result_row(name, "proportion_clustered", part, twin, note=about),
    ]


def complication_rows(part: Slice, settings: Settings) -> Rows:
    """Cases and patients with events, events per 100 cases and per 100 case-months."""
    cases, patients = part.rows, part.rows["patient_id"]
    happened = cases["complication_events"]
    returned = cases["unplanned_operations"]
    rows = share_rows("cases_with_complication", _any(happened), patients, part, settings)
    rows += share_rows("cases_with_unplanned_operation", _any(returned), patients, part, settings)
    by_patient = happened.groupby(patients).max()
    rows += share_rows(
        "patients_with_complication",
        _any(by_patient),
        pd.Series(by_patient.index, index=by_patient.index),
        part,
        settings,
    )
    each = pd.Series(1.0, index=cases.index)
    rows += rate_rows("complications_per_100_cases", happened, each, part, settings)
    rows += rate_rows("unplanned_operations_per_100_cases", returned, each, part, settings)
    for counted in SEVERE:
        name = counted.replace("complication_events", "complications") + "_per_100_cases"
        rows += rate_rows(name, cases[counted], each, part, settings)
    rows += rate_rows(
        "complications_per_100_case_months",
        cases["events_in_follow_up"],
        cases["follow_up_months"],
        part,
        settings,
    )
    return rows


def split_rows(part: Slice, settings: Settings) -> Rows:
    """Events per 100 cases and case-months by origin, course class and severity type (all cases
    below the line)."""
    rows: Rows = []
    each = pd.Series(1.0, index=part.rows.index)
    for column, codes in SPLITS.items():
        for code in (*vocabulary.codes(codes), "not_recorded"):
            events = part.rows[f"complication_events_{column}_{code}"]
            named = Slice(part.window, column, code, part.rows)
            rows += rate_rows("complications_per_100_cases", events, each, named, settings)
            seen = part.rows[f"events_in_follow_up_{column}_{code}"]
            months = part.rows["follow_up_months"]
            rows += rate_rows("complications_per_100_case_months", seen, months, named, settings)
    return rows


def _any(counts: pd.Series) -> pd.Series:
    return (counts > 0).astype("boolean").where(counts.notna())


def rate_rows(
    name: str, events: pd.Series, exposure: pd.Series, part: Slice, settings: Settings
) -> Rows:
    """Events per 100 of exposure, exact Poisson and with the patient-clustered twin."""
    known = events.notna() & exposure.notna()
    below = "case-months" if name.endswith("months") else "cases"
    words: dict[str, Any] = {"level": settings.level, "unit": f"events per 100 {below}"}
    note = f"{events[known].sum():.0f} events in {exposure[known].sum():.6g} {below}"
    plain = rates.rate(
        int(events[known].sum()),
        float(exposure[known].sum()),
        per=PER,
        n=int(known.sum()),
        missing=int((~known).sum()),
        **words,
    )
    twin = clustered_rate(events, exposure, part.rows["patient_id"], per=PER, **words)
    return [
        result_row(name, "rate", part, plain, note=note),
        result_row(name, "rate_clustered", part, twin, note=note),
    ]


def agreement_rows(part: Slice, settings: Settings) -> Rows:
    """Planned-versus-achieved agreement: bias and limits of achieved minus planned gain, mm."""
    cases = part.rows
    found = agreement(
        cases["achieved_gain_mm"], cases["planned_gain_mm"], level=settings.level, unit="mm"
    )
    twin = clustered_mean(
        cases["achieved_gain_mm"] - cases["planned_gain_mm"],
        cases["patient_id"],
        level=settings.level,
        unit="mm",
    )
    parts = {
        "bias": found.bias,
        "bias_clustered": twin,
        "limit_low": found.limit_low,
        "limit_high": found.limit_high,
    }
    return [
        result_row("gain_agreement_mm", name, part, estimate) for name, estimate in parts.items()
    ]
