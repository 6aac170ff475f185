"""The page of case courses: what it shows, and a session log worked by hand."""

from __future__ import annotations

import dataclasses

import pandas as pd
import pytest

from audit.discussion import cases_to_discuss
from audit.pages import cases as page
from audit.tables.cases import heaviest_cases, rhythm_table

CASES = """
case_id patient_id side segment device_class     age_at_surgery_years surgery_date distraction_start_date planned_gain_mm last_follow_up_date outcome_status
C1      P1         left femur   lengthening_nail 20 2025-01-02 2025-01-10 40 2025-02-10 in_treatment
C2      P2         left tibia   circular_fixator 20 2024-10-01 2024-10-08 40 2025-02-10 in_treatment
"""
# C1, 10 to 14 January: delivered 1 + 1 - 0.5 + 1 = 2.5 mm over 5 days = 0.5 mm/day; prescribed
# 4 mm / 5 days = 0.8; nothing on the 12th and 13th: a gap of 2 days; reversed 0.5 mm.
# C2 has its only session in October: not active in the quarter.
SESSIONS = """
case_id started_at       prescribed_mm delivered_mm
C1      2025-01-10T08:00 1             1
C1      2025-01-11T08:00 1             1
C1      2025-01-11T20:00 1             -0.5
C1      2025-01-14T08:00 1             1
C2      2024-10-10T08:00 1             1
"""


@pytest.fixture
def run_of(write_source):
    from audit.run import run_audit

    def build(**tables: str):
        people = "patient_id sex aetiology\nP1 female congenital\nP2 male post_traumatic"
        return run_audit(write_source(patients=people, cases=CASES, **tables), quarter="2025Q1")

    return build


def test_rhythm_of_cases_active_in_the_quarter(run_of):
    table = rhythm_table(run_of(distraction_sessions=SESSIONS)).frame
    assert table["Case"].tolist() == ["C1"]
    shown = table.iloc[0].tolist()
    assert shown[2:] == ["4", "0.50", "0.80", "2", "0.50", "2.5"]


def test_no_log_says_so(run_of):
    table = rhythm_table(run_of())
    assert table.frame.empty
    assert table.notes == ("No session is logged in the quarter.",)


def test_the_heaviest_come_first(demo_run):
    found = cases_to_discuss(demo_run)
    weight = found.groupby("case_id")["weight"].sum()
    chosen = heaviest_cases(demo_run, most=3)
    assert len(chosen) == 3
    assert weight[chosen.index].min() >= weight.drop(chosen.index).max()
    with pytest.raises(ValueError, match="most must be 1 or more; got 0"):
        heaviest_cases(demo_run, most=0)


def test_the_page_shows_each_course_with_words(demo_run, monkeypatch):
    shown = []
    monkeypatch.setattr(page, "show_figure", lambda figure, **words: shown.append(words))
    monkeypatch.setattr(page, "show", lambda table: shown.append(table.name))
    monkeypatch.setattr(page, "show_text", shown.append)
    page.show_case_courses(demo_run, most=2)
    assert [words["name"] for words in shown[:2]] == ["case_course_1", "case_course_2"]
    for words, case_id in zip(shown[:2], heaviest_cases(demo_run, most=2).index, strict=True):
        assert case_id in words["caption"]
        assert case_id in words["alt"]
    left = cases_to_discuss(demo_run)["case_id"].nunique() - 2
    assert shown[2].endswith(f"{left} more.")
    assert shown[3:] == ["session_rhythm"]
    shown.clear()
    page.show_case_courses(demo_run)
    assert len(shown) == left + 3  # every case, then the sessions


def test_nothing_to_discuss_is_said(demo_run, capsys):
    quiet = dataclasses.replace(
        demo_run, quarter=pd.Period("1990Q1"), measured=demo_run.measured[:0]
    )
    cohort = quiet.cohort
    tables = {**cohort.tables, "complications": cohort.tables["complications"][:0]}
    quiet = dataclasses.replace(quiet, cohort=dataclasses.replace(cohort, tables=tables))
    page.show_case_courses(quiet)
    assert "No case of the quarter" in capsys.readouterr().out
