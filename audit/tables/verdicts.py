"""Criteria against targets for people: verdicts, the five states behind them, the register."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from audit import wording
from audit.criteria import Criterion
from audit.quality.fitness import UNFIT
from audit.results.rows import estimate_of
from audit.run import AuditRun
from audit.standards import STATE_COLUMNS, UNCERTAIN
from audit.tables.shown import ShownTable, window_words
from schemas import TABLES

UNFIT_NOTE = (
    "Data not fit to judge: too few of the cases due have what the measure needs, so no verdict is "
    "given. The value stands in standards.csv; what is missing, in the data-quality report."
)
RULE_NOTE = (
    "Met or not met only when the whole 95% interval lies on one side of the target; otherwise "
    "uncertain, with about how many more cases due would settle it at the present value and "
    "spread. Not estimable: nothing to judge, or nothing due yet."
)
EXCEPTION_NOTE = (
    "Accepted exceptions, agreed in advance, leave the denominator of a share and are counted "
    "apart. They never excuse a loss to follow-up."
)
CLUSTER_NOTE = (
    "Intervals allow for several cases of one patient. Sources of the targets: table of the "
    "register and standards.csv."
)
STATES_NOTE = (
    "Every case due or not is in one of the five states; they add up to the population. Met: a yes "
    "(or, where few are wanted, a no); for an average, this one value is at or better than the "
    "target, while the verdict is on the average; for a rate, no such event; for a time, reached "
    "by the target day. Not applicable: outside the population by the definition of the measure."
)
NO_DAY_NOTE = (
    "Without its day yet: operated in the window and not counted in any, because the day by which "
    "the criterion counts cases has not come; a young window describes the fast ones only."
)
DIRECTION_WORDS = {"at_most": "at most", "at_least": "at least"}


def windows_of(run: AuditRun) -> list[str]:
    """The windows of a report in the order of its columns."""
    return [f"quarter:{run.quarter}", f"year_to:{run.quarter}", "all"]


def target_words(target: float, *, direction: str, statistic: str, unit: str) -> str:
    """A target with its direction and unit, such as "at least 95%"."""
    side = DIRECTION_WORDS[direction]
    if statistic == "proportion":
        return f"{side} {100 * target:g}%"
    if statistic == "rate":
        return f"{side} {target:g} per 100"
    return f"{side} {target:g}{'' if unit == '%' else ' '}{unit}".strip()


def verdict_table(run: AuditRun) -> ShownTable:
    """Criteria against targets: quarter beside rolling year beside all time."""
    lines = []
    for _, rows in run.standards.groupby("criterion", sort=False):
        line = {"Criterion": _criterion_cell(rows.iloc[0])}
        for _, row in rows.iterrows():
            line[window_words(row["window"])] = _verdict_cell(row)
        lines.append(line)
    ordered = ["Criterion", *[window_words(w) for w in windows_of(run)]]
    notes: tuple[str, ...] = (RULE_NOTE, CLUSTER_NOTE)
    if (run.standards["left_out"] > 0).any():
        notes += (EXCEPTION_NOTE,)
    if run.standards["note"].str.startswith(UNFIT).any():
        notes += (UNFIT_NOTE,)
    frame = pd.DataFrame(lines).reindex(columns=ordered)
    return ShownTable(frame, "standards", "Standards and verdicts", notes)


def _criterion_cell(row: pd.Series) -> str:
    target = target_words(
        row["target"], direction=row["direction"], statistic=row["statistic"], unit=row["unit"]
    )
    population = str(row["population"])
    whom = f"{population[:1].upper()}{population[1:]}"
    return f"{row['words']}. {whom}; target {target} ({row['target_level']})"


def _verdict_cell(row: pd.Series) -> str:
    estimate = estimate_of(row)
    counts = _counts(row)
    if str(row["note"]).startswith(UNFIT):
        words = str(row["note"]).split(";")[0]
        waiting = f"; {row['not_yet_due']} not yet due" if row["not_yet_due"] else ""
        return f"{words[:1].upper()}{words[1:]}{waiting}"
    if estimate.value is None:
        return f"Not estimable (n {row['n']}{counts})"
    words = f"{str(row['verdict']).capitalize()}: {result_words(row)}{counts}"
    if row["verdict"] == UNCERTAIN and not pd.isna(row["cases_to_settle"]):
        words += f"; about {int(row['cases_to_settle'])} more would settle it"
    return words


def result_words(row: pd.Series) -> str:
    """The estimate of a row of standards.csv with its interval and n."""
    estimate = estimate_of(row)
    if row["statistic"] == "proportion":
        return wording.share_with_interval(estimate)
    if estimate.value is None:
        return wording.NOT_ESTIMABLE
    return f"{wording.with_interval(estimate)}; n {row['n']}"


def _counts(row: pd.Series) -> str:
    """What is not in n, as far as there is any."""
    parts = (
        (row["left_out"], "accepted exceptions"),
        (row["not_yet_due"], "not yet due"),
        (row["missing"], "missing"),
    )
    return "".join(f"; {number} {words}" for number, words in parts if number)


def state_table(run: AuditRun, window: str) -> ShownTable:
    """The five states of every criterion in one window; they add up to the population.

    window: as in standards.csv. ValueError names the windows there are.
    """
    known = list(dict.fromkeys(run.standards["window"]))
    if window not in known:
        raise ValueError(f"window must be one of {', '.join(known)}; got {window!r}")
    rows = run.standards.loc[run.standards["window"] == window]
    headings = {
        "eligible": "Population",
        **{name: state.capitalize() for name, state in STATE_COLUMNS.items()},
        "not_applicable": "Not applicable",
        "no_index_day": "Without its day yet",
    }
    frame = rows[list(headings)].astype(int).astype(str).rename(columns=headings)
    frame.insert(0, "Criterion", rows["words"])
    caption = f"Cases behind the verdicts: {window_words(window)}"
    notes: tuple[str, ...] = (STATES_NOTE, NO_DAY_NOTE)
    if (rows["unit_of_analysis"] != "case").any():
        notes += ("A time to full weight bearing counts walking episodes, not cases.",)
    name = f"states_{window.split(':')[0]}"
    return ShownTable(frame.reset_index(drop=True), name, caption, notes)


def register_table(criteria: Sequence[Criterion], *, version: str | None) -> ShownTable:
    """The register in print: what is counted, for whom, by which day, exceptions, source."""
    lines = [
        {
            "Criterion": f"{criterion.id}: {criterion.words}",
            "Counted": f"{criterion.population}; one a {criterion.unit.replace('_', ' ')}",
            "By which day": _day_words(criterion),
            "Accepted exceptions": "; ".join(one.words for one in criterion.exceptions) or "none",
            "Where the target comes from": _source_words(criterion),
        }
        for criterion in criteria
    ]
    caption = f"Register of criteria, version {version or 'not given'}"
    return ShownTable(pd.DataFrame(lines), "register", caption)


def _day_words(criterion: Criterion) -> str:
    day = str(TABLES["cases"].columns[criterion.index_date].metadata["title"]).lower()
    if criterion.matures_after_days:
        return f"{day}; due {criterion.matures_after_days} days after it"
    return day


def _source_words(criterion: Criterion) -> str:
    words = f"{criterion.target_level.capitalize()}: {criterion.source}"
    return f"{words}. Reason: {criterion.reason}" if criterion.reason else words
