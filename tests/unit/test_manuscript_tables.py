"""The numbers of a manuscript as tables, and the kit's own tables under the same checks."""

from __future__ import annotations

import dataclasses
import re

import pandas as pd
import pytest

from audit.intake.claims import read_claims
from audit.intake.series_plan import read_series_plan
from audit.manuscript import DeclaredSum, check_claims, claims_from
from audit.manuscript.claim import TO_MEND, VERDICTS
from audit.notebook_display import table_output
from audit.pages.series import numbers as series_numbers
from audit.results import catalogue
from audit.series.selection import case_series
from audit.tables import (
    front,
    manuscript,
    measures,
    series_complications,
    series_flow,
    series_table_one,
)
from audit.tables.shown import ShownTable
from tests.conftest import ROOT


@pytest.fixture(scope="module")
def findings():
    read = read_claims()
    return check_claims(claims_from(read.frame, name=read.name))


@pytest.fixture(scope="module")
def own_tables(demo_run):
    tables = [front.flow_table(demo_run.cohort), front.verdict_table(demo_run)]
    tables += [measures.number_table(demo_run, name) for name in NUMBERS]
    return [*tables, measures.complication_table(demo_run)]


PLAN = ROOT / "demo_data" / "series_plan.toml"
NUMBERS = ("healing_index_days_per_cm", "gain_error_mm", "latency_days")


def test_every_claim_stands_in_the_table_with_what_is_to_be_mended_first(findings):
    table = manuscript.numbers_table(findings)
    assert len(table.frame) == len(findings)
    mend = table.frame["Verdict"].isin(TO_MEND).tolist()
    assert mend == sorted(mend, reverse=True)
    explained = {note.split(":")[0] for note in table.notes}
    assert set(table.frame["Verdict"]) <= explained


def test_verdicts_are_counted_with_their_total(findings):
    table = manuscript.verdict_counts_table(findings)
    counts = [int(cell.split("/")[0]) for cell in table.frame["Claims"]]
    assert sum(counts) == len(findings)
    assert set(table.frame["Verdict"]) <= set(VERDICTS)


def test_no_claims_give_empty_tables():
    nothing = check_claims(())
    assert manuscript.numbers_table(nothing).frame.empty
    assert manuscript.verdict_counts_table(nothing).frame.empty
    assert manuscript.own_numbers_table(()).frame.empty


def test_the_page_shows_tables_and_gives_the_findings(findings, tmp_path, monkeypatch):
    shown = []
    monkeypatch.setattr(series_numbers, "show", shown.append)
    series_numbers.show_claim_kinds()
    pd.testing.assert_frame_equal(series_numbers.show_claims(), findings)
    (tmp_path / "draft.txt").write_text("Union in 41/44 (93%).", encoding="utf-8")
    assert list(series_numbers.show_draft(tmp_path / "draft.txt")["verdict"]) == ["agree"]
    names = [table.name for table in shown]
    assert names == [
        "series_number_kinds",
        *["series_number_verdicts", "series_numbers"] * 2,
    ]
    for table in shown:
        table_output(table.frame, name=table.name, caption=table.caption, notes=table.notes)


# --- the kit's own tables ------------------------------------------------------------------------
def test_the_tables_of_the_demo_run_agree_with_themselves(own_tables):
    found = manuscript.own_numbers(own_tables)
    assert len(found) > 300
    assert found.loc[found["verdict"] != "agree", ["where", "note"]].to_dict("records") == []
    assert {"count_behind_percentage", "inside_range", "parts_add_to_total"} == set(found["kind"])
    assert set(manuscript.own_numbers_table(own_tables).frame["Do not agree"]) == {"none"}


def corrupted(table: ShownTable, pattern: str, change) -> ShownTable:
    """The table with one cell changed, the first that holds the pattern."""
    frame = table.frame.copy()
    for column in frame.columns[table.row_headings :]:
        for place in frame.index:
            if re.search(pattern, str(frame.loc[place, column])):
                frame.loc[place, column] = re.sub(
                    pattern, change, frame.loc[place, column], count=1
                )
                return dataclasses.replace(table, frame=frame)
    raise AssertionError(f"no cell with {pattern}")


def test_one_wrong_percentage_is_found(own_tables):
    verdicts = own_tables[1]
    wrong = corrupted(verdicts, r"\((\d+)%;", lambda match: f"({(int(match[1]) + 7) % 100}%;")
    found = manuscript.own_numbers([wrong])
    assert "disagree" in set(found["verdict"])
    assert "none" not in set(manuscript.own_numbers_table([wrong]).frame["Do not agree"])


def test_one_wrong_limit_is_found(own_tables):
    wrong = corrupted(own_tables[2], r"\(\d+\.\d to", "(99999.9 to")
    assert "disagree" in set(manuscript.own_numbers([wrong])["verdict"])


def test_one_wrong_count_in_the_flow_is_found(own_tables):
    flow = own_tables[0]
    frame = flow.frame.copy()
    frame.loc[frame.index[-1], "Cases"] = str(int(frame.loc[frame.index[-1], "Cases"]) - 1)
    found = manuscript.own_numbers([dataclasses.replace(flow, frame=frame)])
    assert list(found["verdict"]) == ["disagree"]


