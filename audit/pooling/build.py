"""The aggregate of a run: exact sums of one centre for one period, small groups hidden."""

from __future__ import annotations

import re
from collections.abc import Iterator

import numpy as np
import pandas as pd

from audit.cohort import Cohort
from audit.errors import UnusableInput
from audit.intake.aggregate_form import COLUMNS, CURVE_KEYS, SUMS, Aggregate, empty_table
from audit.measures.common import MM_PER_CM
from audit.measures.complications import SEVERE, SPLITS
from audit.measures.limbs import BY_LIMB, limb_knee_measures
from audit.pooling.criteria import criterion_rows
from audit.pooling.definitions import definitions_of
from audit.pooling.hide import FEWEST_PEOPLE, hide
from audit.pooling.risk import risk_table
from audit.pooling.sums import sums_of
from audit.results.catalogue import MEASURES, NOT_APPLICABLE, TIMES
from audit.results.groups import GROUPINGS, Slice, Window, slices, windows_for
from audit.results.times import time_table
from audit.results.walking import INCIDENCE, TIME, competing_times
from audit.run import AuditRun
from schemas import vocabulary

Rows = list[dict[str, object]]
AGREEMENT = "gain_agreement_mm"
CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,31}")
NOTES = (
    "Sums of groups, no row of a patient; for departments under an agreement, never published.",
    "The day on which one person reached an event can be read from the steps.",
)


def aggregate(
    run: AuditRun, *, period: str, centre: str | None = None, fewest_people: int = FEWEST_PEOPLE
) -> Aggregate:
    """The exact sums of a run's cases for one window.

    period: a window of the run, such as year_to:2026Q3. centre: code to stand for the run's cases
    where they carry none. fewest_people: sums, curves and medians that rest on fewer distinct
    patients are hidden, with others that would give them away; 1 hides nothing. Raises
    UnusableInput for another period or without a code of the centre, ValueError for fewer than 1.
    """
    if fewest_people < 1:
        raise ValueError(f"fewest_people must be 1 or more, got {fewest_people!r}")
    window = window_of(run, period)
    sums = pd.DataFrame(list(_sum_rows(run, window)), columns=COLUMNS["sums"])
    curves, steps = _curve_tables(run.cohort, window)
    sums = hide(
        sums, by=["measure", "kind"], columns=[*SUMS, "median"], fewest_people=fewest_people
    )
    curves = hide(curves, by=["measure"], columns=["events"], fewest_people=fewest_people)
    return Aggregate(
        centres=centres_of(run.cohort, centre),
        level="internal",
        period=period,
        cutoff=run.cohort.cutoff.date().isoformat(),
        definitions=definitions_of(run.cohort),
        fewest_people=fewest_people,
        tables={
            "sums": _base_of_counts(sums),
            "curves": curves,
            "steps": _without_hidden(steps, curves),
            "criteria": criterion_rows(run, window, fewest_people=fewest_people),
            "cells": empty_table("cells"),
        },
        notes=NOTES,
    )


def window_of(run: AuditRun, period: str) -> Window:
    """The run's window of that name, or UnusableInput with those there are."""
    windows = {window.name: window for window in windows_for(run.quarter)}
    if period not in windows:
        raise UnusableInput(
            f"An aggregate is for a period of this run: {', '.join(windows)}; got {period}."
        )
    return windows[period]


def centres_of(cohort: Cohort, given: str | None) -> tuple[str, ...]:
    """The codes of the centres whose cases are in the cohort, in order."""
    found = tuple(sorted(str(code) for code in cohort.cases["centre"].dropna().unique()))
    codes = found or ((given,) if given else ())
    if given and found and found != (given,):
        raise UnusableInput(
            "The cases carry a centre code of their own, so the aggregate takes that one; leave "
            "out the centre, or run one centre only."
        )
    if not codes:
        raise UnusableInput("The cases have no centre code: give one, for example north.")
    if not all(CODE.fullmatch(code) for code in codes):
        raise UnusableInput(
            "A centre code is up to 32 letters, digits, - and _ without blanks, and never a name."
        )
    return codes


def _sum_rows(run: AuditRun, window: Window) -> Iterator[dict[str, object]]:
    for part in slices(run.measured, (window,), GROUPINGS):
        yield from _measure_rows(part)
        yield from _complication_rows(part)
    for part in slices(limb_knee_measures(run.cohort), (window,), GROUPINGS):
        yield _row(BY_LIMB, "mean", part, (part.rows[BY_LIMB], None), unit="%")


