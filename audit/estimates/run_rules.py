"""Run rules: which points of a series form a pattern that chance seldom makes.

Every test works on one phase of a chart and returns patterns: the words of the rule and the
positions (from 0) of all points that belong to it; the last position completes the pattern.

The run-chart set of 2011 (shift of 6, trend of 5) is left out on purpose: with it about half of
all steady series of 24 points give a false signal (Anhoej & Olesen 2014, PLoS ONE 9:e113825).
"""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Callable, Iterable

import numpy as np
from scipy import stats

from audit.estimates.inputs import check_choice

# A point that lies on a line in exact arithmetic must not cross it through rounding.
ROUNDING = 1e-9

OUTSIDE = "point outside a limit"
LONG_RUN = "unusually long run on one side of the centre line"
FEW_CROSSINGS = "unusually few crossings of the centre line"


@dataclasses.dataclass(frozen=True, kw_only=True)
class Pattern:
    """`rule` in words; `members`: positions of its points, counted from 0, the last completes."""

    rule: str
    members: tuple[int, ...]

    @property
    def completes(self) -> int:
        """Position of the point that completes the pattern."""
        return self.members[-1]


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Standardised:
    """Points of one phase without the missing ones.

    values: as drawn; side: -1, 0, 1 for below, on, above the centre line; z: distance from the
    centre in sigmas of that point, or NaN everywhere where there are no limits.
    """

    values: np.ndarray
    side: np.ndarray
    z: np.ndarray


Test = Callable[[Standardised], list[Pattern]]


@dataclasses.dataclass(frozen=True, kw_only=True)
class RunsAnalysis:
    """Longest run and crossings of a series about a line, with the limits for its length.

    useful: points not on the line; longest_run_max, crossings_min: None where `useful` is under 2.
    """

    useful: int
    longest_run: int
    longest_run_max: int | None
    crossings: int
    crossings_min: int | None

    @property
    def shifted(self) -> bool:
        """True when the run is too long or the crossings are too few for chance."""
        if self.longest_run_max is None or self.crossings_min is None:
            return False
        return self.longest_run > self.longest_run_max or self.crossings < self.crossings_min


def runs_limits(useful: int) -> tuple[int, int]:
    """Longest run and fewest crossings that chance still explains among `useful` points.

    round(log2 n) + 3 and the 5th percentile of Binomial(n - 1, 1/2).
    Source: Anhoej & Olesen 2014, PLoS ONE 9:e113825, doi 10.1371/journal.pone.0113825.
    ValueError under 2 points.
    """
    if useful < 2:
        raise ValueError(f"runs need at least 2 points off the centre line, not {useful}")
    longest = round(math.log2(useful)) + 3
    return longest, int(stats.binom.ppf(0.05, useful - 1, 0.5))


def analyse_runs(side: np.ndarray) -> RunsAnalysis:
    """Runs about a centre line from the sides (-1, 0, 1) of the points in time order.

    Points on the line neither break nor join a run. Source: as `runs_limits`.
    """
    off = side[side != 0]
    crossings = int(np.count_nonzero(np.diff(off)))
    longest = max((len(run) for run in _runs(side)), default=0)
    most, fewest = runs_limits(len(off)) if len(off) >= 2 else (None, None)
    return RunsAnalysis(
        useful=len(off),
        longest_run=longest,
        longest_run_max=most,
        crossings=crossings,
        crossings_min=fewest,
    )


def _runs(side: np.ndarray) -> list[list[int]]:
    """Positions of each run on one side; points on the line are passed over."""
    runs: list[list[int]] = []
    for position in np.flatnonzero(side):
        if runs and side[runs[-1][-1]] == side[position]:
            runs[-1].append(int(position))
        else:
            runs.append([int(position)])
    return runs


def long_run(series: Standardised) -> list[Pattern]:
    """Runs longer than the limit for the length of the series (see `runs_limits`)."""
    most = analyse_runs(series.side).longest_run_max
    if most is None:
        return []
    runs = [run for run in _runs(series.side) if len(run) > most]
    return [Pattern(rule=LONG_RUN, members=tuple(run)) for run in runs]


def few_crossings(series: Standardised) -> list[Pattern]:
    """Fewer crossings than the limit: the pattern is the whole series off the line."""
    found = analyse_runs(series.side)
    if found.crossings_min is None or found.crossings >= found.crossings_min:
        return []
    members = tuple(int(i) for i in np.flatnonzero(series.side))
    return [Pattern(rule=FEW_CROSSINGS, members=members)]


def _k_of_m(flag: np.ndarray, k: int, m: int, rule: str) -> list[Pattern]:
    """Patterns that end at a flagged point with at least k flagged among the last m points."""
    patterns = []
    for end in np.flatnonzero(flag):
        start = max(0, int(end) - m + 1)
        members = start + np.flatnonzero(flag[start : end + 1])
        if len(members) >= k:
            patterns.append(Pattern(rule=rule, members=tuple(int(i) for i in members)))
    return patterns


def outside_limits(series: Standardised) -> list[Pattern]:
    """Points more than 3 sigmas from the centre; a point exactly on a limit is not outside."""
    return _k_of_m(np.abs(series.z) > 3 + ROUNDING, 1, 1, OUTSIDE)


def one_side(series: Standardised, *, length: int) -> list[Pattern]:
    """`length` points in a row on one side; a point on the line is on neither, so it breaks."""
    rule = f"{length} points in a row on one side of the centre line"
    return [p for s in (-1, 1) for p in _k_of_m(series.side == s, length, length, rule)]


