"""Agreement, repeatability and reliability: hand-worked cases and columns that cannot be judged."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from audit.estimates.agreement import agreement, concordance, lin_ccc, repeatability
from audit.estimates.icc import FORMS, icc, icc_forms

PLANNED = [40, 50, 60, 55, 45]
ACHIEVED = [41, 48, 63, 57, 46]  # differences 1, -2, 3, 2, 1


def test_agreement_by_hand():
    """Differences 1 -2 3 2 1: mean 1, squares 0+9+4+1+0 = 14, sd sqrt(14/4) = 1.8708;
    limits 1 -/+ 1.96 x 1.8708 = -2.6667 and 4.6667; bias t(0.975, 4) = 2.7764: +/- 2.3229."""
    found = agreement(ACHIEVED, PLANNED, unit="mm")
    assert found.bias.value == 1
    assert (found.bias.low, found.bias.high) == pytest.approx((-1.3229, 3.3229), abs=1e-3)
    assert found.sd.value == pytest.approx(math.sqrt(3.5), rel=1e-12)
    assert (found.limit_low.value, found.limit_high.value) == pytest.approx(
        (-2.6667, 4.6667), abs=1e-3
    )
    assert {e.unit for e in (found.bias, found.limit_low, found.limit_high, found.sd)} == {"mm"}


def test_exact_limits_are_wider_outwards_and_mirror():
    found = agreement(ACHIEVED, PLANNED)
    low, high = found.limit_low, found.limit_high
    assert low.low < low.value < low.high
    assert low.value - low.low > low.high - low.value
    assert high.high - 1 == pytest.approx(1 - low.low, rel=1e-9)
    turned = agreement(PLANNED, ACHIEVED)
    assert turned.limit_high.high == pytest.approx(-low.low, rel=1e-9)


def test_exact_limits_cover_the_true_limit():
    """1 000 normal samples of 15: 95 % limits hold the true limit 1.96 in 93 to 97 %."""
    samples = np.random.default_rng(21).normal(size=(1000, 15))
    found = [agreement(sample, np.zeros(15)).limit_high for sample in samples]
    inside = np.mean([one.low <= 1.959964 <= one.high for one in found])
    assert inside == pytest.approx(0.95, abs=0.021)


def test_approximate_intervals_are_named():
    assert "1999" in agreement(ACHIEVED, PLANNED, interval="approx_1999").limit_low.method
    assert "1986" in agreement(ACHIEVED, PLANNED, interval="approx_1986").limit_low.method
    assert "multiplier 2," in agreement(ACHIEVED, PLANNED, multiplier=2).limit_low.method


def test_pairs_that_lack_a_side_are_missing():
    found = agreement([41, None, 63, 57], [40, 50, np.nan, 55])
    assert (found.bias.n, found.bias.missing, found.bias.value) == (2, 2, 1.5)


def test_too_few_pairs():
    one = agreement([5], [3])
    assert (one.bias.value, one.bias.low) == (2, None)
    assert one.limit_low.value is None
    assert one.sd.value is None
    assert one.limit_high.note == "limits of agreement need two pairs"
    none = agreement([], [])
    assert none.bias.value is None


def test_equal_differences_are_flagged():
    found = agreement([3, 4, 5], [2, 3, 4])
    assert (found.limit_low.value, found.limit_high.value) == (1, 1)
    assert "no width" in found.limit_low.note


def test_bad_agreement_input():
    with pytest.raises(ValueError, match=r"interval must be one of .*'exact'\], got 'approx'"):
        agreement([1, 2], [1, 2], interval="approx")
    with pytest.raises(ValueError, match="a and b must have the same length"):
        agreement([1, 2], [1])
    with pytest.raises(ValueError, match="b must be numbers, not string"):
        agreement([1, 2], ["1", "2"])
    with pytest.raises(ValueError, match="multiplier must be a finite number of 0 or more"):
        agreement([1, 2], [1, 2], multiplier=-2)


def test_repeatability_by_hand():
    """Differences 1 -2 3 2 1: sum of squares 19, within-subject sd sqrt(19/10) = 1.3784;
    coefficient 1.96 sqrt 2 x 1.3784 = 3.8206."""
    found = repeatability(ACHIEVED, PLANNED, unit="mm")
    assert found.within_subject_sd.value == pytest.approx(math.sqrt(1.9), rel=1e-12)
    assert found.coefficient.value == pytest.approx(3.8206, abs=1e-4)
    assert found.coefficient.low < found.coefficient.value < found.coefficient.high
    assert found.within_subject_sd.unit == "mm"


def test_repeatability_interval_is_chi_squared_on_n():
    """sqrt(19/2 / chi2): chi-squared(0.975, 5) = 12.833, (0.025, 5) = 0.8312 (any table)."""
    found = repeatability(ACHIEVED, PLANNED).within_subject_sd
    assert (found.low, found.high) == pytest.approx((0.8604, 3.3807), abs=1e-3)


def test_repeatability_without_pairs():
    assert repeatability([None], [3]).coefficient.note == "no complete pairs"


def test_concordance_by_hand():
    """1 2 3 against 2 3 4: both variances 2/3 (n), covariance 2/3, shift 1:
    2 x 2/3 / (2/3 + 2/3 + 1) = 4/7; correlation 1, bias correction 4/7."""
    found = concordance([1, 2, 3], [2, 3, 4])
    assert found.coefficient.value == pytest.approx(4 / 7, rel=1e-12)
    assert found.pearson == pytest.approx(1, rel=1e-12)
    assert found.bias_correction == pytest.approx(4 / 7, rel=1e-12)


def test_concordance_limits():
    assert lin_ccc([1, 2, 3, 4], [1, 2, 3, 4]).value == pytest.approx(1)
    assert lin_ccc([1, 2, 3, 4], [1, 2, 3, 4]).low is None
    assert lin_ccc([1, 2, 3], [5, 5, 5]).value is None
    assert lin_ccc([1], [2]).value is None
    noisy = lin_ccc([1, 2, 3, 4, 5, 6], [1, 3, 2, 5, 4, 6])
    assert -1 < noisy.low < noisy.value < noisy.high < 1


def test_icc_drops_and_counts_incomplete_subjects():
    ratings = pd.DataFrame({"a": [9, 6, 8, None], "b": [8, 7, 9, 5]})
    before = ratings.copy(deep=True)
    found = icc(ratings)
    assert (found.n, found.missing) == (3, 1)
    pd.testing.assert_frame_equal(ratings, before)
    np.testing.assert_allclose(
        icc_forms(ratings)["value"], icc_forms(ratings.iloc[[2, 0, 1]])["value"], rtol=1e-12
    )


@pytest.mark.parametrize(
    ("ratings", "reason"),
    [
        (np.empty((0, 2)), "two subjects and two raters"),
        ([[1.0, 2.0]], "two subjects and two raters"),
        ([[1.0], [2.0]], "two subjects and two raters"),
        ([[3.0, 3.0], [3.0, 3.0]], "the ratings do not vary"),
        ([[None, 3.0], [2.0, None]], "two subjects and two raters"),
    ],
)
@pytest.mark.parametrize("form", FORMS)
def test_icc_not_estimable(ratings, reason, form):
    found = icc(ratings, form=form)
    assert found.value is None
    assert reason in found.note


def test_icc_of_subjects_that_do_not_differ():
    """Row means equal: no subject variance. One rater: (0 - w)/(0 + w) = -1; the mean of two has
    no reliability at all (0/0 after Spearman and Brown), and is not estimable."""
    ratings = [[1, 2], [2, 1], [1, 2], [2, 1]]
    assert icc(ratings, form="ICC(1,1)").value == pytest.approx(-1)
    two_way = icc(ratings, form="ICC(2,1)")
    assert (two_way.value, two_way.low) == (pytest.approx(-2), None)
    assert "no interval" in two_way.note
    for form in ("ICC(1,k)", "ICC(3,k)"):
        assert icc(ratings, form=form).value is None
        assert "do not differ" in icc(ratings, form=form).note


def test_icc_of_perfect_raters_has_no_interval():
    found = icc([[1, 1], [2, 2], [5, 5]])
    assert (found.value, found.low, found.high) == (1, None, None)
    assert "no interval" in found.note


def test_icc_bad_input():
    with pytest.raises(ValueError, match=r"form must be one of .*, got 'ICC\(4,1\)'"):
        icc([[1, 2], [2, 3]], form="ICC(4,1)")
    with pytest.raises(ValueError, match="ratings must be numbers, not string"):
        icc([["a", "b"], ["c", "d"]])
