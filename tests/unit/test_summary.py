"""The audit on one page, and the tables of verdicts: every number is that of the table behind it.

One-page summary with the full detail behind it, from the same run: a national guide on documenting
local audit (standards 1.1, item 14; section 8, rank 68: every criterion is on the page and numbers
equal the results).
"""

from __future__ import annotations

import dataclasses
import re

import pandas as pd
import pytest

from audit.discussion import actions_of, cases_to_discuss
from audit.errors import UnusableInput
from audit.pages import cycle
from audit.pages.monitoring import follow
from audit.standards import STATE_COLUMNS, VERDICTS
from audit.tables import verdicts
from audit.tables.actions import action_table
from audit.tables.front import coverage_table, discussion_table
from audit.tables.summary import summary_criteria_table, summary_table

YEAR, NOW = "year_to:2026Q3", "quarter:2026Q3"


@pytest.fixture(scope="module")
def changes(demo_run):
    ids = list(dict.fromkeys(demo_run.standards["criterion"]))
    words = ["improved", "worse", *["unchanged"] * (len(ids) - 3), "cannot tell"]
    return dict(zip(ids, words, strict=True))


@pytest.fixture(scope="module")
def bad_run(demo_run):
    """The demo run with three verdicts changed: two not met, one not fit."""
    table = demo_run.standards.copy()

    def put(criterion: str, window: str, verdict: str, note: str = "") -> None:
        place = (table["criterion"] == criterion) & (table["window"] == window)
        table.loc[place, ["verdict", "note"]] = [verdict, note]

    put("complications_circular_fixator", YEAR, "not met")
    put("healing_index_femur_nail", NOW, "not met")
    put("knee_flexion_kept_femur", YEAR, VERDICTS[-1], "data not fit to judge: 50% of 14 due cases")
    return dataclasses.replace(demo_run, standards=table)


def answers(run, changes=None) -> dict[str, str]:
    frame = summary_table(run, changes).frame
    assert frame["Question"].is_unique
    return dict(zip(frame["Question"], frame["Answer"], strict=True))


def numbers(words: str) -> list[int]:
    return [int(number) for number in re.findall(r"\b\d+\b", words)]


def window(run, name: str) -> pd.DataFrame:
    return run.standards.loc[run.standards["window"] == name]


@pytest.mark.parametrize("which", ["demo_run", "bad_run"])
def test_every_count_is_that_of_the_tables_behind(which, request):
    run = request.getfixturevalue(which)
    found = answers(run)
    for line, name in (("Year", YEAR), ("Quarter", NOW)):
        counts = window(run, name)["verdict"].value_counts()
        total = len(window(run, name))
        assert numbers(found[line]) == [*(counts.get(word, 0) for word in VERDICTS), total]
    cover = dict(coverage_table(run).frame.itertuples(index=False))
    cohort = numbers(found["Cohort"])
    assert cohort == [
        int(cover["Patients"]), int(cover["Limbs"]), int(cover["Cases (bone segments lengthened)"]),
        int(cover["Cases operated in the quarter"]), int(cover["Cases in treatment at the cut-off"]),
    ]  # fmt: skip
    assert numbers(found["Data"])[:2] == numbers(cover["Data queries"])
    unfit = (window(run, YEAR)["verdict"] == VERDICTS[-1]).sum()
    assert numbers(found["Data"])[2:] == [len(window(run, YEAR)) - unfit, len(window(run, YEAR))]
    shown = discussion_table(run).frame
    cases = cases_to_discuss(run)
    heavy = cases.loc[cases["weight"] == cases["weight"].max(), "case_id"].nunique()
    assert numbers(found["To discuss"]) == [len(shown), heavy]
    states = action_table(run).frame["State"]
    asked = int(states.str.startswith("to decide").sum())
    listed = [int((states == word).sum()) for word in ("overdue", "open", "no action")]
    assert numbers(found["Actions"]) == [*listed, 0, asked]


