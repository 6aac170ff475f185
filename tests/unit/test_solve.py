"""Limits of whole numbers under linear equations, against trying every combination."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import csr_matrix

from audit.disclosure.solve import Contradiction, Equations, extremes, tightened


def system(matrix, row_low, row_high, *, most=4) -> Equations:
    matrix = csr_matrix(np.array(matrix, dtype=float))
    size = matrix.shape[1]
    return Equations(
        np.zeros(size),
        np.full(size, float(most)),
        np.ones(size, dtype=bool),
        matrix,
        np.array(row_low, dtype=float),
        np.array(row_high, dtype=float),
    )


factors = st.lists(st.sampled_from([-1.0, 0.0, 1.0, 2.0]), min_size=4, max_size=4)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    st.lists(factors, min_size=1, max_size=3), st.lists(st.integers(-2, 9), min_size=6, max_size=6)
)
def test_limits_are_those_of_every_combination(matrix, ends):
    ends = np.array(ends[: 2 * len(matrix)]).reshape(2, -1)
    low, high = ends.min(axis=0), ends.max(axis=0)
    equations = system(matrix, low, high)
    every = np.array(list(itertools.product(range(5), repeat=4)))
    sums = every @ np.array(matrix).T
    fits = every[((sums >= low) & (sums <= high)).all(axis=1)]
    if not len(fits):
        with pytest.raises(Contradiction):
            extremes(equations, np.arange(4))
        return
    least, most = extremes(equations, np.arange(4))
    assert least.tolist() == fits.min(axis=0).tolist()
    assert most.tolist() == fits.max(axis=0).tolist()
    outer_low, outer_high = tightened(equations)
    assert (outer_low <= least).all()
    assert (outer_high >= most).all()


def test_whole_numbers_tell_more_than_any_number():
    """2x + 2y = 7 has solutions, but none in whole numbers (textbook)."""
    with pytest.raises(Contradiction, match="contradict"):
        extremes(system([[2, 2]], [7], [7]), np.arange(2))


def test_enough_stops_early_and_never_says_less_than_there_is():
    equations = system([[1, 1, 1, 1]], [8], [8], most=8)
    low, high = extremes(equations, np.arange(4), enough=3)
    assert (high - low >= 3).all()
    assert (low >= 0).all()
    assert (high <= 8).all()


def test_parts_that_nothing_ties_are_solved_apart():
    equations = system([[1, 1, 0, 0], [0, 0, 1, 1]], [3, 5], [3, 5])
    low, high = extremes(equations, np.array([0, 2]))
    assert (low.tolist(), high.tolist()) == ([0, 1], [3, 4])
