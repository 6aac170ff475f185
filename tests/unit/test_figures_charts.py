"""Charts over time, funnels, pairs of curves and promises: drawn as the estimators found them.

Charts: signals are told by shape and words, a target is not a limit (common practice of
health-care charts). Product-limit against interval-censored reading: Turnbull 1976, J R Stat Soc B
38:290-295. Competing events: 1 minus Kaplan-Meier overstates (Aalen & Johansen 1978, Scand J Stat
5:141-150).
"""

from __future__ import annotations

import datetime

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest

from audit import figures
from audit.estimates.charts import ChartSettings, Rebase, control_chart
from audit.estimates.competing import cumulative_incidence
from audit.estimates.funnel import funnel_limits, funnel_positions
from audit.estimates.interval_survival import interval_survival_curve
from audit.estimates.survival import survival_curve

STEADY = [5, 3, 6, 4, 5.5, 3.5, 4.5, 6.5, 3.2, 5.8, 4.1, 5.2, 3.9, 6.1, 4.4, 5.4]
LIMITS = {"rules": "limits"}


def texts(figure) -> str:
    found = " ".join(text.get_text() for text in figure.findobj(mpl.text.Text))
    return " ".join(found.replace("\N{NO-BREAK SPACE}", " ").split())


def marked(axis, marker: str) -> list[tuple[float, float]]:
    lines = [line for line in axis.lines if line.get_marker() == marker]
    return [tuple(point) for line in lines for point in line.get_xydata()]


def chart_lines(axis) -> list[np.ndarray]:
    return [patch.get_data().values for patch in axis.patches if hasattr(patch, "get_data")]


# --- a chart over time


def test_points_and_lines_are_those_of_the_chart():
    chart = control_chart(STEADY, **LIMITS)
    axis = figures.chart_over_time(chart, title="Healing index", unit="days/cm").axes[0]
    assert marked(axis, "o") == list(zip(range(1, 17), STEADY, strict=True))
    for name, drawn in zip(("centre", "low", "high"), chart_lines(axis), strict=True):
        np.testing.assert_allclose(drawn, chart.table[name])
    assert axis.get_ylabel() == "Healing index (days/cm)"


def test_signals_are_told_by_shape_and_in_words():
    chart = control_chart([*STEADY, 30.0], **LIMITS)
    figure = figures.chart_over_time(chart, title="Healing index", unit="days/cm")
    signals = chart.table.loc[chart.table["signal"] != ""]
    assert len(signals) > 0
    assert marked(figure.axes[0], "D") == list(zip(signals["order"], signals["value"], strict=True))
    assert "signal; cause to be found" in texts(figure)


def test_the_target_is_a_line_of_its_own_with_its_name():
    chart = control_chart(STEADY, **LIMITS)
    figure = figures.chart_over_time(chart, title="Healing index", unit="days/cm", target=4.2)
    flat = [line for line in figure.axes[0].lines if set(line.get_ydata()) == {4.2}]
    assert len(flat) == 1
    assert "target 4.2" in texts(figure)
    assert not any(np.isclose(line, 4.2).any() for line in chart_lines(figure.axes[0]))


def test_limits_withheld_are_not_drawn_and_the_reason_is():
    chart = control_chart([*STEADY[:10], *[value + 8 for value in STEADY[:10]]])
    figure = figures.chart_over_time(chart, title="Healing index", unit="days/cm")
    _, low, high = chart_lines(figure.axes[0])
    assert np.isnan([*low, *high]).all()
    assert "Limits withheld" in texts(figure)


def test_shares_are_in_per_cent_with_their_cases_and_no_limit_at_the_end_of_the_scale():
    events, cases = [9, 10, 7, 11, 10, 8, 12, 9], [10, 12, 9, 11, 12, 10, 12, 11]
    chart = control_chart(events, cases, kind="proportion", **LIMITS)
    quarters = [f"2025Q{i}" for i in range(1, 9)]
    figure = figures.chart_over_time(
        chart, title="Within tolerance", unit="%", periods=quarters, target=0.85
    )
    axis = figure.axes[0]
    assert axis.get_ylabel() == "Within tolerance (%)"
    assert (chart.table["high"] == 1).all()
    assert np.isnan(chart_lines(axis)[2]).all()
    said = texts(figure)
    assert "no upper limit" in said
    assert "target 85%" in said
    assert [text.get_text() for text in axis.texts if text.get_text() in map(str, cases)] == [
        str(size) for size in cases
    ]
    assert set(tick.get_text() for tick in axis.get_xticklabels()) <= set(quarters)


def test_lines_break_at_a_recorded_decision():
    decision = Rebase(
        first=9, decided_on=datetime.date(2025, 1, 1), cause="new drill", decided_by="audit lead"
    )
    chart = control_chart(STEADY, settings=ChartSettings(rebase=(decision,)), **LIMITS)
    figure = figures.chart_over_time(chart, title="Healing index", unit="days/cm")
    assert len(chart_lines(figure.axes[0])) == 6
    assert "new drill" in texts(figure)
    assert "trial upper limit" in texts(figure)


