"""Misses case by case against what the target allows: the sum that quarters are too small for.

Observed minus expected misses in order of surgery, and the Bernoulli CUSUM (Steiner et al. 2000,
Biostatistics 1:441) that gives it a decision limit and a stated rate of false signals.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd

from audit.cohort import Cohort
from audit.criteria import Criterion
from audit.estimates.cumulative import bernoulli_cusum
from audit.estimates.cumulative_runs import RunLengths, changed_risk, decision_for
from audit.monitoring.cases import answers_for
from audit.monitoring.points import span_to
from audit.monitoring.settings import DEFAULTS, MonitoringSettings
from audit.monitoring.words import Finding
from audit.periods import last_complete_quarter
from audit.results.catalogue import BY_NAME

COLUMNS = ["order", "unit_id", "day", "miss", "expected", "excess", "path", "signal"]
SIGNAL, NO_SIGNAL, CANNOT_TELL = "signal", "no signal", "cannot tell"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class CumulativeSeries:
    """table: `COLUMNS`, one row a case in order of surgery: miss 0 or 1; expected: the share of
    misses that the target allows; excess: observed minus expected so far; path: the CUSUM; signal:
    True while the path is beyond its limit. lengths: the limit with its average run lengths, None
    where there is none. found: signal, no signal or cannot tell. notes: who is in and who is not.
    """

    criterion: Criterion
    title: str
    table: pd.DataFrame
    lengths: RunLengths | None
    found: Finding
    run_length: str
    notes: tuple[str, ...]
    quarter: pd.Period


def cumulative_for(
    cohort: Cohort,
    measured: pd.DataFrame,
    criterion: Criterion,
    *,
    quarter: pd.Period | None = None,
    settings: MonitoringSettings = DEFAULTS,
) -> CumulativeSeries:
    """Misses of a criterion in order of surgery, ties by id, up to the end of `quarter`.

    Only for shares: anything else has no table and says why. Cases not yet due, and cases whose
    answer is not known, are counted in the notes. What is expected comes from the target and not
    from the unit's own past. Sums are not restarted after a signal.
    """
    quarter = last_complete_quarter(cohort.cutoff) if quarter is None else quarter
    title = BY_NAME[criterion.measure].title if criterion.measure in BY_NAME else criterion.measure
    about = {"criterion": criterion, "title": title, "quarter": quarter}
    why = _why_not(criterion)
    answers = answers_for(cohort, measured, criterion) if not why else None
    if answers is None or answers.reason or not answers.rows["value"].notna().any():
        why = why or (answers.reason if answers else "") or "no case has an answer"
        return _nothing(why, about)
    rows = answers.rows.loc[answers.rows["day"] <= span_to(quarter, settings).last]
    due = rows.loc[rows["due"]]
    known = due.loc[due["value"].notna()].sort_values(["surgery_date", "unit_id"], kind="stable")
    if known.empty:
        return _nothing("no case is due", about)
    allowed, misses = _misses(criterion, known["value"])
    lengths = decision_for(
        risk=allowed, odds_ratio=settings.odds_ratio, cases=settings.false_alarm_cases
    )
    table = _table(known, misses, allowed, (settings, lengths))
    notes = [f"{len(known)} cases of {known['patient_id'].nunique()} patients, in order of surgery"]
    notes += [f"not yet due, left out: {len(rows) - len(due)}"] if len(rows) > len(due) else []
    notes += [f"due, but not known: {len(due) - len(known)}"] if len(due) > len(known) else []
    return CumulativeSeries(
        **about,
        table=table,
        lengths=lengths,
        found=_finding(table),
        run_length=_run_length_words(allowed, lengths, settings),
        notes=(*notes, "cases of one patient are taken as independent"),
    )


def _why_not(criterion: Criterion) -> str:
    if criterion.statistic != "proportion":
        return "a sum of misses is for shares only"
    if not 0 < criterion.target < 1:
        return f"a target of {criterion.target:g} leaves nothing to expect"
    return ""


def _nothing(why: str, about: dict) -> CumulativeSeries:
    return CumulativeSeries(
        **about,
        table=pd.DataFrame(columns=COLUMNS),
        lengths=None,
        found=Finding(answer=CANNOT_TELL, reason=why),
        run_length="",
        notes=(),
    )


def _misses(criterion: Criterion, values: pd.Series) -> tuple[float, np.ndarray]:
    """(share of misses the target allows, 1 for each miss)."""
    yes = values.to_numpy(dtype=float)
    if criterion.direction == "at_least":
        return round(1 - criterion.target, 12), 1 - yes
    return criterion.target, yes


def _table(
    known: pd.DataFrame,
    misses: np.ndarray,
    allowed: float,
    asked: tuple[MonitoringSettings, RunLengths],
) -> pd.DataFrame:
    settings, lengths = asked
    chart = bernoulli_cusum(
        misses,
        baseline_risk=allowed,
        odds_ratio=settings.odds_ratio,
        decision=lengths.decision,
    )
    path = chart.table["path"].to_numpy()
    return pd.DataFrame(
        {
            "order": np.arange(1, len(known) + 1),
            "unit_id": known["unit_id"].to_numpy(),
            "day": known["surgery_date"].to_numpy(),
            "miss": misses,
            "expected": allowed,
            "excess": np.cumsum(misses - allowed),
            "path": path,
            "signal": path > lengths.decision,
        }
    )[COLUMNS]


def _finding(table: pd.DataFrame) -> Finding:
    last, beyond = table.iloc[-1], table.loc[table["signal"]]
    observed, expected = int(table["miss"].sum()), float(table["expected"].sum())
    missed, cases = (
        ("miss" if observed == 1 else "misses"),
        ("case" if len(table) == 1 else "cases"),
    )
    words = f"{observed} {missed} in {len(table)} {cases}, {expected:.1f} allowed by the target"
    if beyond.empty:
        return Finding(answer=NO_SIGNAL, reason=words)
    first = beyond.iloc[0]
    state = "still beyond it" if last["signal"] else "no longer beyond it"
    return Finding(
        answer=SIGNAL,
        reason=f"{words}; beyond the limit from {first['unit_id']} ({first['day'].date()}) on, "
        f"{state} (signal; cause to be found)",
    )


def _run_length_words(allowed: float, lengths: RunLengths, settings: MonitoringSettings) -> str:
    worse = changed_risk(allowed, settings.odds_ratio)
    return (
        f"while {allowed:.1%} miss, as the target allows, the limit of {lengths.decision:.2f} "
        f"gives a false signal once in about {lengths.on_target:.0f} cases; if {worse:.1%} miss "
        f"(odds times {settings.odds_ratio:g}), a signal comes after about {lengths.changed:.0f} "
        "cases on average"
    )
