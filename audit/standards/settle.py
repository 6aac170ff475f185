"""How many more cases would settle an uncertain verdict, if they were like those there are.

The interval of the verdict is grown at the present value until it leaves the target: the same
kind of interval, its error falling with the square root of the number of cases, Student's t on as
many more patients. It is a guide for planning, not a forecast: the value will move.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable

import pandas as pd

from audit.criteria import Criterion
from audit.estimates.averages import t_multiplier
from audit.estimates.clusters import effective_number
from audit.estimates.estimate import Estimate
from audit.estimates.proportions import wilson_limits

MOST = 10_000
#: fewest units whose spread is worth planning by (local choice)
LEAST = 5
ON_TARGET = "the value equals the target"
NO_LIMIT = "the interval is open on the side of the target"
TOO_MANY = f"more than {MOST} more"
TOO_FEW = f"fewer than {LEAST} to tell the spread by"


@dataclasses.dataclass(frozen=True)
class MoreCases:
    """number: of further units due (None: not estimable); reason: why there is none."""

    number: int | None
    reason: str = ""


def more_to_settle(
    estimate: Estimate, criterion: Criterion, values: pd.Series, patients: pd.Series
) -> MoreCases:
    """How many more units an uncertain estimate needs at its present value.

    values, patients: of the units in the estimate. Shares of 0 or 1 grow by Wilson's interval on
    effective cases, a rate without events by the exact Poisson interval; other shares on the logit
    scale, rates on the log scale, means as they are, each by Student's t over patients. Medians
    and times to an event have no such rule: the limit that decides draws near with the square
    root of the number, without t. Where the value equals the target no number is enough.
    """
    value = estimate.value
    if value is None or value == criterion.target:
        return MoreCases(None, ON_TARGET)
    limit = estimate.high if value < criterion.target else estimate.low
    if limit is None:
        return MoreCases(None, NO_LIMIT)
    if estimate.n < LEAST and not _at_an_end(estimate, criterion):
        return MoreCases(None, TOO_FEW)
    settled = _rule(estimate, criterion, values, patients)
    if not settled(MOST + estimate.n):
        return MoreCases(None, TOO_MANY)
    low, high = estimate.n, MOST + estimate.n
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if settled(middle) else (middle, high)
    return MoreCases(high - estimate.n)


def _rule(
    estimate: Estimate, criterion: Criterion, values: pd.Series, patients: pd.Series
) -> Callable[[int], bool]:
    """Whether so many units would leave the target outside the interval."""
    value, target, level = float(estimate.value or 0.0), criterion.target, estimate.level
    if criterion.statistic == "proportion" and (
        _at_an_end(estimate, criterion) or estimate.note.startswith("no spread")
    ):
        share = _effective(values, patients) / estimate.n
        return lambda n: not _inside(target, wilson_limits(value * share * n, share * n, level))
    if criterion.statistic == "rate" and value == 0:
        high = float(estimate.high or 0.0)
        return lambda n: high * estimate.n / n <= target
    scale = {"proportion": _logit, "rate": _log}.get(criterion.statistic, float)
    gap = abs(scale(value) - scale(target))
    limit = estimate.high if value < target else estimate.low
    half = abs(scale(value) - scale(float(limit if limit is not None else math.nan)))
    groups = int(patients[values.notna()].nunique())
    by_t = criterion.statistic in ("proportion", "rate", "mean") and groups > 1
    error = half / t_multiplier(groups - 1, level) if by_t else half

    def settled(n: int) -> bool:
        more = groups * n / estimate.n
        wider = t_multiplier(more - 1, level) if by_t else 1.0
        if criterion.statistic == "proportion":
            # the share fixes the spread, so its small-sample factor G / (G - 1) falls too
            wider *= math.sqrt(more / (more - 1) * (groups - 1) / groups)
        return wider * error * math.sqrt(estimate.n / n) <= gap

    return settled


def _at_an_end(estimate: Estimate, criterion: Criterion) -> bool:
    """A share of 0 or 1, or a rate of 0: its interval needs no spread."""
    if criterion.statistic == "rate":
        return estimate.value == 0
    return criterion.statistic == "proportion" and estimate.value in (0.0, 1.0)


def _effective(values: pd.Series, patients: pd.Series) -> float:
    known = values.notna()
    found = effective_number(values[known].astype(float), patients[known]).value
    return float(known.sum()) if found is None else found


def _inside(target: float, limits: tuple[float, float]) -> bool:
    return limits[0] < target < limits[1]


def _logit(share: float) -> float:
    if share <= 0 or share >= 1:
        return math.copysign(math.inf, share - 0.5)
    return math.log(share / (1 - share))


def _log(rate: float) -> float:
    return math.log(rate) if rate > 0 else -math.inf