def test_a_missing_point_is_a_gap_and_is_counted():
    chart = control_chart([*STEADY[:5], np.nan, *STEADY[5:]], **LIMITS)
    figure = figures.chart_over_time(chart, title="Healing index", unit="days/cm")
    assert "16 points with a value, 1 without" in texts(figure)
    line = figure.axes[0].lines[0]
    assert np.isnan(line.get_ydata()[5])


def test_periods_must_be_one_a_point():
    with pytest.raises(ValueError, match="periods must be one a point: 16 points, got 2"):
        figures.chart_over_time(
            control_chart(STEADY), title="Index", unit="days/cm", periods=["a", "b"]
        )


@pytest.mark.parametrize("values", [[np.nan, np.nan], [3.0]])
def test_no_point_and_one_point(values):
    chart = control_chart(values)
    figure = figures.chart_over_time(chart, title="Index", unit="days/cm")
    assert ("no period has a value" in texts(figure)) == bool(np.isnan(values[0]))


def test_the_words_of_the_chart():
    said = figures.chart_over_time_alt(
        control_chart(STEADY, **LIMITS), title="Healing index", unit="days/cm", target=4
    )
    mean = f"{np.mean(STEADY):.1f}"
    assert said.startswith("Healing index over 16 points, last 5.4 days/cm")
    assert f"centre line {mean} days/cm, target 4.0 days/cm. No signal." in said


# --- a funnel

EVENTS, SIZES = [3, 9, 2, 14, 6], [30, 60, 45, 66, 12]
POSITIONS = funnel_positions(EVENTS, SIZES, limits=funnel_limits(0.12, SIZES))
FUNNEL_WORDS = {"share_label": "Cases with an unplanned operation"}


def draw_funnel(positions=POSITIONS):
    limits = funnel_limits(0.12, np.arange(5, 81))
    return figures.funnel(limits, positions, title="Unplanned operations", **FUNNEL_WORDS)


def test_units_stand_at_their_size_and_flags_have_a_shape():
    axis = draw_funnel().axes[0]
    drawn = sorted(marked(axis, "o") + marked(axis, "D"))
    assert drawn == sorted((n, e / n) for e, n in zip(EVENTS, SIZES, strict=True))
    flagged = POSITIONS.table.loc[POSITIONS.table["flag"] != "", "size"]
    assert {x for x, _ in marked(axis, "D")} == set(flagged) == {12, 66}


def test_limits_of_the_funnel_are_drawn_at_both_levels():
    axis = draw_funnel().axes[0]
    limits = funnel_limits(0.12, np.arange(5, 81)).table
    curves = [line.get_ydata() for line in axis.lines if len(line.get_xdata()) == 76]
    for _, rows in limits.groupby("level"):
        for side in ("low", "high"):
            assert any(np.allclose(rows[side], curve) for curve in curves)
    assert axis.get_xlabel() == "Cases of the unit"
    assert axis.get_ylabel() == "Cases with an unplanned operation (%)"


def test_a_funnel_is_no_league_table_and_says_so():
    said = texts(draw_funnel())
    assert "5 units, 213 cases" in said
    assert "no league table" in said
    assert "95% limit" in said


def test_a_funnel_without_units_says_so():
    none = funnel_positions([0], [0], limits=funnel_limits(0.12, [0]))
    assert "no unit has cases" in texts(draw_funnel(none))


def test_the_words_of_the_funnel():
    limits = funnel_limits(0.12, np.arange(5, 81))
    assert "unit 5: above the 99.8% limit" in figures.funnel_alt(limits, POSITIONS, **FUNNEL_WORDS)


# --- two curves of one quantity

LOWER = np.array([0, 28, 28, 56, 56, 84, 56, 84, 112, 112.0])
UPPER = np.array([28, 56, 56, 84, 84, 112, 84, 112, np.inf, np.inf])
SEEN = survival_curve(np.where(np.isinf(UPPER), LOWER, UPPER), np.isfinite(UPPER))
BETWEEN = interval_survival_curve(LOWER, UPPER)
PAIR_WORDS = {"unit": "weeks", "share_label": "Share with full weight bearing"}


def draw_pair(seen=SEEN, between=BETWEEN, **more):
    return figures.date_seen_and_interval(seen, between, title="Two readings", **PAIR_WORDS, **more)


def test_both_readings_are_drawn_from_their_tables():
    axis = draw_pair(minimum_at_risk=1).axes[0]
    steps = next(line for line in axis.lines if line.get_drawstyle() == "steps-post")
    np.testing.assert_allclose(steps.get_xdata(), SEEN.table["time"] / 7)
    np.testing.assert_allclose(steps.get_ydata(), 1 - SEEN.table["survival"])
    boxes = [patch.get_bbox() for patch in axis.patches]
    finite = BETWEEN.table[np.isfinite(BETWEEN.table["right"])]
    np.testing.assert_allclose([box.x0 for box in boxes], finite["left"] / 7)
    np.testing.assert_allclose([box.x1 for box in boxes], finite["right"] / 7)
    np.testing.assert_allclose([box.y1 for box in boxes], 1 - finite["survival"], atol=1e-9)