def test_what_is_not_met_or_not_fit_is_named(bad_run):
    found = answers(bad_run)
    assert found["Not met"].startswith("Femoral nail lengthenings heal in 37 days")
    assert "(quarter: 27.7 (7.6 to 47.8); n 3)" in found["Not met"]
    assert "Lengthenings with a circular fixator" in found["Not met"]
    assert "(rolling year: 216.7 (70.5 to 665.4); n 6)" in found["Not met"]
    assert found["Not fit"].startswith("After femoral lengthening")
    # the frames have open actions; the femora ask
    assert found["Report"] == "Draft: 1 criterion asks for a decision"
    assert actions_of(bad_run).asked == {"healing_index_femur_nail": "quarter"}


def test_a_quiet_report_says_none_and_is_complete(demo_run):
    found = answers(demo_run)
    assert found["Not met"] == found["Not fit"] == "none"
    assert found["Report"].startswith("Complete")
    assert found["Over time"] == "not worked out in this summary"


def test_changes_over_time_are_counted_and_what_is_worse_is_named(demo_run, changes):
    words = answers(demo_run, changes)["Over time"]
    total = len(changes)
    assert words.startswith(
        f"improved 1, unchanged {total - 3}, worse 1, cannot tell 1. Worse: Nail"
    )


def test_every_criterion_stands_on_the_page_with_its_result(demo_run, bad_run, changes):
    table = summary_criteria_table(bad_run, changes).frame.set_index("Criterion")
    year = window(bad_run, YEAR)
    assert table.index.tolist() == [
        name.replace("_", " ").capitalize() for name in year["criterion"]
    ]
    cells = verdicts.verdict_table(bad_run).frame["Four quarters to 2026 Q3"]
    for cell, shown, row in zip(cells, table["Rolling year"], year.itertuples(), strict=True):
        assert shown.lower().startswith(f"{row.verdict}: ")
        if not cell.startswith(("Not estimable", "Data not fit")):
            assert cell.startswith(shown)
    last = table.loc["Complications circular fixator"]
    assert last["Target"].replace("\N{NO-BREAK SPACE}", " ") == "at most 106 per 100"
    assert last["Rolling year"] == "Not met: 216.7 (70.5 to 665.4); n 6"
    assert last["Over time; action"] == "Cannot tell; overdue"
    assert table.loc["Healing index femur nail", "Over time; action"] == "Unchanged; to decide"
    plain = summary_criteria_table(demo_run).frame.set_index("Criterion")["Action"]
    assert plain["Complications circular fixator"] == "Overdue"
    assert plain["Complications nail"] == "none"


