"""What is checked before a funnel is looked at, each with pass, fail or not done.

The six steps of Verburg et al. 2018, Stat Methods Med Res (policy, case mix, cases a unit,
overdispersion, link with features of the unit, construction), and whether every unit is steady.
"""

from __future__ import annotations

import dataclasses

import pandas as pd
from scipy import stats

from audit.criteria import Criterion
from audit.estimates.funnel import overdispersion
from audit.monitoring.cases import Answers
from audit.monitoring.lines import chart_of
from audit.monitoring.points import Span, quarter_points
from audit.monitoring.settings import MonitoringSettings

PASS, FAIL, NOT_DONE = "pass", "fail", "not done"
#: units from which spread between them, and a link with their size, can be told from chance
UNITS_FOR_SPREAD, UNITS_FOR_LINK = 5, 8
ALPHA = 0.05


@dataclasses.dataclass(frozen=True, kw_only=True)
class FunnelCheck:
    """One check before a funnel: its name, pass, fail or not done, and the words for it."""

    name: str
    state: str
    words: str


@dataclasses.dataclass(frozen=True, kw_only=True)
class Steadiness:
    """unsteady: units whose own run chart signals in the window; untested: units without a signal
    whose points are too few, or too alike, for the tests of runs."""

    unsteady: tuple[str, ...] = ()
    untested: tuple[str, ...] = ()


def steadiness(answers: Answers, span: Span, settings: MonitoringSettings) -> Steadiness:
    """The run chart of every unit by itself; `answers.rows` has a column `unit`."""
    unsteady, untested = [], []
    for unit, rows in answers.rows.groupby("unit"):
        points = quarter_points(dataclasses.replace(answers, rows=rows), span, kind="proportion")
        chart = chart_of(points, settings=settings)
        if chart is None:
            continue
        if (chart.table.loc[points.table["in_window"], "signal"] != "").any():
            unsteady.append(str(unit))
        elif chart.phases["no_runs"].iloc[-1]:
            untested.append(str(unit))
    return Steadiness(unsteady=tuple(unsteady), untested=tuple(untested))


def funnel_checks(
    criterion: Criterion, units: pd.DataFrame, steady: Steadiness, *, minimum: int
) -> tuple[FunnelCheck, ...]:
    """The checks in order. units: unit, events, size, one row a unit."""
    small = units.loc[units["size"] < minimum, "unit"].astype(str)
    sizes = f"fewer than {minimum} cases: {', '.join(small)}" if len(small) else "no unit has cases"
    if len(units) and not len(small):
        sizes = f"smallest: {int(units['size'].min())} cases"
    enough = PASS if len(units) and not len(small) else FAIL
    return (
        FunnelCheck(name="Policy stated before looking", state=PASS, words="as printed above"),
        FunnelCheck(name="Case mix", state=NOT_DONE, words="no model of case mix exists here"),
        FunnelCheck(name="Enough cases in every unit", state=enough, words=sizes),
        _spread(criterion, units),
        _link(units),
        FunnelCheck(
            name="Construction",
            state=PASS,
            words="exact limits, target fixed from outside these data, sorted by size",
        ),
        _steady(units, steady),
    )


def _steady(units: pd.DataFrame, steady: Steadiness) -> FunnelCheck:
    name = "Every unit steady over time"
    if len(units) < 2:
        return FunnelCheck(name=name, state=NOT_DONE, words="nothing to compare")
    if steady.unsteady:
        return FunnelCheck(name=name, state=FAIL, words=f"signals: {', '.join(steady.unsteady)}")
    if steady.untested:
        words = f"no signal, but no tests of runs in: {', '.join(steady.untested)}"
        return FunnelCheck(name=name, state=NOT_DONE, words=words)
    return FunnelCheck(name=name, state=PASS, words="no unit's own run chart signals")


def _spread(criterion: Criterion, units: pd.DataFrame) -> FunnelCheck:
    name = "Overdispersion"
    if len(units) < UNITS_FOR_SPREAD or not 0 < criterion.target < 1:
        words = f"{len(units)} units; from {UNITS_FOR_SPREAD} on spread can be told from chance"
        return FunnelCheck(name=name, state=NOT_DONE, words=words)
    found = overdispersion(units["events"], units["size"], target=criterion.target)
    if found.phi is None:
        return FunnelCheck(name=name, state=NOT_DONE, words=found.note)
    p = float(stats.chi2.sf(found.phi * found.n, found.n))
    words = f"mean squared z {found.phi:.2f}, P {p:.3f} (chi-squared, {found.n} df)"
    return FunnelCheck(name=name, state=FAIL if p < ALPHA else PASS, words=words)


def _link(units: pd.DataFrame) -> FunnelCheck:
    name = "Link with the size of the unit"
    share = units["events"] / units["size"]
    if len(units) < UNITS_FOR_LINK or share.nunique() < 2 or units["size"].nunique() < 2:
        words = f"{len(units)} units; from {UNITS_FOR_LINK} on a link can be looked for"
        return FunnelCheck(name=name, state=NOT_DONE, words=words)
    found = stats.spearmanr(units["size"], share)
    words = f"rank correlation {found.statistic:.2f}, P {found.pvalue:.3f}"
    return FunnelCheck(name=name, state=FAIL if found.pvalue < ALPHA else PASS, words=words)
