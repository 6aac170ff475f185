"""Actions for people: what was promised first, then what the verdicts ask for."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from audit.discussion import AGREED_LATER, actions_of, report_state
from audit.run import AuditRun
from audit.tables.shown import ShownTable
from schemas.actions import NO_ACTION

TO_DECIDE = "to decide"
PROMPT = f"An action, or: {NO_ACTION} ..."
HOW_NOTE = (
    "A criterion that is not met in the quarter or the rolling year asks for an action with a role "
    f'and a day, or for a row that begins "{NO_ACTION}". Such a decision holds until the day to '
    "look again in due_on, and without one for this report only."
)
LATER_NOTE = (
    "Agreed after the cut-off: the meeting on a quarter comes after its end, so what it agreed by "
    "the end of the next quarter is listed. It enters no number."
)


def action_table(run: AuditRun, changes: Mapping[str, str] | None = None) -> ShownTable:
    """Actions, overdue first, then open, decided and closed ones; then what is asked for.

    changes: criterion id -> improved, unchanged, worse or cannot tell, where charts over time are
    at hand.
    """
    found = actions_of(run)
    year = run.standards.loc[run.standards["window"] == f"year_to:{run.quarter}"]
    verdicts = dict(zip(year["criterion"], year["verdict"], strict=True))
    words = dict(zip(run.standards["criterion"], run.standards["words"], strict=True))
    lines = [
        {
            "Action": str(row.action_id),
            "Criterion": words.get(row.criterion, str(row.criterion)),
            "What": str(row.action),
            "Owner": _or(row.owner_role, "not named"),
            "Due": "no date" if pd.isna(row.due_on) else str(row.due_on.date()),
            "State": f"{row.state}; {row.remark}" if row.remark else str(row.state),
            "Criterion now": _now_words(str(row.criterion), verdicts, changes),
        }
        for row in found.rows.itertuples()
    ]
    lines += [
        {
            "Action": "none",
            "Criterion": words[name],
            "What": PROMPT,
            "Owner": "to be named",
            "Due": "to be set",
            "State": f"{TO_DECIDE}: not met in the {where}",
            "Criterion now": _now_words(name, verdicts, changes),
        }
        for name, where in found.asked.items()
    ]
    columns = ["Action", "Criterion", "What", "Owner", "Due", "State", "Criterion now"]
    frame = pd.DataFrame(lines, columns=columns)
    notes = [f"{report_state(found)}.", HOW_NOTE]
    if found.count(AGREED_LATER):
        notes.append(LATER_NOTE)
    if found.rows.empty:
        notes.insert(0, "No action is recorded.")
    caption = "Actions: overdue first, then open and decided ones, then what asks for a decision"
    return ShownTable(frame, "actions", caption, tuple(notes))


def _or(text: object, else_words: str) -> str:
    return else_words if pd.isna(text) else str(text)  # type: ignore[call-overload]


def _now_words(
    criterion: str, verdicts: Mapping[str, str], changes: Mapping[str, str] | None
) -> str:
    """The verdict of the rolling year, and the change over time where it is known."""
    if criterion not in verdicts:
        return "not in the register"
    words = f"{verdicts[criterion]} in the rolling year"
    if changes and criterion in changes:
        words += f"; over time: {changes[criterion]}"
    return words
