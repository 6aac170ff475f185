"""Sensitivity runs: every variant against a second, obvious way; small ones worked by hand."""

from __future__ import annotations

import dataclasses
import math

import lifelines
import numpy as np
import pandas as pd
import pytest

from audit.measures import measure_cases
from audit.results import RESULT_COLUMNS
from audit.results.groups import Slice
from audit.results.times import time_table
from audit.results.walking import INCIDENCE, TIME, incidence_for
from audit.series import sensitivity_bounds as bounds
from audit.series import sensitivity_inputs as inputs
from audit.series.sensitivity import (
    DEFINITIONS,
    KEY,
    OUTCOMES,
    QUESTIONS,
    SENSITIVITY_COLUMNS,
    sensitivity_results,
)
from audit.settings import Settings
from tests.unit.sensitivity_series import CASES, FILMS, results_of, series_of


@pytest.fixture(scope="module")
def results(demo_run):
    return results_of(demo_run)


@pytest.fixture
def small(cohort_of):
    return series_of(cohort_of("2025-12-31", cases=CASES, radiographs=FILMS))


def one(results: pd.DataFrame, measure: str, statistic: str, variant: str, day=None) -> pd.Series:
    rows = results.loc[
        (results["measure"] == measure)
        & (results["statistic"] == statistic)
        & (results["variant"] == variant)
        & (results["group_by"] == "all")
    ]
    rows = rows.loc[rows["day"].isna() if day is None else rows["day"] == day]
    assert len(rows) == 1
    return rows.iloc[0]


# ---- the table as a whole


def test_columns_keys_and_one_main_row_each(results):
    assert list(results.columns) == SENSITIVITY_COLUMNS
    assert not results.duplicated([*KEY, "variant"]).any()
    assert set(results["window"]) == {"all"}
    mains = results.loc[results["variant"] == "main"]
    assert set(zip(mains["measure"], mains["statistic"], strict=True)) == set(OUTCOMES)
    assert (results["definition"].str.len() > 0).all()
    assert set(results["variant"].str.split(":").str[0]) == set(QUESTIONS)


def test_main_rows_are_the_rows_of_the_results(results, demo_run):
    mains = results.loc[results["variant"] == "main", RESULT_COLUMNS]
    whole = demo_run.results
    same = mains.merge(whole, on=RESULT_COLUMNS, how="left", indicator=True)
    assert (same["_merge"] == "both").all()


def test_a_difference_is_value_minus_main_and_missing_without_either(results):
    for _, row in results.iterrows():
        if math.isnan(row["value"]) or math.isnan(row["main_value"]):
            assert math.isnan(row["difference"])
            assert row["note"]
        else:
            assert row["difference"] == row["value"] - row["main_value"]
    assert (results.loc[results["variant"] == "main", "difference"].dropna() == 0).all()


def test_what_is_not_estimable_says_why(results):
    refused = results.loc[results["value"].isna()]
    assert len(refused)
    assert (refused["note"].astype(str).str.len() > 5).all()
    assert refused[["low", "high"]].isna().all(axis=None)
    times = refused.loc[refused["variant"] == "complete_cases", "note"]
    assert times.str.contains("last day seen").any()


def test_groups_are_those_of_the_plan(results, demo_run):
    groups = set(results.loc[results["group_by"] == "device_class", "group"])
    assert groups >= set(demo_run.cohort.cases["device_class"])
    assert set(results["group_by"]) == {"all", "device_class"}


def test_the_same_run_twice_gives_the_same_table_and_changes_nothing(small):
    before = small.run.measured.copy(deep=True)
    cases = small.run.cohort.cases.copy(deep=True)
    first, second = sensitivity_results(small), sensitivity_results(small)
    pd.testing.assert_frame_equal(first, second)
    pd.testing.assert_frame_equal(small.run.measured, before)
    pd.testing.assert_frame_equal(small.run.cohort.cases, cases)


def test_a_plan_with_other_variants_gives_those(small):
    plan = dataclasses.replace(small.plan, tolerances_mm=(7.5,), union_cortices=(1,))
    found = sensitivity_results(dataclasses.replace(small, plan=plan))
    names = set(found["variant"])
    assert {"tolerance:7.5", "union_by_films:1"} <= names
    assert not {"tolerance:5", "union_by_films:3"} & names


