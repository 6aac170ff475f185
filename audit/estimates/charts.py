"""Control charts as numbers: lines, signals in words and notes for a series in time order.

A chart starts as a run chart (median). Limits are added where there are enough points and, under
a rule set that begins with runs, where the baseline shows no shift. A signal says that something
changed, never why. Nothing is drawn here and limits are never recomputed without a decision.
"""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pandas as pd

from audit.estimates import run_rules
from audit.estimates.chart_input import read_series
from audit.estimates.chart_limits import RANGED, Series
from audit.estimates.chart_phase import (
    Phase,
    build_phase,
    drawn_lines,
    phase_patterns,
    sides,
    why_no_runs,
)
from audit.estimates.chart_settings import ChartSettings, Rebase
from audit.estimates.chart_words import (
    chart_advice,
    chart_notes,
    members_by_rule,
    signal_sentences,
)

__all__ = ["ChartSettings", "ControlChart", "Rebase", "control_chart"]

DEFAULTS = ChartSettings()


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class ControlChart:
    """A chart without a drawing.

    table: one row a point in the given order: order (from 1), value, denominator, centre, low,
        high, inner_low, inner_high (two thirds of the way to the limit), signal (rules in words,
        "; " between two, empty without), phase (from 1), used_for_limits, side (above, below, on
        the line). Missing numbers are NaN: no value, or no limits (the notes say why).
    phases: one row a phase: phase, first, last, points, baseline_points, centre, spread (mean
        moving range, or Laney's sigma of z), moving_range_limit, limits (drawn, trial, withheld),
        method, withheld (why there are no limits, or empty), no_runs (why the
        tests of runs were not done, or empty).
    signals: one sentence a rule and phase; notes: what a caption must say. advice: those of the
        notes that say how much a chart of this kind and size can show.
    n: points with a value; missing: points without.
    """

    kind: str
    rules: str
    table: pd.DataFrame
    phases: pd.DataFrame
    signals: tuple[str, ...]
    notes: tuple[str, ...]
    advice: tuple[str, ...]
    method: str
    n: int
    missing: int


def control_chart(
    values: Any,
    denominators: Any = None,
    *,
    kind: str = "individual",
    rules: str = "runs_and_limits",
    settings: ChartSettings = DEFAULTS,
) -> ControlChart:
    """The control chart of a series in time order: lines, signals and notes.

    values: numbers for "individual", whole gaps for "days_between" and "cases_between", event
        counts for "count" (equal opportunity), "proportion" (with cases as `denominators`) and
        "rate" (with exposure as `denominators`). Columns are matched by position, so two columns
        must have equal indexes.
    rules: one set a chart: limits, runs, runs_and_limits, national_4, zones_1956,
        eight_tests_1984 (`run_rules.RULE_SETS` holds their words).
    Missing: a point without a value or with an empty or zero denominator keeps its row, has no
        signal, and neither breaks nor joins a run.
    ValueError for unknown choices, unequal lengths, negative or fractional counts, counts above
        their denominators, or rebase decisions outside the series; no value is repeated.
    Sources: `chart_limits` (formulas), `run_rules` (rules); least numbers of points: settable.
    """
    chosen = run_rules.rule_set(rules)
    series = read_series(values, denominators, kind=kind)
    _check_settings(kind, settings, len(series.values))
    phases = [build_phase(series, span, rules, settings) for span in _spans(series, settings)]
    pairs = [(phase, phase_patterns(phase, rules)) for phase in phases]
    missing = int(np.isnan(series.values).sum())
    advice = chart_advice(phases)
    formula = next((phase.limits.method for phase in phases if phase.limits), "run chart, median")
    return ControlChart(
        kind=kind,
        rules=rules,
        table=pd.concat([_table(*pair) for pair in pairs], ignore_index=True),
        phases=pd.DataFrame([_phase_row(phase, why_no_runs(phase, rules)) for phase in phases]),
        signals=tuple(words for pair in pairs for words in signal_sentences(*pair)),
        notes=(*chart_notes(phases, rules, missing), *advice),
        advice=advice,
        method=f"{formula}; signals: {chosen.words}",
        n=len(series.values) - missing,
        missing=missing,
    )


def _check_settings(kind: str, settings: ChartSettings, points: int) -> None:
    if settings.screening != "off" and kind not in RANGED:
        raise ValueError(f"screening of moving ranges is for {', '.join(RANGED)}, not {kind!r}")
    if settings.dispersion != "nominal" and kind not in ("proportion", "rate"):
        raise ValueError(f"dispersion 'laney' is for proportion, rate, not {kind!r}")
    if settings.rebase and settings.rebase[-1].first > points:
        raise ValueError(f"a rebase decision lies after the last point ({points})")


def _spans(series: Series, settings: ChartSettings) -> list[tuple[int, slice]]:
    starts = [0, *(decision.first - 1 for decision in settings.rebase)]
    ends = [*starts[1:], len(series.values)]
    return [(i, slice(a, b)) for i, (a, b) in enumerate(zip(starts, ends, strict=True), start=1)]


def _table(phase: Phase, patterns: list[run_rules.Pattern]) -> pd.DataFrame:
    size = len(phase.series.values)
    words: list[list[str]] = [[] for _ in range(size)]
    for rule, points in members_by_rule(patterns).items():
        for point in points:
            words[point].append(rule)
    present = ~np.isnan(phase.series.values)
    names = np.array(["below", "on the line", "above"])
    side = names[np.where(present, sides(phase), 0).astype(int) + 1]
    return pd.DataFrame(
        {
            "order": np.arange(phase.first, phase.first + size),
            "value": phase.series.values,
            "denominator": phase.series.denominators,
            **drawn_lines(phase),
            "signal": ["; ".join(rules) for rules in words],
            "phase": phase.number,
            "used_for_limits": phase.use & (phase.limits is not None),
            "side": np.where(present, side, ""),
        }
    )


def _phase_row(phase: Phase, no_runs: str) -> dict[str, object]:
    limits = phase.limits
    lines = drawn_lines(phase)["centre"]
    known = lines[~np.isnan(lines)]
    return {
        "phase": phase.number,
        "first": phase.first,
        "last": phase.first + len(phase.series.values) - 1,
        "points": len(phase.present),
        "baseline_points": int(phase.use.sum()),
        "centre": float(known[0]) if len(known) else np.nan,
        "spread": np.nan if limits is None or limits.spread is None else limits.spread,
        "moving_range_limit": np.nan
        if limits is None or limits.moving_range_limit is None
        else limits.moving_range_limit,
        "limits": phase.state,
        "method": "run chart, median" if limits is None else limits.method,
        "withheld": phase.withheld,
        "no_runs": no_runs,
    }
