"""Did we meet our standards? Criteria against results, with a careful verdict."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import pandas as pd

from audit.cohort import Cohort
from audit.criteria import INDEX_DATES, Criterion
from audit.estimates.clusters import (
    clustered_mean,
    clustered_median,
    clustered_proportion,
    clustered_rate,
)
from audit.estimates.estimate import Estimate
from audit.results.catalogue import BY_NAME, NOT_APPLICABLE
from audit.results.groups import Window, windows_for
from audit.results.times import curve_for, time_table

MET, NOT_MET, UNCERTAIN, NOT_ESTIMABLE = "met", "not met", "uncertain", "not estimable"
ADULT_YEARS = 18
COLUMNS = [
    "criterion",
    "words",
    "population",
    "measure",
    "statistic",
    "window",
    "target",
    "direction",
    "index_date",
    "n",
    "missing",
    "not_yet_due",
    "value",
    "low",
    "high",
    "level",
    "method",
    "unit",
    "verdict",
    "note",
    "target_level",
    "reason",
    "source",
]


def verdict(estimate: Estimate, *, target: float, direction: str) -> str:
    """`met` or `not met` only when the whole interval lies on one side of the target; the target
    itself counts as met. Without a value or without both limits that are needed: `not estimable`,
    or `uncertain` when only the deciding limit is open."""
    if estimate.value is None:
        return NOT_ESTIMABLE
    low = -math.inf if estimate.low is None else estimate.low
    high = math.inf if estimate.high is None else estimate.high
    if direction == "at_least":
        low, high, target = -high, -low, -target
    if high <= target:
        return MET
    return NOT_MET if low > target else UNCERTAIN


def judge_standards(
    cohort: Cohort,
    measured: pd.DataFrame,
    criteria: Sequence[Criterion],
    quarter: pd.Period | None,
) -> pd.DataFrame:
    """One row a criterion and window (quarter, rolling year, all time), in `COLUMNS`.

    Means, medians, shares and rates allow for several cases of one patient; the time to full
    weight bearing counts one a walking episode. A case belongs to the quarter of the criterion's
    index date; cases that are not yet due are counted apart.
    """
    dates = [name for name in INDEX_DATES if name not in measured]
    extra = cohort.cases[["case_id", "age_at_surgery_years", *dates]]
    measured = measured.merge(extra, on="case_id", validate="one_to_one")
    rows = []
    for criterion in criteria:
        table = measured
        if criterion.statistic == "median_time":
            table = _episodes(cohort, criterion)
        for window in reversed(windows_for(quarter)):
            due, early = _population(table, criterion, window, cohort.cutoff)
            estimate = _estimate(due, criterion, cohort.settings.level)
            rows.append(_row(criterion, window, estimate, early))
    return pd.DataFrame(rows, columns=COLUMNS)


def _row(
    criterion: Criterion, window: Window, estimate: Estimate, not_yet_due: int
) -> dict[str, object]:
    shown = dataclasses.asdict(criterion) | dataclasses.asdict(estimate)
    outcome = verdict(estimate, target=criterion.target, direction=criterion.direction)
    return shown | {
        "criterion": criterion.id,
        "population": criterion.population,
        "window": window.name,
        "not_yet_due": not_yet_due,
        "verdict": outcome,
    }


def _estimate(cases: pd.DataFrame, criterion: Criterion, level: float) -> Estimate:
    if criterion.statistic == "median_time":
        return curve_for(cases, unit="days", level=level).median()
    patients = cases["patient_id"]
    if criterion.statistic == "rate":
        each = pd.Series(1.0, index=cases.index)
        unit = "events per 100 cases"
        return clustered_rate(
            cases["complication_events"], each, patients, per=100, level=level, unit=unit
        )
    reasons = cases.get(f"{criterion.measure}_reason", pd.Series(pd.NA, index=cases.index))
    inside = ~reasons.isin(NOT_APPLICABLE)
    values, patients = cases.loc[inside, criterion.measure], patients[inside]
    if criterion.statistic == "proportion":
        answers = values.astype("boolean").astype(object)
        return clustered_proportion(answers, patients, level=level, unit="share")
    average = clustered_mean if criterion.statistic == "mean" else clustered_median
    unit = BY_NAME[criterion.measure].unit
    return average(values.astype(float), patients, level=level, unit=unit)


def _episodes(cohort: Cohort, criterion: Criterion) -> pd.DataFrame:
    first = cohort.cases.groupby("patient_id")["age_at_surgery_years"].min()
    table = time_table(cohort, criterion.measure)
    return table.assign(age_at_surgery_years=table["patient_id"].map(first))


def _population(
    table: pd.DataFrame, criterion: Criterion, window: Window, cutoff: pd.Timestamp
) -> tuple[pd.DataFrame, int]:
    """(cases of the criterion that are due, how many are not yet)."""
    index_day = table[criterion.index_date]
    chosen = window.holds(index_day)
    if criterion.device_class:
        chosen &= table["device_class"].isin(criterion.device_class)
    if criterion.segment:
        chosen &= table["segment"].isin(criterion.segment)
    if criterion.age == "child":
        chosen &= table["age_at_surgery_years"] < ADULT_YEARS
    if criterion.age == "adult":
        chosen &= table["age_at_surgery_years"] >= ADULT_YEARS
    early = cutoff - index_day < pd.Timedelta(days=criterion.matures_after_days)
    return table.loc[chosen & ~early], int((chosen & early).sum())
