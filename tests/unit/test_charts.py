"""Control charts: what is drawn, what is withheld and why, and what the words say.

Minimum points, trial limits and phases: common practice of health-care charts, settable.
"""

from __future__ import annotations

import dataclasses
import datetime

import numpy as np
import pandas as pd
import pytest

from audit.estimates.charts import ChartSettings, Rebase, control_chart

STEADY = [5, 3, 6, 4, 5.5, 3.5, 4.5, 6.5, 3.2, 5.8, 4.1, 5.2, 3.9, 6.1, 4.4, 5.4]
SHIFTED = [*STEADY[:10], *[value + 8 for value in STEADY[:10]]]
DECISION = Rebase(
    first=11, decided_on=datetime.date(2025, 4, 1), cause="new drill", decided_by="audit lead"
)


def signalled(chart) -> list[int]:
    return chart.table.loc[chart.table["signal"] != "", "order"].tolist()


def has_note(chart, text: str) -> bool:
    return any(text in note for note in chart.notes)


# --- how many points

LIMIT_STATES = [(5, "withheld"), (6, "trial"), (12, "trial"), (13, "drawn")]


@pytest.mark.parametrize(("points", "state"), LIMIT_STATES)
def test_limits_by_number_of_points(points, state):
    chart = control_chart(STEADY[:points])
    assert chart.phases["limits"].tolist() == [state]
    assert chart.table["high"].notna().all() == (state != "withheld")
    assert has_note(chart, f"trial limits, {points} points") == (state == "trial")
    assert has_note(chart, "limits withheld: 5 points, 6 are needed") == (points == 5)


def test_under_six_points_the_centre_is_the_median():
    assert control_chart([1, 2, 30, 4]).table["centre"].tolist() == [3.0] * 4


def test_runs_tests_need_ten_points():
    rising = np.arange(1, 10)
    short = control_chart(rising, rules="national_4")
    assert not short.table["signal"].str.contains("in a row").any()
    assert has_note(short, "runs tests not done: 9 points, 10 are needed")
    longer = control_chart(np.arange(1, 11), rules="national_4")
    assert longer.table["signal"].str.contains("7 points in a row rising").all()


def test_minimum_points_are_settings():
    loose = ChartSettings(min_points_runs=7, min_points_limits=7)
    assert signalled(control_chart(np.arange(1, 9), rules="national_4", settings=loose))
    assert control_chart(STEADY[:6], settings=loose).phases["limits"].tolist() == ["withheld"]


# --- a shift


def test_shifted_series_gets_no_limits_and_says_why():
    chart = control_chart(SHIFTED)
    assert chart.table[["low", "high", "inner_low", "inner_high"]].isna().all(axis=None)
    assert has_note(chart, "limits withheld: the run chart shows a shift")
    assert signalled(chart) == list(range(1, 21))
    assert "unusually long run" in chart.table["signal"][0]


def test_shifted_series_keeps_limits_when_asked():
    chart = control_chart(SHIFTED, settings=ChartSettings(withhold="never"))
    assert chart.table["high"].notna().all()


def test_national_rules_draw_limits_over_a_shift():
    chart = control_chart(SHIFTED, rules="national_4")
    assert chart.table["high"].notna().all()
    assert "7 points in a row on one side of the centre line" in chart.table["signal"][3]


def test_limits_are_never_recomputed_without_a_decision():
    assert control_chart(SHIFTED, rules="national_4").table["phase"].unique().tolist() == [1]


def test_recorded_decision_breaks_the_lines():
    settings = ChartSettings(rebase=(DECISION,))
    chart = control_chart(SHIFTED, settings=settings)
    assert chart.phases[["first", "last"]].to_numpy().tolist() == [[1, 10], [11, 20]]
    assert np.diff(chart.phases["centre"]) == pytest.approx([8.0])
    assert not signalled(chart)
    assert has_note(chart, "phase 2: limits recomputed from point 11: new drill")


def test_short_new_phase_waits_for_its_limits():
    settings = ChartSettings(rebase=(DECISION,))
    chart = control_chart(SHIFTED[:14], rules="limits", settings=settings)
    assert chart.phases["limits"].tolist() == ["trial", "withheld"]
    assert chart.table.groupby("phase")["high"].count().tolist() == [10, 0]
    assert has_note(chart, "phase 2: limits withheld: 4 points, 6 are needed")


def test_phase_equals_its_own_chart():
    whole = control_chart(SHIFTED, settings=ChartSettings(rebase=(DECISION,)))
    later = control_chart(SHIFTED[10:]).table
    lines = ["value", "centre", "low", "high", "inner_low", "inner_high", "signal", "side"]
    second = whole.table[whole.table["phase"] == 2].reset_index(drop=True)
    pd.testing.assert_frame_equal(second[lines], later[lines])