def test_the_two_readings_have_names_and_medians():
    said = texts(draw_pair())
    assert "Day first seen median 12 weeks" in said
    assert "Between visits median after 8 and up to 12 weeks" in said
    assert "n = 10, events 8" in said
    assert "Both stop where fewer than 5 remain at risk" in said


def test_a_short_interval_is_not_rounded_to_a_day():
    short = interval_survival_curve([90.0, 90.0, 104.0], [92.0, 92.0, 106.0])
    assert "median after 12.9 and up to 13.1 weeks" in texts(draw_pair(between=short))
    exact = interval_survival_curve([91.0, 91.0, 104.0], [91.0, 91.0, 106.0])
    assert "Between visits median 13 weeks" in texts(draw_pair(between=exact))


def test_both_readings_stop_where_few_remain():
    axis = draw_pair().axes[0]
    last = SEEN.cut(5)["time"].iloc[-1] / 7
    assert max(line.get_xdata().max() for line in axis.lines if len(line.get_xdata()) > 1) == last
    assert max(patch.get_bbox().x1 for patch in axis.patches) <= last


def test_incidence_lies_at_or_below_the_complement():
    days = [20, 30, 35, 40, 50, 60, 70, 80, 90, 100]
    cause = [1, 2, 1, 0, 1, 2, 1, 1, 0, 1]
    incidence = cumulative_incidence(days, cause, 1)
    curve = survival_curve(days, [code == 1 for code in cause])
    figure = figures.incidence_beside_complement(
        incidence, curve, title="Competing events", **PAIR_WORDS, minimum_at_risk=1
    )
    first, second = (line for line in figure.axes[0].lines if line.get_drawstyle() == "steps-post")
    np.testing.assert_allclose(first.get_ydata(), incidence.table["incidence"])
    np.testing.assert_allclose(second.get_ydata(), 1 - curve.table["survival"])
    assert (first.get_ydata() <= second.get_ydata() + 1e-12).all()
    assert first.get_ydata()[-1] < second.get_ydata()[-1]
    assert "competing events (death, amputation) 2" in texts(figure)
    assert "2 competing events" in figures.incidence_beside_complement_alt(
        incidence, curve, **PAIR_WORDS, minimum_at_risk=1
    )


def test_without_competing_events_the_curves_are_said_to_be_the_same():
    days = list(range(10, 110, 10))
    figure = figures.incidence_beside_complement(
        cumulative_incidence(days, [1] * 10, 1), survival_curve(days, [1] * 10),
        title="Competing events", **PAIR_WORDS,
    )  # fmt: skip
    assert "No competing event happened, so the two curves are the same" in texts(figure)


@pytest.mark.parametrize("size", [0, 1])
def test_too_few_cases_for_a_pair(size):
    seen = survival_curve([28.0] * size, [1] * size)
    between = interval_survival_curve([0.0] * size, [28.0] * size)
    assert "Nothing to draw" in texts(draw_pair(seen, between))
    incidence = cumulative_incidence([28.0] * size, np.ones(size, dtype=int), 1)
    figure = figures.incidence_beside_complement(incidence, seen, title="Competing", **PAIR_WORDS)
    assert "a curve needs 5 cases at risk" in texts(figure)


# --- promises

PROMISES = pd.DataFrame(
    {
        "band": ["Up to 12 weeks", "13 to 26 weeks", "40 weeks or more"],
        "share": [0.42, 0.55, np.nan],
        "low": [0.2, 0.45, np.nan],
        "high": [0.66, 0.65, np.nan],
        "n": [12, 88, 0],
    }
)


def test_shares_by_promise_with_interval_and_n():
    figure = figures.promised_against_happened(PROMISES)
    axis = figure.axes[0]
    spans = {tuple(line.get_xdata()) for line in axis.lines if len(line.get_xdata()) == 2}
    assert spans == {(0.2, 0.66), (0.45, 0.65)}
    assert [x for x, _ in marked(axis, "o")] == [0.42, 0.55]
    assert {"12", "88", "0", "not estimable", "42% (20% to 66%)"} <= {
        t.get_text() for t in axis.texts
    }
    assert axis.get_xlabel() == "Share with full weight bearing by the promised week (%)"
    assert [tick.get_text() for tick in axis.get_yticklabels()] == PROMISES["band"].tolist()


def test_promises_without_a_course_are_told_in_words():
    assert "no case has both a promise" in texts(
        figures.promised_against_happened(PROMISES.iloc[2:])
    )
    assert figures.promised_against_happened_alt(PROMISES.iloc[:0]).startswith("No figure")
    assert "13 to 26 weeks: 55% (45% to 65%), n 88" in figures.promised_against_happened_alt(
        PROMISES
    )