# ---- unit of analysis


def test_walking_variants_are_those_of_the_results(results, demo_run):
    """The runs that results.csv holds already must not come out differently here."""
    there = demo_run.results
    there = there.loc[(there["group_by"] == "sensitivity") & (there["window"] == "all")]
    for variant in ("first_limb_only", "first_episode_of_each_patient"):
        row = there.loc[(there["group"] == variant) & (there["statistic"] == "median_time")].iloc[0]
        mine = one(results, TIME, "median_time", variant)
        for name in ("n", "missing", "value", "low", "high"):
            assert mine[name] == row[name]
    stopped = "stopped_or_exchanged_as_competing"
    row = there.loc[(there["group"] == stopped) & (there["statistic"] == "median_time")].iloc[0]
    assert one(results, TIME, "median_time", stopped)["value"] == row["value"]


def test_first_limb_by_a_slow_loop(demo_run):
    measured = demo_run.measured.sample(frac=1, random_state=3)  # the order of rows is no rule
    chosen = inputs.first_limb_cases(measured, gap_days=30)
    for _, mine in measured.groupby("patient_id"):
        ordered = mine.sort_values(["surgery_date", "case_id"])
        first, last, expected = ordered.iloc[0], ordered.iloc[0]["surgery_date"], set()
        for _, case in ordered.iterrows():
            if (case["surgery_date"] - last).days > 30:
                break
            last = case["surgery_date"]
            if case["side"] == first["side"] or case["case_id"] == first["case_id"]:
                expected.add(case["case_id"])
        assert set(mine.loc[chosen[mine.index], "case_id"]) == expected


def test_both_sides_on_one_day_take_the_first_case_id(cohort_of):
    text = CASES.replace("2025-01-11", "2025-01-01")
    cohort = cohort_of("2025-12-31", cases=text, radiographs=FILMS)
    measured = measure_cases(cohort).iloc[[1, 0, 2, 3]]
    chosen = inputs.first_limb_cases(measured, gap_days=30)
    assert list(measured.loc[chosen, "case_id"]) == ["A1", "B1", "C1"]


def test_a_limb_without_a_side_is_a_limb_of_its_own(cohort_of):
    text = CASES.replace("P1         right", "P1         -").replace("P1         left ", "P1  - ")
    measured = measure_cases(cohort_of("2025-12-31", cases=text, radiographs=FILMS))
    chosen = inputs.first_limb_cases(measured, gap_days=30)
    assert list(measured.loc[chosen, "case_id"]) == ["A1", "B1", "C1"]


def test_first_limb_shares_worked_by_hand(small):
    found = sensitivity_results(small)
    # within 5 mm: A1 40 of 42 yes, A2 40 of 48 no, B1 40 of 60 no, C1 not known
    name = ("gain_within_tolerance", "proportion_clustered")
    main, first = one(found, *name, "main"), one(found, *name, "first_limb_only")
    assert (main["value"], main["n"], main["missing"]) == (pytest.approx(1 / 3), 3, 1)
    assert (first["value"], first["n"], first["missing"]) == (pytest.approx(1 / 2), 2, 1)
    assert first["difference"] == pytest.approx(1 / 6)


# ---- missing data


def test_best_and_worst_case_worked_by_hand(small):
    found = sensitivity_results(small)
    name = ("gain_within_tolerance", "proportion_clustered")
    assert one(found, *name, "best_case")["value"] == pytest.approx(2 / 4)
    worst = one(found, *name, "worst_case")
    assert worst["value"] == pytest.approx(1 / 4)
    assert (worst["n"], worst["missing"]) == (4, 0)
    assert "taken as bad news: 1" in worst["note"]


def test_shares_by_a_day_worked_by_hand(small):
    # Episodes: P1 walks on day 130 (1 January to 11 May); P2 last seen waiting on day 89, lost;
    # P3 last seen waiting on day 31.
    found = sensitivity_results(small)
    expected = {90: (2 / 3, 0), 120: (2 / 3, 0), 180: (1, 1 / 3), 365: (1, 1 / 3)}
    for day, (best, worst) in expected.items():
        rows = [one(found, INCIDENCE, "reached_by", v, day) for v in ("best_case", "worst_case")]
        assert [row["value"] for row in rows] == [pytest.approx(best), pytest.approx(worst)]