def test_fixed_limits_judge_later_points():
    settings = ChartSettings(fix_after=10)
    chart = control_chart(SHIFTED, settings=settings)
    alone = control_chart(SHIFTED[:10])
    assert chart.table["high"].unique() == pytest.approx([alone.table["high"][0]])
    assert chart.table["used_for_limits"].sum() == 10
    assert set(range(11, 21)) <= set(signalled(chart))
    assert has_note(chart, "limits fixed on the first 10 points")
    assert not has_note(alone, "limits fixed")


# --- rules on the chart


def test_every_point_of_a_pattern_is_flagged():
    values = [5, 3, 5, 3, 4.6, 4.7, 4.8, 4.9, 5.0, 5.1, 5.2, 3, 5, 3]
    chart = control_chart(values, rules="national_4")
    rising = chart.table["signal"].str.contains("rising or falling")
    assert chart.table.loc[rising, "order"].tolist() == [4, 5, 6, 7, 8, 9, 10, 11]
    assert any("rising or falling: 4-11" in sentence for sentence in chart.signals)


def test_one_point_can_break_two_rules():
    values = [*[4, 6] * 8, 5.1, 5.2, 5.3, 5.4, 5.5, 5.6, 40]
    signal = control_chart(values, rules="national_4").table["signal"].iloc[-1]
    assert signal.split("; ")[0] == "point outside a limit"
    assert len(signal.split("; ")) > 1


def test_missing_point_neither_breaks_nor_joins():
    values = [4, 6, 4, 6, 4, 6, 4, 6, 9, 9.5, 9, None, 9.5, 9, 9.5, 9, 4]
    chart = control_chart(values, rules="national_4")
    without = control_chart([v for v in values if v is not None], rules="national_4")
    assert chart.n == 16 and chart.missing == 1
    assert chart.table["signal"][11] == "" and chart.table["side"][11] == ""
    assert "7 points in a row on one side" in chart.table["signal"][8]
    assert "7 points in a row on one side" in without.table["signal"][8]
    assert has_note(chart, "points without a value, passed over: 1")


def test_moving_ranges_do_not_span_a_gap():
    # Steps 1, 1, 1, 1, 1, 1 on both sides of the gap; 50 lies between them.
    chart = control_chart([1, 2, 1, 2, None, 52, 51, 52, 51], rules="limits")
    assert chart.phases["spread"].tolist() == [1.0]


def test_equal_neighbours_count_as_a_moving_range_of_zero():
    # Steps 0, 2, 0, 2, 0, 2, 0.
    chart = control_chart([1, 1, 3, 3, 1, 1, 3, 3], rules="limits")
    assert chart.phases["spread"].tolist() == [pytest.approx(6 / 7)]


def test_run_chart_has_a_median_and_no_limits():
    chart = control_chart(STEADY, rules="runs")
    assert chart.table["centre"].unique().tolist() == [float(np.median(STEADY))]
    assert chart.table["high"].isna().all()
    assert has_note(chart, "limits withheld: a run chart has none")


# --- kinds of number


def test_inner_lines_are_two_thirds_of_the_way():
    table = control_chart(STEADY, rules="limits").table
    reach = table["high"] - table["centre"]
    np.testing.assert_allclose(table["inner_high"] - table["centre"], reach * 2 / 3)
    np.testing.assert_allclose(table["centre"] - table["inner_low"], reach * 2 / 3)


def test_proportion_limits_follow_the_denominator_and_stop_at_zero():
    cases = [12, 15, 9, 20, 14, 11, 18, 13, 10, 16, 12, 14, 15]
    events = [1, 2, 1, 2, 1, 1, 2, 1, 1, 2, 1, 1, 2]
    chart = control_chart(events, cases, kind="proportion", rules="limits")
    share = sum(events) / sum(cases)
    expected = share + 3 * np.sqrt(share * (1 - share) / np.array(cases))
    np.testing.assert_allclose(chart.table["high"], expected)
    assert (chart.table["low"] == 0).all() and has_note(chart, "no lower limit")


def test_upper_limit_stops_at_one():
    events, cases = [8, 9, 8, 9, 9, 8, 9, 8], [9, 9, 9, 10, 10, 9, 9, 9]
    chart = control_chart(events, cases, kind="proportion", rules="limits")
    assert (chart.table["high"] == 1).all() and has_note(chart, "no upper limit")


