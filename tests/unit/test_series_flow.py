"""The flow of a series, its diagram, and how its cases were followed."""

from __future__ import annotations

import dataclasses
import itertools
import re

import pandas as pd
import pytest

from audit.figures.flow import flow_diagram, flow_diagram_alt
from audit.intake.series_plan import read_series_plan, series_plan_from
from audit.measures import measure_cases
from audit.run import AuditRun
from audit.series.ascertainment import ascertainment_of
from audit.series.case_series import CaseSeries
from audit.series.flow import parted_episodes, whole_flow
from audit.series.follow_up import follow_up_results, last_seen, period_of
from audit.series.narrow import narrowed_cohort
from audit.series.selection import select
from audit.series.watched import watched
from audit.tables.front import limbs_in
from audit.tables.series_flow import (
    series_flow_table,
    series_follow_up_table,
    series_followed_table,
    series_last_seen_table,
    series_period_table,
    series_rules_table,
    series_study_table,
)
from tests.conftest import ROOT

COUNTS = ["cases", "limbs", "patients"]
#: one waits and was lost early, one waits and is seen, one united, one died before union; one
#: broken day keeps its row out of use
CASES = """
case_id patient_id side  segment device_class     age_at_surgery_years surgery_date planned_gain_mm union_date achieved_gain_mm last_follow_up_date outcome_status    outcome_date arrival_date
C1      P1         left  femur   lengthening_nail 15  2022-01-01 40 2022-07-20 40 2023-01-01 completed         2022-10-28 -
C2      P1         right femur   lengthening_nail 15  2022-01-01 40 -          -  2022-02-10 lost_to_follow_up 2022-02-10 -
C3      P2         left  tibia   circular_fixator 30  2022-03-02 50 -          -  2022-12-27 in_treatment      -          -
C4      P3         left  tibia   circular_fixator 50  2022-05-01 30 -          -  2022-06-10 died              2022-06-10 -
C5      P3         right tibia   circular_fixator 50  2022-xx-01 30 -          -  2022-06-10 died              2022-06-10 -
"""
OPEN = 'version = "1"\n'
RULE = """
[[rule]]
id = "seen"
words = "seen for 50 days or more"
kind = "include"
column = "follow_up_days"
test = "at_least"
values = 50
ground = "data"
"""


def light_series(run: AuditRun, plan) -> CaseSeries:
    """A series with cohort and measures narrowed; results are made elsewhere."""
    flow, left_out = select(run, plan.rules)
    chosen = frozenset(run.cohort.cases["case_id"]) - frozenset(left_out["case_id"])
    cohort = narrowed_cohort(run.cohort, chosen)
    narrow = dataclasses.replace(run, cohort=cohort, measured=measure_cases(cohort))
    return CaseSeries(run=narrow, plan=plan, whole=run, flow=flow, left_out=left_out)


@pytest.fixture
def small(cohort_of):
    def build(text: str) -> CaseSeries:
        cohort = cohort_of("2023-01-01", cases=CASES)
        empty = pd.DataFrame()
        run = AuditRun(cohort, measure_cases(cohort), empty, empty, pd.Period("2022Q4"), {})
        return light_series(run, series_plan_from(text.encode(), name="plan.toml"))

    return build


@pytest.fixture(scope="module")
def demo(demo_run):
    return light_series(demo_run, read_series_plan(ROOT / "demo_data" / "series_plan.toml"))


def check_adds_up(flow: pd.DataFrame) -> None:
    """Every `main` row less what is left out below it is the next `main` row."""
    mains = flow.index[flow["place"] == "main"].tolist()
    for here, there in itertools.pairwise(mains):
        out = flow.loc[here + 1 : there - 1]
        assert set(out["place"]) <= {"out"}
        for name in COUNTS:
            if name != "cases" and flow.loc[here, "step"] == "read":
                continue
            assert flow.loc[here, name] - out[name].sum() == flow.loc[there, name], name
    ends = flow.loc[flow["place"] == "end"]
    assert ends["cases"].sum() == flow.loc[mains[-1], "cases"]


def test_the_flow_adds_up_from_the_rows_read_to_the_outcomes(demo, small):
    check_adds_up(whole_flow(demo))
    flow = whole_flow(small(OPEN + RULE))
    check_adds_up(flow)
    assert flow["step"].tolist() == ["read", "kept_out", "in_cohort", "by_rule", "selected",
                                     "in_treatment", "completed"]  # fmt: skip
    assert flow["cases"].tolist() == [5, 1, 4, 2, 2, 1, 1]
    assert flow["patients"].tolist()[2:5] == [3, 1, 2]
    assert flow.loc[1, "ground"] == "data"


