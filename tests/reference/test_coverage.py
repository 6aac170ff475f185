"""The 95 % intervals hold the truth about 95 times in 100, in cohorts the size of a service.

Of 300 cohorts an honest interval covers 95 % with a binomial error of 1.26 points; the bounds are
3.5 of these either way. `tests.benchmarks.coverage` does the same with 2,000 cohorts. Truths come
from the formulas of the distributions drawn from, not from the kit.
"""

from __future__ import annotations

import dataclasses
import math

import pytest

from audit.estimates.clusters import clustered_mean
from tests.benchmarks.coverage import (
    CONSERVATIVE,
    NOMINAL,
    Quantity,
    Service,
    clustered_quantities,
    coverage,
    independent_quantities,
    plain_quantities,
    true_mean,
)

COHORTS = 300
ERROR = math.sqrt(0.95 * 0.05 / COHORTS)
LOW, HIGH = 0.95 - 3.5 * ERROR, 0.95 + 3.5 * ERROR
# Three cases a patient: a plain interval is then far too narrow (design effect near 2.4).
CROWDED = Service(sizes=(0.0, 0.0, 1.0))

OURS = independent_quantities() + clustered_quantities()


def by_name(quantities, service):
    found = coverage(quantities, number=COHORTS, seed=7, service=service)
    return {row.name: row for row in found}


@pytest.fixture(scope="module")
def ordinary():
    return by_name(OURS, Service())


@pytest.fixture(scope="module")
def crowded():
    return by_name(clustered_quantities() + plain_quantities(), CROWDED)


def test_bounds_leave_room_for_chance_only():
    assert (round(LOW, 3), round(HIGH, 3)) == (0.906, 0.994)


@pytest.mark.parametrize("name", [item.name for item in OURS])
def test_interval_holds_the_truth_as_often_as_it_says(ordinary, name):
    row = ordinary[name]
    assert row.estimated == COHORTS
    assert row.share >= LOW
    assert row.share <= HIGH or row.expected == CONSERVATIVE


@pytest.mark.parametrize("name", [item.name for item in clustered_quantities()])
def test_clustered_interval_holds_with_three_cases_a_patient(crowded, name):
    assert LOW <= crowded[name].share <= HIGH


@pytest.mark.parametrize("name", [item.name for item in plain_quantities()])
def test_plain_interval_of_clustered_rows_fails_the_bound(crowded, name):
    assert crowded[name].share < LOW


@pytest.mark.parametrize(("factor", "fails"), [(math.sqrt(0.5), "low"), (2.0, "high")])
def test_a_wrong_width_fails_the_bound(factor, fails):
    """Half the variance, or four times the variance: coverage near 83 % and 99.99 %."""

    def stretched(cohort):
        found = clustered_mean(cohort.size, cohort.patient)
        half = factor * (found.high - found.value)
        return dataclasses.replace(found, low=found.value - half, high=found.value + half)

    item = Quantity(name="mean", truth=true_mean(), expected=NOMINAL, interval=stretched)
    share = by_name([item], Service())["mean"].share
    assert share < LOW if fails == "low" else share > HIGH
