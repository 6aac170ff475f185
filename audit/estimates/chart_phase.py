"""One phase of a control chart: its baseline, its limits or why it has none, its patterns."""

from __future__ import annotations

import dataclasses

import numpy as np

from audit.estimates import run_rules
from audit.estimates.chart_limits import COUNTED, Limits, Series, process_limits, why_no_limits
from audit.estimates.chart_settings import ChartSettings

LINES = ("centre", "low", "high", "inner_low", "inner_high")


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Phase:
    """Points between two decisions: `use` marks the baseline, `withheld` says why no limits.

    number and first (the `order` of its first point) count from 1.
    """

    number: int
    first: int
    series: Series
    use: np.ndarray
    limits: Limits | None
    withheld: str
    settings: ChartSettings

    @property
    def present(self) -> np.ndarray:
        """Positions of the points that have a value."""
        return np.flatnonzero(~np.isnan(self.series.values))

    @property
    def state(self) -> str:
        """Whether the limits are drawn, trial or withheld."""
        if self.limits is None:
            return "withheld"
        return "trial" if self.use.sum() < self.settings.trial_below else "drawn"


def build_phase(
    series: Series, span: tuple[int, slice], rules: str, settings: ChartSettings
) -> Phase:
    """The phase that fills `span` (its number and its slice of the series)."""
    number, points = span
    part = series.part(points)
    use = ~np.isnan(part.values)
    if settings.fix_after is not None:
        use &= np.cumsum(use) <= settings.fix_after
    withheld = _why_withheld(part, use, rules, settings) or why_no_limits(part, use, settings)
    return Phase(
        number=number,
        first=points.start + 1,
        series=part,
        use=use,
        limits=None if withheld else process_limits(part, use, settings),
        withheld=withheld,
        settings=settings,
    )


def _why_withheld(part: Series, use: np.ndarray, rules: str, settings: ChartSettings) -> str:
    chosen = run_rules.rule_set(rules)
    if not chosen.uses_limits:
        return "a run chart has none"
    points = int(use.sum())
    if points < settings.min_points_limits:
        return f"{points} points, {settings.min_points_limits} are needed"
    if not chosen.starts_with_runs or settings.withhold == "never":
        return ""
    if _crowded_end(part):
        return ""
    found = run_rules.analyse_runs(_side(part.values[use], np.median(part.values[use])))
    if not found.shifted or found.useful < settings.min_points_runs:
        return ""
    return (
        f"the run chart shows a shift (longest run {found.longest_run}, chance explains "
        f"{found.longest_run_max}; {found.crossings} crossings, chance explains "
        f"{found.crossings_min} or more) and limits of a shifting process mean nothing"
    )


def _crowded_end(part: Series) -> str:
    """In words the end of the scale at which more than half of the points lie, or nothing.

    So many points cannot lie on both sides of any line, so a run of them means nothing.
    """
    known = part.values[~np.isnan(part.values)]
    if part.kind in (*COUNTED, "cases_between") and int((known == 0).sum()) * 2 > len(known):
        return "zero"
    if part.kind == "proportion" and int((known == 1).sum()) * 2 > len(known):
        return "100 %"
    return ""


def _side(values: np.ndarray, line: np.ndarray | np.floating) -> np.ndarray:
    """-1, 0 or 1: below, on or above the line, NaN where missing; rounding crosses no line."""
    on = np.abs(values - line) <= run_rules.ROUNDING * np.maximum(np.abs(values), 1)
    return np.where(on, 0, np.sign(values - line))


def drawn_lines(phase: Phase) -> dict[str, np.ndarray]:
    """The five lines by name; without limits the centre is the median of the baseline."""
    size = len(phase.series.values)
    if phase.limits is not None:
        return {name: getattr(phase.limits, name) for name in LINES}
    baseline = phase.series.values[phase.use]
    median = float(np.median(baseline)) if len(baseline) else np.nan
    return {name: np.full(size, median if name == "centre" else np.nan) for name in LINES}


def sides(phase: Phase) -> np.ndarray:
    """Side of each point of the centre line that is drawn, as -1, 0, 1 or NaN."""
    return _side(phase.series.values, drawn_lines(phase)["centre"])


def why_no_runs(phase: Phase, rules: str) -> str:
    """Why the runs tests are not done in this phase, or an empty text."""
    crowded = _crowded_end(phase.series)
    if crowded:
        return f"more than half of the points are {crowded}, so runs mean nothing"
    if phase.series.kind != "individual" and (drawn_lines(phase)["centre"] <= 0).any():
        return "the centre line lies at zero, so no point can be below it"
    useful, what = len(phase.present), "points"
    if run_rules.rule_set(rules).starts_with_runs:
        useful, what = int(np.count_nonzero(sides(phase)[phase.present])), "points off the centre"
    needed = phase.settings.min_points_runs
    return f"{useful} {what}, {needed} are needed" if useful < needed else ""


def phase_patterns(phase: Phase, rules: str) -> list[run_rules.Pattern]:
    """Patterns with members as positions in the phase, missing points counted."""
    keep = phase.present
    z = phase.limits.z if phase.limits is not None else np.full(len(phase.series.values), np.nan)
    points = run_rules.Standardised(
        values=phase.series.values[keep], side=sides(phase)[keep], z=z[keep]
    )
    allowed = not why_no_runs(phase, rules)
    return [
        run_rules.Pattern(rule=found.rule, members=tuple(int(keep[i]) for i in found.members))
        for found in run_rules.find_patterns(points, rules=rules, runs=allowed)
    ]