def test_the_last_counts_are_those_of_the_series(demo):
    last = demo.flow.iloc[-1]
    cases = demo.run.cohort.cases
    assert last["cases"] == len(cases)
    assert last["limbs"] == limbs_in(demo.run.cohort)
    assert last["patients"] == cases["patient_id"].nunique()


def numbers_in(figure) -> list[str]:
    return [text.get_text() for axis in figure.axes for text in axis.texts]


def test_every_count_of_the_flow_stands_in_the_diagram_and_inside_it(demo, small):
    for series in (demo, small(OPEN + RULE)):
        flow = whole_flow(series)
        figure = flow_diagram(flow, title="Flow")
        drawn = re.sub(r"\s+", " ", " ".join(numbers_in(figure)))
        for _, row in flow.iterrows():
            words = " ".join(
                f"{int(row[name])} {name if row[name] != 1 else name[:-1]}"
                + ("," if name != "patients" else "")
                for name in COUNTS
                if pd.notna(row[name])
            )
            assert words.rstrip(",") in drawn, row["step"]
        figure.draw_without_rendering()
        (axis,) = figure.axes
        box = axis.get_window_extent()
        for text in axis.texts:
            if not text.get_text():
                continue
            inside = text.get_window_extent()
            assert box.x0 <= inside.x0 and inside.x1 <= box.x1 + 1, text.get_text()
            assert box.y0 - 1 <= inside.y0 and inside.y1 <= box.y1 + 1, text.get_text()


def test_selection_on_the_outcome_is_marked_in_table_diagram_and_words(small, demo):
    marked, plain = small(OPEN + RULE), demo
    words = "selection on the outcome"
    shown = series_flow_table(marked)
    assert shown.frame["Cases that are"].str.contains(words).tolist().count(True) == 1
    assert any("may not hold for all who were operated" in note for note in shown.notes)
    flow = whole_flow(marked)
    assert any("\N{DAGGER}" in text for text in numbers_in(flow_diagram(flow, title="Flow")))
    assert "\N{DAGGER}" in flow_diagram_alt(flow, title="Flow")
    assert words in series_rules_table(marked).frame["Known"].iloc[0]
    assert not series_flow_table(plain).frame["Cases that are"].str.contains(words).any()
    other = flow_diagram(whole_flow(plain), title="Flow")
    assert not any("\N{DAGGER}" in text for text in numbers_in(other))


def test_the_diagram_in_words_says_what_was_left_out(small):
    text = flow_diagram_alt(whole_flow(small(OPEN + RULE)), title="Flow")
    assert (
        "not met: seen for 50 days or more \N{DAGGER} (data): 2 cases, 2 limbs, 1 patient" in text
    )
    assert text.startswith("Flow. Rows of the cases table: 5 cases, 3 patients.")


def test_days_watched_and_days_possible_by_hand(small):
    # cut-off 2023-01-01. C1: owed to its completion, 300 days, all seen. C2: lost on day 40 of
    # 365. C3: seen on day 300 of 305. C4: died on day 40, nothing owed after it.
    series = small(OPEN)
    table = watched(series.run.cohort, "case").sort_values("surgery_date", kind="stable")
    assert table["to_end"].tolist() == [365, 40, 300, 40]
    assert table["ended"].tolist() == [False, False, False, True]
    assert table["watched"].tolist() == [300, 40, 300, 40]
    assert table["possible"].tolist() == [300, 365, 305, 40]
    union = watched(series.run.cohort, "union").sort_values("surgery_date", kind="stable")
    assert union["to_end"].tolist() == [200, 40, 300, 40]
    assert union["ended"].tolist() == [True, False, False, True]
    assert union["possible"].tolist() == [200, 365, 305, 40]


def pick(rows: pd.DataFrame, measure: str, statistic: str) -> pd.Series:
    found = rows.loc[
        (rows["measure"] == measure)
        & (rows["statistic"] == statistic)
        & (rows["group_by"] == "all")
    ]
    assert len(found) == 1
    return found.iloc[0]


