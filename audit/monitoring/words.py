"""What a chart over time says: its signals, whether it changed, what it can be relied on for."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd

from audit.estimates.chart_power import ChartPower, proportion_chart_power, rate_chart_power
from audit.estimates.charts import ControlChart
from audit.estimates.run_rules import OUTSIDE
from audit.monitoring.plan import Plan
from audit.monitoring.points import PER

IMPROVED, UNCHANGED, WORSE, CANNOT_TELL = "improved", "unchanged", "worse", "cannot tell"
ALWAYS, NEVER, HIT_AND_MISS = "always", "never", "hit and miss"
SIDES = ("above", "below")


@dataclasses.dataclass(frozen=True, kw_only=True)
class Finding:
    """An answer of a short list, and the reason for it in words."""

    answer: str
    reason: str


@dataclasses.dataclass(frozen=True, kw_only=True)
class Power:
    """The chance to see a doubling in one quarter (None where it cannot be told), in words."""

    chance: float | None
    words: str
    detail: ChartPower | None = None


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Seen:
    """A chart with its points; `recent`: the day from which points decide the verdict."""

    points: pd.DataFrame
    chart: ControlChart | None
    recent: pd.Timestamp

    @property
    def window(self) -> pd.DataFrame:
        """The points in view that have a value."""
        return self.points.loc[self.points["in_window"] & self.points["value"].notna()]

    @property
    def late(self) -> pd.DataFrame:
        """The points of the last part of the window."""
        return self.window.loc[self.window["last_day"] >= self.recent]


def signal_words(seen: Seen, plan: Plan) -> tuple[str, ...]:
    """One sentence a rule: which points in view, on which side; the cause is to be found."""
    sentences = []
    for rule, rows in by_rule(seen.window).items():
        sides = sorted({side for side in rows["side"] if side in SIDES})
        where = "both sides"
        if len(sides) == 1:
            where = "the wanted side" if sides[0] == plan.wanted else "the unwanted side"
        sentences.append(f"{rule}: {_spans(rows, plan)}, on {where} (signal; cause to be found)")
    return tuple(sentences)


def by_rule(rows: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """The points of each rule that fired, in the order in which rules first appear."""
    rules: dict[str, list[int]] = {}
    for place, words in enumerate(rows["signal"]):
        for rule in filter(None, words.split("; ")):
            rules.setdefault(rule, []).append(place)
    return {rule: rows.iloc[places] for rule, places in rules.items()}


def _spans(rows: pd.DataFrame, plan: Plan) -> str:
    """Neighbouring points as a span of their names; single cases and gaps also by their days."""
    breaks = np.flatnonzero(np.diff(rows["order"].to_numpy()) > 1) + 1
    parts = [rows.iloc[part] for part in np.split(np.arange(len(rows)), breaks)]
    if plan.by_period:
        return ", ".join(
            f"{part['point'].iloc[0]} to {part['point'].iloc[-1]}"
            if len(part) > 1
            else str(part["point"].iloc[0])
            for part in parts
        )
    noun = plan.noun if plan.kind == "individual" else "gap"
    return ", ".join(
        f"{len(part)} {noun}s from {_named(part.iloc[0])} to {_named(part.iloc[-1])}"
        if len(part) > 2
        else ", ".join(_named(row) for _, row in part.iterrows())
        for part in parts
    )


def _named(row: pd.Series) -> str:
    day = str(row["last_day"].date())
    return day if row["point"] == day else f"{row['point']} ({day})"


def change_over_time(seen: Seen, plan: Plan) -> Finding:
    """Improved, unchanged, worse or cannot tell, by rule and never by eye.

    The points of the last part of the window that belong to a signal decide: each rule counts for
    the side of the centre line on which most of them lie. All rules on the wanted side: improved;
    all on the unwanted: worse; on both: cannot tell. A single case or gap outside a limit says
    something of that case, not of the process: by itself it decides nothing. No signal there:
    unchanged, or cannot tell where the tests of runs could not be done.
    """
    late = seen.late
    if seen.chart is None or late.empty:
        return Finding(answer=CANNOT_TELL, reason="the last part of the window has no point")
    found = by_rule(late)
    if not plan.by_period and set(found) == {OUTSIDE}:
        which = _spans(found[OUTSIDE], plan)
        return Finding(
            answer=CANNOT_TELL, reason=f"no shift, but outside a limit: {which}; look at each"
        )
    ways = {rule: _way(rows, plan.wanted) for rule, rows in found.items() if _shifts(rule, plan)}
    if ways and len(set(ways.values())) == 1 and None not in ways.values():
        (way,) = set(ways.values())
        where = "wanted" if way == IMPROVED else "unwanted"
        return Finding(answer=str(way), reason=f"signal on the {where} side: {'; '.join(ways)}")
    if ways:
        return Finding(answer=CANNOT_TELL, reason=f"signals on both sides: {'; '.join(ways)}")
    undone = str(seen.chart.phases["no_runs"].iloc[-1])
    if undone:
        return Finding(answer=CANNOT_TELL, reason=f"runs tests not done: {undone}")
    return Finding(answer=UNCHANGED, reason="no signal in the last part of the window")


def _shifts(rule: str, plan: Plan) -> bool:
    """True for a rule that speaks of the process, not of one case."""
    return plan.by_period or rule != OUTSIDE


def _way(rows: pd.DataFrame, wanted: str) -> str | None:
    good = int((rows["side"] == wanted).sum())
    bad = int(rows["side"].isin(SIDES).sum()) - good
    if good == bad:
        return None
    return IMPROVED if good > bad else WORSE


def capability(seen: Seen, plan: Plan) -> Finding:
    """Whether the process can be relied on to meet the target: the limits in view against it.

    always: every limit lies on the wanted side; never: every limit on the other; hit and miss:
    the target lies between. Cannot tell without limits, or while a signal in the last part of the
    window shows that the process is changing. Only the phase since the last decision counts.
    """
    target = plan.target
    if target is None:
        return Finding(answer=CANNOT_TELL, reason="the target is not in the unit of this chart")
    rows = seen.window.loc[seen.window["phase"] == seen.points["phase"].max()]
    rows = rows.loc[rows["high"].notna()]
    if rows.empty:
        return Finding(answer=CANNOT_TELL, reason="there are no limits")
    if any(_shifts(rule, plan) for rule in by_rule(seen.late)):
        return Finding(answer=CANNOT_TELL, reason="a signal shows that the process is changing")
    low, high = rows["low"], rows["high"]
    if plan.direction == "at_least":
        low, high, target = -high, -low, -target
    if (high <= target).all():
        return Finding(answer=ALWAYS, reason=f"while nothing changes, {plan.each} meets the target")
    if (low > target).all():
        return Finding(answer=NEVER, reason=f"while nothing changes, {plan.each} misses the target")
    return Finding(
        answer=HIT_AND_MISS,
        reason=f"while nothing changes, chance decides whether {plan.each} meets the target",
    )


def doubling_power(seen: Seen, plan: Plan) -> Power:
    """Chance that one quarter signals when the true rate of what is not wanted doubles.

    The base is the pooled rate of the quarters that give the lines (of the window where none do),
    the size the median quarter in view. A share that is wanted is turned into the share of
    misses. Exact binomial for shares, exact Poisson for rates.
    """
    if not plan.by_period:
        return Power(chance=None, words="not worked out for a chart of single values or gaps")
    if seen.window.empty:
        return Power(chance=None, words="no quarter in view has a case that is due")
    share = plan.kind == "proportion"
    lines = seen.points.loc[seen.points["used_for_limits"]]
    lines = lines.loc[lines["phase"] == seen.points["phase"].max()]
    rows = seen.window if lines.empty else lines
    size = max(1, int(seen.window["n"].median()))
    base = float(rows["count"].sum() / rows["n"].sum())
    base = 1 - base if share and plan.direction == "at_least" else base
    if base <= 0 or (share and base >= 1):
        return Power(chance=None, words=f"a base of {base:.0%} cannot be doubled")
    true = min(1.0, 2 * base) if share else 2 * base
    make = proportion_chart_power if share else rate_chart_power
    found = make(size, base=base, true=true)
    what = f"{PER * base:.0f} to {PER * true:.0f} events per 100 cases"
    if share:
        missed = "misses" if plan.direction == "at_least" else "cases with it"
        what = f"{base:.0%} to {true:.0%} {missed}"
    words = f"a quarter of {size} {plan.noun}{'s' * (size > 1)} signals a change from {what} with"
    chance = f"a chance of {found.detect:.2f}" if found.detect >= 0.005 else "a chance under 0.01"
    return Power(chance=found.detect, words=f"{words} {chance}", detail=found)