def test_the_page_stays_one_page(bad_run, changes):
    """About 69 such lines stand on an A4 page in the print of the report (measured once in a
    browser: some 90 letters for an answer, 27, 22, 36 and 19 for the columns of the criteria)."""
    wide = {"Question": 11, "Answer": 90, "Criterion": 27, "Target": 22, "Rolling year": 36}
    lines = 0
    for table in (summary_table(bad_run, changes), summary_criteria_table(bad_run, changes)):
        lines += 3 + len(table.notes)
        for row in table.frame.to_dict(orient="records"):
            # a line between two rows takes about half of one
            lines += 0.5 + max(-(-len(cell) // wide.get(name, 19)) for name, cell in row.items())
    assert lines <= 69


# --- verdicts, states, register -------------------------------------------------------------------
def test_a_verdict_says_target_population_counts_and_what_would_settle_it(demo_run):
    table = verdicts.verdict_table(demo_run)
    assert list(table.frame) == [
        "Criterion",
        "Quarter 2026 Q3",
        "Four quarters to 2026 Q3",
        "All time",
    ]
    row = table.frame.loc[table.frame["Criterion"].str.contains("ends within 5 mm")].iloc[0]
    assert row["Criterion"] == (
        "Nail lengthening in adults ends within 5 mm of the plan. Lengthening nail; 18 years or "
        "older; target at least 95% (local)"
    )
    assert row["Four quarters to 2026 Q3"] == (
        "Uncertain: 18/18 (100%; 78% to 100%); about 80 more would settle it"
    )
    knee = table.frame.loc[table.frame["Criterion"].str.startswith("After femoral lengthening")]
    assert "; 13 not yet due; 1 missing; about" in knee["Four quarters to 2026 Q3"].item()
    assert not re.search("[↑↓✓✗●]", table.frame.to_string())


def test_left_out_exceptions_are_said(demo_run):
    table = demo_run.standards.copy()
    assert not any("exceptions" in note for note in verdicts.verdict_table(demo_run).notes[2:])
    table.loc[0, ["left_out", "exception"]] = 2
    shown = verdicts.verdict_table(dataclasses.replace(demo_run, standards=table))
    assert "; 2 accepted exceptions" in shown.frame.to_string()
    assert any("leave the denominator" in note for note in shown.notes)


@pytest.mark.parametrize("name", ["all", NOW, YEAR])
def test_the_states_are_those_of_standards_csv_and_add_up(demo_run, name):
    table = verdicts.state_table(demo_run, name)
    rows = window(demo_run, name)
    states = [state.capitalize() for state in STATE_COLUMNS.values()]
    counts = table.frame[states].astype(int)
    assert (counts.to_numpy() == rows[list(STATE_COLUMNS)].to_numpy()).all()
    assert (counts.sum(axis=1) == table.frame["Population"].astype(int)).all()
    with pytest.raises(ValueError, match="window must be one of"):
        verdicts.state_table(demo_run, "quarter")


def test_the_register_in_print(demo_run):
    table = verdicts.register_table(demo_run.register.criteria, version=demo_run.register.version)
    assert table.caption == "Register of criteria, version 2026-11.2"
    first = table.frame.iloc[0]
    assert first["Criterion"].startswith("gain_within_tolerance_nail_adult: Nail")
    assert first["Counted"] == "lengthening nail; 18 years or older; one a case"
    assert first["Accepted exceptions"] == "died; taken over in mid-treatment, planned elsewhere"
    assert "Reason: " in first["Where the target comes from"]
    rate = table.frame.loc[table.frame["Criterion"].str.startswith("complications_nail:")].iloc[0]
    assert rate["By which day"] == "surgery; due 180 days after it"
    assert rate["Where the target comes from"].startswith("Published: 332 events")


def test_target_words():
    given = {"direction": "at_least", "unit": "%"}
    assert verdicts.target_words(0.95, **given, statistic="proportion") == "at least 95%"
    assert verdicts.target_words(95, **given, statistic="mean") == "at least 95%"
    most = {"direction": "at_most", "unit": "days/cm"}
    assert verdicts.target_words(37.5, **most, statistic="mean") == "at most 37.5 days/cm"
    assert verdicts.target_words(34, **most, statistic="rate") == "at most 34 per 100"


def test_pages_show_the_tables(demo_run, monkeypatch):
    shown = []
    monkeypatch.setattr(cycle, "show", lambda table: shown.append(table.name))
    cycle.show_summary(demo_run, {})
    cycle.show_actions(demo_run)
    cycle.show_standards(demo_run)
    cycle.show_states(demo_run)
    cycle.show_states(demo_run, "all")
    cycle.show_register(demo_run)
    cycle.show_discussion(demo_run)
    assert shown == [
        "summary", "summary_criteria", "actions", "standards", "states_year_to", "states_all",
        "register", "cases_to_discuss", "discussion_limits",
    ]  # fmt: skip
    bare = dataclasses.replace(demo_run, register=None)
    with pytest.raises(UnusableInput, match="keeps no register"):
        cycle.show_register(bare)


def test_changes_come_from_the_charts(demo_run):
    found = cycle.changes_over_time(follow(demo_run))
    assert list(found) == list(dict.fromkeys(demo_run.standards["criterion"]))
    assert set(found.values()) <= {"improved", "unchanged", "worse", "cannot tell"}
    assert found["complications_circular_fixator"] == "worse"  # the planted change


def test_the_version_of_the_register_stands_in_every_row(demo_run):
    assert set(demo_run.standards["register_version"]) == {demo_run.register.version}
