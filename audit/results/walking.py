"""Full weight bearing looked at in other ways: competing events, intervals, other definitions."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd

from audit.cohort import Cohort
from audit.estimates.clusters import clustered_ratio_of_totals
from audit.estimates.competing import CumulativeIncidence, cumulative_incidence
from audit.estimates.estimate import Estimate, not_estimable
from audit.estimates.interval_survival import (
    IntervalCurve,
    interval_quantile,
    interval_survival_curve,
)
from audit.estimates.quantiles_of_time import time_at_level
from audit.estimates.survival import SurvivalCurve, follow_up
from audit.measures.common import days_between
from audit.measures.weight_bearing import IMPOSSIBLE, WAITING
from audit.results.catalogue import WORDS_FOR_REASONS
from audit.results.groups import ALL, Slice, Window, slices
from audit.results.rows import result_row
from audit.results.times import TOO_LATE, time_rows, time_table
from audit.results.walking_variants import SENSITIVITY, STOPPED, variant_tables

Rows = list[dict[str, object]]

TIME = "time_to_full_weight_bearing"
INCIDENCE = "incidence_of_full_weight_bearing"
INTERVAL = "time_to_full_weight_bearing_interval"
FOLLOW_UP = "follow_up_days"
COMPLETENESS = "follow_up_completeness_pct"
GROUPINGS: tuple[tuple[str, ...], ...] = ((), ("device_class",))
#: resamples behind the limits of an interval-censored median. Fewer than elsewhere, since every
#: one fits a curve anew; all episodes over all time only (local choice)
RESAMPLES = 200
NO_LIMITS = "limits are resampled for all episodes over all time only"
INDEPENDENT = "limits take walking episodes as independent"


def walking_rows(cohort: Cohort, windows: tuple[Window, ...]) -> Rows:
    """Every row of results.csv that this module gives."""
    return [
        *competing_rows(cohort, windows),
        *interval_rows(cohort, windows),
        *sensitivity_rows(cohort, windows),
        *follow_up_rows(cohort, windows),
    ]


def competing_times(table: pd.DataFrame) -> pd.DataFrame:
    """A time table with `duration` as competing risks need it.

    An episode that death or amputation made impossible ends on that day (`ended`), not when it was
    last seen waiting. Whether it arrived too late to be watched at all (`reason`) is judged anew.
    """
    impossible = table["cause"] == IMPOSSIBLE
    duration = table["duration"].astype(float).where(~impossible, table["ended"].astype(float))
    late = (table["entry"] > 0) & (table["entry"] >= duration)
    reasons = [
        why if pd.notna(why) and why != TOO_LATE else (TOO_LATE if too_late else pd.NA)
        for why, too_late in zip(table["reason"], late, strict=True)
    ]
    return table.assign(
        duration=duration, reason=pd.Series(reasons, index=table.index, dtype=object)
    )


def incidence_for(table: pd.DataFrame, *, level: float) -> CumulativeIncidence:
    """Cumulative incidence of full weight bearing, from `competing_times`."""
    usable = table.loc[table["reason"].isna()]
    late = bool((usable["entry"] > 0).any())
    return cumulative_incidence(
        usable["duration"].to_numpy(dtype=float),
        usable["cause"].to_numpy(dtype=int),
        1,
        usable["entry"].to_numpy(dtype=float) if late else None,
        level=level,
        missing=len(table) - len(usable),
    )


def walking_incidence(cohort: Cohort) -> CumulativeIncidence:
    """Cumulative incidence of full weight bearing over all walking episodes."""
    return incidence_for(competing_times(time_table(cohort, TIME)), level=cohort.settings.level)


def competing_rows(cohort: Cohort, windows: tuple[Window, ...]) -> Rows:
    """Share of walking episodes bearing full weight by fixed days, death and amputation competing.

    Statistic `reached_by`, a row a day of `settings.waiting_days` (the day opens the note).
    """
    rows: Rows = []
    table = competing_times(time_table(cohort, TIME))
    for part in slices(table, windows, GROUPINGS):
        rows += _reached_rows(INCIDENCE, part, cohort, "death or amputation")
    return rows


def _reached_rows(measure: str, part: Slice, cohort: Cohort, rivals: str) -> Rows:
    curve = incidence_for(part.rows, level=cohort.settings.level)
    about = f"{_incidence_words(curve, part, rivals)}; {INDEPENDENT}"
    return [
        result_row(measure, "reached_by", part, curve.at(day), note=f"by {day} days; {about}")
        for day in cohort.settings.waiting_days
    ]


def _incidence_words(curve: CumulativeIncidence, part: Slice, rivals: str) -> str:
    late = int((part.rows["reason"] == TOO_LATE).sum())
    left_out = f"; {WORDS_FOR_REASONS[TOO_LATE]}: {late}" if late else ""
    return (
        f"{curve.events} events and {curve.other_events} competing ({rivals}) among {curve.n} "
        f"(walking episode){left_out}"
    )


def incidence_quantile(curve: CumulativeIncidence, q: float) -> Estimate:
    """Time by which the share `q` of all cases has had the event, competing ones counted in.

    Read off the cumulative incidence as a quantile off a survival curve: first time at which it is
    at or above q, limits in the same way from its pointwise limits (the inversion of Brookmeyer &
    Crowley 1982, Biometrics 38:29-41). Where competing events keep the curve below q there is no
    such time, and the note says so.
    """
    name = "median" if q == 0.5 else f"{q:.4g} quantile of time"
    method = f"Aalen-Johansen {name}, inverted {curve.interval} interval"
    about: dict[str, Any] = {"n": curve.n, "missing": curve.missing, "method": method}
    about |= {"level": curve.level, "unit": curve.unit}
    if curve.n == 0:
        return not_estimable("no cases", **about)
    time = curve.counts.time
    value = time_at_level(time, 1 - curve.incidence, 1 - q)
    checked = curve.at(float(time[-1]) if value is None else value)
    if checked.value is None:
        return not_estimable(checked.note, **about)
    if value is None:
        share = 100 * float(curve.incidence[-1])
        return not_estimable(f"{name} not reached: {share:.0f} % by the last follow-up", **about)
    low = time_at_level(time, 1 - curve.high, 1 - q)
    high = time_at_level(time, 1 - curve.low, 1 - q)
    note = "upper limit not reached" if high is None else ""
    return Estimate(value=value, low=low, high=high, note=note, **about)


def interval_table(table: pd.DataFrame) -> pd.DataFrame:
    """The episodes an interval-censored curve can use: those operated here.

    The estimator has no late entry, and counting an episode taken over in mid-treatment from its
    surgery would credit days on which nobody here could have seen it. Death and amputation end
    the watching, as in the curve on the day first seen.
    """
    return table.loc[table["reason"].isna() & (table["entry"] <= 0)]


def interval_curve_for(table: pd.DataFrame, *, level: float) -> IntervalCurve:
    """Interval-censored curve of a time table; episodes it cannot use count as missing."""
    usable = interval_table(table)
    return interval_survival_curve(
        usable["lower"].to_numpy(dtype=float),
        usable["upper"].to_numpy(dtype=float),
        level=level,
        missing=len(table) - len(usable),
    )


def walking_interval_curve(cohort: Cohort) -> IntervalCurve:
    """Interval-censored curve of time to full weight bearing over all walking episodes."""
    return interval_curve_for(time_table(cohort, TIME), level=cohort.settings.level)


def interval_rows(cohort: Cohort, windows: tuple[Window, ...]) -> Rows:
    """Median and share still waiting when the event is known only to lie between two visits.

    Limits of the median come from resampled patients, for all episodes over all time only.
    """
    rows: Rows = []
    level = cohort.settings.level
    for part in slices(time_table(cohort, TIME), windows, GROUPINGS):
        curve = interval_curve_for(part.rows, level=level)
        taken_over = int((part.rows["entry"] > 0).sum())
        about = f"{curve.n} (walking episode)"
        about += f"; taken over in mid-treatment, left out: {taken_over}" if taken_over else ""
        median = _interval_median(curve, part, cohort)
        rows.append(result_row(INTERVAL, "median_time", part, median, note=about))
        rows += [
            result_row(
                INTERVAL, "not_reached_at", part, curve.at(day), note=f"at {day} days; {about}"
            )
            for day in cohort.settings.waiting_days
        ]
    return rows


def _interval_median(curve: IntervalCurve, part: Slice, cohort: Cohort) -> Estimate:
    plain = curve.median()
    if plain.value is None:
        return plain
    if part.window != ALL or part.group_by != ALL:
        return dataclasses.replace(plain, note=f"{plain.note}; {NO_LIMITS}")
    if curve.level != 0.95:
        return dataclasses.replace(plain, note=f"{plain.note}; limits exist at level 0.95 only")
    usable = interval_table(part.rows)
    resampled = interval_quantile(
        usable["lower"].to_numpy(dtype=float),
        usable["upper"].to_numpy(dtype=float),
        cluster=usable["patient_id"].to_numpy(),
        resamples=min(RESAMPLES, cohort.settings.resamples),
        seed=cohort.settings.seed,
    )
    return dataclasses.replace(resampled, missing=curve.missing)


def sensitivity_rows(cohort: Cohort, windows: tuple[Window, ...]) -> Rows:
    """The time to full weight bearing under other definitions, for every window.

    group_by is `sensitivity`, group the variant (`walking_variants.SENSITIVITY` says what each
    is); the note ends with its definition. Kaplan-Meier rows as for the main
    analysis; the variant with more competing events gives quantiles of the cumulative incidence
    and `reached_by`.
    """
    rows: Rows = []
    for variant, table in variant_tables(cohort).items():
        give = _competing_variant if variant == STOPPED else _time_variant
        for window in windows:
            inside = table.loc[window.holds(table["surgery_date"])]
            rows += give(Slice(window.name, "sensitivity", variant, inside), cohort)
    return rows


def _time_variant(part: Slice, cohort: Cohort) -> Rows:
    rows = time_rows(TIME, part, cohort.settings)
    return [row | {"note": f"{row['note']}; {SENSITIVITY[part.group]}"} for row in rows]


def _competing_variant(part: Slice, cohort: Cohort) -> Rows:
    part = dataclasses.replace(part, rows=competing_times(part.rows))
    curve = incidence_for(part.rows, level=cohort.settings.level)
    rivals = "death, amputation, treatment stopped or device exchanged"
    words = f"{_incidence_words(curve, part, rivals)}; {SENSITIVITY[part.group]}; {INDEPENDENT}"
    names = {"median_time": 0.5, "q1_time": 0.25, "q3_time": 0.75}
    rows = [
        result_row(TIME, name, part, incidence_quantile(curve, q), note=words)
        for name, q in names.items()
    ]
    reached = _reached_rows(TIME, part, cohort, rivals)
    return rows + [row | {"note": f"{row['note']}; {SENSITIVITY[part.group]}"} for row in reached]


def follow_up_rows(cohort: Cohort, windows: tuple[Window, ...]) -> Rows:
    """How long, and how completely, walking episodes were watched for full weight bearing."""
    rows: Rows = []
    table = competing_times(time_table(cohort, TIME))
    measures: dict[tuple[str, str], Callable[[pd.DataFrame, Cohort], Estimate]] = {
        (FOLLOW_UP, "median_time"): median_follow_up,
        (COMPLETENESS, "ratio_of_totals_clustered"): completeness,
    }
    for part in slices(table, windows, GROUPINGS):
        for (measure, statistic), give in measures.items():
            rows.append(result_row(measure, statistic, part, give(part.rows, cohort)))
    return rows


def follow_up_curve(table: pd.DataFrame, *, level: float) -> SurvivalCurve:
    """Reverse Kaplan-Meier curve of a table from `competing_times`.

    The end of watching is the event; full weight bearing, death and amputation end the need to
    watch, so they censor. Days are counted from surgery.
    """
    usable = table.loc[table["reason"].isna()]
    return follow_up(
        usable["duration"].to_numpy(dtype=float),
        (usable["cause"] != WAITING).to_numpy(dtype=bool),
        level=level,
        missing=len(table) - len(usable),
    )


def median_follow_up(table: pd.DataFrame, cohort: Cohort) -> Estimate:
    """Median follow-up in days, with the method named as reverse Kaplan-Meier."""
    found = follow_up_curve(table, level=cohort.settings.level).median()
    note = found.note.replace("still waiting", "still followed")
    words = "full weight bearing, death and amputation censor; up to the last day seen waiting"
    return dataclasses.replace(
        found, method=f"reverse {found.method}", note="; ".join(x for x in (note, words) if x)
    )


def completeness(table: pd.DataFrame, cohort: Cohort) -> Estimate:
    """Person-time watched as a percentage of what was possible up to the cut-off.

    Watched: from surgery (arrival, if taken over) to full weight bearing, death or amputation, else
    to the last day seen waiting. Possible: the same, but a waiting episode could have been watched
    until the cut-off. Clark, Altman & De Stavola 2002, Lancet 359:1309-1310; interval robust over
    patients, kept at or below 100.
    """
    usable = table.loc[table["reason"].isna()]
    last = pd.Series(cohort.cutoff, index=usable.index)
    to_cutoff = days_between(last, usable["surgery_date"])
    possible = to_cutoff.where(usable["cause"] == WAITING, usable["duration"]) - usable["entry"]
    watched = 100.0 * (usable["duration"] - usable["entry"])
    found = clustered_ratio_of_totals(
        watched, possible, usable["patient_id"], level=cohort.settings.level, unit="%"
    )
    missing = found.missing + len(table) - len(usable)
    words = f"{watched.sum() / 100:.0f} of {possible.sum():.0f} days up to the cut-off"
    if found.high is not None and found.high > 100:
        high = float(np.clip(found.high, found.value, 100.0))
        found = dataclasses.replace(found, high=high)
        words += "; upper limit kept at 100"
    return dataclasses.replace(
        found, missing=missing, note="; ".join(x for x in (words, found.note) if x)
    )
