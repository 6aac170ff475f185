"""Comparisons of curves: by hand, at their edges, and what must hold for any data."""

from __future__ import annotations

import numpy as np
import pytest

from audit.estimates.compare import compare_at, compare_curves, restricted_mean_difference
from audit.estimates.compare_incidence import compare_incidence
from audit.estimates.survival import survival_curve


def sample(seed, n=60):
    rng = np.random.default_rng(seed)
    return rng.integers(1, 30, n), rng.integers(0, 2, n), rng.integers(0, 3, n)


def test_log_rank_by_hand():
    """A: 1, 3; B: 2, 4, all seen. A is expected 1/2 + 1/3 + 1/2 + 0 = 4/3 of its two events.

    Variance 1/4 + 2/9 + 1/4 = 13/18; (2 - 4/3)^2 / (13/18) = 8/13.
    """
    found = compare_curves([1, 3, 2, 4], [1, 1, 1, 1], list("AABB"))
    assert found.chi2 == pytest.approx(8 / 13)
    assert found.df == 1
    assert found.table["group"].tolist() == ["A", "B"]
    assert found.table["n"].tolist() == [2, 2]
    assert found.table["observed"].tolist() == [2, 2]
    assert found.table["expected"].tolist() == pytest.approx([4 / 3, 8 / 3])


def test_strata_by_hand():
    """Two copies of the same stratum: twice the score over twice the variance, 16/13."""
    time, group = [1, 3, 2, 4] * 2, list("AABB") * 2
    found = compare_curves(time, [1] * 8, group, [1] * 4 + [2] * 4)
    assert found.chi2 == pytest.approx(16 / 13)
    assert found.method == "log-rank test, stratified"


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("weights", ["logrank", "rho1"])
def test_what_holds_for_any_groups(seed, weights):
    time, seen, group = sample(seed)
    found = compare_curves(time, seen, group, weights=weights)
    assert found.df == 2
    assert 0 <= found.p <= 1
    assert found.table["observed"].sum() == pytest.approx(found.table["expected"].sum())
    turn = np.random.default_rng(seed).permutation(time.size)
    again = compare_curves(time[turn], seen[turn], group[turn], weights=weights)
    assert again.chi2 == pytest.approx(found.chi2, rel=1e-10)
    renamed = compare_curves(time, seen, np.array(["z", "y", "x"])[group], weights=weights)
    assert renamed.chi2 == pytest.approx(found.chi2, rel=1e-10)
    fractions = compare_curves(time + 0.5, seen, group, weights=weights)
    assert fractions.chi2 == pytest.approx(found.chi2, rel=1e-10)


@pytest.mark.parametrize(
    ("time", "seen", "group", "note"),
    [
        ([1, 2], [1, 1], ["a", "a"], "fewer than two groups to compare"),
        ([], [], [], "fewer than two groups to compare"),
        ([1, 2], [0, 0], ["a", "b"], "no event at a time when two groups were at risk"),
        ([1, 2], [0, 1], ["a", "b"], "no event at a time when two groups were at risk"),
    ],
)
def test_nothing_to_compare(time, seen, group, note):
    found = compare_curves(time, seen, group)
    assert (found.chi2, found.p, found.note) == (None, None, note)
    assert len(found.table) == len(set(group))


def test_a_group_that_leaves_before_any_event_takes_no_degree_of_freedom():
    time, seen = [5, 6, 7, 8, 1, 1], [1, 1, 1, 1, 0, 0]
    found = compare_curves(time, seen, list("ababcc"))
    assert found.df == 1
    assert found.chi2 == pytest.approx(compare_curves(time[:4], seen[:4], list("abab")).chi2)


def test_groups_that_no_stratum_brings_together_take_no_degree_of_freedom():
    found = compare_curves([1, 2, 3, 4, 1, 2, 3, 4], [1] * 8, list("ababcdcd"), list("sssstttt"))
    assert found.df == 2


def test_rows_missing_in_time_and_event_leave_their_group_label_behind():
    found = compare_curves([1, 3, np.nan, 2, 4], [1, 1, np.nan, 1, 1], ["A", "A", None, "B", "B"])
    assert found.chi2 == pytest.approx(8 / 13)
    assert (found.n, found.missing) == (4, 1)


