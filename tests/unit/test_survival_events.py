"""Competing and recurrent events: by hand, at their edges, and what must hold for any data."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from audit.estimates.competing import cumulative_incidence
from audit.estimates.recurrent import mean_cumulative_function
from audit.estimates.survival import survival_curve


def sample(seed, n=50):
    rng = np.random.default_rng(seed)
    time = rng.integers(1, 25, n)
    entry = np.floor(rng.random(n) * time) * (np.arange(n) > 8)
    return time, rng.integers(0, 3, n), entry


def test_incidence_by_hand():
    """Eight cases: 1+, 2 a, 2+, 3 b, 3+, 3+, 5+, 6 b. F_a(2) = 1/7.

    Event-free after 2: 6/7; at 3 five are at risk, so F_b(3) = 6/7 x 1/5 = 6/35; at 6 the last
    one: event-free before is 6/7 x 4/5 = 24/35, so F_b(6) = 6/35 + 24/35 = 30/35 = 6/7.
    """
    time, cause = [1, 2, 2, 3, 3, 3, 5, 6], [0, 1, 0, 2, 0, 2, 0, 2]
    cause[5] = 0
    found = cumulative_incidence(time, cause, 2)
    assert cumulative_incidence(time, cause, 1).at(2).value == pytest.approx(1 / 7)
    assert found.at(3).value == pytest.approx(6 / 35)
    assert found.at(6).value == pytest.approx(6 / 7)
    assert (found.events, found.other_events, found.n) == (2, 1, 8)


def test_causes_may_be_texts():
    time = [1, 2, 3, 4]
    cause = pd.Series(["walks", "died", "waiting", "walks"])
    by_text = cumulative_incidence(time, cause, "walks", censored="waiting")
    by_code = cumulative_incidence(time, [1, 2, 0, 1], 1)
    pd.testing.assert_frame_equal(by_text.table, by_code.table)
    grouped = cumulative_incidence(time, cause.astype("category"), "walks", censored="waiting")
    pd.testing.assert_frame_equal(grouped.table, by_code.table)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("late", [False, True])
def test_what_holds_for_any_causes(seed, late):
    time, cause, entry = sample(seed)
    entry = entry if late else None
    found = [cumulative_incidence(time, cause, k, entry) for k in (1, 2)]
    free = survival_curve(time, cause > 0, entry)
    total = found[0].incidence + found[1].incidence + free.survival
    np.testing.assert_allclose(total, 1, atol=1e-12)
    for curve in found:
        assert (np.diff(curve.incidence) >= 0).all()
        inside = curve.table.dropna()
        assert (inside["low"] <= inside["incidence"]).all()
        assert (inside["incidence"] <= inside["high"]).all()
    turn = np.random.default_rng(seed).permutation(time.size)
    again = cumulative_incidence(time[turn], cause[turn], 1, entry[turn] if late else None)
    pd.testing.assert_frame_equal(again.table, found[0].table)


def slow_variance(time, cause, of, t):
    """The three sums of the delta method written out, term by term."""
    days = sorted({x for x, c in zip(time, cause, strict=True) if c and x <= t})
    free, share, rows = 1.0, 0.0, []
    for day in days:
        n = sum(x >= day for x in time)
        d = sum(x == day and c > 0 for x, c in zip(time, cause, strict=True))
        own = sum(x == day and c == of for x, c in zip(time, cause, strict=True))
        share += free * own / n
        rows.append((share, free, n, d, own))
        free *= 1 - d / n
    total = 0.0
    for so_far, ahead, n, d, own in rows:
        rest = share - so_far
        total += rest**2 * d / (n * (n - d)) if n > d else 0.0
        total += ahead**2 * own * (n - own) / n**3 - 2 * rest * ahead * own / n**2
    return total


@pytest.mark.parametrize("seed", range(6))
def test_error_agrees_with_the_sums_written_out(seed):
    time, cause, _ = sample(seed)
    curve = cumulative_incidence(time, cause, 1)
    for t in (5, 12, 24):
        row = np.searchsorted(curve.counts.time, t, side="right") - 1
        slow = slow_variance(time.tolist(), cause.tolist(), 1, t)
        assert curve.std_error[row] ** 2 == pytest.approx(slow, rel=1e-9, abs=1e-15)


def test_edges_of_the_incidence():
    nobody = cumulative_incidence([], [], 1)
    assert nobody.table.empty
    assert nobody.at(3).note == "no cases"
    none = cumulative_incidence([1, 2, 3], [2, 0, 2], 1)
    assert none.at(2).value == 0
    assert none.at(2).note == "no event of this kind so far"
    waiting = cumulative_incidence([1, 2], [1, 0], 1)
    assert waiting.at(2).value == 0.5
    assert "beyond the last follow-up" in waiting.at(3).note
    assert cumulative_incidence([1, 2], [1, 2], 2).at(9).value == 0.5
    late = cumulative_incidence([2, 9, 10], [1, 2, 0], 1, [0, 5, 5])
    assert "risk set ran empty" in late.at(9).note
    missing = cumulative_incidence([1, np.nan], [1, None], 1)
    assert (missing.n, missing.missing) == (1, 1)


@pytest.mark.parametrize(
    ("cause", "of", "match"),
    [
        ([1, 0], 0, "not the code for still waiting"),
        ([1, 0], "1", "all texts or all numbers"),
        (["a", "b"], "a", "all texts or all numbers"),
        ([1, None], 1, "duration without an event mark"),
        (None, 1, "cause must be given"),
    ],
)
def test_causes_that_are_refused(cause, of, match):
    with pytest.raises(ValueError, match=match):
        cumulative_incidence([1, 2], cause, of)


def test_different_row_labels_are_refused():
    with pytest.raises(ValueError, match="different row labels"):
        cumulative_incidence(pd.Series([1, 2]), pd.Series([1, 0], index=[1, 0]), 1)


def test_recurrent_events_by_hand():
    """Subject A: event at 2, end 5; B: events at 3 and 4, end 4. Mean 1/2, 2/2, 3/2.

    At 4 A departs by 1/2 - 3/4 = -1/4 and B by 2/2 - 3/4 = 1/4: robust variance 1/8; taking
    events as independent 3/4.
    """
    curve = mean_cumulative_function(["A", "A", "B", "B"], [2, 5, 3, 4], [1, 0, 1, 1])
    table = curve.table
    assert table["mean"].tolist() == [0.5, 1.0, 1.5]
    assert table["std_error"].iloc[-1] == pytest.approx(np.sqrt(1 / 8))
    assert table["poisson_std_error"].iloc[-1] == pytest.approx(np.sqrt(3 / 4))
    assert (curve.n, curve.events) == (2, 3)
    assert curve.at(5).value == 1.5
    assert curve.at(1).value == 0
    assert curve.at(6).value is None


def test_late_entry_of_recurrent_events():
    """B enters at 3, so A is alone at 2 (mean 1) and both are at risk at 4 (mean 1.5)."""
    curve = mean_cumulative_function(["A", "A", "B", "B"], [2, 5, 4, 6], [1, 0, 1, 0], [0, 0, 3, 3])
    assert curve.table["at_risk"].tolist() == [1, 2]
    assert curve.table["mean"].tolist() == [1, 1.5]


@pytest.mark.parametrize("seed", range(4))
def test_first_events_only_are_the_cumulative_hazard_mean(seed):
    """One event a subject at most and none lost before the end: mean = events so far / n."""
    rng = np.random.default_rng(seed)
    n = 30
    time = rng.integers(1, 20, n)
    subject = np.concatenate((np.arange(n), np.arange(n)))
    both = np.concatenate((time, np.full(n, 20)))
    marks = np.concatenate((np.ones(n), np.zeros(n)))
    curve = mean_cumulative_function(subject, both, marks)
    for t in (5, 10, 20):
        share = (time <= t).mean()
        assert curve.at(t).value == pytest.approx(share)
        row = np.searchsorted(curve.table["time"], t, side="right") - 1
        # Everybody stays at risk, so the robust variance is the binomial one.
        error = np.sqrt(share * (1 - share) / n)
        assert curve.table["std_error"].iloc[row] == pytest.approx(error, abs=1e-12)


def test_edges_of_recurrent_events():
    nobody = mean_cumulative_function([], [], [])
    assert nobody.at(1).note == "no subjects"
    quiet = mean_cumulative_function([1, 2], [5, 6], [0, 0], interval="plain")
    found = quiet.at(5)
    assert (found.value, found.low, found.high) == (0, 0, 0)
    assert "no event so far" in found.note
    with pytest.raises(ValueError, match="subject has empty labels"):
        mean_cumulative_function([1, None], [5, 6], [0, 0])
    with pytest.raises(ValueError, match="one of log, plain"):
        mean_cumulative_function([1], [5], [0], interval="log-log")
