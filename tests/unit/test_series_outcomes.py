"""Outcomes of a series: rows that the results lack, and tables that say what the rows say."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.weightstats import DescrStatsW

from audit import wording
from audit.notebook_display import figure_output
from audit.pages.series import tables as page
from audit.prose.abbreviations import unexplained
from audit.results.catalogue import MEASURES
from audit.results.rows import RESULT_COLUMNS
from audit.series.outcomes import EXTRA_SHARES, REVERSED, SECTIONS, STATUSES, outcome_results
from audit.tables.manuscript import FITTING, own_numbers
from audit.tables.series_outcomes import MAIN, series_outcome_sections, series_outcomes
from tests.unit.test_series_table_one import series_of


@pytest.fixture(scope="module")
def demo_series(demo_run):
    return series_of(demo_run)


@pytest.fixture(scope="module")
def rows(demo_series):
    return outcome_results(demo_series)


def one(rows: pd.DataFrame, measure: str, statistic: str, group: str = "all") -> pd.Series:
    chosen = rows.loc[
        (rows["measure"] == measure) & (rows["statistic"] == statistic) & (rows["group"] == group)
    ]
    assert len(chosen) == 1
    return chosen.iloc[0]


def test_every_measure_of_a_case_stands_in_a_section():
    named = [outcome.name for section in SECTIONS for outcome in section.outcomes]
    assert len(named) == len(set(named))
    # counts of events have tables of their own
    numbers = {measure.name for measure in MEASURES if measure.unit != "events"}
    assert numbers <= set(named)
    for section in SECTIONS:
        assert set(MAIN[section.name]) <= {outcome.name for outcome in section.outcomes}


def test_columns_and_groups(demo_series, rows):
    assert list(rows.columns) == RESULT_COLUMNS
    assert set(rows["group_by"]) == {"all", "device_class", "device_class+segment"}
    assert set(rows["window"]) == {"all"}
    assert not rows.duplicated(["measure", "statistic", "group_by", "group", "note"]).any()


def test_rows_of_the_results_are_taken_as_they_are(demo_series, rows):
    theirs = demo_series.run.results
    theirs = theirs.loc[(theirs["window"] == "all") & (theirs["group_by"] == "device_class")]
    theirs = theirs.loc[theirs["measure"] == "healing_index_days_per_cm"]
    ours = rows.loc[
        (rows["measure"] == "healing_index_days_per_cm") & (rows["group_by"] == "device_class")
    ]
    pd.testing.assert_frame_equal(ours.reset_index(drop=True), theirs.reset_index(drop=True))


def test_distance_from_the_plan_by_another_library(demo_series, rows):
    measured = demo_series.run.measured
    gap = (measured["achieved_gain_mm"] - measured["planned_gain_mm"]).abs().dropna()
    about = DescrStatsW(gap, ddof=1)
    found = one(rows, "absolute_gain_error_mm", "mean")
    assert found["value"] == pytest.approx(about.mean)
    assert (found["low"], found["high"]) == pytest.approx(about.tconfint_mean())
    assert one(rows, "absolute_gain_error_mm", "sd")["value"] == pytest.approx(about.std)
    assert one(rows, "absolute_gain_error_mm", "median")["value"] == np.median(gap)
    assert found["n"] + found["missing"] == len(measured)
    # a distance is never shorter than the mean error is far from 0 (Jensen)
    assert found["value"] >= abs(one(rows, "gain_error_mm", "mean")["value"])


def test_how_treatment_stands_adds_up(demo_series, rows):
    cases = demo_series.cases
    for group, part in [("all", cases), *cases.groupby("device_class")]:
        shares = [one(rows, f"ended_{code}", "proportion", group) for code in STATUSES]
        assert sum(row["value"] for row in shares) == pytest.approx(1)
        assert {row["n"] for row in shares} == {len(part)}


def test_what_the_log_says_by_hand(demo_series, rows):
    """Straight from the session log: the share reversed, and delivered over prescribed."""
    log = demo_series.run.cohort.tables["distraction_sessions"]
    by_case = log.groupby("case_id")
    back = by_case["delivered_mm"].min() < 0
    found = one(rows, REVERSED, "proportion")
    assert (round(found["value"] * found["n"]), found["n"]) == (back.sum(), len(back))
    assert found["missing"] == len(demo_series.cases) - len(back)
    full = by_case["prescribed_mm"].count() == by_case.size()
    share = 100 * by_case["delivered_mm"].sum() / by_case["prescribed_mm"].sum()
    share = share.where(full & (by_case["prescribed_mm"].sum() > 0)).dropna()
    found = one(rows, "delivered_pct", "median")
    assert found["n"] == len(share)
    assert found["value"] == pytest.approx(share.median())


def test_main_table_cells_are_the_rows_rounded(demo_series, rows):
    frame = series_outcomes(demo_series).frame.set_index(["Outcome", "Shown"])
    name = "Gain at the end of distraction (mm)"
    middle, low, high = (
        one(rows, "achieved_gain_mm", statistic)["value"] for statistic in ("median", "q1", "q3")
    )
    cell = frame.loc[(name, "median (quartiles)"), "All"]
    assert cell == wording.median_quartiles(middle, low, high, unit="mm")
    within = one(rows, "gain_within_tolerance", "proportion", "lengthening_nail")
    cell = frame.loc[("Gain within tolerance of the plan", "n/N (%; 95% CI)"), "Lengthening nail"]
    assert cell.startswith(f"{round(within['value'] * within['n'])}/{within['n']} (")
    clustered = one(rows, "gain_within_tolerance", "proportion_clustered", "lengthening_nail")
    assert wording.percent(clustered["low"], within["n"]) in cell
    # fixator measures do not apply to nails: said as such, not as missing
    fixation = frame.loc["External fixation index (days/cm)"]
    assert fixation.loc["n", "Lengthening nail"] == "0 of 0"
    assert fixation.loc["mean (SD)", "Lengthening nail"] == ""


def test_times_show_events_and_keep_waiting_cases(demo_series):
    frame = series_outcomes(demo_series).frame.set_index(["Outcome", "Shown"])
    cell = frame.loc[("Time to union (days)", "reached, of n"), "All"]
    reached = int(demo_series.run.measured["case_id"].isin(
        demo_series.cases.loc[demo_series.cases["union_date"].notna(), "case_id"]
    ).sum())  # fmt: skip
    assert cell.split(" of ")[0] == str(reached)


def test_one_table_a_section_and_kind(demo_series):
    tables = series_outcome_sections(demo_series)
    names = [table.name for table in tables]
    assert len(names) == len(set(names))
    numbers = next(t for t in tables if t.name == "series_outcomes_healing_numbers").frame
    waiting = numbers.loc[
        (numbers["Outcome"] == "Healing index (days/cm)") & (numbers["Group"] == "All cases")
    ].iloc[0]
    assert "not united yet" in waiting["Why missing"]
    shares = next(t for t in tables if t.name == "series_outcomes_course_shares").frame
    assert set(EXTRA_SHARES.values()) == set(shares["Outcome"])


def test_every_number_of_the_tables_agrees_with_its_own_cell(demo_series):
    tables = page.series_tables(demo_series)
    found = own_numbers(tables)
    assert len(found) > 1000
    assert set(found["verdict"]) <= set(FITTING)
    for table in tables:
        if table.name.startswith("series_"):
            assert unexplained(table) == [], table.name
            assert table.frame.map(lambda cell: isinstance(cell, str)).all(axis=None), table.name
            assert "nan" not in table.frame.to_string().lower(), table.name


def test_figures_of_the_page(demo_series):
    names = []
    for drawn in page.series_figures(demo_series):
        bundle = figure_output(drawn.figure, name=drawn.name, caption=drawn.caption, alt=drawn.alt)
        assert bundle[0]["image/png"]
        names.append(drawn.name)
    assert len(names) == len(set(names)) == 5
    with pytest.raises(ValueError, match=r"time must be one of .*; got 'x'"):
        page.time_curves(demo_series, "x")