def test_follow_up_by_hand(small):
    """Clark 2002: observed over potential person-time. Schemper & Smith 1996: the end of watching
    is the event, so with ends at 40 (of 4; the death at 40 censors), 300 (of 2) and 365 the share
    still followed is 3/4, 3/8 and 0: the median is 300."""
    rows = follow_up_results(small(OPEN))
    assert pick(rows, "follow_up_days_case", "median_time")["value"] == 300
    assert "reverse Kaplan-Meier" in pick(rows, "follow_up_days_case", "median_time")["method"]
    complete = pick(rows, "follow_up_completeness_pct_case", "ratio_of_totals_clustered")
    assert complete["value"] == pytest.approx(100 * (300 + 40 + 300 + 40) / (300 + 365 + 305 + 40))
    assert complete["high"] <= 100
    union = pick(rows, "follow_up_completeness_pct_union", "ratio_of_totals_clustered")
    assert union["value"] == pytest.approx(100 * (200 + 40 + 300 + 40) / (200 + 365 + 305 + 40))
    # after 90 days: all four were operated long enough ago; C2 was gone, the death is no loss
    spans = rows.loc[(rows["measure"] == "followed_for") & (rows["group_by"] == "all")]
    ninety = spans.loc[spans["note"].str.startswith("90 days after surgery")].iloc[0]
    assert (ninety["n"], ninety["value"]) == (4, 0.75)
    year = spans.loc[spans["note"].str.startswith("365 days after surgery")].iloc[0]
    assert (year["n"], year["value"]) == (2, 0.5)
    assert "not yet possible: 2" in year["note"]


def test_walking_follow_up_agrees_with_the_rows_of_the_quarterly_results(demo_run):
    series = light_series(demo_run, series_plan_from(b"", name="plan.toml"))
    ours, theirs = follow_up_results(series), demo_run.results
    theirs = theirs.loc[theirs["window"] == "all"]
    for ending, statistic in (
        ("follow_up_days", "median_time"),
        ("follow_up_completeness_pct", "ratio_of_totals_clustered"),
    ):
        a = pick(ours, f"{ending}_full_weight_bearing", statistic)
        b = pick(theirs, ending, statistic)
        pd.testing.assert_series_equal(
            a[["n", "missing", "value"]], b[["n", "missing", "value"]], check_names=False
        )


def test_a_target_that_does_not_exist_is_refused(demo_run):
    with pytest.raises(ValueError, match="target must be case or one of union"):
        watched(demo_run.cohort, "healing")


def test_last_seen_counts_those_not_seen_for_long(small):
    ends = last_seen(small(OPEN)).set_index("outcome_status")
    assert ends["cases"].to_dict() == {
        "in_treatment": 1, "completed": 1, "lost_to_follow_up": 1, "died": 1,
    }  # fmt: skip
    assert ends["unseen"].to_dict() == {
        "in_treatment": 0, "completed": 0, "lost_to_follow_up": 1, "died": 1,
    }  # fmt: skip


def test_ascertainment_holds_all_cases_of_the_quarters_against_the_theatre_list(demo):
    found = ascertainment_of(demo)
    counts = pd.read_csv(ROOT / "demo_data" / "tables" / "theatre_counts.csv")
    inside = counts.loc[counts["quarter"].between("2021Q3", "2026Q2")]
    assert found.operations == inside["operations"].sum()
    assert 0 < found.found <= found.operations
    assert found.share.value == pytest.approx(found.found / found.operations)


def test_without_a_theatre_list_ascertainment_says_so(small):
    found = ascertainment_of(small(OPEN))
    assert found.share.value is None
    assert "no theatre list" in found.share.note
    shown = series_period_table(small(OPEN)).frame.set_index("Item")["Value"]
    assert "no theatre list" in shown["Operations of the list found in the cases table"]


def test_the_days_of_a_series(small):
    days = period_of(small(OPEN))
    found = [str(getattr(days, field.name).date()) for field in dataclasses.fields(days)]
    assert found == ["2022-01-01", "2022-05-01", "2023-01-01", "2023-01-01"]


def test_a_bone_left_out_of_a_walking_episode_is_told(small):
    assert parted_episodes(small(OPEN)) == 0
    parted = small(OPEN + RULE)  # C2 goes, C1 of the same patient and day stays
    assert parted_episodes(parted) == 1
    assert any("same walking episode" in note for note in series_flow_table(parted).notes)


def test_tables_for_people_are_texts_with_a_name_and_notes(demo, small):
    for series in (demo, small(OPEN)):
        for make in (
            series_flow_table, series_rules_table, series_period_table, series_follow_up_table,
            series_followed_table, series_last_seen_table,
        ):  # fmt: skip
            shown = make(series)
            assert re.fullmatch(r"series_[a-z_]+", shown.name)
            assert shown.notes and shown.caption
            assert all(isinstance(cell, str) for row in shown.frame.to_numpy() for cell in row)
            assert not shown.frame.isin(["nan", "None", "<NA>"]).any(axis=None)
    asked = series_study_table(small(OPEN).plan)
    assert "Needed and empty: project_type" in asked.notes[1]
    assert "to be filled in by the author" in set(asked.frame["Text"])
