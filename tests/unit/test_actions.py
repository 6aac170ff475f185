"""Actions of the audit loop: which a report shows, in what order, and which criteria ask for one.

An action plan names recommendation, person, day and reviewer, and is carried forward until it is
done: a royal college's evaluation criteria for audits (standards 1.1, items 1, 2 and 11). What a
written decision to do nothing looks like, and how long it holds, is this project's choice.
"""

from __future__ import annotations

import dataclasses

import pandas as pd
import pytest

import audit
from audit.discussion import Actions, actions_of, report_state
from audit.run import AuditRun
from audit.tables.actions import PROMPT, action_table
from schemas import TABLES
from schemas.actions import NO_ACTION

CASES = """
case_id patient_id segment device_class     age_at_surgery_years surgery_date planned_gain_mm last_follow_up_date outcome_status
C1      P1         femur   lengthening_nail 20                   2025-02-01   40              2025-09-01          in_treatment
"""  # fmt: skip
QUARTER = pd.Period("2025Q3")
COLUMNS = ["action_id", "raised_on", "criterion", "action", "owner_role", "due_on", "closed_on"]
#: criterion -> (verdict of the quarter, of the rolling year, of all time)
VERDICTS = {
    "gain": ("uncertain", "not met", "met"),
    "bone": ("not met", "uncertain", "met"),
    "knee": ("met", "met", "not met"),  # all time alone asks for nothing
    "walk": ("not met", "not met", "not met"),
    "events": ("data not fit to judge", "data not fit to judge", "uncertain"),
}


def standards() -> pd.DataFrame:
    windows = ("quarter:2025Q3", "year_to:2025Q3", "all")
    return pd.DataFrame(
        [
            {"criterion": name, "words": f"About the {name}", "window": window, "verdict": word}
            for name, words in VERDICTS.items()
            for window, word in zip(windows, words, strict=True)
        ]
    )


@pytest.fixture
def run_with(write_source):
    def build(rows: list[tuple], cutoff: str = "2025-09-30") -> AuditRun:
        table = pd.DataFrame(rows, columns=COLUMNS)
        people = "patient_id sex\nP1 female"
        read = audit.read_source(write_source(patients=people, cases=CASES, actions=table))
        cohort = audit.build_cohort(read, cutoff)
        none = pd.DataFrame()
        return AuditRun(cohort, none, none, standards(), QUARTER, {}, tables=read)

    return build


def row(name: str, raised: str, criterion: str, action: str = "Do it", **more: str | None) -> tuple:
    about = {"owner_role": "audit lead", "due_on": "2025-12-31", "closed_on": None} | more
    return (name, raised, criterion, action, *about.values())


def states(found: Actions) -> dict[str, str]:
    return dict(zip(found.rows["action_id"], found.rows["state"], strict=True))


def test_without_actions_every_criterion_that_is_not_met_asks(run_with):
    found = actions_of(run_with([]))
    assert found.asked == {
        "gain": "rolling year",
        "bone": "quarter",
        "walk": "quarter and rolling year",
    }
    assert report_state(found) == "Draft: 3 criteria ask for a decision"
    assert found.rows.empty


def test_overdue_first_and_closed_ones_only_if_closed_in_the_quarter(run_with):
    found = actions_of(
        run_with(
            [
                row("A1", "2025-07-20", "gain"),
                row("A2", "2025-04-20", "knee", due_on="2025-08-31"),
                row("A3", "2025-04-20", "knee", closed_on="2025-08-01"),
                row("A4", "2025-01-20", "knee", closed_on="2025-06-30"),
                row("A5", "2025-04-20", "walk", due_on="2025-07-31"),
                row(
                    "A6", "2025-07-20", "knee", due_on="2025-09-30"
                ),  # due on the last day: not over
                row("A7", "2025-04-20", "bone", due_on="2025-08-15", closed_on="2025-10-05"),
            ]
        )
    )
    # A7 was closed after the cut-off: up to then it was overdue
    assert list(states(found).items()) == [
        ("A5", "overdue"), ("A7", "overdue"), ("A2", "overdue"), ("A6", "open"), ("A1", "open"),
        ("A3", "closed"),
    ]  # fmt: skip
    assert found.asked == {}
    assert report_state(found).startswith("Complete")


def test_an_action_without_a_role_or_a_day_is_no_answer(run_with):
    found = actions_of(
        run_with(
            [
                row("A1", "2025-07-20", "gain", owner_role=None),
                row("A2", "2025-07-20", "bone", due_on=None),
                row("A3", "2025-07-20", "walk", closed_on="2025-09-01"),  # done: what next?
            ]
        )
    )
    assert set(found.asked) == {"gain", "bone", "walk"}
    remarks = found.rows.set_index("action_id")["remark"]
    assert remarks["A1"] == "name the role that does it"
    assert remarks["A2"] == "give the day it is due"
    assert remarks["A3"] == ""