def test_without_a_complications_table_no_bound_is_made_up(small):
    found = sensitivity_results(small)
    for variant in ("best_case", "worst_case"):
        row = one(found, "cases_with_complication", "proportion_clustered", variant)
        assert math.isnan(row["value"])
        assert "anything from 0 to 1" in row["note"]


def test_lost_cases_without_an_event_are_unknown_in_the_bounds(cohort_of):
    events = """
    complication_id case_id occurred_on origin      unplanned_operation
    K1              A1      2025-03-01  soft_tissue no
    """
    cohort = cohort_of("2025-12-31", cases=CASES, radiographs=FILMS, complications=events)
    found = sensitivity_results(series_of(cohort))
    name = ("cases_with_complication", "proportion_clustered")
    values = [one(found, *name, v)["value"] for v in ("main", "best_case", "worst_case")]
    assert values == [pytest.approx(1 / 4), pytest.approx(1 / 4), pytest.approx(2 / 4)]
    name = ("patients_with_complication", "proportion_clustered")
    values = [one(found, *name, v)["value"] for v in ("main", "best_case", "worst_case")]
    assert values == [pytest.approx(1 / 3), pytest.approx(1 / 3), pytest.approx(2 / 3)]


@pytest.mark.parametrize("name", ["gain_within_tolerance", "cases_with_complication"])
def test_no_way_to_fill_the_unknown_leaves_the_bounds(name):
    """Manski's bounds hold whatever the missing answers are: tried with 200 random fillings."""
    rng = np.random.default_rng(11)
    answer = pd.array([True] * 9 + [False] * 14 + [None] * 8, dtype="boolean")
    rows = pd.DataFrame({"answer": answer, "patient_id": [f"P{i // 2}" for i in range(31)]})
    part = Slice("all", "all", "all", rows)
    found = bounds.bound_rows(name, part, Settings(), statistic="proportion_clustered")
    ends = sorted(row["value"] for row in found.values())
    assert ends == [pytest.approx(9 / 31), pytest.approx(17 / 31)]
    good_is_yes = bounds.GOOD[name]
    assert (found["best_case"]["value"] == ends[1]) == good_is_yes
    for _ in range(200):
        filled = pd.Series(answer).fillna(pd.Series(rng.random(31) < 0.5)).mean()
        assert ends[0] - 1e-12 <= filled <= ends[1] + 1e-12


def test_the_incidence_lies_between_the_bounds_on_every_day(demo_run):
    table = bounds.episodes_watched(demo_run.cohort)
    table = table.loc[table["usable"]]
    curve = incidence_for(table, level=0.95)
    for day in range(30, 420, 30):
        answer = bounds.answer_on(table, day)
        low, high = answer.fillna(False).mean(), answer.fillna(True).mean()
        assert low - 1e-9 <= curve.at(day).value <= high + 1e-9


def test_the_dead_and_amputated_are_not_counted_as_walking_in_the_best_case():
    table = pd.DataFrame({"duration": [50.0, 60.0, 70.0, 200.0], "cause": [2, 0, 1, 0]})
    assert list(bounds.answer_on(table, 100)) == [False, pd.NA, True, False]


# ---- day 0


def test_healing_index_from_the_start_of_distraction(results, demo_run):
    cases = demo_run.cohort.cases
    gain = cases["achieved_gain_mm"].where(cases["achieved_gain_mm"] >= 10)
    days = (cases["union_date"] - cases["distraction_start_date"]).dt.days
    expected = (days / (gain / 10)).dropna()
    row = one(results, "healing_index_days_per_cm", "mean_clustered", "from_start_of_distraction")
    assert row["n"] == len(expected)
    assert row["value"] == pytest.approx(expected.mean(), rel=1e-12)


