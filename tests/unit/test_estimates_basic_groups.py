"""Rank tests: by hand, against the test they invert, and at their edges."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from audit.estimates.two_groups import (
    _signed_rank_spread,
    mann_whitney,
    wilcoxon_signed_rank,
)


def test_mann_whitney_by_hand():
    """4, 6, 9 against 1, 2, 5: pairs won 2 + 3 + 3 = 8 of 9. P(W >= 8) = 2/20, two-sided 0.2.
    Differences 4-5 4-2 4-1 6-5 ... = -1 2 3 1 4 5 4 7 8: median 4."""
    found = mann_whitney([4, 6, 9], [1, 2, 5], unit="days")
    assert (found.statistic, found.estimate.value) == (8, 4)
    assert found.p_value == pytest.approx(0.2)
    assert found.p_greater == pytest.approx(0.1)
    # P(W <= 0) = 1/20 = 0.05 > 0.025: even the extremes do not make a 95 % interval.
    assert (found.estimate.low, found.estimate.high) == (None, None)
    assert found.estimate.note == "too few values for a 95 % interval"
    # At 90 % it is 0.05 exactly, and the interval runs over all nine differences.
    wide = mann_whitney([4, 6, 9], [1, 2, 5], level=0.9).estimate
    assert (wide.low, wide.high) == (-1, 8)


@pytest.mark.parametrize("sizes", [(5, 7), (8, 8), (12, 20)])
def test_exact_shift_limits_are_where_the_test_turns(sizes):
    """Shifting by a hair less than the lower limit is rejected at 5 %, by a hair more is not."""
    random = np.random.default_rng(sizes[0])
    one, two = random.normal(size=sizes[0]), random.normal(0.5, 1, size=sizes[1])
    found = mann_whitney(one, two).estimate
    for limit, inwards in ((found.low, 1), (found.high, -1)):
        inside = stats.mannwhitneyu(one - limit - inwards * 1e-9, two, method="exact").pvalue
        outside = stats.mannwhitneyu(one - limit + inwards * 1e-9, two, method="exact").pvalue
        assert inside > 0.05
        assert outside <= 0.05


def assert_turns_at_both_limits(found, p_value_at):
    """Just inside a limit the shift is not rejected at 5 %, just outside it is."""
    for limit, inwards in ((found.low, 1e-9), (found.high, -1e-9)):
        assert p_value_at(limit + inwards) > 0.05 >= p_value_at(limit - inwards)


@pytest.mark.parametrize("kinds", [3, 6, 12])
@pytest.mark.parametrize("seed", range(12))
def test_tied_shift_limits_are_where_the_corrected_test_turns(seed, kinds):
    """Few distinct values in each group (heavy ties), but no two differences alike."""
    random = np.random.default_rng(seed)
    one = random.choice(random.normal(size=kinds), size=14)
    two = random.choice(random.normal(0.5, 1, size=kinds), size=17)
    found = mann_whitney(one, two)
    assert "tie" in found.method
    assert_turns_at_both_limits(
        found.estimate,
        lambda shift: stats.mannwhitneyu(one - shift, two, method="asymptotic").pvalue,
    )


@pytest.mark.parametrize("kinds", [3, 5, 9])
@pytest.mark.parametrize("seed", range(12))
def test_tied_signed_rank_limits_are_where_the_corrected_test_turns(seed, kinds):
    random = np.random.default_rng(seed)
    gaps = random.choice(random.normal(0.4, 1, size=kinds).round(6), size=18)
    found = wilcoxon_signed_rank(gaps, np.zeros(18))
    assert "tie" in found.method
    assert_turns_at_both_limits(
        found.estimate,
        lambda shift: stats.wilcoxon(gaps - shift, correction=True, method="asymptotic").pvalue,
    )


def test_mann_whitney_is_asymptotic_from_fifty_values():
    values = np.random.default_rng(9).normal(size=(2, 50))
    assert "normal approximation" in mann_whitney(*values).method
    assert "exact" in mann_whitney(values[0][:49], values[1][:49]).method


def test_mann_whitney_edges():
    empty = mann_whitney([], [1, 2])
    assert empty.estimate.value is None
    assert empty.p_value is None
    assert empty.note == "no values in one group"
    tied = mann_whitney([3, 3], [3, 3, None])
    assert (tied.estimate.value, tied.p_value, tied.estimate.missing) == (0, None, 1)
    assert "nothing to rank" in tied.note
    with pytest.raises(ValueError, match="second must be numbers, not string"):
        mann_whitney([1, 2], ["a", "b"])


def test_mann_whitney_ignores_order_and_turns_round():
    one, two = [5.0, 1.5, 7.0, 9.0, 3.0, 2.2, 8.1], [4.0, 6.0, 0.5, 2.0, 1.0]
    found, turned = mann_whitney(one, two), mann_whitney(two[::-1], one[::-1])
    assert turned.p_value == pytest.approx(found.p_value, rel=1e-12)
    assert turned.estimate.low == pytest.approx(-found.estimate.high)
    assert turned.statistic == len(one) * len(two) - found.statistic


def test_signed_rank_by_hand():
    """1.5, -0.5, 2, 3, 4: ranks 2 1 3 4 5, W+ = 14. P(W+ >= 14) = 2/32, two-sided 1/8."""
    found = wilcoxon_signed_rank([2.5, 1.5, 4, 6, 8], [1, 2, 2, 3, 4])
    assert found.statistic == 14
    assert found.p_value == pytest.approx(0.125)
    assert found.estimate.value == 2  # middle of 15 Walsh averages
    assert found.estimate.note == "too few values for a 95 % interval"


@pytest.mark.parametrize("n", [6, 9, 15, 30])
def test_signed_rank_limits_are_where_the_test_turns(n):
    gaps = np.random.default_rng(n).normal(0.4, 1, size=n)
    found = wilcoxon_signed_rank(gaps, np.zeros(n)).estimate
    for limit, inwards in ((found.low, 1), (found.high, -1)):
        inside = stats.wilcoxon(gaps - limit - inwards * 1e-9, method="exact").pvalue
        outside = stats.wilcoxon(gaps - limit + inwards * 1e-9, method="exact").pvalue
        assert inside > 0.05 >= outside


@pytest.mark.parametrize("kinds", [2, 4, 8])
def test_signed_rank_spread_is_that_of_all_sign_flips(kinds):
    """Each rank counts or not with probability 1/2: variance sum(rank^2)/4, ties share ranks."""
    random = np.random.default_rng(kinds)
    gaps = random.choice(random.normal(size=kinds), size=16)
    ranks = stats.rankdata(np.abs(gaps - 0.123456))
    assert _signed_rank_spread(gaps) == pytest.approx(np.sqrt((ranks**2).sum() / 4), rel=1e-12)


def test_signed_rank_leaves_out_zeros_and_missing_pairs():
    found = wilcoxon_signed_rank([1, 2, 3, None, 6, 8], [1, 1, 1, 4, 2, 3])
    assert (found.estimate.n, found.estimate.missing) == (5, 1)
    assert found.note == "1 pairs without a difference left out"
    assert "normal approximation" in found.method


def test_signed_rank_ties_survive_subtraction():
    """0.3 - 0.1 and 0.2 - 0 differ in their last bit, yet are one size of difference."""
    assert 0.3 - 0.1 != 0.2
    found = wilcoxon_signed_rank([0.3, 0.2, 0.9, 0.0], [0.1, 0.0, 0.2, 0.5])
    assert "tie" in found.method


def test_signed_rank_edges():
    assert wilcoxon_signed_rank([], []).note == "no pairs"
    same = wilcoxon_signed_rank([1, 2, 3], [1, 2, 3])
    assert (same.estimate.value, same.p_value) == (0, None)
