"""Data quality of a source: computing only, no drawing and no files.

Six dimensions (government data quality framework 2020): completeness of what can be expected by
now, validity, consistency, timeliness, uniqueness, and accuracy, which needs the source documents;
and with them case ascertainment, the trend by quarter, and fitness for each measure.
"""

from __future__ import annotations

import dataclasses

import pandas as pd

from audit.cohort import Cohort
from audit.estimates.estimate import Estimate
from audit.measures import measure_cases
from audit.periods import last_complete_quarter
from audit.quality.ascertainment import ascertainment_table
from audit.quality.broken_rules import broken_rules, cases_with_questions, uniqueness_table
from audit.quality.choices import DEFAULTS, QualityChoices
from audit.quality.completeness import (
    completeness_table,
    expected_items,
    item_states,
    key_set_table,
    missing_items,
    optional_table,
)
from audit.quality.ground import ground_of
from audit.quality.measure_fitness import fitness_table
from audit.quality.rows_read import kept_out_reasons, rows_read
from audit.quality.timeliness import contact_estimates, newest_facts, stale_cases
from audit.quality.trend import Trend, trend
from audit.quality.validity import unread_rows, validity_table

__all__ = ["DEFAULTS", "DataQuality", "QualityChoices", "data_quality"]

ACCURACY = "needs source check"


@dataclasses.dataclass(frozen=True, eq=False)
class DataQuality:
    """Everything that can be said of the data by themselves; every frame is at full precision.

    rows, kept_out: what was read and what was set aside. completeness, missing (what to fill in,
    item by item), key_sets, optional; validity, unread; rules (all broken rules, with their
    dimension), cases_asked; uniqueness; newest, contacts (words -> Estimate), stale;
    ascertainment; trend; fitness: see the function that makes each. items: how every item of every
    case stands. accuracy: always `ACCURACY`, for no table can show it.
    """

    rows: pd.DataFrame
    kept_out: pd.DataFrame
    completeness: pd.DataFrame
    missing: pd.DataFrame
    key_sets: pd.DataFrame
    optional: pd.DataFrame
    validity: pd.DataFrame
    unread: pd.DataFrame
    rules: pd.DataFrame
    cases_asked: pd.DataFrame
    uniqueness: pd.DataFrame
    newest: pd.DataFrame
    contacts: dict[str, Estimate]
    stale: pd.DataFrame
    ascertainment: pd.DataFrame
    trend: Trend
    fitness: pd.DataFrame
    items: pd.DataFrame
    choices: QualityChoices
    accuracy: str = ACCURACY


def data_quality(
    cohort: Cohort,
    measured: pd.DataFrame | None = None,
    *,
    quarter: pd.Period | None = None,
    choices: QualityChoices = DEFAULTS,
) -> DataQuality:
    """The data quality of a cohort at its cut-off (of a run: of `run.cohort`).

    measured: from `measure_cases`, else made here. quarter: the last one of the trend; default the
    last one complete at the cut-off.
    """
    ground = ground_of(cohort)
    items = item_states(ground, choices)
    expected = list(expected_items(ground, items, choices))
    if measured is None:
        measured = measure_cases(cohort)
    return DataQuality(
        rows=rows_read(cohort),
        kept_out=kept_out_reasons(cohort),
        completeness=completeness_table(ground, expected),
        missing=missing_items(expected),
        key_sets=key_set_table(ground, items, choices),
        optional=optional_table(ground),
        validity=validity_table(ground),
        unread=unread_rows(ground),
        rules=broken_rules(ground),
        cases_asked=cases_with_questions(ground),
        uniqueness=uniqueness_table(ground),
        newest=newest_facts(ground),
        contacts=contact_estimates(ground, choices),
        stale=stale_cases(ground, choices),
        ascertainment=ascertainment_table(ground),
        trend=trend(ground, items, quarter or last_complete_quarter(cohort.cutoff), choices),
        fitness=fitness_table(cohort, measured, items, choices),
        items=items,
        choices=choices,
    )