def test_a_written_decision_to_do_nothing_answers_until_the_day_to_look_again(run_with):
    why = "No action, because all three misses were of one week"
    found = actions_of(
        run_with(
            [
                row("D1", "2025-07-20", "gain", why, owner_role=None, due_on="2025-12-31"),
                row("D2", "2025-07-20", "bone", why, due_on="2025-08-31"),  # look again: now
                row("D3", "2025-07-20", "walk", why, due_on=None),  # for the report of 2025Q2
            ]
        )
    )
    assert states(found) == {"D2": "overdue", "D3": "decision lapsed", "D1": "no action"}
    assert found.asked == {"bone": "quarter", "walk": "quarter and rolling year"}
    assert report_state(found) == "Draft: 2 criteria ask for a decision"


@pytest.mark.parametrize(
    ("text", "answers"),
    [
        ("No action, because it was one week", True),
        ("no action because it was one week", True),
        ("NO ACTION - because: it was one week", True),
        ("No action, because", False),
        ("No action, because ...", False),
        ("No action needed", False),
        ("No action", False),
        ("Note: action because of it", True),  # an action like any other
    ],
)
def test_a_decision_needs_its_reason(run_with, text, answers):
    found = actions_of(run_with([row("D1", "2025-07-20", "gain", text)]))
    assert ("gain" not in found.asked) is answers
    if text.lower().startswith("no action") and not answers:
        assert NO_ACTION in found.rows["remark"].item()


def test_what_the_meeting_agreed_after_the_cut_off_is_read_for_the_list_only(run_with):
    """The meeting on the third quarter is in October. What was agreed in January is of the next."""
    rows = [
        row("M1", "2025-10-21", "gain"),
        row("M2", "2025-10-21", "bone", "No action, because of the move", due_on=None),
        row("M3", "2025-10-21", "walk", owner_role=None),
        row("M4", "2026-01-20", "walk"),
        row("M5", "2025-12-31", "events", closed_on="2026-01-05"),
    ]
    run = run_with(rows)
    found = actions_of(run)
    assert states(found) == dict.fromkeys(["M1", "M2", "M3", "M5"], "agreed after the cut-off")
    assert set(found.asked) == {"walk"}
    assert run.cohort.tables["actions"].empty  # nothing of it is in the cohort
    later = actions_of(run_with(rows, cutoff="2025-11-30"))
    assert states(later)["M1"] == "open"
    assert set(later.asked) == {"walk"}  # M2 is dated after the quarter, so it is of this report


def test_a_run_without_its_source_knows_what_the_cohort_knows(run_with):
    run = run_with([row("A1", "2025-07-20", "gain"), row("M1", "2025-10-21", "bone")])
    found = actions_of(dataclasses.replace(run, tables=None))
    assert states(found) == {"A1": "open"}


def test_an_unknown_criterion_is_asked_about(run_with):
    run = run_with([row("A1", "2025-07-20", "Gain"), row("A2", "2025-07-20", "knee")])
    found = actions_of(run)
    remarks = found.rows.set_index("action_id")["remark"]
    assert remarks["A1"] == "no criterion of the register has this id: correct it"
    assert remarks["A2"] == ""
    assert "gain" in found.asked
    shown = action_table(run).frame.set_index("Action")
    assert shown.loc["A1", "Criterion"] == "Gain"
    assert shown.loc["A1", "Criterion now"] == "not in the register"


def test_the_table_ends_with_what_is_asked_for(run_with):
    run = run_with([row("A1", "2025-07-20", "gain"), row("A2", "2025-04-20", "knee", due_on="2025-08-31")])  # fmt: skip
    table = action_table(run, {"gain": "worse", "walk": "cannot tell"})
    frame = table.frame
    assert frame["Action"].tolist() == ["A2", "A1", "none", "none"]
    assert frame["What"].tolist()[2:] == [PROMPT, PROMPT] == ["An action, or: No action, because ..."] * 2  # fmt: skip
    assert frame["Criterion"].tolist() == [
        "About the knee", "About the gain", "About the bone", "About the walk"
    ]  # fmt: skip
    assert frame["State"].tolist() == [
        "overdue", "open", "to decide: not met in the quarter",
        "to decide: not met in the quarter and rolling year",
    ]  # fmt: skip
    assert frame["Criterion now"].tolist() == [
        "met in the rolling year", "not met in the rolling year; over time: worse",
        "uncertain in the rolling year", "not met in the rolling year; over time: cannot tell",
    ]  # fmt: skip
    assert table.notes[0] == "Draft: 2 criteria ask for a decision."
    assert not any("after the cut-off" in note for note in table.notes)
    assert action_table(run_with([])).notes[0] == "No action is recorded."


def test_the_dictionary_says_how_a_decision_is_written():
    columns = TABLES["actions"].columns
    assert NO_ACTION in columns["action"].metadata["meaning"]
    assert "look again" in columns["due_on"].metadata["meaning"]


def test_the_demo_report_keeps_what_was_promised(demo_run):
    found = actions_of(demo_run)
    assert states(found) == {"A10": "overdue", "A11": "open"}
    table = action_table(demo_run).frame
    assert table["Action"].tolist()[:2] == ["A10", "A11"]
    assert table["Criterion"].str.startswith("Lengthenings with a circular fixator").all()