def test_time_to_union_from_the_start_against_an_outside_library(results, demo_run):
    times = time_table(demo_run.cohort, "time_to_union")
    cases = demo_run.cohort.cases.set_index("case_id")
    start = (cases["distraction_start_date"] - cases["surgery_date"]).dt.days
    times["start"] = times["case_id"].map(start)
    known = times.loc[times["start"].notna()]
    fitter = lifelines.KaplanMeierFitter().fit(
        (known["duration"] - known["start"]).clip(lower=0),
        known["observed"],
        entry=(known["entry"] - known["start"]).clip(lower=0),
    )
    row = one(results, "time_to_union", "median_time_clustered", "from_start_of_distraction")
    assert row["value"] == fitter.median_survival_time_
    assert (row["n"], row["missing"]) == (len(known), len(times) - len(known))


def test_an_episode_starts_with_its_first_distraction_by_hand(small):
    table = inputs.times_from_start(small.run.cohort, TIME)
    row = table.loc[table["patient_id"] == "P1"].iloc[0]
    assert row["duration"] == 130 - 5  # surgery on 1 January, distraction from 6 January
    assert table.loc[table["patient_id"] == "P3", "reason"].item() == "no_distraction_start"


# ---- definitions


@pytest.mark.parametrize("tolerance", [3.0, 5.0, 10.0])
def test_tolerance_by_a_plain_count(results, demo_run, tolerance):
    cases = demo_run.cohort.cases
    error = (cases["achieved_gain_mm"] - cases["planned_gain_mm"]).abs().dropna()
    row = one(results, "gain_within_tolerance", "proportion_clustered", f"tolerance:{tolerance:g}")
    assert row["n"] == len(error)
    assert round(row["value"] * row["n"]) == int((error <= tolerance + 1e-9).sum())


def test_union_by_films_worked_by_hand(small):
    rule = inputs.by_union_rule(small.run.cohort, 2)
    day = rule.cohort.cases.set_index("case_id")["union_date"]
    # A1: two cortices already on 10 February, during distraction, which does not count
    assert day["A1"] == pd.Timestamp("2025-04-01")
    assert day["A2"] == pd.Timestamp("2025-05-20")
    assert pd.isna(day["B1"])
    assert rule.unassessed == {"C1"}
    assert "earlier 1" in rule.words
    assert "same day 1" in rule.words
    table = inputs.times_by_union(rule, "time_to_union").set_index("case_id")
    assert list(table.loc[["A1", "A2", "B1"], "duration"]) == [90, 129, 68]
    assert list(table.loc[["A1", "A2", "B1"], "observed"]) == [True, True, False]
    assert table.loc["C1", "reason"] == inputs.NO_FILM


@pytest.mark.parametrize("cortices", [2, 3, 4])
def test_union_by_films_against_an_outside_library(results, demo_run, cortices):
    films = demo_run.cohort.tables["radiographs"].dropna(subset=["cortices_bridged"])
    rows = []
    for _, case in demo_run.cohort.cases.iterrows():
        mine = films.loc[films["case_id"] == case["case_id"]].sort_values("taken_on")
        mine = mine.loc[mine["taken_on"] >= case["surgery_date"]]
        if mine.empty:
            continue
        late = mine.loc[~(mine["taken_on"] < case["distraction_end_date"])]
        united = late.loc[late["cortices_bridged"] >= cortices, "taken_on"]
        short = mine.loc[mine["cortices_bridged"] < cortices, "taken_on"]
        end = united.min() if len(united) else short.max()
        entry = (case["entry_date"] - case["surgery_date"]).days
        rows.append(((end - case["surgery_date"]).days, bool(len(united)), entry))
    times = pd.DataFrame(rows, columns=["duration", "observed", "entry"])
    fitter = lifelines.KaplanMeierFitter().fit(
        times["duration"], times["observed"], entry=times["entry"]
    )
    variant = f"union_by_films:{cortices}"
    row = one(results, "time_to_union", "median_time_clustered", variant)
    assert row["value"] == fitter.median_survival_time_
    assert row["n"] == len(times)


def test_more_cortices_never_mean_an_earlier_union(results):
    values = [
        one(results, "time_to_union", "median_time_clustered", f"union_by_films:{k}")["value"]
        for k in (2, 3, 4)
    ]
    assert values == sorted(values)


def test_between_visits_is_not_later_than_the_day_first_seen(results):
    assert one(results, TIME, "median_time", "between_visits")["difference"] <= 0


def test_every_run_has_a_definition():
    assert set(DEFINITIONS) | {"union_by_films", "tolerance"} == set(QUESTIONS)