def _measure_rows(part: Slice) -> Iterator[dict[str, object]]:
    for measure in MEASURES:
        reason = f"{measure.name}_reason"
        rows = part.rows
        rows = rows.loc[~rows[reason].isin(NOT_APPLICABLE)] if reason in rows else rows
        inside = Slice(part.window, part.group_by, part.group, rows)
        values = rows[measure.name].astype("Float64").astype(float)
        kind = "share" if measure.kind == "yes_no" else "mean"
        yield _row(measure.name, kind, inside, (values, None), unit=measure.unit)
        if measure.index:
            cm = (rows["achieved_gain_mm"] / MM_PER_CM).where(values.notna())
            yield _row(measure.name, "ratio", inside, (values * cm, cm), unit=measure.unit)
    error = part.rows["achieved_gain_mm"] - part.rows["planned_gain_mm"]
    yield _row(AGREEMENT, "mean", part, (error, None), unit="mm")


def _complication_rows(part: Slice) -> Iterator[dict[str, object]]:
    cases = part.rows
    for name, column in (
        ("cases_with_complication", "complication_events"),
        ("cases_with_unplanned_operation", "unplanned_operations"),
    ):
        yield _row(name, "share", part, (_any(cases[column]), None), unit="")
    yield _row("patients_with_complication", "share", _by_patient(part), None, unit="")
    named = {
        "complications": "complication_events",
        "unplanned_operations": "unplanned_operations",
        **{name.replace("complication_events", "complications"): name for name in SEVERE},
    }
    for words, column in named.items():
        yield _rate_row(f"{words}_per_100_cases", part, cases[column], None)
    yield _months_row(part, "events_in_follow_up")
    if part.group_by != "all":
        return
    for column, codes in SPLITS.items():
        for code in (*vocabulary.codes(codes), "not_recorded"):
            split = Slice(part.window, column, code, cases)
            events = cases[f"complication_events_{column}_{code}"]
            yield _rate_row("complications_per_100_cases", split, events, None)
            yield _months_row(split, f"events_in_follow_up_{column}_{code}")


def _any(counts: pd.Series) -> pd.Series:
    return (counts > 0).astype(float).where(counts.notna())


def _by_patient(part: Slice) -> Slice:
    """A row a patient, with `answer`: any complication in a case of the part."""
    worst = part.rows.groupby("patient_id")["complication_events"].max()
    rows = pd.DataFrame({"patient_id": worst.index, "answer": _any(worst).to_numpy(dtype=float)})
    return Slice(part.window, part.group_by, part.group, rows)


def _months_row(part: Slice, events: str) -> dict[str, object]:
    months = part.rows["follow_up_months"]
    name = "complications_per_100_case_months"
    return _rate_row(name, part, part.rows[events], months)


def _rate_row(
    name: str, part: Slice, events: pd.Series, exposure: pd.Series | None
) -> dict[str, object]:
    below = "cases" if exposure is None else "case-months"
    row = _row(name, "rate", part, (events, exposure), unit=f"events per 100 {below}")
    return row | {"base_unit": below}


def _row(
    name: str,
    kind: str,
    part: Slice,
    pair: tuple[pd.Series, pd.Series | None] | None,
    *,
    unit: str,
) -> dict[str, object]:
    top, base = pair if pair is not None else (part.rows["answer"], None)
    values = top.astype(float)
    known = values.dropna()
    counted = kind == "mean" and len(known) > 0
    return {
        "measure": name,
        "kind": kind,
        "group_by": part.group_by,
        "group": part.group,
        "unit": unit,
        "base_unit": "cm" if base is not None else "rows",
        **sums_of(values, base, part.rows["patient_id"]),
        "median": float(known.median()) if counted else np.nan,
        "marker": "",
    }


def _base_of_counts(sums: pd.DataFrame) -> pd.DataFrame:
    """The sums with the base of a hidden row shown again where it is no more than its count."""
    counted = sums["base_unit"].isin(("rows", "cases"))
    return sums.assign(base=sums["base"].mask(counted, sums["n"].astype(float)))


def _curve_tables(cohort: Cohort, window: Window) -> tuple[pd.DataFrame, pd.DataFrame]:
    headers: Rows = []
    steps: list[pd.DataFrame] = []
    for name, (_, unit, _each) in TIMES.items():
        for part in slices(time_table(cohort, name), (window,), GROUPINGS):
            _add(headers, steps, name, part, unit)
    for part in slices(competing_times(time_table(cohort, TIME)), (window,), GROUPINGS[:2]):
        _add(headers, steps, INCIDENCE, part, "days")
    table = pd.DataFrame(headers, columns=COLUMNS["curves"])
    return table, pd.concat(steps, ignore_index=True)[COLUMNS["steps"]]


def _add(headers: Rows, steps: list[pd.DataFrame], name: str, part: Slice, unit: str) -> None:
    header, own = risk_table(part.rows, competing=name == INCIDENCE)
    keys = {"measure": name, "group_by": part.group_by, "group": part.group}
    headers.append({**keys, "unit": unit, **header, "marker": ""})
    steps.append(own.assign(**keys))


def _without_hidden(steps: pd.DataFrame, curves: pd.DataFrame) -> pd.DataFrame:
    shown = curves.loc[curves["marker"] == "", CURVE_KEYS]
    return steps.merge(shown, on=CURVE_KEYS, how="inner")