def test_unknown_weights_are_refused():
    with pytest.raises(ValueError, match=r"one of logrank, rho1; got 'peto'"):
        compare_curves([1, 2], [1, 1], ["a", "b"], weights="peto")


def two_curves():
    return (
        survival_curve([2, 4, 6, 8, 10], [1, 1, 0, 1, 0]),
        survival_curve([1, 2, 3, 5, 9], [1, 1, 1, 1, 0]),
    )


def test_difference_at_one_time_by_hand():
    """At 5: 3/5 and 1/5. Greenwood sums 1/20 + 1/12 = 2/15 and 1/20 + 1/12 + 1/6 + 1/2 = 4/5."""
    found = compare_at(*two_curves(), t=5)
    assert found.difference.value == pytest.approx(0.4)
    error = np.sqrt(0.36 * 2 / 15 + 0.04 * 4 / 5)
    assert found.std_error == pytest.approx(error)
    logs = np.log([0.6, 0.2])
    gap = np.log(-logs[0]) - np.log(-logs[1])
    expected = gap**2 / (2 / 15 / logs[0] ** 2 + 4 / 5 / logs[1] ** 2)
    assert found.chi2 == pytest.approx(expected)
    assert found.difference.high == pytest.approx(min(1, 0.4 + 1.959963984540054 * error))


def test_no_test_where_a_share_is_one():
    found = compare_at(*two_curves(), t=1)
    assert found.difference.value == pytest.approx(0.2)
    assert (found.p, found.difference.low) == (None, None)
    assert "no test" in found.difference.note


def test_no_difference_beyond_the_shorter_follow_up():
    for found in (
        compare_at(*two_curves(), t=9.5),
        restricted_mean_difference(*two_curves(), t=9.5),
    ):
        assert (found.difference.value, found.p) == (None, None)
        assert "beyond the last follow-up" in found.difference.note


def test_difference_of_restricted_means_by_hand():
    """To 5: first 2 + 2 x 4/5 + 1 x 3/5 = 4.2; second 1 + 4/5 + 3/5 + 2 x 2/5 = 3.2."""
    first, second = two_curves()
    found = restricted_mean_difference(first, second, t=5)
    assert found.difference.value == pytest.approx(1.0)
    parts = [curve.restricted_mean(5) for curve in (first, second)]
    widths = [(p.high - p.low) / (2 * 1.959963984540054) for p in parts]
    assert found.std_error == pytest.approx(np.hypot(*widths))
    assert found.p == pytest.approx(restricted_mean_difference(second, first, t=5).p)


def test_no_spread_no_test():
    waiting = survival_curve([5, 6], [0, 0])
    found = restricted_mean_difference(waiting, waiting, t=4)
    assert (found.difference.value, found.difference.low, found.p) == (0, None, None)


def test_curves_on_different_clocks_are_not_compared():
    first, _ = two_curves()
    other = survival_curve([1, 2], [1, 0], unit="weeks")
    with pytest.raises(ValueError, match="same unit"):
        compare_at(first, other, t=1)


@pytest.mark.parametrize("seed", range(4))
def test_without_competing_events_and_censoring_gray_weighs_like_the_log_rank_test(seed):
    """With one cause and no censoring both scores are observed minus at-risk share."""
    rng = np.random.default_rng(seed)
    time, group = rng.permutation(40), rng.integers(0, 2, 40)
    gray = compare_incidence(time, np.ones(40, dtype=int), 1, group)
    rank = compare_curves(time, np.ones(40, dtype=int), group)
    np.testing.assert_allclose(gray.table["expected"], rank.table["expected"], rtol=1e-10)


def test_gray_without_events_or_groups():
    assert compare_incidence([1, 2], [0, 0], 1, ["a", "b"]).chi2 is None
    assert compare_incidence([1, 2], [1, 1], 1, ["a", "a"]).note.startswith("fewer than two")
    assert compare_incidence([], [], 1, []).p is None
