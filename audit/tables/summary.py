"""The audit on one page: what the meeting needs; every number is that of the table behind it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from audit.discussion import (
    AGREED_LATER,
    NOTHING_DONE,
    OPEN,
    OVERDUE,
    Actions,
    actions_of,
    cases_to_discuss,
    report_state,
)
from audit.quality.fitness import UNFIT
from audit.run import AuditRun
from audit.standards import NOT_MET, VERDICTS
from audit.tables.front import limbs_in
from audit.tables.shown import ShownTable, window_words
from audit.tables.verdicts import result_words, target_words, windows_of

#: words of a change over time, in the order in which they are counted
CHANGES = ("improved", "unchanged", "worse", "cannot tell")
#: the heaviest weight of a reason to discuss a case
HEAVIEST = 4
#: most names in one line of the page
MOST = 6
NONE = "none"


def summary_table(run: AuditRun, changes: Mapping[str, str] | None = None) -> ShownTable:
    """One line a question of the meeting.

    changes: criterion id -> one of `CHANGES`, where charts over time are at hand.
    """
    found = actions_of(run)
    year = _window(run, f"year_to:{run.quarter}")
    quarter = _window(run, f"quarter:{run.quarter}")
    lines = [
        ("Report", report_state(found)),
        ("Cohort", _cohort_words(run)),
        ("Data", _data_words(run, year)),
        ("Year", _verdict_words(year)),
        ("Quarter", _verdict_words(quarter)),
        ("Not met", _not_met_words(run)),
        (
            "Not fit",
            _names(year.loc[year["verdict"] == UNFIT, "words"]),
        ),
        ("Over time", _change_words(run, changes)),
        ("Actions", _action_words(found)),
        ("To discuss", _discussion_words(run)),
    ]
    frame = pd.DataFrame(lines, columns=["Question", "Answer"])
    caption = f"The audit on one page: {_period_words(run)}"
    notes = (
        "In full: the parts of this report. Not fit: data not fit to judge in the rolling year.",
    )
    return ShownTable(frame, "summary", caption, notes)


def summary_criteria_table(run: AuditRun, changes: Mapping[str, str] | None = None) -> ShownTable:
    """Every criterion on one line, by its id in plain letters so that a page holds them all:
    target, verdict and result of the rolling year, change over time, action."""
    found = actions_of(run)
    lines = []
    for _, row in _window(run, f"year_to:{run.quarter}").iterrows():
        name = str(row["criterion"])
        line = {
            "Criterion": name.replace("_", " ").capitalize(),
            "Target": _unbroken(
                target_words(
                    row["target"],
                    direction=row["direction"],
                    statistic=row["statistic"],
                    unit=row["unit"],
                )
            ),
            "Rolling year": f"{str(row['verdict']).capitalize()}: {result_words(row)}",
        }
        over_time = "" if changes is None else changes.get(name, "no chart")
        parts = [part for part in (over_time, _action_of(found, name)) if part]
        heading = "Action" if changes is None else "Over time; action"
        lines.append(line | {heading: "; ".join(parts).capitalize() or NONE})
    caption = f"Every criterion on one line: {window_words(f'year_to:{run.quarter}')}"
    return ShownTable(pd.DataFrame(lines), "summary_criteria", caption)


def _unbroken(words: str) -> str:
    return words.replace(" ", "\N{NO-BREAK SPACE}")


def _window(run: AuditRun, window: str) -> pd.DataFrame:
    return run.standards.loc[run.standards["window"] == window]


def _period_words(run: AuditRun) -> str:
    first, last = run.quarter.start_time.date(), run.quarter.end_time.date()
    centre = f"centre {run.cohort.centre}" if run.cohort.centre else "all centres"
    quarter = f"{run.quarter.year} Q{run.quarter.quarter}"
    return f"{quarter} ({first} to {last}), last day used {run.cohort.cutoff.date()}, {centre}"


def _cohort_words(run: AuditRun) -> str:
    cases = run.cohort.cases
    inside = int((cases["surgery_date"].dt.to_period("Q") == run.quarter).sum())
    treated = int((cases["outcome_status"] == "in_treatment").sum())
    return (
        f"{cases['patient_id'].nunique()} patients, {limbs_in(run.cohort)} limbs, {len(cases)} "
        f"cases; operated in the quarter: {inside}; in treatment: {treated}"
    )


def _data_words(run: AuditRun, year: pd.DataFrame) -> str:
    queries = run.cohort.queries
    errors = int((queries["severity"] == "error").sum())
    fit = int((year["verdict"] != UNFIT).sum())
    return (
        f"{errors} errors (value out of use), {len(queries) - errors} warnings; fit to judge "
        f"{fit} of {len(year)} criteria"
    )


def _verdict_words(rows: pd.DataFrame) -> str:
    counts = [f"{word} {int((rows['verdict'] == word).sum())}" for word in VERDICTS]
    return f"{', '.join(counts)}; of {len(rows)} criteria"


def _not_met_words(run: AuditRun) -> str:
    rows = run.standards.loc[run.standards["verdict"] == NOT_MET]
    words = []
    for window in windows_of(run)[:2]:
        for _, row in rows.loc[rows["window"] == window].iterrows():
            where = "quarter" if window.startswith("quarter") else "rolling year"
            words.append(f"{row['words']} ({where}: {result_words(row)})")
    return _names(words)


def _names(words: Sequence[str] | pd.Series) -> str:
    listed = [str(one) for one in words]
    more = f"; and {len(listed) - MOST} more" if len(listed) > MOST else ""
    return f"{'; '.join(listed[:MOST])}{more}" or NONE


def _change_words(run: AuditRun, changes: Mapping[str, str] | None) -> str:
    if changes is None:
        return "not worked out in this summary"
    counts = [f"{word} {sum(one == word for one in changes.values())}" for word in CHANGES]
    words = dict(zip(run.standards["criterion"], run.standards["words"], strict=True))
    worse = [words.get(name, name) for name, change in changes.items() if change == "worse"]
    return f"{', '.join(counts)}. Worse: {_names(worse)}"


def _action_words(found: Actions) -> str:
    counts = [
        f"{found.count(state)} {words}"
        for state, words in (
            (OVERDUE, "overdue"),
            (OPEN, "open"),
            (NOTHING_DONE, "with a decision to do nothing"),
            (AGREED_LATER, "agreed after the cut-off"),
        )
    ]
    return f"{', '.join(counts)}; {len(found.asked)} asked for"


def _discussion_words(run: AuditRun) -> str:
    found = cases_to_discuss(run)
    heavy = found.loc[found["weight"] >= HEAVIEST, "case_id"].nunique()
    return (
        f"{found['case_id'].nunique()} cases, of which {heavy} with a reason of the heaviest kind"
    )


def _action_of(found: Actions, criterion: str) -> str:
    """The state of the first action on a criterion, or what is asked for; empty without one."""
    if criterion in found.asked:
        return "to decide"
    states = found.rows.loc[found.rows["criterion"] == criterion, "state"]
    return str(states.iloc[0]) if len(states) else ""
