"""Curve with errors taken over patients: what it must equal, and what it must add."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from audit.estimates import clustered_survival
from audit.estimates.clustered_survival import clustered_survival_curve
from audit.estimates.compare import restricted_mean_difference
from audit.estimates.survival import survival_curve


def sample(seed, n=40):
    rng = np.random.default_rng(seed)
    return rng.integers(1, 40, n), (rng.random(n) < 0.7).astype(int), rng.integers(0, 15, n)


@pytest.mark.parametrize("seed", range(5))
def test_one_case_a_patient_gives_greenwood(seed):
    time, seen, _ = sample(seed)
    plain = survival_curve(time, seen)
    robust = clustered_survival_curve(time, seen, np.arange(time.size))
    pd.testing.assert_frame_equal(robust.table, plain.table, rtol=1e-10)
    for t in (10, 25):
        first, second = plain.restricted_mean(t), robust.restricted_mean(t)
        assert (first.low, first.high) == pytest.approx((second.low, second.high), rel=1e-10)


@pytest.mark.parametrize("seed", range(3))
def test_writing_every_case_twice_adds_nothing(seed):
    time, seen, patient = sample(seed)
    once = clustered_survival_curve(time, seen, patient)
    twice = clustered_survival_curve(*(np.tile(part, 2) for part in (time, seen, patient)))
    columns = ["survival", "std_error", "low", "high"]
    pd.testing.assert_frame_equal(once.table[columns], twice.table[columns], rtol=1e-10)
    assert twice.restricted_mean(20).low == pytest.approx(once.restricted_mean(20).low)


def test_error_of_the_mean_by_weighing_each_patient_a_little_more():
    """The derivative by a patient's weight, from a thousand copies of the data and one more."""
    time, seen, patient = sample(4, n=12)
    copies = 1000
    whole = [np.repeat(part, copies) for part in (time, seen)]
    area = survival_curve(*whole).restricted_mean(30).value
    total = 0.0
    for one in np.unique(patient):
        extra = [
            np.concatenate((part, short[patient == one]))
            for part, short in zip(whole, (time, seen), strict=True)
        ]
        total += ((survival_curve(*extra).restricted_mean(30).value - area) * copies) ** 2
    found = clustered_survival_curve(time, seen, patient).restricted_mean(30)
    error = (found.high - found.low) / (2 * 1.959963984540054)
    assert error == pytest.approx(np.sqrt(total), rel=5e-3)


def test_value_stays_and_the_method_says_what_the_limits_are():
    time, seen, patient = sample(1)
    plain = survival_curve(time, seen)
    robust = clustered_survival_curve(time, seen, patient)
    clusters = np.unique(patient).size
    for first, second in (
        (plain.median(), robust.median()),
        (plain.at(20), robust.at(20)),
        (plain.restricted_mean(20), robust.restricted_mean(20)),
    ):
        assert first.value == second.value
        assert second.method == f"{first.method}, robust over {clusters} clusters"
    other = clustered_survival_curve(time, 1 - seen, patient)
    found = restricted_mean_difference(robust, other, t=20)
    assert found.std_error == pytest.approx(np.hypot(robust.area(20)[1], other.area(20)[1]))


def test_few_clusters_are_said():
    found = clustered_survival_curve([1, 2, 3, 4], [1, 1, 0, 1], list("aabb"))
    assert "only 2 clusters" in found.at(2).note
    nobody = clustered_survival_curve([], [], [])
    assert nobody.median().note == "no cases"


def test_missing_rows_leave_their_cluster_behind_and_others_need_one():
    found = clustered_survival_curve([1, np.nan, 3], [1, None, 0], ["a", None, "b"])
    assert (found.n, found.missing) == (2, 1)
    with pytest.raises(ValueError, match="cluster has empty labels"):
        clustered_survival_curve([1, 2], [1, 0], ["a", None])


def test_a_few_clusters_at_a_time_give_the_same(monkeypatch):
    time, seen, patient = sample(2)
    entry = np.floor(time / 3)
    whole = clustered_survival_curve(time, seen, patient, entry)
    monkeypatch.setattr(clustered_survival, "_BLOCK", 100)
    parts = clustered_survival_curve(time, seen, patient, entry)
    pd.testing.assert_frame_equal(whole.table, parts.table, rtol=1e-12)
    assert parts.restricted_mean(20).low == pytest.approx(whole.restricted_mean(20).low)
