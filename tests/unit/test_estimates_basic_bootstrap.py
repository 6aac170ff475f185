"""The cluster bootstrap: fast against obvious route, its own seed, degenerate tables, refusals."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from audit.estimates.bootstrap import bootstrap_distribution, cluster_bootstrap


def cases(patients=30, seed=3):
    """One to three cases a patient, alike within a patient, some values missing."""
    random = np.random.default_rng(seed)
    sizes = random.integers(1, 4, size=patients)
    codes = np.repeat(np.arange(patients), sizes)
    value = random.normal(50, 8, size=patients)[codes] + random.normal(0, 3, size=codes.size)
    value[[4, 9]] = np.nan
    return pd.DataFrame(
        {
            "patient": [f"P{code:02d}" for code in codes],
            "value": value.round(1),
            "yes": random.uniform(size=codes.size) < 0.3,
            "events": random.poisson(1.0, size=codes.size),
            "months": random.uniform(3, 24, size=codes.size),
        }
    )


def test_bootstrap_seed_is_its_own():
    table = cases()
    np.random.seed(1)  # noqa: NPY002 - the global generator must be left alone
    before = np.random.get_state()[1].copy()  # noqa: NPY002
    one = cluster_bootstrap(table, "median", "patient", column="value")
    two = cluster_bootstrap(table, "median", "patient", column="value")
    other = cluster_bootstrap(table, "mean", "patient", column="value", seed=1)
    third = cluster_bootstrap(table, "mean", "patient", column="value", seed=2)
    assert one == two
    assert (other.low, other.high) != (third.low, third.high)
    np.testing.assert_array_equal(np.random.get_state()[1], before)  # noqa: NPY002


@pytest.mark.parametrize(
    ("statistic", "columns", "function"),
    [
        ("mean", {"column": "value"}, lambda t: t["value"].mean()),
        ("median", {"column": "value"}, lambda t: t["value"].median()),
        ("proportion", {"column": "yes"}, lambda t: t["yes"].mean()),
        (
            "rate",
            {"column": "events", "exposure": "months"},
            lambda t: t["events"].sum() / t["months"].sum(),
        ),
    ],
)
def test_fast_and_obvious_routes_agree(statistic, columns, function):
    """The named statistics against the same done on the resampled table by pandas."""
    table = cases(patients=12).dropna()
    fast = bootstrap_distribution(table, statistic, "patient", **columns, resamples=300)
    slow = bootstrap_distribution(table, function, "patient", resamples=300)
    np.testing.assert_allclose(fast.values, slow.values, rtol=1e-12)
    assert fast.value == pytest.approx(slow.value, rel=1e-12)
    assert fast.acceleration() == pytest.approx(slow.acceleration(), rel=1e-9)


def test_blocks_of_resamples_give_what_one_block_gives(monkeypatch):
    table = cases()
    whole = bootstrap_distribution(table, "median", "patient", column="value", resamples=200)
    monkeypatch.setattr("audit.estimates.resampling._CELLS", 500)
    parts = bootstrap_distribution(table, "median", "patient", column="value", resamples=200)
    np.testing.assert_array_equal(whole.values, parts.values)


def test_two_clusters_are_listed_and_flagged():
    """Resamples of a (0, 0) and b (4): aa mean 0, probability 1/4; ab 4/3, 1/2; bb 4, 1/4."""
    table = pd.DataFrame({"p": list("aab"), "x": [0, 0, 4]})
    drawn = bootstrap_distribution(table, "mean", "p", column="x")
    assert sorted(zip(drawn.values.tolist(), drawn.weights.tolist(), strict=True)) == [
        pytest.approx((0, 0.25)),
        pytest.approx((4 / 3, 0.5)),
        pytest.approx((4, 0.25)),
    ]
    found = cluster_bootstrap(table, "mean", "p", column="x")
    assert (found.low, found.high) == (0, 4)
    assert "all resamples listed" in found.method
    assert "only 2 clusters" in found.note


def test_rows_that_lack_a_value_leave_their_cluster_out():
    table = pd.DataFrame({"p": list("aabc"), "x": [1, 2, np.nan, 6]})
    drawn = bootstrap_distribution(table, "mean", "p", column="x")
    assert (drawn.n, drawn.missing, drawn.groups, drawn.value) == (3, 1, 2, 3)


def test_resamples_without_a_value_are_reported():
    """Events over exposure where four of five patients have none: (4/5)^5 = 33 % of the resamples
    have no exposure at all."""
    table = pd.DataFrame({"p": list("abcde"), "e": [2, 0, 0, 0, 0], "t": [5, 0, 0, 0, 0]})
    found = cluster_bootstrap(table, "rate", "p", column="e", exposure="t")
    assert (found.value, found.low) == (0.4, None)
    assert found.note == "33% of the resamples give no value"


def test_a_function_may_have_no_value():
    table = pd.DataFrame({"p": list("abc"), "x": [1, 2, 3]})
    found = cluster_bootstrap(table, lambda t: None, "p")
    assert found.value is None
    assert found.note == "the statistic has no value here"


def test_the_function_gets_whole_clusters_and_cannot_change_the_table():
    table = pd.DataFrame({"p": list("aabbbc"), "x": range(6)})
    before, sizes = table.copy(deep=True), {"a": 2, "b": 3, "c": 1}

    def spoil(rows):
        counts = rows["p"].value_counts()
        assert all(count % sizes[cluster] == 0 for cluster, count in counts.items())
        rows["x"] = 0
        return len(rows)

    found = cluster_bootstrap(table, spoil, "p")
    assert found.value == 6
    pd.testing.assert_frame_equal(table, before)


def test_bca_without_a_spread_has_no_limits():
    table = pd.DataFrame({"p": range(12), "x": [0.0] * 11 + [1.0]})
    drawn = bootstrap_distribution(table, lambda t: -1.0 if len(t) else 0.0, "p", resamples=50)
    assert drawn.limits(0.95) == (-1, -1)
    never_below = bootstrap_distribution(
        table, lambda t: float(t["p"].nunique()), "p", resamples=50
    )
    assert never_below.limits(0.95, interval="bca") == (None, None)


@pytest.mark.parametrize(
    ("statistic", "options", "message"),
    [
        ("mode", {"column": "x"}, r"statistic must be one of .*'rate'\], got 'mode'"),
        ("mean", {}, r"the table has no column None; it has \['p', 'x'\]"),
        ("mean", {"column": "y"}, "the table has no column 'y'"),
        ("rate", {"column": "x"}, "the table has no column None"),
        ("mean", {"column": "x", "exposure": "x"}, "exposure goes with the statistic 'rate' only"),
        ("mean", {"column": "p"}, "column must be numbers, not string"),
        ("proportion", {"column": "x"}, "column must be yes or no"),
        ("mean", {"column": "x", "resamples": 1.5}, "resamples must be a whole number"),
    ],
)
def test_bad_bootstrap_input(statistic, options, message):
    table = pd.DataFrame({"p": list("abc"), "x": [1.0, 2.0, 3.0]})
    with pytest.raises(ValueError, match=message):
        cluster_bootstrap(table, statistic, "p", **options)
