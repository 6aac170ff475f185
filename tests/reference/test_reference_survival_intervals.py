"""Interval-censored curve: published masses, R values, and a slow plain route as a second opinion.

Breast cosmesis data of Finkelstein & Wolfe 1985; printed masses of Fay & Shaw 2010, J Stat Softw
36(2), section 4.1.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from audit.estimates.interval_survival import interval_survival_curve
from tests.reference.adapters import interval_curve_of, our_masses
from tests.reference.checks import (
    assert_close,
    assert_printed,
    checks_of,
    every_check,
    published_values,
)


@every_check("interval_npmle")
def test_masses(check):
    curve = interval_curve_of(check)
    assert curve.gap <= 1e-6
    ours = our_masses(check)
    for key in ("left", "right", "mass", "loglik"):
        assert_close(ours[key], check.expected[key], check.tolerance, where=key)
    assert curve.mass.sum() == pytest.approx(1)


@published_values("interval_npmle")
def test_masses_against_print(check, published):
    column = interval_curve_of(check).table[published["path"]]
    for value, printed in zip(column, published["value"], strict=True):
        assert_printed(value, {**published, "value": printed})


@every_check("interval_npmle_closed")
def test_closed_intervals_are_not_what_is_fitted(check):
    """The recognition value of a program that takes visits as [L, R]: mass at single days."""
    curve = interval_curve_of(check)
    closed = check.expected
    found = set(zip(curve.left, curve.right, strict=True))
    wrong = set(zip(closed["left"], closed["right"], strict=True))
    assert found != wrong
    assert (curve.left < curve.right).all()
    assert abs(curve.log_likelihood - closed["loglik"]) > 0.1


def slow_masses(left, right, rounds=20000):
    """Plain EM with a dense table of who may sit where: the obvious way (Turnbull 1976)."""
    ends = sorted({*left, *right})
    cells = list(itertools.pairwise(ends))
    inside = np.array(
        [[a <= low and high <= b for low, high in cells] for a, b in zip(left, right, strict=True)],
        dtype=float,
    )
    mass = np.full(len(cells), 1 / len(cells))
    for _ in range(rounds):
        share = inside * mass
        mass = (share / share.sum(axis=1, keepdims=True)).mean(axis=0)
    return np.array(cells), mass, float(np.log(inside @ mass).sum())


@pytest.mark.parametrize("seed", range(5))
def test_agrees_with_the_slow_route(seed):
    rng = np.random.default_rng(seed)
    left = rng.integers(0, 8, 40) * 7.0
    right = left + 7.0 * rng.integers(1, 4, 40)
    right[rng.random(40) < 0.25] = np.inf
    curve = interval_survival_curve(left, right)
    cells, mass, likelihood = slow_masses(left, right)
    assert curve.log_likelihood >= likelihood - 1e-9
    for day, survival in zip(curve.right[:-1], curve.survival[:-1], strict=True):
        assert survival == pytest.approx(1 - mass[cells[:, 1] <= day].sum(), abs=2e-3)


@pytest.mark.parametrize("seed", range(3))
def test_agrees_with_a_library_once_its_closed_intervals_are_opened(seed):
    """lifelines after adding 1e-6 to every left end, which makes [L, R] into (L, R]."""
    fitter = pytest.importorskip("lifelines").KaplanMeierFitter
    rng = np.random.default_rng(seed)
    left = rng.integers(0, 6, 60) * 14.0
    right = left + 14.0 * rng.integers(1, 3, 60)
    right[rng.random(60) < 0.2] = np.inf
    curve = interval_survival_curve(left, right)
    with np.errstate(all="ignore"):
        fitted = fitter().fit_interval_censoring(left + 1e-6, right, tol=1e-10)
    theirs = fitted.survival_function_["NPMLE_estimate_lower"]
    for day, survival in zip(curve.right[:-1], curve.survival[:-1], strict=True):
        assert survival == pytest.approx(theirs.loc[day], abs=5e-4)


def test_exact_times_give_the_product_limit_curve():
    """Exact times 1, 2, 3, 4: 3/4, 2/4, 1/4, 0, as Kaplan & Meier give."""
    curve = interval_survival_curve([1, 2, 3, 4], [1, 2, 3, 4])
    assert list(curve.left) == list(curve.right) == [1, 2, 3, 4]
    np.testing.assert_allclose(curve.survival, [0.75, 0.5, 0.25, 0], atol=1e-9)


def test_all_interval_checks_are_present():
    assert len(checks_of("interval_npmle")) >= 3
