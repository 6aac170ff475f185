"""Cumulative sums: edges and words. Numbers: tests/reference."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from audit.estimates.cumulative import bernoulli_cusum, cusum, cusum_arl


def test_signal_covers_the_climb():
    # Sums for a rise with target 0, slack 1: 0, 1, 2, 4, 3, 0.
    chart = cusum([0, 2, 2, 3, 0, -5], target=0, slack=1, decision=3)
    assert chart.table["high"].tolist() == [0, 1, 2, 4, 3, 0]
    flagged = chart.table["signal"].str.contains("rise")
    assert chart.table.loc[flagged, "order"].tolist() == [2, 3, 4]
    assert "at point 4, climbing since point 2" in chart.signals[0]


def test_fall_is_the_mirror_of_a_rise():
    values = np.array([0, 2, 2, 3, 0, -5.0])
    up = cusum(values, target=0, slack=1, decision=3).table
    down = cusum(-values, target=0, slack=1, decision=3).table
    assert up["high"].tolist() == down["low"].tolist()


def test_missing_value_carries_the_sum_on():
    chart = cusum([2, None, 2], target=0, slack=1, decision=5)
    assert chart.table["high"].tolist() == [1, 1, 2]
    assert (chart.n, chart.missing) == (2, 1)
    assert any("carry the sum on: 1" in note for note in chart.notes)


def test_no_point_gives_an_empty_table():
    assert cusum([], target=0, slack=1, decision=5).table.empty


@pytest.mark.parametrize("option", [{"slack": -1}, {"decision": 0}, {"target": np.inf}])
def test_refused_settings(option):
    with pytest.raises(ValueError, match="cusum needs slack"):
        cusum([1], **{"target": 0, "slack": 1, "decision": 5, **option})


def test_case_mix_gives_each_case_its_own_weight():
    # Steiner 2000: an unlikely event weighs more than a likely one.
    table = bernoulli_cusum(
        ["yes", "yes"], baseline_risk=pd.Series([0.05, 0.5]), odds_ratio=2
    ).table
    np.testing.assert_allclose(table["weight"], np.log([2 / 1.05, 2 / 1.5]))


def test_equal_risks_equal_one_risk():
    events = [0, 1, 1, 0, 1]
    one = bernoulli_cusum(events, baseline_risk=0.2, odds_ratio=2).table
    each = bernoulli_cusum(events, baseline_risk=[0.2] * 5, odds_ratio=2).table
    pd.testing.assert_frame_equal(one, each)


def test_path_for_fewer_events_climbs_without_them():
    path = bernoulli_cusum([0, 0, 0], baseline_risk=0.3, odds_ratio=0.5).table["path"]
    assert path.is_monotonic_increasing and path.iloc[-1] > 0


def test_path_without_decision_says_so():
    chart = bernoulli_cusum([1, 1, 1], baseline_risk=0.1, odds_ratio=2)
    assert not chart.signals and any("no decision limit" in note for note in chart.notes)
    assert bernoulli_cusum([1, 1, 1], baseline_risk=0.1, odds_ratio=2, decision=1).signals


def test_case_without_risk_or_event_is_missing():
    chart = bernoulli_cusum([1, None, 1], baseline_risk=[0.1, 0.1, None], odds_ratio=2)
    assert chart.missing == 2 and chart.table["path"].nunique() == 1


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"baseline_risk": 0}, "between 0 and 1"),
        ({"baseline_risk": [0.1]}, "same length"),
        ({"odds_ratio": 1}, "odds_ratio must be above 0 and not 1"),
        ({"decision": -1}, "decision must be above 0"),
    ],
)
def test_refused_bernoulli_settings(options, message):
    with pytest.raises(ValueError, match=message):
        bernoulli_cusum([0, 1], **{"baseline_risk": 0.1, "odds_ratio": 2, **options})


def test_run_length_agrees_with_simulation():
    random = np.random.default_rng(7)
    lengths = []
    for _ in range(400):
        table = cusum(random.normal(1, 1, 80), target=0, slack=0.5, decision=4).table
        lengths.append(int(np.argmax(table["high"] > 4)) + 1)
    error = np.std(lengths, ddof=1) / 20
    assert (
        abs(np.mean(lengths) - cusum_arl(slack=0.5, decision=4, shift=1, sides="one")) < 4 * error
    )


def test_run_length_sides_are_a_closed_list():
    with pytest.raises(ValueError, match="one, two; got 'both'"):
        cusum_arl(slack=0.5, decision=4, sides="both")
