"""Fisher's exact test: 2 x 2 with the conditional odds ratio, and larger tables by listing them.

A larger table is split in two by columns. All ways to fill both halves are listed for each way
to share the row totals between them, and the probabilities joined by sorting: exact, never
simulated, and refused when the listing would be too long.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

from audit.estimates.comparison import Comparison
from audit.estimates.estimate import LEVEL, not_estimable
from audit.estimates.inputs import Numbers, check_count, check_level
from audit.estimates.particulars import Particulars

Counts = NDArray[np.int64]

# Two tables count as equally likely within this relative distance, as in R.
_SAME = 1e-7
# Half-tables to list at most: a second or two of work.
_MOST_WORK = 15_000_000


def fisher_exact(table: Any, *, level: float = LEVEL) -> Comparison:
    """Fisher's exact test of a 2 x 2 table of counts, with the conditional odds ratio.

    table: [[a, b], [c, d]], rows the groups, first column the event. The two-sided p value adds
    up all tables no more likely than the one seen. estimate: the conditional maximum-likelihood
    odds ratio (not ad/bc) with its exact limits; infinite, with a finite lower limit, where b or
    c is 0. A row or column without any count: not estimable, p = 1. Source: Fisher 1935, J R Stat
    Soc 98:39-82; limits as Cornfield 1956, Proc 3rd Berkeley Symp 4:135-148.
    """
    check_level(level)
    counts = _check_table(table)
    if counts.shape != (2, 2):
        raise ValueError("table must have two rows and two columns; see fisher_exact_rxc")
    method = "Fisher exact test, two-sided by likelihood"
    about = Particulars(
        method="conditional odds ratio, exact interval", n=int(counts.sum()), level=level
    )
    if min(counts.sum(axis=0).min(), counts.sum(axis=1).min()) == 0:
        reason = "a row or a column of the table is empty"
        return Comparison(
            estimate=about.nothing(reason), method=method, note=reason,
            p_value=1.0, p_greater=1.0, p_less=1.0,
        )  # fmt: skip
    tails = {
        side: float(stats.fisher_exact(counts, alternative=side).pvalue)
        for side in ("two-sided", "greater", "less")
    }
    ratio = stats.contingency.odds_ratio(counts, kind="conditional")
    limits = ratio.confidence_interval(confidence_level=level)
    note = "a cell is 0: the ratio has no upper bound" if math.isinf(ratio.statistic) else ""
    return Comparison(
        estimate=about.estimate(ratio.statistic, limits.low, limits.high, note=note),
        method=method,
        p_value=tails["two-sided"],
        p_greater=tails["greater"],
        p_less=tails["less"],
    )


def fisher_exact_rxc(table: Any) -> Comparison:
    """Fisher's exact test of a table with more rows or columns (Freeman and Halton 1951).

    table: whole numbers, a row a group, a column a category. p_value adds up the probabilities of
    all tables with the same totals that are no more likely than the one seen (relative distance
    1e-7). There is no single measure of difference: `estimate` is not estimable. Where the tables
    are too many to list, p_value is None with the reason in `note`; it is never simulated.
    Source: Freeman and Halton 1951, Biometrika 38:141-149.
    """
    counts = _check_table(table)
    counts = counts[counts.sum(axis=1) > 0][:, counts.sum(axis=0) > 0]
    method = "Fisher-Freeman-Halton exact test, all tables listed"
    nothing = not_estimable(
        "a table of this size has no single measure of difference",
        n=int(counts.sum()), method=method,
    )  # fmt: skip
    if min(counts.shape, default=0) < 2:
        note = "fewer than two rows or columns with counts"
        return Comparison(estimate=nothing, method=method, note=note)
    plan = min((counts, counts.T), key=lambda one: _split(one)[1])
    columns, work = _split(plan)
    if work > _MOST_WORK:
        note = "too many tables to list, and a simulated p value would change from run to run"
        return Comparison(estimate=nothing, method=method, note=note)
    return Comparison(estimate=nothing, method=method, p_value=_p_value(plan, columns))


def _check_table(table: Any) -> Counts:
    rows = [[check_count(cell, name="table") for cell in row] for row in np.asarray(table)]
    if len({len(row) for row in rows}) != 1:
        raise ValueError("table must have rows of one length")
    return np.array(rows, dtype=np.int64)


def _split(counts: Counts) -> tuple[tuple[Counts, Counts], float]:
    """Column totals in two halves, and the work of listing them, for the cheapest division."""
    totals, rows = np.sort(counts.sum(axis=0)), counts.shape[0]
    choices = [(totals[:cut], totals[cut:]) for cut in range(1, totals.size)]
    return min(((pair, _work(pair, rows)) for pair in choices), key=lambda item: item[1])


def _work(halves: tuple[Counts, Counts], rows: int) -> float:
    """Bound on the half-tables to list: shares of the row totals times fillings of each half."""
    fillings = [
        math.prod(math.comb(int(total) + rows - 1, rows - 1) for total in half[:-1])
        for half in halves
    ]
    shares = min(math.comb(int(half.sum()) + rows - 1, rows - 1) for half in halves)
    return float(shares) * float(sum(fillings))


def _p_value(counts: Counts, halves: tuple[Counts, Counts]) -> float:
    row_totals = counts.sum(axis=1)
    logs = special.gammaln(np.arange(counts.sum() + 1) + 1.0)
    # log P = constant - sum of log factorials of the cells, so only that sum is compared.
    constant = float(logs[row_totals].sum() + logs[counts.sum(axis=0)].sum() - logs[-1])
    bar = math.log1p(_SAME) - float(logs[counts].sum())
    total = 0.0
    for share in _vectors(row_totals, int(halves[0].sum())):
        left = -_fillings(share, halves[0], logs)
        right = np.sort(-_fillings(row_totals - share, halves[1], logs))
        sums = np.concatenate([[0.0], np.cumsum(np.exp(right + constant / 2))])
        places = np.searchsorted(right, bar - left, side="right")
        total += float((np.exp(left + constant / 2) * sums[places]).sum())
    return min(total, 1.0)


def _fillings(row_totals: Counts, columns: Counts, logs: Numbers) -> Numbers:
    """Sum of log factorials of the cells for every table with these totals."""
    if columns.size == 1:
        return logs[row_totals].sum(keepdims=True)
    first = _vectors(row_totals, int(columns[0]))
    # Row by row, for a sum along many short rows is slow.
    here = np.zeros(len(first))
    for row in range(row_totals.size):
        here += logs[first[:, row]]
        if columns.size == 2:
            here += logs[row_totals[row] - first[:, row]]
    if columns.size == 2:
        return here
    parts = [
        own + _fillings(row_totals - vector, columns[1:], logs)
        for own, vector in zip(here, first, strict=True)
    ]
    return np.concatenate(parts)


def _vectors(limits: Counts, total: int) -> Counts:
    """All rows of whole numbers between 0 and the limits that add up to a total."""
    columns: list[Counts] = []
    left = np.array([total])
    for place, limit in enumerate(limits[:-1]):
        least = np.maximum(0, left - limits[place + 1 :].sum())
        sizes = np.maximum(np.minimum(limit, left) - least + 1, 0)
        parent = np.repeat(np.arange(left.size), sizes)
        here = (least - np.cumsum(sizes) + sizes)[parent] + np.arange(parent.size)
        columns = [column[parent] for column in columns] + [here]
        left = left[parent] - here
    return np.array([*columns, left]).T
