"""Results: every measure x statistic x window x group as one tidy table."""

from __future__ import annotations

import pandas as pd

from audit.cohort import Cohort
from audit.measures.limbs import limb_knee_measures
from audit.results.catalogue import TIMES
from audit.results.groups import GROUPINGS, slices, windows_for
from audit.results.limbs import limb_knee_rows
from audit.results.rows import RESULT_COLUMNS, result_frame
from audit.results.summaries import agreement_rows, complication_rows, measure_rows, split_rows
from audit.results.times import time_rows, time_table
from audit.results.walking import walking_rows

__all__ = ["RESULT_COLUMNS", "result_table"]


def result_table(
    cohort: Cohort, measured: pd.DataFrame, quarter: pd.Period | None = None
) -> pd.DataFrame:
    """All estimates of a cohort, one row each, in the contract's columns.

    measured: from `measure_cases(cohort)`. quarter: also the quarter and the rolling four quarters
    that end with it; a case belongs to the quarter of its surgery. Values at full precision.
    """
    settings = cohort.settings
    windows = windows_for(quarter)
    groupings = _groupings(measured)
    rows = []
    for part in slices(measured, windows, groupings):
        rows += measure_rows(part, settings)
        rows += agreement_rows(part, settings)
        rows += complication_rows(part, settings)
        if part.group_by == "all":
            rows += split_rows(part, settings)
    for part in slices(limb_knee_measures(cohort), windows, groupings):
        rows += limb_knee_rows(part, settings)
    for name in TIMES:
        for part in slices(time_table(cohort, name), windows, groupings):
            rows += time_rows(name, part, settings)
    rows += walking_rows(cohort, windows)
    return result_frame(rows)


def _groupings(measured: pd.DataFrame) -> tuple[tuple[str, ...], ...]:
    several = measured["centre"].nunique() > 1
    return (*GROUPINGS, ("centre",)) if several else GROUPINGS
