"""Fitness of the data for each criterion and window, beside its verdict."""

from __future__ import annotations

import dataclasses
import math

import pandas as pd

from audit.cohort import Cohort
from audit.criteria import Criterion
from audit.estimates.estimate import Estimate
from audit.quality.choices import DEFAULTS, QualityChoices
from audit.quality.completeness import item_states
from audit.quality.fitness import (
    EVENTS,
    FAULT,
    UNFIT,
    case_states,
    completeness_of,
    event_states,
    missing_table,
    time_states,
    without_ungraded,
)
from audit.quality.ground import ground_of
from audit.results.catalogue import TIMES
from audit.results.groups import ALL, Window

COLUMNS = ["due", "with_inputs", "completeness", "minimum_completeness"]


@dataclasses.dataclass(frozen=True)
class Judge:
    """What the fitness of criteria is judged from: one a cohort.

    items: from `completeness.item_states`; measured: from `measure_cases`.
    """

    cohort: Cohort
    measured: pd.DataFrame
    items: pd.DataFrame
    choices: QualityChoices


def fitness_judge(
    cohort: Cohort, measured: pd.DataFrame, choices: QualityChoices = DEFAULTS
) -> Judge:
    """A judge of a cohort."""
    return Judge(cohort, measured, item_states(ground_of(cohort), choices), choices)


def with_fitness(judge: Judge, criterion: Criterion, table: pd.DataFrame) -> pd.DataFrame:
    """The rows of a criterion with `fitness` (known, fault, or missing where not due) and `placed`
    (the day by which a row counts in a window).

    table: cases as measured, or the rows of a time to an event. A row whose index date could be
    expected by now and is missing is a fault; it is placed on the day its treatment ended, and
    without that day it counts in all time only.
    """
    states = _states(judge, criterion).to_numpy(dtype=object)
    out = table.assign(fitness=states, placed=table[criterion.index_date])
    if criterion.index_date == "surgery_date":
        return out
    gap = judge.items[criterion.index_date].isin(["missing", "invalid"])
    lacking = table["case_id"].map(gap).fillna(False).astype(bool)
    ended = judge.cohort.cases.set_index("case_id")["outcome_date"]
    out["fitness"] = out["fitness"].mask(lacking, FAULT)
    out["placed"] = out["placed"].mask(lacking, table["case_id"].map(ended))
    # without an index date that can be expected a row belongs to no window yet
    early = table[criterion.index_date].isna() & ~lacking
    out["fitness"] = out["fitness"].mask(early, pd.NA)
    return out


def _states(judge: Judge, criterion: Criterion) -> pd.Series:
    cohort, choices, name = judge.cohort, judge.choices, criterion.measure
    if name in TIMES:
        # whether half have arrived by the target is known of a case seen waiting past it
        by_target = criterion.statistic == "median_time" and TIMES[name][1] == "days"
        days = math.ceil(criterion.target) if by_target else choices.horizon_days
        return time_states(cohort, judge.items, name, days, choices)
    if name in EVENTS:
        days = criterion.matures_after_days or choices.horizon_days
        states = event_states(cohort, days, choices)
        states = without_ungraded(states, judge.measured, name)
    else:
        states = case_states(cohort, judge.measured, judge.items, name)
    return states.reindex(judge.measured["case_id"])


def window_fitness(rows: pd.DataFrame, criterion: Criterion, window: Window, judge: Judge) -> dict:
    """`COLUMNS` for one criterion and window, and `unfit`: why the data are not fit, or empty.

    rows: those of the criterion's population, from `with_fitness`. Cases not yet mature are left
    out, as they are in the result.
    """
    inside = window.holds(rows["placed"])
    if window.name == ALL:
        inside |= rows["placed"].isna()
    early = judge.cohort.cutoff - rows["placed"] < pd.Timedelta(days=criterion.matures_after_days)
    states = rows.loc[inside & ~early, "fitness"]
    estimate = completeness_of(states, level=judge.cohort.settings.level)
    minimum = criterion.minimum_completeness
    if minimum is None:
        minimum = judge.choices.minimum_completeness
    return {
        "due": estimate.n,
        "with_inputs": round((estimate.value or 0.0) * estimate.n),
        "completeness": float("nan") if estimate.value is None else estimate.value,
        "minimum_completeness": minimum,
        "unfit": _unfit(estimate, minimum, criterion, judge.cohort),
    }


def _below(value: float, minimum: float) -> str:
    """A share in percent with as few decimals as keep it from reading as the minimum."""
    texts = [f"{100 * value:.{decimals}f}" for decimals in range(4)]
    return next((text for text in texts if float(text) < 100 * minimum), texts[-1])


def _unfit(estimate: Estimate, minimum: float, criterion: Criterion, cohort: Cohort) -> str:
    absent = missing_table(cohort, criterion.measure)
    if absent:
        return f"{UNFIT}: the source has no table {absent}"
    if estimate.value is None or estimate.value >= minimum:
        return ""
    each = "walking episodes" if criterion.measure == "time_to_full_weight_bearing" else "cases"
    share = _below(estimate.value, minimum)
    return (
        f"{UNFIT}: {share}% of {estimate.n} due {each} have what it needs "
        f"(minimum {100 * minimum:g}%)"
    )
