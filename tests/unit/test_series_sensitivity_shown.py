"""Sensitivity runs, effective numbers and complete records as tables and figures."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest

from audit.estimates import standardised_difference
from audit.figures.sensitivity import sensitivity_forest, sensitivity_forest_alt
from audit.figures.style import picture
from audit.measures import measure_cases
from audit.pages.series import parts as pages
from audit.series.complete_records import NEEDED, compare_complete, complete_cases, record_gaps
from audit.series.effective_size import EFFECTIVE_COLUMNS, effective_sizes
from audit.tables import series_records as records
from audit.tables import series_sensitivity as tables
from tests.unit.sensitivity_series import CASES, FILMS, results_of, whole_series

NUMBER = re.compile(r"[+−]?\d+(?:\.\d+)?")


@pytest.fixture(scope="module")
def demo_series(demo_run):
    return whole_series(demo_run)


@pytest.fixture(scope="module")
def results(demo_run):
    return results_of(demo_run)


def typed(text: str) -> float:
    return float(text.replace("−", "-").replace("+", ""))


# ---- tables of the runs


def test_every_outcome_opens_with_its_main_analysis(results):
    for table in (tables.sensitivity_times(results), tables.sensitivity_outcomes(results)):
        frame = table.frame
        first = frame.groupby("Outcome", sort=False).first()
        assert (first["Run"] == "Main analysis").all()
        assert (first["Difference"] == "").all()
        assert frame.map(lambda cell: isinstance(cell, str)).all(axis=None)
        assert not frame.duplicated(["Outcome", "Run"]).any()


def test_printed_differences_agree_with_printed_values(results):
    """Within one unit of the last printed digit, since differences come from unrounded values."""
    frame = tables.sensitivity_times(results).frame
    checked = 0
    for _, part in frame.groupby("Outcome"):
        main = typed(NUMBER.match(part["Value (95% CI)"].iloc[0])[0])
        for _, row in part.iloc[1:].iterrows():
            if row["Difference"] == "":
                assert row["Value (95% CI)"] == "not estimable"
                continue
            decimals = len(row["Difference"].partition(".")[2])
            value = typed(NUMBER.match(row["Value (95% CI)"])[0])
            step = 10.0**-decimals
            assert abs((value - main) - typed(row["Difference"])) <= step + 1e-9
            checked += 1
    assert checked > 20


def test_counted_shares_are_what_their_counts_say(results):
    frame = tables.sensitivity_outcomes(results).frame
    found = frame["Value (95% CI)"].str.extract(r"^(\d+)/(\d+) \((\d+(?:\.\d)?)%").dropna()
    assert len(found) > 15
    for _, (events, n, share) in found.iterrows():
        assert abs(100 * int(events) / int(n) - float(share)) <= 0.5
    assert (found[1] == frame.loc[found.index, "n"]).all()


def test_a_curve_share_shows_no_made_up_count(results):
    frame = tables.sensitivity_outcomes(results).frame
    mine = frame.loc[frame["Outcome"].str.startswith("Full weight bearing by")]
    assert "/" not in mine.loc[mine["Run"] == "Main analysis", "Value (95% CI)"].item()


def test_reasons_stand_in_the_notes(results):
    notes = " ".join(tables.sensitivity_times(results).notes)
    assert "Complete cases, not estimable" in notes
    assert "last day seen" in notes


def test_a_group_has_its_own_table(results):
    table = tables.sensitivity_times(results, group="circular_fixator")
    assert table.caption.endswith(", circular fixator")
    everyone = tables.sensitivity_times(results).frame
    assert not table.frame.equals(everyone)


def test_an_unknown_group_gives_an_empty_table(results):
    table = tables.sensitivity_times(results, group="nobody")
    assert table.frame.empty
    assert list(table.frame.columns)[:2] == ["Outcome", "Run"]


def test_all_runs_are_explained(results):
    frame = tables.sensitivity_runs(results).frame
    assert set(frame["Run"]) == {tables.run_words(name) for name in set(results["variant"])}
    assert frame["What it is"].str.endswith(".").all()


# ---- figure


def test_the_forest_has_a_panel_an_outcome_and_a_mark_a_value(results):
    rows = tables.shown_rows(results, tables.TIMES)
    figure = sensitivity_forest(rows, title="Times")
    panels = [part for _, part in rows.groupby("outcome", sort=False)]
    assert len(figure.axes) == len(panels)
    for axis, part in zip(figure.axes, panels, strict=True):
        labels = [text.get_text() for text in axis.get_yticklabels()]
        assert labels == list(part["run"])
        dots = [line for line in axis.lines if line.get_marker() in ("o", "D")]
        drawn = sorted(float(line.get_xdata()[0]) for line in dots)
        assert drawn == pytest.approx(sorted(part["value"].dropna()))
        main = part.loc[part["variant"] == "main", "value"].item()
        assert any(list(line.get_xdata()) == [main, main] for line in axis.lines)
    assert picture(figure) == picture(sensitivity_forest(rows, title="Times"))


def test_shares_are_drawn_from_0_to_100(results):
    rows = tables.shown_rows(results, {pages.DRAWN_SHARES[0]: "Within tolerance"})
    (axis,) = sensitivity_forest(rows, title="Shares").axes
    assert axis.get_xlim() == (0, 100)
    dots = [line.get_xdata()[0] for line in axis.lines if line.get_marker() == "o"]
    assert max(dots) > 1


def test_nothing_to_draw_is_said(results):
    rows = tables.shown_rows(results, tables.TIMES, group="nobody")
    figure = sensitivity_forest(rows, title="Times")
    assert "Nothing to draw" in figure.texts[-1].get_text()
    assert sensitivity_forest_alt(rows).startswith("No forest")


def test_intervals_that_are_open_do_not_stop_the_figure(results):
    rows = tables.shown_rows(results, tables.TIMES).assign(low=np.nan, high=np.nan)
    assert len(sensitivity_forest(rows, title="Times").axes) == rows["outcome"].nunique()


def test_the_alt_text_names_the_runs_furthest_away(results):
    rows = tables.shown_rows(results, tables.TIMES)
    text = sensitivity_forest_alt(rows)
    union = rows.loc[rows["outcome"].str.startswith("Median time to union")]
    furthest = union.loc[union["difference"].abs().idxmax(), "run"]
    assert furthest in text


# ---- effective number


def test_effective_number_of_fully_alike_sides(demo_series):
    """40 patients, half of them on both sides, correlation 1: 60 limbs are worth 60 / (100/60).

    1 + (sum m^2 / sum m - 1) x correlation, as in Donner 1986, Int Stat Rev 54:67-82.
    """
    measured = demo_series.run.measured.iloc[:60].copy()
    measured["patient_id"] = [f"P{i // 2}" for i in range(40)] + [f"Q{i}" for i in range(20)]
    measured["side"] = ["left", "right"] * 30
    measured["gain_error_mm"] = [float(i // 2) for i in range(40)] + [float(i) for i in range(20)]
    run = dataclasses.replace(demo_series.run, measured=measured)
    row = effective_sizes(dataclasses.replace(demo_series, run=run))
    row = row.loc[(row["measure"] == "gain_error_mm") & (row["group_by"] == "all")].iloc[0]
    assert (row["n"], row["patients"]) == (60, 40)
    assert (row["patients_with_several"], row["patients_both_sides"]) == (20, 20)
    assert row["design_effect"] == pytest.approx(100 / 60, rel=1e-9)
    assert row["effective"] == pytest.approx(36, rel=1e-9)


def test_effective_rows_are_whole(demo_series):
    found = effective_sizes(demo_series)
    assert list(found.columns) == EFFECTIVE_COLUMNS
    known = found.loc[found["effective"].notna()]
    assert (known["effective"] <= known["n"] + 1e-9).all()
    assert (known["patients_both_sides"] <= known["patients_with_several"]).all()
    assert (found["patients"] <= found["n"]).all()
    shown = records.effective_shown(found)
    assert shown.frame.map(lambda cell: isinstance(cell, str)).all(axis=None)


# ---- complete records


def test_gaps_worked_by_hand(cohort_of):
    measured = measure_cases(cohort_of("2025-12-31", cases=CASES, radiographs=FILMS))
    gaps = record_gaps(measured)
    by_case = {case: dict(zip(part["measure"], part["reason"], strict=True))
               for case, part in gaps.groupby("case_id")}  # fmt: skip
    # no knee was examined before any surgery; B1 was lost before union and before walking
    knee = {"knee_flexion_retention_pct": "no_baseline_motion"}
    assert by_case["A1"] == by_case["A2"] == knee
    assert by_case["B1"] == knee | {
        "healing_index_days_per_cm": "lost_before",
        "weight_bearing_index_days_per_cm": "lost_before",
    }
    # C1 is still in treatment: its distraction, union and frame are waited for, not missing
    assert by_case["C1"] == knee
    assert not complete_cases(measured).any()


def test_complete_and_incomplete_add_up_and_differ_as_computed_apart(demo_series):
    cohort, measured = demo_series.run.cohort, demo_series.run.measured
    found = compare_complete(cohort, measured)
    assert found.complete + found.incomplete == len(measured)
    assert set(found.gaps["measure"]) <= set(NEEDED)
    whole = complete_cases(measured).to_numpy()
    age = cohort.cases.set_index("case_id")["age_at_surgery_years"]
    age = age.reindex(measured["case_id"]).to_numpy()
    mine = found.baseline.loc[found.baseline["fact"] == "age_years"].iloc[0]
    assert mine["difference"] == pytest.approx(
        standardised_difference(age[whole], age[~whole]).value, rel=1e-12
    )
    # Austin 2009, Stat Med 28:3083-3107: difference of means over the root of the mean variance
    spread = ((np.var(age[whole], ddof=1) + np.var(age[~whole], ddof=1)) / 2) ** 0.5
    assert mine["difference"] == pytest.approx((age[whole].mean() - age[~whole].mean()) / spread)


def test_the_complete_table_has_no_p_value_and_counts_missing(demo_series):
    found = compare_complete(demo_series.run.cohort, demo_series.run.measured)
    shown = records.complete_shown(found)
    words = " ".join([*shown.frame.columns, *shown.notes])
    assert not re.search(r"\bp value|\bp <|\bP\b", words)
    assert {"Missing, complete", "Missing, incomplete"} <= set(shown.frame.columns)
    assert f"{found.complete} cases" in shown.frame.columns[1]


def test_nobody_incomplete_is_said(demo_series):
    run = demo_series.run
    measured = run.measured.assign(**{f"{name}_reason": np.nan for name in NEEDED})
    found = compare_complete(run.cohort, measured)
    assert found.incomplete == 0
    assert "No case is incomplete." in records.complete_shown(found).notes
