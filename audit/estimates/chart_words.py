"""The words of a control chart: signals as sentences, and what its caption must say."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from audit.estimates.chart_limits import COUNTED, Limits, proportion_chart_power
from audit.estimates.chart_phase import Phase, why_no_runs
from audit.estimates.run_rules import Pattern

EVENTS_NEEDED = 5  # expected events a period below which counted charts mislead


def _ranges(points: list[int]) -> str:
    """Positions as text, neighbours joined: 3-10, 23."""
    groups: list[list[int]] = []
    for point in points:
        if groups and point == groups[-1][-1] + 1:
            groups[-1].append(point)
        else:
            groups.append([point])
    return ", ".join(f"{g[0]}-{g[-1]}" if len(g) > 1 else str(g[0]) for g in groups)


def members_by_rule(patterns: list[Pattern]) -> dict[str, list[int]]:
    """Positions in any pattern of each rule, in the order in which the rules are tested."""
    rules: dict[str, set[int]] = {}
    for pattern in patterns:
        rules.setdefault(pattern.rule, set()).update(pattern.members)
    return {rule: sorted(points) for rule, points in rules.items()}


def signal_sentences(phase: Phase, patterns: list[Pattern]) -> list[str]:
    """One sentence a rule: its words and the `order` of every point of its patterns."""
    return [
        f"{rule}: {_ranges([phase.first + point for point in points])} (signal; cause to be found)"
        for rule, points in members_by_rule(patterns).items()
    ]


def chart_notes(phases: list[Phase], rules: str, missing: int) -> tuple[str, ...]:
    """What a caption must say of the lines and tests, phase by phase."""
    notes = [f"points without a value, passed over: {missing}"] if missing else []
    notes += _by_phase(phases, lambda phase: _phase_notes(phase, rules))
    return tuple(notes)


def chart_advice(phases: list[Phase]) -> tuple[str, ...]:
    """How much a chart of this kind and size can show, phase by phase."""
    return tuple(_by_phase(phases, _phase_advice))


def _by_phase(phases: list[Phase], give: Callable[[Phase], list[str]]) -> list[str]:
    return [
        (f"phase {phase.number}: " if len(phases) > 1 else "") + note
        for phase in phases
        for note in give(phase)
    ]


def _phase_notes(phase: Phase, rules: str) -> list[str]:
    notes = []
    if phase.number > 1:
        decision = phase.settings.rebase[phase.number - 2]
        notes.append(
            f"limits recomputed from point {decision.first}: {decision.cause} "
            f"(decided {decision.decided_on} by {decision.decided_by})"
        )
    if phase.limits is None:
        notes.append(f"limits withheld: {phase.withheld}")
    else:
        notes += _limit_notes(phase, phase.limits)
    no_runs = why_no_runs(phase, rules)
    if no_runs and rules != "limits":
        notes.append(f"runs tests not done: {no_runs}")
    return notes


def _phase_advice(phase: Phase) -> list[str]:
    notes = []
    if phase.limits is not None and phase.series.kind == "proportion":
        notes.append(_power_note(phase, phase.limits))
    if phase.series.kind in COUNTED and len(phase.present):
        mean = float(np.mean(phase.series.counts[phase.present]))
        if mean < EVENTS_NEEDED:
            notes.append(
                f"{mean:.1f} events a period, about {EVENTS_NEEDED} are needed: "
                "chart the days or the cases between events instead"
            )
    return notes


def _limit_notes(phase: Phase, limits: Limits) -> list[str]:
    points, notes = int(phase.use.sum()), []
    if phase.state == "trial":
        notes.append(f"trial limits, {points} points: they may move with each new point")
    if phase.settings.fix_after is not None and points < len(phase.present):
        notes.append(f"limits fixed on the first {points} points")
    for end, cut in (("lower", limits.low_cut), ("upper", limits.high_cut)):
        reached = int(cut[phase.present].sum())
        if reached == len(phase.present):
            notes.append(f"no {end} limit")
        elif reached:
            notes.append(f"no {end} limit for {reached} of {len(phase.present)} points")
    return notes


def _power_note(phase: Phase, limits: Limits) -> str:
    size = max(1, int(np.median(phase.series.denominators[phase.present])))
    centre = float(limits.centre[phase.present[0]])
    # Shares above one half: the chart is the mirror image of that of the rarer outcome.
    rare, which = (centre, "share") if centre <= 0.5 else (1 - centre, "share without it")
    power = proportion_chart_power(size, base=rare, true=min(1.0, 2 * rare))
    return (
        f"a period of {size} cases would signal a doubling of the {which} from {rare:.0%} "
        f"with a chance of {power.detect:.2f}"
    )
