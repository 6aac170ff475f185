"""Which cases are in a point of a chart, worked by hand, and held to the table of standards."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from audit.criteria import AcceptedReason
from audit.monitoring.cases import answers_for
from audit.monitoring.series import monitor, series_for
from audit.monitoring.settings import MonitoringSettings
from audit.standards import case_states, judge_standards
from tests.unit.monitoring_service import (
    DAY,
    MEAN,
    MISSED,
    RATE,
    WALKING,
    by_quarter,
    case,
    cohort,
    criterion,
    event,
)

COLUMNS = ["point", "count", "n", "missing", "not_yet_due"]
SHORT = MonitoringSettings(window_quarters=4, recent_quarters=2)


def rows_of(series, columns=COLUMNS) -> list[list]:
    return series.points[columns].to_numpy().tolist()


# --- shares by quarter

# 2025Q1: met, missed, and a gain that nobody wrote down. 2025Q2: nobody. 2025Q3: one met, due on
# 30 September with 90 days (ended 2 July), one met that ended on 3 July: not yet due.
CASES = [
    case(1, "2025-02-01"),
    case(2, "2025-03-31", MISSED),
    case(3, "2025-03-31", None),
    case(4, "2025-07-02"),
    case(5, "2025-07-03"),
    case(6, "2025-02-03", device_class="circular_fixator"),
]
NAILS = {"device_class": ("lengthening_nail",), "matures_after_days": 90}


def test_quarters_count_what_is_due_and_leave_gaps():
    found = series_for(*cohort(CASES, "2025-09-30"), criterion(**NAILS), settings=SHORT)
    assert rows_of(found) == [
        ["2024Q4", 0, 0, 0, 0],
        ["2025Q1", 1, 2, 1, 0],
        ["2025Q2", 0, 0, 0, 0],
        ["2025Q3", 1, 1, 0, 1],
    ]
    values = found.points["value"]
    np.testing.assert_array_equal(values, [np.nan, 0.5, np.nan, 1.0])
    assert "not yet due, left out: 1" in found.notes
    assert "due, but not known: 1" in found.notes
    assert "3 cases of 3 patients; limits take them as independent" in found.notes


def test_a_case_taken_in_on_the_last_day_counts_and_one_a_day_later_is_not_there():
    cases = [case(1, "2025-06-30"), case(2, "2025-07-01")]
    found = series_for(*cohort(cases, "2025-08-31"), criterion(), settings=SHORT)
    assert found.quarter == pd.Period("2025Q2")
    assert found.points["n"].tolist() == [0, 0, 0, 1]


def test_the_index_date_decides_the_quarter():
    by_surgery = criterion(index_date="surgery_date")
    found = series_for(*cohort([case(1, "2025-01-10")], "2025-03-31"), by_surgery, settings=SHORT)
    assert found.points.set_index("point")["n"].to_dict()["2024Q4"] == 1
    assert found.plan.chart_name == "P chart by quarter of surgery"


def test_children_and_adults():
    cases = [case(1, "2025-02-01", age_at_surgery_years=17.9), case(2, "2025-02-01")]
    for age, ids in (("child", ["C001"]), ("adult", ["C002"]), ("any", ["C001", "C002"])):
        rows = answers_for(*cohort(cases, "2025-03-31"), criterion(age=age)).rows
        assert rows["unit_id"].tolist() == ids


# --- a median time at its target day: 100 days after surgery

SURGERY = pd.Timestamp("2025-01-06")


def walking_case(number: int, day: int | None, **changes) -> dict:
    """Operated on 6 January 2025, full weight bearing so many days later."""
    reached = None if day is None else (SURGERY + day * DAY).date()
    return case(
        number,
        SURGERY + 50 * DAY,
        full_weight_bearing_date=reached,
        last_follow_up_date=(SURGERY + (day or 150) * DAY).date(),
        **changes,
    )


WALKERS = {
    "on the day itself": (walking_case(1, 100), 1),
    "a day later": (walking_case(2, 101), 0),
    "long before": (walking_case(3, 80), 1),
}


@pytest.mark.parametrize("name", WALKERS)
def test_walking_by_the_target_day(name):
    row, expected = WALKERS[name]
    rows = answers_for(*cohort([row], "2025-12-31"), criterion(**WALKING)).rows
    assert rows["value"].tolist() == [expected]


@pytest.mark.parametrize(
    ("seen", "expected"), [(99, None), (100, 0), (140, 0)], ids=["before", "on", "after"]
)
def test_waiting_is_known_from_an_assessment_on_or_after_the_day(seen, expected):
    loads = [{"case_id": "C001", "assessed_on": (SURGERY + seen * DAY).date(), "load": "partial"}]
    built = cohort([walking_case(1, None)], "2025-12-31", weight_bearing=loads)
    value = answers_for(*built, criterion(**WALKING)).rows["value"].iloc[0]
    assert np.isnan(value) if expected is None else value == expected


def test_unknown_states_are_counted_and_said():
    loads = [{"case_id": "C001", "assessed_on": (SURGERY + 60 * DAY).date(), "load": "partial"}]
    cases = [walking_case(1, None), walking_case(2, 80)]
    built = cohort(cases, "2025-12-31", weight_bearing=loads)
    found = series_for(*built, criterion(**WALKING), settings=SHORT)
    assert ["2025Q1", 1, 1, 1, 0] in rows_of(found)
    assert "due, but not known: 1" in found.notes
    assert (found.plan.target, found.plan.direction) == (0.5, "at_least")
    assert found.plan.title == "Full weight bearing within 100 days"


def test_an_episode_is_due_when_the_target_day_has_come():
    for cutoff, due in (("2025-04-15", False), ("2025-04-16", True)):
        rows = answers_for(*cohort([walking_case(1, 80)], cutoff), criterion(**WALKING)).rows
        assert rows["due"].tolist() == [due]


def test_death_before_the_day_is_a_no_and_said():
    died = {"outcome_status": "died", "outcome_date": (SURGERY + 70 * DAY).date()}
    row = walking_case(1, None) | died
    row["last_follow_up_date"] = died["outcome_date"]
    answers = answers_for(*cohort([row], "2025-12-31"), criterion(**WALKING))
    assert answers.rows["value"].tolist() == [0]
    assert answers.notes == ("death or amputation by then, counted as no: 1",)


def test_a_case_taken_over_in_mid_treatment_is_left_out_and_said():
    row = walking_case(1, 130) | {"arrival_date": (SURGERY + 60 * DAY).date()}
    answers = answers_for(*cohort([row], "2025-12-31"), criterion(**WALKING))
    assert answers.rows.empty
    assert answers.notes == ("taken over in mid-treatment, left out: 1",)


def test_both_legs_at_once_are_one_episode():
    other = walking_case(2, 120) | {"patient_id": "P001", "side": "right"}
    rows = answers_for(
        *cohort([walking_case(1, 80), other], "2025-12-31"), criterion(**WALKING)
    ).rows
    assert rows["value"].tolist() == [0]  # walking from the later of the two days


# --- rates: quarters, or gaps between events


def busy_service(events_a_case: int) -> tuple:
    cases = by_quarter([(4, 4)] * 8)
    events = [
        event(10 * place + each, one["case_id"], one["surgery_date"] + (5 + each) * DAY)
        for place, one in enumerate(cases)
        for each in range(events_a_case)
    ]
    return cohort(cases, "2023-06-30", complications=events)


def test_a_rate_with_five_events_a_quarter_is_charted_by_quarter():
    found = series_for(*busy_service(2), criterion(**RATE), settings=SHORT)
    assert (found.plan.letter, found.plan.switched) == ("U", "")
    assert found.points["value"].dropna().unique().tolist() == [200.0]  # 8 events in 4 cases
    assert found.plan.target == 50


def test_three_events_a_quarter_switch_to_days_between_and_say_so():
    cases = by_quarter([(3, 3)] * 8)
    events = [
        event(i, one["case_id"], one["surgery_date"] + 5 * DAY) for i, one in enumerate(cases)
    ]
    found = series_for(
        *cohort(cases, "2023-06-30", complications=events), criterion(**RATE), settings=SHORT
    )
    assert found.plan.letter == "T"
    assert "not charted by quarter: 3.0 events a period, about 5 are needed" in found.notes
    assert (found.plan.target, found.plan.direction) == (None, "at_least")
    assert found.capable.reason == "the target is not in the unit of this chart"


def test_days_between_by_hand():
    # Days with an event: 1 March, 11 March (two), 15 April; then nothing up to 30 June.
    cases = [case(1, "2025-04-01"), case(2, "2025-04-01")]
    events = [
        event(1, "C001", "2025-03-01"),
        event(2, "C001", "2025-03-11"),
        event(3, "C002", "2025-03-11"),
        event(4, "C002", "2025-04-15"),
    ]
    cases = [one | {"last_follow_up_date": "2025-05-01"} for one in cases]
    found = series_for(
        *cohort(cases, "2025-06-30", complications=events), criterion(**RATE), settings=SHORT
    )
    assert rows_of(found, ["point", "value", "count"]) == [
        ["2025-03-11", 10.0, 2.0],
        ["2025-04-15", 35.0, 1.0],
    ]
    assert "days with more than one event, each one point: 1" in found.notes
    assert "since the last event: 76 days, up to 2025-06-30" in found.notes


def test_cases_between_by_hand():
    # In order of surgery: no, YES, no, no, YES, no: two cases between, one since.
    cases = [case(i, pd.Timestamp("2025-02-20") + i * DAY) for i in range(1, 7)]
    events = [event(1, "C002", "2025-02-01"), event(2, "C005", "2025-02-01")]
    settings = dataclasses.replace(SHORT, rare_chart="cases_between")
    found = series_for(
        *cohort(cases, "2025-03-31", complications=events), criterion(**RATE), settings=settings
    )
    assert found.plan.letter == "G"
    assert rows_of(found, ["point", "value"]) == [["C005", 2.0]]
    assert "since the last case with an event: 1 cases" in found.notes


def test_without_a_complications_table_nothing_is_known():
    found = series_for(*cohort(by_quarter([(4, 4)] * 4), "2022-03-31"), criterion(**RATE))
    assert found.chart is None
    assert found.reason == "no case is due and has an answer"
    assert found.change.answer == "cannot tell"
    assert found.power.chance is None


# --- single values


def test_single_cases_in_order_of_index_day_ties_by_id():
    united = [("C002", "2025-06-01"), ("C001", "2025-06-01"), ("C003", "2025-05-01")]
    cases = [
        case(int(name[1:]), "2025-03-01", union_date=day, last_follow_up_date="2025-06-20")
        for name, day in united
    ]
    found = series_for(*cohort(cases, "2025-06-30"), criterion(**MEAN), settings=SHORT)
    assert found.points["point"].tolist() == ["C003", "C001", "C002"]
    # Surgery on 10 January, 40 mm gained: 111 and 142 days over 4 cm.
    assert found.points["value"].tolist() == [111 / 4, 142 / 4, 142 / 4]


# --- accepted exceptions


def test_an_exception_takes_a_miss_out_of_a_share_and_is_counted():
    stopped = {"outcome_status": "stopped_early", "outcome_date": "2025-02-20"}
    cases = [
        case(1, "2025-02-01", MISSED, **stopped),
        case(2, "2025-02-01", **stopped),
        case(3, "2025-02-01", MISSED),
    ]
    reason = AcceptedReason(column="outcome_status", codes=("stopped_early",), words="stopped")
    answers = answers_for(*cohort(cases, "2025-03-31"), criterion(exceptions=(reason,)))
    assert answers.rows["unit_id"].tolist() == ["C002", "C003"]
    assert answers.notes == ("accepted exceptions of all time, left out: 1",)


# --- what cannot be charted


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (RATE | {"measure": "falls_per_100_cases"}, "no chart of falls_per_100_cases"),
        (MEAN | {"measure": "nothing"}, "no measure is called nothing"),
        (
            WALKING | {"measure": "healing_index_censored_days_per_cm"},
            "healing_index_censored_days_per_cm is no time in days",
        ),
    ],
)
def test_what_cannot_be_charted_says_why(change, reason):
    found = series_for(*cohort(CASES, "2025-09-30"), criterion(**change), settings=SHORT)
    assert found.chart is None
    assert reason in found.reason


# --- held to the table of standards, another route to the same cases


EXCEPTIONS = (
    (),
    (AcceptedReason(column="outcome_status", codes=("stopped_early",), words="stopped"),),
    (AcceptedReason(column="aetiology", codes=("congenital",), words="born with it"),),
)


@pytest.mark.parametrize("exceptions", EXCEPTIONS, ids=["none", "stopped", "congenital"])
def test_the_cases_are_those_of_the_table_of_standards(demo_run, exceptions):
    cohort, measured = demo_run.cohort, demo_run.measured
    criteria = [
        dataclasses.replace(one, exceptions=exceptions) for one in demo_run.register.criteria
    ]
    table = judge_standards(cohort, measured, criteria, None).set_index("criterion")
    compared = set()
    for one in criteria:
        if one.statistic == "median_time":
            continue
        rows = answers_for(cohort, measured, one).rows
        known = rows.loc[rows["due"] & rows["value"].notna()]
        expected = table.loc[one.id]
        assert len(known) == expected["n"], one.id
        scale = 100 if one.statistic == "rate" else 1
        assert known["value"].mean() * scale == pytest.approx(expected["value"]), one.id
        compared.add(one.statistic)
    assert compared == {"proportion", "mean", "rate"}


@pytest.mark.parametrize("exceptions", EXCEPTIONS, ids=["none", "stopped", "congenital"])
def test_who_walks_by_the_target_day_as_in_the_states_of_the_standards(demo_run, exceptions):
    cohort, measured = demo_run.cohort, demo_run.measured
    walking = next(c for c in demo_run.register.criteria if c.statistic == "median_time")
    walking = dataclasses.replace(walking, exceptions=exceptions)
    states = case_states(cohort, measured, [walking]).set_index("unit_id")
    rows = answers_for(cohort, measured, walking).rows.set_index("unit_id")
    assert states.loc[rows.index, "excused"].isna().all()
    due = rows.loc[rows["due"]]
    words = due["value"].map({1.0: "met", 0.0: "not met"})
    known = words.dropna()
    assert (states.loc[known.index, "state"] == known).all()
    assert len(known) > 50
    # the other way round: everyone whose state is known, but for those taken over
    left = states.loc[states["state"].isin(["met", "not met"]) & states["excused"].isna()]
    assert len(set(left.index) - set(known.index)) <= 2


def test_the_points_add_up_to_the_answers(demo_run):
    settings = MonitoringSettings(window_quarters=200)
    found = monitor(
        demo_run.cohort,
        demo_run.measured,
        demo_run.register.criteria,
        quarter=demo_run.quarter,
        settings=settings,
    )
    for series in found:
        rows = answers_for(demo_run.cohort, demo_run.measured, series.criterion).rows
        known = rows.loc[rows["due"] & rows["value"].notna()]
        if series.plan.kind == "proportion":
            totals = series.points[["count", "n", "missing", "not_yet_due"]].sum().tolist()
            assert totals[:2] == [known["value"].sum(), len(known)]
            assert sum(totals[1:]) == len(rows)
        elif series.plan.kind == "individual":
            assert series.points["value"].tolist() == known["value"].tolist()


def test_the_share_walking_by_the_target_day_is_near_the_curve(demo_run):
    # One minus Kaplan-Meier at the day, where nearly all states are known.
    walking = next(c for c in demo_run.register.criteria if c.statistic == "median_time")
    from audit.results.times import curve_for, time_table

    table = time_table(demo_run.cohort, walking.measure)
    table = table.loc[
        table["device_class"].isin(walking.device_class) & table["segment"].isin(walking.segment)
    ]
    curve = 1 - curve_for(table, unit="days", level=0.95).at(walking.target).value
    series = series_for(demo_run.cohort, demo_run.measured, walking, quarter=demo_run.quarter)
    totals = series.points[["count", "n"]].sum()
    assert totals["count"] / totals["n"] == pytest.approx(curve, abs=0.04)


def test_the_callers_tables_are_not_changed(demo_run):
    before = demo_run.measured.copy()
    events = demo_run.cohort.tables["complications"].copy()
    monitor(
        demo_run.cohort, demo_run.measured, demo_run.register.criteria, quarter=demo_run.quarter
    )
    pd.testing.assert_frame_equal(demo_run.measured, before)
    pd.testing.assert_frame_equal(demo_run.cohort.tables["complications"], events)