def test_quarterly_proportion_carries_its_power():
    # 12 cases a quarter at 10 %: chance 0.073 to signal a doubling (exact binomial).
    chart = control_chart([1, 1, 1, 2, 1, 1, 1, 1, 1, 2], [12] * 10, kind="proportion")
    events = 12 / 120
    assert chart.table["centre"][0] == pytest.approx(events)
    assert has_note(chart, "a period of 12 cases would signal a doubling of the share from 10%")
    assert has_note(chart, "with a chance of 0.07")


def test_power_of_a_high_share_is_that_of_its_mirror():
    high = control_chart([11, 11, 11, 10, 11, 11, 11, 11, 11, 10], [12] * 10, kind="proportion")
    assert has_note(high, "doubling of the share without it from 10% with a chance of 0.07")


def test_quarter_without_cases_keeps_its_row():
    chart = control_chart([3, 0, 4, 3, 5, 4, 3], [9, 0, 10, 9, 11, 10, 9], kind="proportion")
    assert chart.missing == 1 and len(chart.table) == 7
    assert chart.table.loc[1, ["value", "high"]].isna().all()


@pytest.mark.parametrize(("events", "reason"), [(0, "no event"), (9, "every case")])
def test_no_limits_without_variation(events, reason):
    chart = control_chart([events] * 12, [9] * 12, kind="proportion", rules="limits")
    assert chart.table["high"].isna().all() and has_note(chart, f"limits withheld: {reason}")


def test_equal_values_have_no_limits():
    chart = control_chart([4] * 12, rules="limits")
    assert has_note(chart, "no variation between neighbouring points")
    assert not signalled(chart)


def test_equal_shares_have_no_observed_spread():
    settings = ChartSettings(dispersion="laney")
    chart = control_chart([2] * 8, [10] * 8, kind="proportion", rules="limits", settings=settings)
    assert has_note(chart, "no variation between neighbouring points")


def test_days_between_refuses_limits_for_events_on_one_day():
    chart = control_chart([20, 31, 0, 44, 12, 60, 25], kind="days_between", rules="limits")
    assert chart.table["high"].isna().all() and has_note(chart, "events on the same day")


def test_few_events_point_to_a_chart_of_gaps():
    chart = control_chart([3, 2, 4, 3, 3, 2, 4, 3], kind="count")
    assert has_note(chart, "3.0 events a period, about 5 are needed")
    assert not has_note(control_chart([9, 8, 7, 9, 8, 7, 9, 8], kind="count"), "are needed: chart")


def test_mostly_zero_counts_run_no_runs_tests():
    chart = control_chart([0] * 13 + [1] * 12, [9] * 25, kind="proportion")
    assert has_note(chart, "more than half of the points are zero")
    assert chart.table["high"].notna().all()
    assert not chart.table["signal"].str.contains("run").any()


# --- the gate


def test_callers_table_is_not_modified_and_types_do_not_matter():
    frame = pd.DataFrame({"events": [1, 2, None, 3, 2, 1, 2], "cases": [9, 9, 8, 9, 10, 9, 9]})
    nullable = frame.convert_dtypes()
    kept = nullable.copy(deep=True)
    first = control_chart(frame["events"], frame["cases"], kind="proportion")
    second = control_chart(nullable["events"], nullable["cases"], kind="proportion")
    pd.testing.assert_frame_equal(first.table, second.table)
    pd.testing.assert_frame_equal(nullable, kept)


def test_nothing_known_gives_a_table_and_a_reason():
    chart = control_chart([None, None, None])
    assert chart.n == 0 and chart.missing == 3
    assert has_note(chart, "limits withheld: 0 points, 6 are needed")


BAD_INPUT = {
    "unknown kind": ({"kind": "pareto"}, "kind must be one of .*individual.*'pareto'"),
    "unknown rules": ({"rules": "all"}, "rules must be one of .*national_4.*'all'"),
    "missing denominators": ({"kind": "proportion"}, "needs denominators"),
    "screened counts": (
        {"kind": "count", "settings": ChartSettings(screening="moving_ranges")},
        "screening of moving ranges is for",
    ),
    "laney of values": ({"settings": ChartSettings(dispersion="laney")}, "'laney' is for"),
    "rebase after the end": (
        {"settings": ChartSettings(rebase=(DECISION,))},
        "after the last point",
    ),
}


@pytest.mark.parametrize("name", BAD_INPUT)
def test_refused_choices(name):
    options, message = BAD_INPUT[name]
    with pytest.raises(ValueError, match=message):
        control_chart([4, 6, 5], **options)


