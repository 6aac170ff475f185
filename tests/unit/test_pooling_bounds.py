"""Ranges of a pooled answer hold the truth, whatever the hidden numbers are.

Common practice, no published source: the ranges are proved here by trying every case of small
boxes, and by random centres whose true numbers are known.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.pooling.bounds import (
    UNKNOWN,
    Range,
    deviation_range,
    extreme_range,
    mean_range,
    rate_range,
    share_range,
    total_range,
)

TINY = 1e-9
SMALL = st.tuples(st.integers(0, 4), st.integers(0, 3)).map(lambda p: Range(p[0], p[0] + p[1]))


def whole(one: Range) -> range:
    return range(int(one.low), int(one.high) + 1)


def boxes(*sides):
    return itertools.product(*[whole(one) for side in sides for one in side])


@settings(max_examples=150, deadline=None)
@given(parts=st.lists(st.tuples(SMALL, SMALL), min_size=1, max_size=3))
def test_the_range_of_a_share_is_what_trying_every_count_gives(parts):
    events, sizes = [one for one, _ in parts], [two for _, two in parts]
    k, found = len(parts), []
    for numbers in boxes(events, sizes):
        yes, n = numbers[:k], numbers[k:]
        if all(a <= b for a, b in zip(yes, n, strict=True)) and sum(n) > 0:
            found.append(sum(yes) / sum(n))
    ends = share_range(events, sizes)
    feasible = all(event.low <= size.high for event, size in parts)
    if found and feasible:
        assert (ends.low, ends.high) == pytest.approx((min(found), max(found)))


@settings(max_examples=150, deadline=None)
@given(parts=st.lists(st.tuples(SMALL, SMALL), min_size=1, max_size=3))
def test_the_ranges_of_a_rate_and_a_mean_are_what_trying_every_number_gives(parts):
    one, sizes = [a for a, _ in parts], [b for _, b in parts]
    k, rate, mean = len(parts), [], []
    for numbers in boxes(one, sizes):
        values, n = np.array(numbers[:k]), np.array(numbers[k:])
        if n.sum() > 0:
            rate.append(100 * values.sum() / n.sum())
            mean.append((values * n).sum() / n.sum())
    ends = rate_range(one, sizes, per=100)
    if not rate:
        assert ends == UNKNOWN
        return
    assert ends.low == pytest.approx(min(rate))
    if sum(size.low for size in sizes) > 0:
        assert ends.high == pytest.approx(max(rate))
    ends = mean_range(one, sizes)
    assert (ends.low, ends.high) == pytest.approx((min(mean), max(mean)))


CENTRE = st.lists(st.integers(-20, 20).map(float), min_size=1, max_size=6)
WIDTHS = st.tuples(st.floats(0, 3), st.floats(0, 3))


@settings(max_examples=200, deadline=None)
@given(centres=st.lists(st.tuples(CENTRE, WIDTHS, st.integers(0, 2)), min_size=1, max_size=4))
def test_the_range_of_a_deviation_holds_the_true_one(centres):
    means, deviations, sizes = [], [], []
    for values, (below, above), more in centres:
        mean, n = np.mean(values), len(values)
        sd = np.std(values, ddof=1) if n > 1 else 0.0
        means.append(Range(mean - below, mean + above))
        deviations.append(Range(max(sd - below, 0), sd + above))
        sizes.append(Range(max(n - more, 0), n + more))
    rows = np.concatenate([values for values, _, _ in centres])
    ends = deviation_range(means, deviations, sizes)
    if rows.size > 1:
        true = rows.std(ddof=1)
        assert ends.low <= true + TINY
        assert true <= ends.high + TINY


@settings(max_examples=100, deadline=None)
@given(centres=st.lists(CENTRE, min_size=1, max_size=4))
def test_exact_parts_give_the_deviation_to_rounding(centres):
    exact = [[Range(x, x) for x in map(f, centres)] for f in (np.mean, _deviation, len)]
    rows = np.concatenate(centres)
    ends = deviation_range(*exact)
    if rows.size > 1:
        true = rows.std(ddof=1)
        assert (ends.low, ends.high) == pytest.approx((true, true), rel=1e-5, abs=1e-5)


def _deviation(values) -> float:
    return float(np.std(values, ddof=1)) if len(values) > 1 else 0.0


@settings(max_examples=300, deadline=None)
@given(centres=st.lists(CENTRE, min_size=1, max_size=4))
def test_the_median_of_all_lies_between_the_medians_of_the_centres(centres):
    parts = [Range(float(np.median(one)), float(np.median(one))) for one in centres]
    ends = extreme_range(parts)
    assert ends.low - TINY <= np.median(np.concatenate(centres)) <= ends.high + TINY


def test_hand_worked_ranges():
    """Two centres: 3 to 4 of 10, and 1 to 7 of 8 to 12 (a hidden cell)."""
    events = [Range(3, 4), Range(1, 7)]
    sizes = [Range(10, 10), Range(8, 12)]
    assert share_range(events, sizes) == Range(4 / 22, 11 / 18)
    assert rate_range(events, sizes, per=100) == Range(400 / 22, 1100 / 18)
    assert total_range(events) == Range(4, 11)
    assert mean_range([Range(5, 5), Range(20, 20)], sizes) == Range(
        (50 + 160) / 18, (50 + 240) / 22
    )


def test_what_is_hidden_without_limit_has_none():
    free = Range(0, math.inf)
    assert mean_range([Range(5, 5), UNKNOWN], [Range(9, 9), Range(1, 3)]) == UNKNOWN
    assert share_range([Range(0, 0)], [Range(0, 0)]) == UNKNOWN
    assert share_range([Range(2, 2), free], [Range(4, 4), free]) == Range(0, 1)
    assert rate_range([Range(2, 2), free], [Range(4, 4), Range(1, 1)], per=100) == Range(
        40, math.inf
    )
    assert mean_range([Range(5, 5), Range(7, 7)], [Range(9, 9), free]) == Range(5, 7)
    assert deviation_range([UNKNOWN], [Range(1, 1)], [Range(3, 3)]) == UNKNOWN
    assert extreme_range([]) == UNKNOWN
