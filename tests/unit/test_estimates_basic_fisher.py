"""Fisher's exact test: by hand, by going through all tables, and where it refuses."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy import stats

from audit.estimates.fisher import fisher_exact, fisher_exact_rxc


def test_fisher_by_hand():
    """[[3, 1], [1, 3]]: tables with first cell 0..4 have 1 16 36 16 1 of 70 ways;
    two-sided (1 + 16 + 16 + 1)/70, one-sided (16 + 1)/70."""
    found = fisher_exact([[3, 1], [1, 3]])
    assert found.p_value == pytest.approx(34 / 70, rel=1e-9)
    assert found.p_greater == pytest.approx(17 / 70, rel=1e-9)
    assert found.estimate.n == 8


def test_fisher_limits_are_tail_probabilities_of_an_eighth_each():
    """At the lower limit P(X >= 3) = 0.025, at the upper P(X <= 3) = 0.025."""
    found = fisher_exact([[3, 1], [1, 3]]).estimate
    ways = np.array([1, 16, 36, 16, 1.0])
    for odds, tail in ((found.low, slice(3, 5)), (found.high, slice(0, 4))):
        weights = ways * odds ** np.arange(5)
        assert weights[tail].sum() / weights.sum() == pytest.approx(0.025, rel=1e-6)


def test_fisher_open_and_empty_tables():
    open_above = fisher_exact([[5, 0], [3, 6]])
    assert open_above.estimate.value == open_above.estimate.high == math.inf
    assert open_above.estimate.low > 0
    assert "no upper bound" in open_above.estimate.note
    empty = fisher_exact([[0, 0], [3, 6]])
    assert empty.estimate.value is None
    assert empty.p_value == 1
    assert empty.estimate.note == "a row or a column of the table is empty"


def brute_force_rxc(table):
    """The p value of a 3 x 3 table by going through every table with its totals."""
    counts = np.array(table)
    rows, columns = counts.sum(axis=1), counts.sum(axis=0)

    def weight(cells):
        return 1 / math.prod(math.factorial(int(cell)) for cell in np.ravel(cells))

    seen, at_least, everything = weight(counts), 0.0, 0.0
    for cells in itertools.product(range(int(counts.sum()) + 1), repeat=4):
        full = np.zeros((3, 3), dtype=int)
        full[:2, :2] = np.reshape(cells, (2, 2))
        full[:2, 2] = rows[:2] - full[:2, :2].sum(axis=1)
        full[2] = columns - full[:2].sum(axis=0)
        if full.min() >= 0:
            everything += weight(full)
            at_least += weight(full) if weight(full) <= seen * (1 + 1e-7) else 0
    return at_least / everything


@pytest.mark.parametrize(
    "table", [[[2, 0, 1], [0, 3, 1], [1, 1, 2]], [[0, 4, 0], [2, 0, 2], [1, 0, 1]]]
)
def test_larger_fisher_tables_by_going_through_all(table):
    expected = brute_force_rxc(table)
    assert fisher_exact_rxc(table).p_value == pytest.approx(expected, rel=1e-9)
    assert fisher_exact_rxc(np.transpose(table)).p_value == pytest.approx(expected, rel=1e-9)
    assert fisher_exact_rxc(table[::-1]).p_value == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("shape", [(2, 6), (5, 2), (3, 4)])
def test_larger_fisher_tables_agree_with_simulation(shape):
    """scipy's p from 20 000 random tables: 4 Monte-Carlo errors of sqrt(p (1 - p) / 20 000)."""
    random = np.random.default_rng(shape[0])
    table = random.integers(0, 6, size=shape)
    method = stats.MonteCarloMethod(n_resamples=20_000, rng=random)
    simulated = stats.fisher_exact(table, method=method).pvalue
    allowed = 4 * math.sqrt(simulated * (1 - simulated) / 20_000) + 1e-4
    assert fisher_exact_rxc(table).p_value == pytest.approx(simulated, abs=allowed)


def test_larger_fisher_tables_refuse_rather_than_simulate():
    found = fisher_exact_rxc(np.full((5, 5), 20))
    assert found.p_value is None
    assert "too many tables to list" in found.note
    assert fisher_exact_rxc([[3, 0], [5, 0]]).note == "fewer than two rows or columns with counts"


def test_larger_fisher_tables_ignore_empty_rows_and_columns():
    plain = fisher_exact_rxc([[3, 1, 4], [0, 5, 1]]).p_value
    assert fisher_exact_rxc([[3, 0, 1, 4], [0, 0, 0, 0], [0, 0, 5, 1]]).p_value == pytest.approx(
        plain
    )


@pytest.mark.parametrize("test", [fisher_exact, fisher_exact_rxc])
@pytest.mark.parametrize("cell", [-1, 2.5, math.nan])
def test_bad_tables(test, cell):
    with pytest.raises(ValueError, match="table must be a whole number of 0 or more"):
        test([[cell, 1], [1, 3]])


def test_fisher_of_another_shape():
    with pytest.raises(ValueError, match="two rows and two columns; see fisher_exact_rxc"):
        fisher_exact([[1, 2, 3], [4, 5, 6]])
