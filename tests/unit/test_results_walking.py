"""Competing events, intervals and other definitions of full weight bearing, worked by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from audit.estimates.survival import survival_curve
from audit.pages import walking as pages
from audit.results import RESULT_COLUMNS
from audit.results.groups import windows_for
from audit.results.walking import (
    competing_rows,
    competing_times,
    incidence_for,
    incidence_quantile,
    interval_curve_for,
    sensitivity_rows,
)
from audit.results.walking_variants import SENSITIVITY, variant_tables

CASES = """
case_id patient_id side  segment device_class     surgery_date full_weight_bearing_date last_follow_up_date outcome_status outcome_date age_at_surgery_years planned_gain_mm
A1      P1         left  femur   lengthening_nail 2025-01-01   2025-04-11               2025-12-01          completed      2025-12-01 30 50
A2      P1         right femur   lengthening_nail 2025-01-11   2025-05-01               2025-12-01          completed      2025-12-01 30 50
A3      P1         left  tibia   lengthening_nail 2025-08-01   2025-09-30               2025-12-01          completed      2025-12-01 30 50
B1      P2         left  femur   lengthening_nail 2025-02-01   2025-07-01               2025-12-01          stopped_early  2025-03-03 30 50
C1      P3         left  tibia   lengthening_nail 2025-03-01   -                        2025-05-10          died           2025-05-20 30 50
"""


def times(rows: list[tuple[float, int, float]]) -> pd.DataFrame:
    """(duration, cause, ended) rows as a time table without late entry."""
    table = pd.DataFrame(rows, columns=["duration", "cause", "ended"])
    table["observed"] = table["cause"] == 1
    return table.assign(entry=0.0, reason=pd.NA)


def test_competing_example_worked_by_hand():
    # Five episodes: walking on day 50, death on day 80 (last seen waiting on day 40), walking on
    # day 100, waiting on day 110, walking on day 150.
    nan = np.nan
    table = times([(50, 1, nan), (40, 2, 80), (100, 1, nan), (110, 0, nan), (150, 1, nan)])
    curve = incidence_for(competing_times(table), level=0.95)
    # day 50: 1/5 walk; day 80: free of either 4/5 -> 3/5; day 100: 3/5 x 1/3 = 1/5 more
    assert curve.at(90).value == pytest.approx(1 / 5)
    assert curve.at(120).value == pytest.approx(2 / 5)
    # day 150: one left at risk, free before it 3/5 x 2/3 = 2/5, so 2/5 more
    assert curve.at(150).value == pytest.approx(4 / 5)
    assert incidence_quantile(curve, 0.5).value == 150
    assert incidence_quantile(curve, 0.25).value == 100
    # Kaplan-Meier with the death as censoring on day 40 overstates: day 100 is 1 - 3/4 x 2/3 = 1/2
    plain = survival_curve(table["duration"], table["observed"])
    assert 1 - plain.at(100).value == pytest.approx(1 / 2)


def test_a_quantile_that_competing_events_keep_out_of_reach_is_not_estimable():
    table = times([(50, 1, np.nan), (40, 2, 60), (40, 2, 70), (30, 2, 80)])
    found = incidence_quantile(incidence_for(competing_times(table), level=0.95), 0.5)
    assert found.value is None
    assert "25 % by the last follow-up" in found.note


def test_who_arrived_between_last_seen_waiting_and_death_is_at_risk_until_death():
    table = times([(40, 2, 80)]).assign(entry=60.0, reason="arrived_too_late")
    assert competing_times(table)["reason"].isna().all()


def test_visits_every_28_days_touch_and_do_not_shift_the_median():
    # (0, 28], (28, 56], (56, 84], (84, 112] with 2, 2, 3, 2 of 9: half lie in (56, 84]
    last_without = [0, 0, 28, 28, 56, 56, 56, 84, 84]
    table = times([(low + 28, 1, np.nan) for low in last_without]).assign(lower=last_without)
    table["lower"] = table["lower"].astype(float)
    table["upper"] = table["duration"].astype(float)
    curve = interval_curve_for(table, level=0.95)
    assert curve.median().value == 84  # closed intervals would say 112
    assert curve.quantile_interval(0.5) == (56, 84)
    assert survival_curve(table["duration"], table["observed"]).median().value == 84
    assert curve.at(84).value == pytest.approx(2 / 9)
    assert curve.at(70).value is None  # between two visits the curve is not fixed


def test_definitions_on_a_tiny_cohort(cohort_of):
    tables = variant_tables(cohort_of("2025-12-31", cases=CASES))
    # A1 and A2 lie 10 days apart: one episode, from 1 January to 1 May (120 days); A3 is a second
    main = tables["main"]
    assert main["duration"].tolist() == [120, 60, 150, 70]
    assert tables["first_episode_of_each_patient"]["duration"].tolist() == [120, 150, 70]
    # the left leg alone: 1 January to 11 April
    assert tables["first_limb_only"]["duration"].tolist() == [100, 150, 70]
    stopped = competing_times(tables["stopped_or_exchanged_as_competing"])
    assert stopped["cause"].tolist() == [1, 1, 2, 2]
    assert stopped["duration"].tolist() == [120, 60, 30, 80]  # 3 March; death on 20 May


def test_a_stop_after_full_weight_bearing_changes_nothing(cohort_of):
    later = CASES.replace("2025-03-03", "2025-07-02")
    stopped = variant_tables(cohort_of("2025-12-31", cases=later))[
        "stopped_or_exchanged_as_competing"
    ]
    assert stopped["cause"].tolist() == [1, 1, 1, 2]


def test_tiny_cohort_gives_the_incidence_rows(cohort_of):
    cohort = cohort_of("2025-12-31", cases=CASES)
    rows = pd.DataFrame(competing_rows(cohort, windows_for(None)))
    whole = rows.loc[rows["group_by"] == "all"]
    # days 60 (1/4), 80 (death), 120 and 150: by 90 days 1/4, by 120 days 2/4, by 180 days 3/4
    assert whole["value"].tolist() == pytest.approx([0.25, 0.5, 0.75, 0.75])
    assert whole["note"].str.split(";").str[0].tolist() == [
        f"by {day} days" for day in (90, 120, 180, 365)
    ]
    variants = pd.DataFrame(sensitivity_rows(cohort, windows_for(None)))
    assert set(variants["group"]) == set(SENSITIVITY)


def test_rows_stand_in_the_results_with_the_contract_columns(demo_run):
    results = demo_run.results
    assert list(results.columns) == RESULT_COLUMNS
    for measure, statistic in [
        ("incidence_of_full_weight_bearing", "reached_by"),
        ("time_to_full_weight_bearing_interval", "median_time"),
        ("time_to_full_weight_bearing_interval", "not_reached_at"),
        ("follow_up_days", "median_time"),
        ("follow_up_completeness_pct", "ratio_of_totals_clustered"),
        ("healing_index_days_per_cm", "effective_n"),
    ]:
        rows = results.loc[(results["measure"] == measure) & (results["statistic"] == statistic)]
        assert set(rows["window"]) == {"all", "quarter:2026Q3", "year_to:2026Q3"}
        assert (rows["value"].notna() | (rows["note"] != "")).all()
    shares = results.loc[results["measure"] == "follow_up_completeness_pct", "value"].dropna()
    assert shares.between(0, 100).all()


def test_clustered_times_have_the_value_of_their_plain_twin(demo_run):
    rows = demo_run.results.assign(day=demo_run.results["note"].str.split(";").str[0])
    twin = rows["statistic"].str.contains("time_clustered|reached_at_clustered|mean_clustered")
    twins = rows.loc[twin & rows["measure"].str.contains("time_|censored")].copy()
    twins["statistic"] = twins["statistic"].str.removesuffix("_clustered")
    key = ["measure", "statistic", "window", "group_by", "group", "day"]
    both = twins.merge(rows, on=key, suffixes=("", "_plain"))
    assert len(both) == len(twins) > 1000
    np.testing.assert_allclose(both["value"], both["value_plain"], rtol=1e-12)
    assert (both["n"] == both["n_plain"]).all()


@pytest.mark.parametrize(
    "show", ["show_competing", "show_interval", "show_sensitivity", "show_follow_up"]
)
def test_pages_show_their_tables(demo_run, show, capsys):
    getattr(pages, show)(demo_run)
