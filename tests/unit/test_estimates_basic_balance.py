"""Balance, adjusted p values and pooling: by hand and at their edges."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from audit.estimates.balance import (
    standardised_difference,
    standardised_difference_categories,
    standardised_difference_of_shares,
    standardised_difference_yes_no,
)
from audit.estimates.multiplicity import adjust_p_values, holm
from audit.estimates.pooling import pool_rubin


def test_standardised_difference_by_hand():
    """1 2 3 against 3 5 7: means 2 and 5, variances 1 and 4: -3 / sqrt(2.5) = -1.8974. Limits:
    variance 6/9 + 3.6/12 = 0.96667, error 0.98319 x 1.96 = 1.9270."""
    found = standardised_difference([1, 2, 3], [3, 5, 7, None])
    assert found.value == pytest.approx(-3 / math.sqrt(2.5), rel=1e-12)
    assert (found.low, found.high) == pytest.approx((-1.8974 - 1.9270, -1.8974 + 1.9270), abs=1e-3)
    assert (found.n, found.missing) == (6, 1)


def test_hedges_factor_is_near_its_approximation():
    """1 - 3/(4m - 1) for m = 28 degrees of freedom (Hedges 1981), good to 4 digits."""
    values = np.random.default_rng(1).normal(size=(2, 15))
    cohen, hedges = (standardised_difference(*values, form=f).value for f in ("cohen", "hedges"))
    assert hedges / cohen == pytest.approx(1 - 3 / (4 * 28 - 1), abs=1e-4)


def test_standardised_difference_edges():
    assert "two values" in standardised_difference([1], [1, 2]).note
    assert standardised_difference([2, 2], [2, 2]).value == 0
    assert standardised_difference([2, 2], [3, 3]).value is None
    assert standardised_difference_yes_no([1, 1], [0, 0]).value is None
    assert standardised_difference_yes_no([1, 1], [1, 1]).value == 0
    assert standardised_difference_yes_no([], [1]).note == "no values in one group"
    with pytest.raises(ValueError, match=r"form must be one of .*, got 'glass'"):
        standardised_difference([1, 2], [1, 2], form="glass")
    with pytest.raises(ValueError, match="second must be yes or no"):
        standardised_difference_yes_no([1, 0], [3, 0])


def test_categories_of_two_levels_are_the_yes_no_difference():
    one, two = ["f"] * 12 + ["t"] * 8 + [None], ["f"] * 5 + ["t"] * 15
    expected = standardised_difference_yes_no([1] * 12 + [0] * 8, [1] * 5 + [0] * 15).value
    found = standardised_difference_categories(one, two)
    assert found.value == pytest.approx(abs(expected), rel=1e-9)
    assert (found.n, found.missing) == (40, 1)
    assert found.low >= 0


def test_categories_do_not_depend_on_order_or_on_lists_of_codes():
    one, two = list("aabbbc"), list("abccdd")
    found = standardised_difference_categories(one, two).value
    assert standardised_difference_categories(one[::-1], two[::-1]).value == pytest.approx(found)
    coded = [
        pd.Series(one).astype(pd.CategoricalDtype(list("dcba"))),
        pd.Series(two).astype("category"),
    ]
    assert standardised_difference_categories(*coded).value == pytest.approx(found)
    relabelled = [["xyzw"["cabd".index(x)] for x in group] for group in (one, two)]
    assert standardised_difference_categories(*relabelled).value == pytest.approx(found)


def test_categories_that_separate_the_groups():
    apart = standardised_difference_categories(["a", "a"], ["b", "c"])
    assert apart.value is None
    assert "no bound" in apart.note
    assert standardised_difference_categories(["a"], ["a", "a"]).value == 0


def test_bad_shares():
    with pytest.raises(ValueError, match="shares must lie between 0 and 1"):
        standardised_difference_of_shares(30, 45)
    with pytest.raises(ValueError, match="same categories and add up to 1"):
        standardised_difference_of_shares([0.5, 0.5], [0.2, 0.3, 0.5])
    with pytest.raises(ValueError, match="same categories and add up to 1"):
        standardised_difference_of_shares([0.5, 0.4], [0.5, 0.5])


def test_holm_by_hand():
    """0.01 0.02 0.03 sorted: x 3, x 2, x 1 = 0.03, 0.04, 0.03, never falling: 0.03, 0.04, 0.04."""
    np.testing.assert_allclose(holm([0.02, 0.01, 0.03]), [0.04, 0.03, 0.04])


def test_missing_p_values_are_not_counted():
    found = adjust_p_values([0.02, None, 0.01])
    assert np.isnan(found[1])
    np.testing.assert_allclose(found[[0, 2]], holm([0.02, 0.01]))
    assert holm([]).size == 0


def test_bad_p_values():
    with pytest.raises(ValueError, match="p_values must lie between 0 and 1"):
        holm([0.5, 1.2])
    with pytest.raises(ValueError, match=r"method must be one of .*, got 'sidak'"):
        adjust_p_values([0.5], method="sidak")


def test_pooling_by_hand():
    """Values 1, 2, 3 with errors 1: within 1, between 1, total 1 + 4/3 = 7/3; increase 4/3;
    share 4/7; Rubin's degrees 2 / (4/7)^2 = 6.125."""
    found = pool_rubin([1, 2, 3], [1, 1, 1])
    assert found.estimate.value == 2
    assert found.total == pytest.approx(7 / 3)
    assert found.share_missing == pytest.approx(4 / 7)
    assert found.degrees == found.degrees_1987 == pytest.approx(6.125)
    half = stats.t.ppf(0.975, 6.125) * math.sqrt(7 / 3)
    assert found.estimate.high == pytest.approx(2 + half, rel=1e-9)


def test_pooling_of_imputations_that_agree_is_the_complete_interval():
    """No variance between: degrees 30 x 31/33 = 28.18 (Barnard and Rubin) and no inflation."""
    found = pool_rubin([5, 5, 5], [2, 2, 2], df_complete=30)
    assert found.total == 4
    assert found.degrees == pytest.approx(30 * 31 / 33)
    large = pool_rubin([5, 5, 5], [2, 2, 2]).estimate
    assert large.high == pytest.approx(5 + 1.959964 * 2, abs=1e-5)


def test_pooling_edges():
    one = pool_rubin([5], [2])
    assert (one.estimate.value, one.estimate.low) == (5, None)
    assert one.estimate.note == "one imputed data set only: no interval"
    assert pool_rubin([], []).estimate.note == "no imputed data sets"
    certain = pool_rubin([1, 3], [0, 0])
    assert certain.increase == math.inf
    assert certain.fraction_missing == 1
    for bad in (([1, None], [1, 1]), ([1, 2], [1])):
        with pytest.raises(ValueError, match="must be complete and of the same length"):
            pool_rubin(*bad)
    with pytest.raises(ValueError, match="standard_errors must be 0 or more"):
        pool_rubin([1, 2], [1, -1])
    with pytest.raises(ValueError, match="df_complete must be above 0"):
        pool_rubin([1, 2], [1, 1], df_complete=0)
