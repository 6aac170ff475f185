"""Did we meet our standards? Criteria against results, with a careful verdict."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import pandas as pd

from audit.cohort import Cohort
from audit.criteria import Criterion
from audit.estimates.clusters import (
    clustered_mean,
    clustered_median,
    clustered_proportion,
    clustered_rate,
)
from audit.estimates.estimate import Estimate
from audit.quality import criterion_fitness
from audit.quality.criterion_fitness import Judge, window_fitness
from audit.quality.fitness import UNFIT
from audit.results.catalogue import BY_NAME, TIMES
from audit.results.groups import Window, windows_for
from audit.results.times import clustered_curve_for, curve_for
from audit.standards.settle import MoreCases, more_to_settle
from audit.standards.states import (
    EXCEPTION,
    MET,
    MISSING,
    NOT_MET,
    NOT_YET_DUE,
    OUTSIDE,
    STATES,
    case_states,
    with_states,
)
from audit.standards.units import ADULT_YEARS, judge_of, units_of

__all__ = [
    "ADULT_YEARS",
    "COLUMNS",
    "STATE_COLUMNS",
    "VERDICTS",
    "case_states",
    "judge_standards",
    "verdict",
]

UNCERTAIN, NOT_ESTIMABLE = "uncertain", "not estimable"
VERDICTS = (MET, NOT_MET, UNCERTAIN, NOT_ESTIMABLE, UNFIT)
#: column -> the state that it counts; they add up to `eligible`
STATE_COLUMNS: dict[str, str] = {
    "met": MET,
    "not_met": NOT_MET,
    "exception": EXCEPTION,
    "state_not_yet_due": NOT_YET_DUE,
    "state_missing": MISSING,
}
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
    *criterion_fitness.COLUMNS,
    "eligible",
    *STATE_COLUMNS,
    "not_applicable",
    "left_out",
    "no_index_day",
    "cases_to_settle",
    "unit_of_analysis",
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

    Means, medians, shares, rates and times by case allow for several cases of one patient; the
    time to full weight bearing counts one a walking episode. A unit belongs to the quarter of the
    criterion's index date; no_index_day counts those operated in the window that have none yet.

    met to state_missing count the five states (`case_states`) and add up to `eligible`. Of a share
    the accepted exceptions leave the denominator and stand apart: value = met / (met + not met).
    From a mean, median, rate or time every unit goes for which an exception holds, whatever its
    value, because to take out only those that miss would bend the average. left_out counts what
    went either way, so that n + missing + not_yet_due + left_out = eligible; only a time to an
    event keeps units in n that wait or were lost, and its missing are those without a usable time.

    cases_to_settle: how many more units like these would settle an uncertain verdict, with the
    reason in note where that cannot be said. Where too few of the units due have what the measure
    needs (`minimum_completeness` of the criterion, else of `audit.quality.choices`), the verdict
    is `data not fit to judge`; value and interval stay, so that it can be traced.
    """
    judge = judge_of(cohort, measured)
    rows = []
    for criterion in criteria:
        units = with_states(judge, criterion, units_of(judge, criterion))
        for window in reversed(windows_for(quarter)):
            rows.append(_judged(units, criterion, window, judge))
    table = pd.DataFrame(rows, columns=COLUMNS)
    return table.astype({"cases_to_settle": float})


def _judged(
    units: pd.DataFrame, criterion: Criterion, window: Window, judge: Judge
) -> dict[str, object]:
    inside = units.loc[window.holds(units["day"])]
    used, left_out = _used(inside, criterion)
    estimate = _estimate(used, criterion, judge.cohort.settings.level)
    outcome = verdict(estimate, target=criterion.target, direction=criterion.direction)
    fit = window_fitness(units, criterion, window, judge)
    unfit = str(fit.pop("unfit"))
    more = MoreCases(None)
    if outcome == UNCERTAIN and not unfit:
        more = more_to_settle(estimate, criterion, used["value"], used["patient_id"])
    notes = (
        unfit,
        estimate.note,
        f"left out as accepted exceptions: {left_out}" if left_out else "",
        f"cases to settle not estimable: {more.reason}" if more.reason else "",
    )
    operated = window.holds(units["surgery_date"]) & units["day"].isna()
    return {
        **dataclasses.asdict(criterion),
        **dataclasses.asdict(estimate),
        "criterion": criterion.id,
        "population": criterion.population,
        "window": window.name,
        "verdict": UNFIT if unfit else outcome,
        "note": "; ".join(part for part in notes if part),
        **fit,
        **_counts(inside, criterion),
        "left_out": left_out,
        "no_index_day": int((operated & (units["state"] != OUTSIDE)).sum()),
        "cases_to_settle": more.number,
        "unit_of_analysis": criterion.unit,
    }


def _counts(inside: pd.DataFrame, criterion: Criterion) -> dict[str, int]:
    """The five states of the units of a window, and those that stand outside the population."""
    states = {name: int((inside["state"] == state).sum()) for name, state in STATE_COLUMNS.items()}
    by_curve = criterion.statistic == "median_time"
    return states | {
        "eligible": int(inside["state"].isin(STATES).sum()),
        "not_applicable": int((inside["state"] == OUTSIDE).sum()),
        "not_yet_due": 0 if by_curve else states["state_not_yet_due"],
    }


def _used(inside: pd.DataFrame, criterion: Criterion) -> tuple[pd.DataFrame, int]:
    """(the units that go into the estimate, how many accepted exceptions do not)."""
    waiting = criterion.statistic != "median_time"
    within = inside.loc[
        (inside["state"] != OUTSIDE) & ~(waiting & (inside["state"] == NOT_YET_DUE))
    ]
    out = within["state"] == EXCEPTION
    if criterion.statistic != "proportion":
        out = within["excused"].notna()
    return within.loc[~out], int(out.sum())


def _estimate(units: pd.DataFrame, criterion: Criterion, level: float) -> Estimate:
    if criterion.statistic == "median_time":
        _, unit, each = TIMES[criterion.measure]
        curve = clustered_curve_for if each == "case" else curve_for
        return curve(units, unit=unit, level=level).median()
    values, patients = units["value"], units["patient_id"]
    if criterion.statistic == "rate":
        each_case = pd.Series(1.0, index=units.index)
        unit = "events per 100 cases"
        return clustered_rate(values, each_case, patients, per=100, level=level, unit=unit)
    if criterion.statistic == "proportion":
        answers = values.astype("boolean").astype(object)
        return clustered_proportion(answers, patients, level=level, unit="share")
    average = clustered_mean if criterion.statistic == "mean" else clustered_median
    unit = BY_NAME[criterion.measure].unit
    return average(values, patients, level=level, unit=unit)
