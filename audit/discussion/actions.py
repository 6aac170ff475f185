"""Actions of the audit loop: kept, overdue, or asked for by a criterion that is not met."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pandas as pd

from audit.periods import last_day
from audit.run import AuditRun
from audit.standards import NOT_MET
from schemas.actions import NO_ACTION

OVERDUE, LAPSED, OPEN = "overdue", "decision lapsed", "open"
NOTHING_DONE, AGREED_LATER, CLOSED = "no action", "agreed after the cut-off", "closed"
#: states in the order in which a report shows them
STATES = (OVERDUE, LAPSED, OPEN, NOTHING_DONE, AGREED_LATER, CLOSED)
#: any spelling of the beginning, and at least one letter of a reason
_DECISION = re.compile(r"\s*no action\W*\s+because\W*\s*(?=\w)", re.IGNORECASE)
_NOTHING = re.compile(r"\s*no action\b", re.IGNORECASE)
COLUMNS = [
    "action_id",
    "criterion",
    "action",
    "owner_role",
    "raised_on",
    "due_on",
    "closed_on",
    "state",
    "answers",
    "remark",
]


@dataclasses.dataclass(frozen=True)
class Actions:
    """rows: the actions a report shows (`COLUMNS`), in its order; answers: True where the row
    answers its criterion for this report; remark: what whoever keeps the table must mend. asked:
    the criteria that are not met and have no answer: id -> where (such as "rolling year").
    """

    rows: pd.DataFrame
    asked: dict[str, str]

    def count(self, state: str) -> int:
        """How many rows are in a state."""
        return int((self.rows["state"] == state).sum())


def actions_of(run: AuditRun) -> Actions:
    """The actions of a run: those not closed, carried forward, and those closed in the quarter.

    A criterion that is not met in the quarter or the rolling year asks for an answer. It has one
    while an action on it is open that names an owner and a day, or while a written decision holds
    that begins "No action, because" and gives the reason. Such a decision holds until the day to
    look again in due_on, and without that day for the report of the quarter before it was raised.

    The meeting on a quarter comes after its end. What it agreed by the end of the next quarter is
    therefore read here though it lies after the cut-off; it enters no number.
    """
    table = _gathered(run)
    decision = table["action"].str.match(_DECISION).fillna(False).astype(bool)
    later = table["agreed_later"].astype(bool)
    state = _states(run, table, decision)
    for_this = table["raised_on"] > last_day(run.quarter)
    whole = table["owner_role"].notna() & table["due_on"].notna()
    nothing = table["action"].str.match(_NOTHING).fillna(False).astype(bool) & ~decision
    held = for_this | (state == NOTHING_DONE)
    kept = (state.isin([OPEN, OVERDUE]) | later) & whole & ~nothing
    answers = (decision & held) | (~decision & kept)
    remarks = _remarks(run, table, decision, nothing)
    table = table.assign(state=state, answers=answers, remark=remarks)
    shown = (state != CLOSED) | (table["closed_on"] >= run.quarter.start_time.normalize())
    order = state.map({name: place for place, name in enumerate(STATES)})
    table = table.assign(_order=order).loc[shown]
    table = table.sort_values(["_order", "due_on", "action_id"], kind="stable")
    answered = set(table.loc[table["answers"], "criterion"])
    asked = {name: where for name, where in _not_met(run).items() if name not in answered}
    return Actions(table[COLUMNS].reset_index(drop=True), asked)


def report_state(found: Actions) -> str:
    """`Complete`, or `Draft` with how many criteria ask for a decision."""
    number = len(found.asked)
    if not number:
        return "Complete: every criterion that is not met has an action or a written decision"
    asks = "criterion asks" if number == 1 else "criteria ask"
    return f"Draft: {number} {asks} for a decision"


def _gathered(run: AuditRun) -> pd.DataFrame:
    """The actions up to the cut-off, then those that were agreed on this report after it.

    agreed_later: raised after the cut-off and by the end of the next quarter, as read.
    """
    table = run.cohort.tables["actions"].assign(agreed_later=False)
    if run.tables is None:
        return table
    rows = run.tables["actions"]
    after = (rows["raised_on"] > run.cohort.cutoff) & (
        rows["raised_on"] <= last_day(run.quarter + 1)
    )
    whole = rows[["action_id", "criterion", "action"]].notna().all(axis=1)
    fresh = ~rows["action_id"].isin(table["action_id"])
    chosen = rows.loc[after & whole & fresh].drop_duplicates("action_id", keep=False)
    if chosen.empty:
        return table
    return pd.concat([table, chosen.assign(agreed_later=True)], ignore_index=True)


def _states(run: AuditRun, table: pd.DataFrame, decision: pd.Series) -> pd.Series:
    closed = table["closed_on"].notna() & ~table["agreed_later"].astype(bool)
    overdue = table["due_on"] < run.cohort.cutoff
    # without a day to look again a decision is for the quarter before the one it was raised in
    dated = table["due_on"].notna()
    old = decision & ~dated & (table["raised_on"] <= last_day(run.quarter))
    state = np.select(
        [closed, table["agreed_later"].astype(bool), overdue, old, decision],
        [CLOSED, AGREED_LATER, OVERDUE, LAPSED, NOTHING_DONE],
        OPEN,
    )
    return pd.Series(state, index=table.index, dtype=object)


def _not_met(run: AuditRun) -> dict[str, str]:
    """id of each criterion that is not met -> where, in the order of the register."""
    found: dict[str, list[str]] = {}
    windows = {f"quarter:{run.quarter}": "quarter", f"year_to:{run.quarter}": "rolling year"}
    rows = run.standards.loc[run.standards["verdict"] == NOT_MET]
    for name, window in zip(rows["criterion"], rows["window"], strict=True):
        if window in windows:
            found.setdefault(str(name), []).append(windows[window])
    return {name: " and ".join(sorted(where)) for name, where in found.items()}


def _remarks(
    run: AuditRun, table: pd.DataFrame, decision: pd.Series, nothing: pd.Series
) -> pd.Series:
    known = set(run.standards["criterion"])
    checks = [
        (~table["criterion"].isin(known), "no criterion of the register has this id: correct it"),
        (~decision & table["owner_role"].isna(), "name the role that does it"),
        (~decision & table["due_on"].isna(), "give the day it is due"),
        (nothing, f'give the reason: "{NO_ACTION} ..."'),
    ]
    lines = [
        "; ".join(words for applies, words in checks if applies.loc[row]) for row in table.index
    ]
    return pd.Series(lines, index=table.index, dtype=object)