@pytest.mark.parametrize(
    ("values", "sizes", "message"),
    [
        ([1, 977], [9, 9], "counts above their cases at positions 2"),
        ([1, -977], [9, 9], "must not be negative; positions 2"),
        ([1, 977.5], [9, 1000], "whole numbers; positions 2"),
        ([1, np.inf], [9, 9], "must be finite"),
        ([1, "977"], [9, 9], "must be numbers"),
        ([1], [9, 9], "same length"),
        ([], [], "no point"),
    ],
)
def test_refused_numbers_name_the_place_and_never_the_value(values, sizes, message):
    with pytest.raises(ValueError, match=message) as caught:
        control_chart(values, sizes, kind="proportion")
    assert "977" not in str(caught.value)


def test_columns_with_different_indexes_are_refused():
    with pytest.raises(ValueError, match="same index"):
        control_chart(pd.Series([1, 2]), pd.Series([9, 9], index=[5, 6]), kind="proportion")


@pytest.mark.parametrize("lost", ["cause", "decided_by", "decided_on"])
def test_rebase_needs_date_cause_and_decider(lost):
    parts = {"decided_on": datetime.date(2025, 4, 1), "cause": "x", "decided_by": "lead"}
    empty = None if lost == "decided_on" else " "
    with pytest.raises(ValueError, match=f"needs {lost}"):
        Rebase(first=8, **{**parts, lost: empty})


def test_rebase_decisions_must_be_in_order():
    earlier = dataclasses.replace(DECISION, first=6)
    with pytest.raises(ValueError, match="time order"):
        ChartSettings(rebase=(DECISION, earlier))


@pytest.mark.parametrize(
    ("option", "message"),
    [
        ({"screening": "on"}, "screening must be one of .*'on'"),
        ({"individual_factor": "3"}, "individual_factor must be one of"),
        ({"withhold": "always"}, "withhold must be one of"),
        ({"fix_after": 3}, "fix_after must be 6"),
        ({"min_points_limits": 1}, "must be 2 or more"),
        ({"centre": "mode"}, "centre must be one of .*'mode'"),
    ],
)
def test_settings_are_closed_lists(option, message):
    with pytest.raises(ValueError, match=message):
        ChartSettings(**option)


# --- ends of the scale, and how much a chart can show


def test_mostly_full_shares_run_no_runs_tests():
    chart = control_chart([9] * 12 + [8, 7] * 4, [9] * 20, kind="proportion")
    assert "more than half of the points are 100 %" in chart.phases["no_runs"][0]
    assert chart.table["high"].notna().all()
    assert not chart.table["signal"].str.contains("run|crossings").any()


def test_gaps_of_no_case_run_no_runs_tests():
    # Where most cases have the event, most gaps are 0, and no point can be below a line at 0.
    mostly = control_chart([0] * 14 + [1, 2] * 6, kind="cases_between")
    assert "more than half of the points are zero" in mostly.phases["no_runs"][0]
    half = control_chart([0, 0, 1] * 8, kind="cases_between", settings=ChartSettings(fix_after=12))
    assert half.phases["no_runs"][0]
    line = control_chart(
        [0, 0, 0, 1, 0, 0, 2, 1, 3, 2, 1, 4, 2, 3, 1], kind="cases_between",
        settings=ChartSettings(fix_after=6),
    )  # fmt: skip
    assert line.phases["no_runs"][0] == "the centre line lies at zero, so no point can be below it"
    assert not line.table["signal"].str.contains("run|crossings").any()


def test_advice_is_part_of_the_notes_and_the_phases_say_what_was_not_done():
    chart = control_chart([1, 1, 1, 2, 1, 1, 1, 1, 1, 2], [12] * 10, kind="proportion")
    assert len(chart.advice) == 2
    assert chart.notes[-2:] == chart.advice
    short = control_chart(STEADY[:5])
    assert short.phases["withheld"][0] == "5 points, 6 are needed"
    assert short.advice == ()


def test_the_median_can_be_the_centre_of_single_values_and_limits_stay():
    skewed = [3, 4, 3, 5, 4, 3, 20, 4, 5, 3, 4, 25, 3, 4, 5, 3]
    mean, median = (
        control_chart(skewed, rules="limits", settings=ChartSettings(centre=centre))
        for centre in ("mean", "median")
    )
    assert mean.table["centre"][0] == pytest.approx(np.mean(skewed))
    assert median.table["centre"][0] == np.median(skewed)
    pd.testing.assert_frame_equal(mean.table[["low", "high"]], median.table[["low", "high"]])
    gaps = control_chart(skewed, kind="days_between", settings=ChartSettings(centre="median"))
    # the middle of two equal powers is that of the values
    assert gaps.table["centre"][0] == pytest.approx(4.0)
    assert "median as centre line" in gaps.method