def trend(series: Standardised, *, length: int) -> list[Pattern]:
    """`length` points in a row, each above (or each below) the one before; equal values break."""
    rule = f"{length} points in a row rising or falling"
    step = np.sign(np.diff(series.values))
    steps = [p for s in (-1, 1) for p in _k_of_m(step == s, length - 1, length - 1, rule)]
    return [Pattern(rule=rule, members=(*p.members, p.members[-1] + 1)) for p in steps]


def beyond_zone(series: Standardised, *, k: int, m: int, sigmas: int) -> list[Pattern]:
    """k of m points in a row further than `sigmas` from the centre, on the same side."""
    rule = f"{k} of {m} points in a row beyond {sigmas} sigma on one side"
    far = [_k_of_m(s * series.z > sigmas + ROUNDING, k, m, rule) for s in (-1, 1)]
    return [pattern for found in far for pattern in found]


def near_limit(series: Standardised) -> list[Pattern]:
    """2 of 3 points in a row between two thirds of a limit and that limit, all 3 on that side."""
    rule = "2 of 3 points in a row close to a limit"
    patterns = []
    for sign in (-1, 1):
        z = sign * series.z
        near = (z > 2 + ROUNDING) & (z <= 3 + ROUNDING)
        beside = sign * series.side > 0
        patterns += [
            Pattern(rule=rule, members=tuple(int(i) for i in start + np.flatnonzero(near[window])))
            for start in range(len(z) - 2)
            if beside[window := slice(start, start + 3)].all() and near[window].sum() >= 2
        ]
    return patterns


def alternating(series: Standardised, *, length: int) -> list[Pattern]:
    """`length` points in a row going up and down in turn."""
    rule = f"{length} points in a row going up and down in turn"
    step = np.sign(np.diff(series.values))
    turns = _k_of_m(step[1:] * step[:-1] < 0, length - 2, length - 2, rule)
    ends = ((p.members[0], p.members[-1] + 2) for p in turns)
    return [Pattern(rule=rule, members=tuple(range(first, last + 1))) for first, last in ends]


def hugging(series: Standardised, *, length: int) -> list[Pattern]:
    """`length` points in a row within 1 sigma of the centre."""
    rule = f"{length} points in a row within 1 sigma of the centre line"
    return _k_of_m(np.abs(series.z) < 1 - ROUNDING, length, length, rule)


def avoiding(series: Standardised, *, length: int) -> list[Pattern]:
    """`length` points in a row further than 1 sigma from the centre, on both sides of it."""
    rule = f"{length} points in a row beyond 1 sigma, on both sides"
    far = _k_of_m(np.abs(series.z) > 1 + ROUNDING, length, length, rule)
    return [p for p in far if len(set(series.side[list(p.members)])) > 1]


@dataclasses.dataclass(frozen=True, kw_only=True)
class RuleSet:
    """`name` in words with its source, `tests` that belong to it, whether it uses limits."""

    words: str
    tests: tuple[Test, ...]
    uses_limits: bool
    starts_with_runs: bool = False


RULE_SETS: dict[str, RuleSet] = {
    "limits": RuleSet(
        words="a point outside the 3-sigma limits (Shewhart)",
        tests=(outside_limits,),
        uses_limits=True,
    ),
    "runs": RuleSet(
        words="longest run and crossings (Anhoej & Olesen 2014)",
        tests=(long_run, few_crossings),
        uses_limits=False,
        starts_with_runs=True,
    ),
    "runs_and_limits": RuleSet(
        words="longest run and crossings (Anhoej & Olesen 2014) and the 3-sigma limits",
        tests=(outside_limits, long_run, few_crossings),
        uses_limits=True,
        starts_with_runs=True,
    ),
    "national_4": RuleSet(
        words="four signals of a national measurement programme (7 one side, 7-point trend, "
        "2 of 3 close to a limit, outside a limit)",
        tests=(
            outside_limits,
            functools.partial(one_side, length=7),
            functools.partial(trend, length=7),
            near_limit,
        ),
        uses_limits=True,
    ),
    "zones_1956": RuleSet(
        words="four zone tests of the 1956 handbook; steady series: one false signal in 91.75 "
        "points (Champ & Woodall 1987, Technometrics 29:393)",
        tests=(
            outside_limits,
            functools.partial(beyond_zone, k=2, m=3, sigmas=2),
            functools.partial(beyond_zone, k=4, m=5, sigmas=1),
            functools.partial(one_side, length=8),
        ),
        uses_limits=True,
    ),
    "eight_tests_1984": RuleSet(
        words="eight tests (Nelson 1984, J Qual Technol 16:237)",
        tests=(
            outside_limits,
            functools.partial(one_side, length=9),
            functools.partial(trend, length=6),
            functools.partial(alternating, length=14),
            functools.partial(beyond_zone, k=2, m=3, sigmas=2),
            functools.partial(beyond_zone, k=4, m=5, sigmas=1),
            functools.partial(hugging, length=15),
            functools.partial(avoiding, length=8),
        ),
        uses_limits=True,
    ),
}


def rule_set(name: str) -> RuleSet:
    """The rule set of that name; ValueError with the closed list otherwise."""
    check_choice(name, RULE_SETS, name="rules")
    return RULE_SETS[name]


def find_patterns(series: Standardised, *, rules: str, runs: bool = True) -> list[Pattern]:
    """All patterns of the rule set `rules` in one phase, in the order of its tests.

    runs=False leaves only the test for points outside the limits, for short series.
    """
    tests: Iterable[Test] = rule_set(rules).tests
    if not runs:
        tests = [test for test in tests if test is outside_limits]
    return [pattern for test in tests for pattern in test(series)]