def test_levels_of_one_fact_add_up_and_lines_of_those_not_recorded_stay_aside():
    frame = pd.DataFrame(
        {
            "Fact": ["Sex: female", "Sex: male", "Sex: not recorded", "Physes open", "Cases"],
            "Counted": "cases",
            "All": ["20/38 (53%)", "18/38 (47%)", "2/40 (5%)", "9/40 (23%)", "40"],
            "Nail": ["12/22 (55%)", "10/22 (45%)", "0/22 (0%)", "4/22 (18%)", "22"],
            "Frame": ["8/16 (50%)", "8/16 (50%)", "2/18 (11%)", "5/18 (28%)", "18"],
        }
    )
    table = ShownTable(frame, "one", "One", row_headings=2)
    sums = (DeclaredSum("one", "levels"), DeclaredSum("one", "first_group", rows=("Cases",)))
    found = manuscript.own_numbers([table], sums=sums)
    added = found.loc[found["kind"] == "parts_add_to_total"]
    assert list(added["printed"]) == ["38", "22", "16", "40"]
    assert set(found["verdict"]) == {"agree"}
    frame.loc[1, "Nail"] = "9/22 (41%)"
    assert "disagree" in set(manuscript.own_numbers([table], sums=sums)["verdict"])


FLOW = pd.DataFrame(
    {
        "Step": [
            "There",
            "There",
            "Left out",
            "Left out",
            "There",
            "At the cut-off",
            "At the cut-off",
        ],
        "What": list("abcdefg"),
        "Cases": ["228", "228", "10", "25", "193", "150", "43"],
        "Limbs": ["not counted", "219", "10", "24", "185", "150", "44"],
    }
)
COUNTS = pd.DataFrame(
    {
        "Split": ["All", "Origin", "Origin", "Result"],
        "Kind": ["Any", "Bone", "Joint", "Lasting"],
        "Events": ["9", "5", "4", "1"],
        "Cases": ["6/40 (15%)", "4/40 (10%)", "3/40 (8%)", "1/40 (3%)"],
        "Patients": ["5/30 (17%)", "4/30 (13%)", "3/30 (10%)", "1/30 (3%)"],
    }
)


def own_verdicts(frame: pd.DataFrame, *sums: DeclaredSum) -> list[str]:
    table = ShownTable(frame, "one", "One", row_headings=2)
    found = manuscript.own_numbers([table], sums=sums)
    return list(found.loc[found["kind"] != "count_behind_percentage", "verdict"])


def test_the_steps_of_a_flow_add_up():
    steps = DeclaredSum("one", "steps", columns=("Cases", "Limbs"), rows=("There", "Left out"))
    last = DeclaredSum("one", "last_step", columns=("Cases",), rows=("There", "At the cut-off"))
    assert own_verdicts(FLOW, steps, last) == ["agree"] * 4
    lost = FLOW.assign(Cases=["228", "228", "10", "24", "193", "150", "42"])
    assert own_verdicts(lost, steps, last) == ["agree", "disagree", "agree", "disagree"]


def test_events_are_parted_once_and_never_fewer_than_cases_or_patients():
    splits = DeclaredSum("one", "splits", columns=("Events",), rows=("Origin",))
    three = DeclaredSum("one", "three_counts", columns=("Events", "Cases", "Patients"))
    assert own_verdicts(COUNTS, splits) == ["agree"]
    assert own_verdicts(COUNTS, three) == ["own"] * 4
    fewer = COUNTS.assign(Events=["9", "3", "4", "1"])
    assert own_verdicts(fewer, splits, three) == ["disagree", "own", "disagree", "own", "own"]


def test_columns_that_are_not_there_are_passed_over():
    three = DeclaredSum("one", "three_counts", columns=("Events", "Cases", "People"))
    assert own_verdicts(COUNTS, three, DeclaredSum("one", "first_row", columns=("Limbs",))) == []


def test_every_sum_declared_for_a_table_of_the_series_finds_something(demo_run):
    series = case_series(demo_run, read_series_plan(PLAN))
    tables = {
        table.name: table
        for table in (
            front.flow_table(demo_run.cohort),
            series_flow.series_flow_table(series),
            series_table_one.series_table_one(series),
            series_complications.series_complications(series),
            series_complications.series_complications_by_group(series),
            series_complications.series_complication_rates(series),
        )
    }
    for declared in manuscript.SUMS:
        alone = manuscript.own_numbers([tables[declared.table]], sums=(declared,))
        without = manuscript.own_numbers([tables[declared.table]], sums=())
        assert len(alone) > len(without), declared
    found = manuscript.own_numbers(list(tables.values()))
    wrong = found.loc[~found["verdict"].isin(manuscript.FITTING), ["where", "note"]]
    assert wrong.to_dict("records") == []


def test_a_percentage_without_a_count_is_counted():
    frame = pd.DataFrame({"A": ["x", "y", "z"], "B": ["34%", "3/9 (33%)", "5 (95% CI 4 to 6)"]})
    assert (
        manuscript.own_numbers_table([ShownTable(frame, "one", "One")])
        .frame[manuscript.WITHOUT_COUNT]
        .item()
        == "1"
    )


def test_a_sum_of_an_unknown_kind_is_refused():
    with pytest.raises(ValueError, match=r"one of first_row, .* three_counts; got 'rows'"):
        DeclaredSum("one", "rows")


def test_measures_named_here_exist():
    assert set(NUMBERS) <= {measure.name for measure in catalogue.MEASURES}
