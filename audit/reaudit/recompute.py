"""An earlier quarter computed again from today's tables."""

from __future__ import annotations

import dataclasses

import pandas as pd

from audit.cohort import Cohort, build_cohort
from audit.errors import UnusableInput
from audit.intake import Tables
from audit.intake.archive import ArchivedRun
from audit.measures import measure_cases
from audit.reaudit.definitions import Definitions
from audit.reaudit.record import case_record
from audit.reaudit.units import unit_record
from audit.results.catalogue import TIMES
from audit.results.groups import slices, windows_for
from audit.results.rows import RESULT_COLUMNS
from audit.results.summaries import agreement_rows, complication_rows, measure_rows
from audit.results.times import time_rows, time_table
from audit.settings import Settings
from audit.standards import judge_standards


@dataclasses.dataclass(frozen=True)
class Recomputed:
    """standards, results: with the definitions of then, and with today's; standards_between: with
    today's register and the settings of then. measured, record, units: of every case, with the
    definitions of then. problem: why nothing could be computed."""

    standards_then: pd.DataFrame
    standards_between: pd.DataFrame
    standards_today: pd.DataFrame
    results_then: pd.DataFrame
    results_today: pd.DataFrame
    measured: pd.DataFrame
    record: pd.DataFrame
    units: pd.DataFrame
    problem: str = ""


def recompute(tables: Tables, archived: ArchivedRun, found: Definitions) -> Recomputed:
    """The quarter, cut-off and centre of an archived run, from today's tables and today's code.

    Results only where the archive holds some to compare with.
    """
    about = archived.about
    try:
        cohort = build_cohort(
            tables, about.cutoff, centre=about.centre, settings=found.settings_then
        )
    except UnusableInput as problem:
        none = pd.DataFrame()
        return Recomputed(none, none, none, none, none, none, none, none, problem=str(problem))
    measured = measure_cases(cohort)
    then = list(found.then.values())
    standards_then = judge_standards(cohort, measured, then, about.quarter)
    asked = archived.results is not None
    results_then = main_results(cohort, measured, about.quarter) if asked else pd.DataFrame()
    today = list(found.today.values())
    between = standards_then
    if today != then:
        between = judge_standards(cohort, measured, today, about.quarter)
    standards_today, results_today = between, results_then
    if found.settings_today != found.settings_then:
        now, measured_now = _with_settings(cohort, found.settings_today)
        if asked:
            results_today = main_results(now, measured_now, about.quarter)
        standards_today = judge_standards(now, measured_now, today, about.quarter)
    return Recomputed(
        standards_then=standards_then,
        standards_between=between,
        standards_today=standards_today,
        results_then=results_then,
        results_today=results_today,
        measured=measured,
        record=case_record(cohort, tables),
        units=unit_record(cohort, measured, then),
    )


def _with_settings(cohort: Cohort, settings: Settings) -> tuple[Cohort, pd.DataFrame]:
    other = dataclasses.replace(cohort, settings=settings)
    return other, measure_cases(other)


def main_results(cohort: Cohort, measured: pd.DataFrame, quarter: pd.Period) -> pd.DataFrame:
    """The rows of results.csv that speak of all cases together: every measure, agreement,
    complications and times to an event, in every window; no group and no sensitivity run."""
    settings, windows = cohort.settings, windows_for(quarter)
    rows: list[dict[str, object]] = []
    for part in slices(measured, windows, ((),)):
        rows += measure_rows(part, settings)
        rows += agreement_rows(part, settings)
        rows += complication_rows(part, settings)
    for name in TIMES:
        for part in slices(time_table(cohort, name), windows, ((),)):
            rows += time_rows(name, part, settings)
    return pd.DataFrame(rows, columns=RESULT_COLUMNS)
