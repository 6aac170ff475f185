"""Interval-censored curve: by hand, at its edges, and what must hold for any visits."""

from __future__ import annotations

import time

import numpy as np
import pandas as pd
import pytest

from audit.estimates.interval_survival import interval_quantile, interval_survival_curve
from audit.estimates.survival import survival_curve
from audit.estimates.turnbull import fit_masses, supports_of


def visits(seed, n=60):
    rng = np.random.default_rng(seed)
    left = rng.integers(0, 10, n) * 14.0
    right = left + 14.0 * rng.integers(1, 4, n)
    right[rng.random(n) < 0.3] = np.inf
    return left, right


def test_by_hand_disjoint_visits():
    """One case in (0, 28], two in (28, 56], one still waiting at 56: 3/4 and 1/4 are left."""
    curve = interval_survival_curve([0, 28, 28, 56], [28, 56, 56, np.inf])
    assert curve.table["mass"].tolist() == pytest.approx([0.25, 0.5, 0.25])
    assert curve.table["survival"].tolist() == pytest.approx([0.75, 0.25, 0])
    median = curve.median()
    assert median.value == 56
    assert median.note == "lies after 28 and up to 56"
    assert curve.quantile_interval(0.5) == (28, 56)
    assert curve.at(28).value == pytest.approx(0.75)
    inside = curve.at(40)
    assert inside.value is None
    assert "between 25 % and 75 %" in inside.note
    assert "beyond the last visits" in curve.at(57).note
    assert "25 % still waiting" in curve.quantile(0.9).note


def test_by_hand_overlapping_visits():
    """(0, 2] once and (0, 4], (2, 4] once each: the wide one is shared in the ratio 1 : 1.

    Masses p and 1 - p with p = (1 + p) / 3, so p = 1/2.
    """
    curve = interval_survival_curve([0, 0, 2], [2, 4, 4])
    assert curve.table["mass"].tolist() == pytest.approx([0.5, 0.5])


@pytest.mark.parametrize("seed", range(5))
def test_exact_and_waiting_cases_give_the_product_limit_curve(seed):
    rng = np.random.default_rng(seed)
    days, seen = rng.integers(1, 30, 40), rng.random(40) < 0.6
    plain = survival_curve(days, seen)
    curve = interval_survival_curve(days, np.where(seen, days, np.inf))
    for day in np.unique(days[seen]):
        assert curve.at(day).value == pytest.approx(plain.at(day).value, abs=1e-5)


@pytest.mark.parametrize("seed", range(6))
def test_what_holds_for_any_visits(seed):
    left, right = visits(seed)
    curve = interval_survival_curve(left, right)
    assert curve.gap <= 1e-6
    assert curve.mass.sum() == pytest.approx(1, abs=1e-6)
    assert (curve.mass > 0).all()
    assert (np.diff(curve.survival) < 0).all()
    assert (curve.left[1:] >= curve.right[:-1]).all()
    turn = np.random.default_rng(seed).permutation(left.size)
    again = interval_survival_curve(left[turn], right[turn])
    assert again.log_likelihood == pytest.approx(curve.log_likelihood, abs=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_no_other_masses_fit_better(seed):
    """The likelihood falls whichever way a little mass is moved."""
    left, right = visits(seed)
    supports = supports_of(left, right)
    weight = np.bincount(supports.case_row).astype(float)
    mass, _ = fit_masses(supports, weight)
    inside = np.array(
        [
            [
                a <= low and high <= b
                for low, high in zip(supports.left, supports.right, strict=True)
            ]
            for a, b in zip(left, right, strict=True)
        ]
    )
    best = np.log(inside @ mass).mean()
    for cell in range(mass.size):
        moved = 0.999 * mass
        moved[cell] += 0.001
        assert np.log(inside @ moved).mean() <= best + 1e-9


def test_three_thousand_cases_converge_quickly():
    """The lists of 3,000 overlapping visits that plain EM does not finish in a thousand rounds."""
    rng = np.random.default_rng(3)
    event = rng.weibull(1.5, 3000) * 120
    left = np.floor(event / 14) * 14 + rng.integers(-13, 1, 3000)
    left = np.maximum(left, 0)
    right = np.where(rng.random(3000) < 0.2, np.inf, left + rng.integers(14, 71, 3000))
    start = time.perf_counter()
    curve = interval_survival_curve(left, right)
    assert curve.gap <= 1e-6
    assert time.perf_counter() - start < 5


def test_edges():
    nobody = interval_survival_curve([], [])
    assert nobody.table.empty
    assert nobody.median().note == nobody.at(3).note == "no cases"
    assert nobody.quantile_interval(0.5) is None
    waiting = interval_survival_curve([10, 20], [np.inf, np.inf])
    assert waiting.median().note == "median not reached: 100 % still waiting at the last visits"
    assert waiting.at(20).value == 1
    one = interval_survival_curve([5], [9])
    assert one.median().value == 9
    exact = interval_survival_curve([0, 0], [0, 0])
    assert exact.at(0).value == 0
    assert exact.median().note == "an exact time"
    missing = interval_survival_curve([5, np.nan], [9, np.nan], missing=2)
    assert (missing.n, missing.missing) == (1, 3)


@pytest.mark.parametrize(
    ("lower", "upper", "match"),
    [
        ([0, 4], [4, np.nan], "write inf"),
        ([0, np.nan], [4, 8], "only one end"),
        ([5], [4], "must not be above"),
        ([-1], [4], "0 or more"),
        ([np.inf], [np.inf], "finite"),
        ([0], [4, 5], "equally long"),
        (["0"], ["4"], "must be numbers"),
        (pd.Series([0, 1]), pd.Series([4, 5], index=[1, 0]), "different row labels"),
    ],
)
def test_what_is_refused(lower, upper, match):
    with pytest.raises(ValueError, match=match):
        interval_survival_curve(lower, upper)


def test_resampled_limits_repeat_with_the_seed_and_hold_the_median():
    left, right = visits(1)
    first = interval_quantile(left, right, resamples=200, seed=4)
    again = interval_quantile(left, right, resamples=200, seed=4)
    assert first == again
    assert first.low <= first.value <= first.high
    assert "200 resamples of 60 clusters" in first.note


def test_clusters_are_drawn_whole():
    """Every case written four times adds nothing: by patient the limits stay wide."""
    left, right = (np.repeat(part, 4) for part in visits(2, n=15))
    patient = np.repeat(np.arange(15), 4)
    by_case = interval_quantile(left, right, q=0.3, resamples=300)
    by_patient = interval_quantile(left, right, q=0.3, cluster=patient, resamples=300)
    assert by_case.value == by_patient.value
    width = [e.high - e.low for e in (by_case, by_patient)]
    assert width[1] > width[0]
    assert "15 clusters" in by_patient.note


def test_no_limits_from_one_cluster():
    found = interval_quantile([0, 2], [2, 4], cluster=["p", "p"])
    assert (found.low, found.high) == (None, None)
    assert "one cluster only" in found.note
    assert interval_quantile([], []).value is None
