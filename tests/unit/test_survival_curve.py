"""The product-limit curve by hand, its edges, and what must hold for any data."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from audit.estimates.product_limit import INTERVALS
from audit.estimates.survival import cumulative_hazard, follow_up, survival_curve

# Five limbs until full load, in days: 60, 75 seen; one still waiting at 75; 90 seen; one
# still waiting at 120.
TIMES, SEEN = [60, 75, 75, 90, 120], [1, 1, 0, 1, 0]


def sample(seed, n=40, late=False):
    rng = np.random.default_rng(seed)
    time = rng.integers(1, 60, n).astype(float)
    entry = np.floor(time * rng.random(n) * (np.arange(n) > 6)) if late else None
    return time, (rng.random(n) < 0.6).astype(int), entry


def test_by_hand_share_and_error():
    """4/5; then 4/5 x 3/4 = 0.6; then 0.6 x 1/2 = 0.3, as the case lost at 75 is out by then.

    Greenwood at 75: 0.6 x sqrt(1/(5 x 4) + 1/(4 x 3)) = 0.6 x sqrt(0.13333) = 0.21909.
    """
    table = survival_curve(TIMES, SEEN).table
    assert table["time"].tolist() == [0, 60, 75, 90, 120]
    assert table["at_risk"].tolist() == [5, 5, 4, 2, 1]
    assert table["events"].tolist() == [0, 1, 1, 1, 0]
    assert table["censored"].tolist() == [0, 0, 1, 0, 1]
    assert table["entered"].tolist() == [5, 0, 0, 0, 0]
    assert table["survival"].tolist() == pytest.approx([1, 0.8, 0.6, 0.3, 0.3])
    assert table["std_error"][2] == pytest.approx(0.6 * np.sqrt(1 / 20 + 1 / 12))


def test_by_hand_what_is_read_off_the_curve():
    """Area to 100: 60 x 1 + 15 x 0.8 + 15 x 0.6 + 10 x 0.3 = 60 + 12 + 9 + 3 = 84."""
    curve = survival_curve(TIMES, SEEN)
    assert curve.median().value == 90
    assert curve.quantile(0.25).value == 75
    assert curve.restricted_mean(100).value == pytest.approx(84)
    assert curve.at(74.9).value == pytest.approx(0.8)
    assert curve.at(75).value == pytest.approx(0.6)
    assert (curve.n, curve.events, curve.missing) == (5, 3, 0)
    assert curve.median().unit == "days"
    assert curve.at(75).unit == "share"


def test_by_hand_late_entry():
    """A limb taken over at day 70 is not at risk at 60: 3/4 there, then 3/4 x 3/4 at 75."""
    curve = survival_curve(TIMES, SEEN, [0, 0, 0, 0, 70])
    table = curve.table
    assert table["at_risk"].tolist() == [4, 4, 4, 2, 1]
    assert table["entered"].tolist() == [4, 0, 1, 0, 0]
    assert table["survival"].tolist() == pytest.approx([1, 0.75, 0.5625, 0.28125, 0.28125])


def test_by_hand_at_risk_table_and_cumulative_hazard():
    """At 75 four limbs are at risk, one has had the event, none is lost: 4 + 1 + 0 = 5."""
    table = survival_curve(TIMES, SEEN).at_risk_table([0, 75, 76, 120, 121])
    assert table["at_risk"].tolist() == [5, 4, 2, 1, 0]
    assert table["events"].tolist() == [0, 1, 2, 3, 3]
    assert table["censored"].tolist() == [0, 0, 1, 1, 2]
    hazard = cumulative_hazard(TIMES, SEEN)
    assert hazard["hazard"].tolist() == pytest.approx([0, 0.2, 0.45, 0.95, 0.95])


def test_median_not_reached_keeps_the_lower_limit_and_says_how_many_wait():
    curve = survival_curve([10, 20, 30, 40, 50, 60], [1, 1, 0, 0, 0, 0])
    median = curve.median()
    assert median.value is None
    assert median.high is None
    assert median.low == 10
    assert median.note == "median not reached: 67 % still waiting at the last follow-up"


def test_nothing_is_said_beyond_the_last_follow_up_while_cases_wait():
    curve = survival_curve(TIMES, SEEN)
    assert curve.at(120).value == pytest.approx(0.3)
    for found in (curve.at(121), curve.restricted_mean(121)):
        assert found.value is None
        assert "beyond the last follow-up" in found.note


def test_beyond_the_last_follow_up_the_answer_is_nought_once_all_had_the_event():
    curve = survival_curve([1, 2], [1, 1])
    assert curve.at(50).value == 0
    assert (curve.at(50).low, curve.at(50).high) == (None, None)
    assert curve.restricted_mean(50).value == pytest.approx(1.5)


def test_no_cases():
    curve = survival_curve([], [])
    assert curve.table.empty
    assert curve.n == 0
    for found in (curve.median(), curve.at(10), curve.restricted_mean(10)):
        assert (found.value, found.n, found.note) == (None, 0, "no cases")
    assert curve.at_risk_table([0, 5])["at_risk"].tolist() == [0, 0]
    assert curve.cut(1).empty


def test_everybody_still_waiting():
    curve = survival_curve([5, 6, 7], [0, 0, 0])
    assert curve.at(6).value == 1
    assert "no event so far" in curve.at(6).note
    assert "100 % still waiting" in curve.median().note
    found = curve.restricted_mean(7)
    assert (found.value, found.low, found.high) == (7, None, None)


def test_all_events_at_time_zero():
    curve = survival_curve([0, 0], [1, 1])
    assert curve.table["survival"].tolist() == [0]
    assert curve.median().value == 0
    assert curve.restricted_mean(5).value == 0
    assert curve.at_risk_table([0, 1])["at_risk"].tolist() == [2, 0]


@pytest.mark.parametrize(("seen", "value"), [(1, 12.0), (0, None)])
def test_a_single_case(seen, value):
    assert survival_curve([12], [seen]).median().value == value


def test_missing_cases_are_counted():
    curve = survival_curve([5, np.nan], [1, np.nan], missing=3)
    assert (curve.n, curve.missing) == (1, 4)
    assert curve.at(1).missing == 4


def test_follow_up_is_the_curve_with_the_marks_turned_round():
    """All waiting at 10, 20, 30: half of them were watched for 20 days."""
    curve = follow_up([10, 20, 30], [0, 0, 0])
    assert curve.median().value == 20
    assert curve.events == 3
    assert follow_up(TIMES, SEEN).events == 2


@pytest.mark.parametrize(("smallest", "last"), [(1, 120), (2, 90), (4, 75), (5, 60)])
def test_cut_for_drawing(smallest, last):
    curve = survival_curve(TIMES, SEEN)
    assert curve.cut(smallest)["time"].iloc[-1] == last
    assert curve.cut(6).empty


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("late", [False, True])
@pytest.mark.parametrize("interval", INTERVALS)
def test_what_holds_for_any_curve(seed, late, interval):
    time, seen, entry = sample(seed, late=late)
    curve = survival_curve(time, seen, entry, interval=interval)
    table = curve.table
    assert (np.diff(table["survival"]) <= 0).all()
    assert table["survival"].between(0, 1).all()
    inside = table.dropna()
    assert inside["low"].min() >= 0
    assert inside["high"].max() <= 1
    assert (inside["low"] <= inside["survival"] + 1e-12).all()
    assert (inside["survival"] <= inside["high"] + 1e-12).all()
    joined = table["entered"].cumsum() - table["at_risk"]
    gone = (table["events"] + table["censored"]).cumsum().shift(fill_value=0)
    assert (joined == gone).all()


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("late", [False, True])
def test_order_of_rows_does_not_matter(seed, late):
    time, seen, entry = sample(seed, late=late)
    turn = np.random.default_rng(seed).permutation(time.size)
    first = survival_curve(time, seen, entry)
    second = survival_curve(time[turn], seen[turn], None if entry is None else entry[turn])
    pd.testing.assert_frame_equal(first.table, second.table)


@pytest.mark.parametrize("seed", range(8))
def test_whole_days_and_fractions_take_two_routes_to_one_answer(seed):
    """Counting by day and counting by sorting: the same data moved by half a day."""
    time, seen, entry = sample(seed, late=seed % 2 == 1)
    whole = survival_curve(time, seen, entry).table
    moved = survival_curve(time + 0.5, seen, None if entry is None else entry + 0.5).table
    columns = ["at_risk", "events", "censored", "survival", "std_error", "low", "high"]
    pd.testing.assert_frame_equal(
        whole[columns].iloc[1:], moved[columns].iloc[1:], check_dtype=False
    )


@pytest.mark.parametrize("seed", range(10))
def test_one_more_waiting_case_never_lowers_the_median(seed):
    rng = np.random.default_rng(seed)
    time, seen, _ = sample(seed)
    before = survival_curve(time, seen).median().value
    for extra in rng.integers(0, 80, 10):
        after = survival_curve([*time, extra], [*seen, 0]).median().value
        assert after is None or (before is not None and after >= before)


def test_the_callers_columns_are_not_changed_nor_kept():
    time, seen, entry = sample(3, late=True)
    copies = time.copy(), seen.copy(), entry.copy()
    curve = survival_curve(time, seen, entry)
    for mine, theirs in zip(copies, (time, seen, entry), strict=True):
        assert (mine == theirs).all()
    before = curve.table
    time[:], seen[:] = 1, 0
    pd.testing.assert_frame_equal(curve.table, before)
    curve.table["survival"] = 9.0
    pd.testing.assert_frame_equal(curve.table, before)


@pytest.mark.parametrize(
    ("options", "match"),
    [
        ({"interval": "wald"}, r"one of log-log, log, plain; got 'wald'"),
        ({"level": 95}, "between 0 and 1"),
    ],
)
def test_options_outside_their_list(options, match):
    with pytest.raises(ValueError, match=match):
        survival_curve(TIMES, SEEN, **options)


@pytest.mark.parametrize("q", [0, 1, 1.5, -0.1])
def test_a_quantile_is_a_share(q):
    with pytest.raises(ValueError, match="between 0 and 1"):
        survival_curve(TIMES, SEEN).quantile(q)


@pytest.mark.parametrize("t", [-1, np.nan, np.inf])
def test_a_time_asked_for_is_a_number(t):
    curve = survival_curve(TIMES, SEEN)
    for call in (curve.at, curve.restricted_mean, lambda x: curve.at_risk_table([x])):
        with pytest.raises(ValueError, match="finite number, 0 or more"):
            call(t)


def test_a_horizon_of_nought_has_no_mean():
    with pytest.raises(ValueError, match="more than 0"):
        survival_curve(TIMES, SEEN).restricted_mean(0)


def test_a_curve_cannot_be_changed():
    curve = survival_curve(TIMES, SEEN)
    with pytest.raises(AttributeError):
        curve.n = 3


def test_level_reaches_every_limit():
    wide, narrow = survival_curve(TIMES, SEEN, level=0.99), survival_curve(TIMES, SEEN, level=0.5)
    assert wide.at(75).low < narrow.at(75).low
    assert wide.at(75).level == 0.99
    assert wide.restricted_mean(100).high > narrow.restricted_mean(100).high
