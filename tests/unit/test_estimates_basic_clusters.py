"""Clustered twins: hand-worked cases, degenerate clusters, refusals."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from audit.estimates.averages import mean, median, quantile, ratio_of_totals
from audit.estimates.clusters import (
    clustered_mean,
    clustered_median,
    clustered_proportion,
    clustered_quantile,
    clustered_rate,
    clustered_ratio_of_totals,
    effective_number,
)
from audit.estimates.proportions import proportion
from audit.estimates.rates import rate


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


TWINS = {
    "mean": (lambda t: clustered_mean(t["value"], t["patient"]), lambda t: mean(t["value"])),
    "median": (lambda t: clustered_median(t["value"], t["patient"]), lambda t: median(t["value"])),
    "q3": (
        lambda t: clustered_quantile(t["value"], t["patient"], q=0.75),
        lambda t: quantile(t["value"], q=0.75),
    ),
    "proportion": (
        lambda t: clustered_proportion(t["yes"], t["patient"]),
        lambda t: proportion(int(t["yes"].sum()), len(t)),
    ),
    "rate": (
        lambda t: clustered_rate(t["events"], t["months"], t["patient"], per=100),
        lambda t: rate(int(t["events"].sum()), t["months"].sum(), per=100),
    ),
    "ratio": (
        lambda t: clustered_ratio_of_totals(t["value"], t["months"], t["patient"]),
        lambda t: ratio_of_totals(t["value"], t["months"]),
    ),
}


@pytest.mark.parametrize("kind", TWINS)
def test_value_of_the_twin_is_the_plain_value(kind):
    clustered, plain = TWINS[kind]
    table = cases()
    assert clustered(table).value == pytest.approx(plain(table).value, rel=1e-12)
    assert clustered(table).missing == plain(table).missing
    assert clustered(table).low < clustered(table).value < clustered(table).high


@pytest.mark.parametrize("kind", TWINS)
def test_row_order_and_names_of_clusters_do_not_matter(kind):
    clustered, _ = TWINS[kind]
    table = cases()
    before = table.copy(deep=True)
    first = clustered(table)
    turned = clustered(table.sample(frac=1, random_state=7))
    renamed = clustered(table.assign(patient=table["patient"].str.replace("P", "case-")))
    pd.testing.assert_frame_equal(table, before)
    for other in (turned, renamed):
        assert (other.n, other.missing, other.method) == (first.n, first.missing, first.method)
        for part in ("value", "low", "high"):
            assert getattr(other, part) == pytest.approx(getattr(first, part), rel=1e-12)


@pytest.mark.parametrize("kind", TWINS)
def test_one_cluster_gives_the_value_and_no_limits(kind):
    clustered, plain = TWINS[kind]
    found = clustered(cases().assign(patient="P"))
    assert found.value == pytest.approx(plain(cases()).value, rel=1e-12)
    assert (found.low, found.high) == (None, None)
    assert found.note == "fewer than two clusters: no interval"


@pytest.mark.parametrize("kind", TWINS)
def test_no_rows(kind):
    clustered, _ = TWINS[kind]
    found = clustered(cases().iloc[:0])
    assert (found.value, found.low, found.n, found.missing) == (None, None, 0, 0)
    assert found.note != ""


@pytest.mark.parametrize("kind", ["mean", "median", "q3", "ratio"])
def test_all_missing(kind):
    clustered, _ = TWINS[kind]
    table = cases()
    found = clustered(table.assign(value=np.nan))
    assert (found.value, found.n, found.missing) == (None, 0, len(table))


@pytest.mark.parametrize("kind", TWINS)
def test_a_row_without_a_cluster_is_refused(kind):
    clustered, _ = TWINS[kind]
    table = cases()
    table.loc[3, "patient"] = None
    with pytest.raises(ValueError, match="cluster has missing values: every row needs the id"):
        clustered(table)


@pytest.mark.parametrize("kind", ["mean", "ratio"])
def test_one_row_a_cluster_is_the_plain_interval(kind):
    clustered, plain = TWINS[kind]
    table = cases().assign(patient=lambda t: np.arange(len(t)))
    ours, theirs = clustered(table), plain(table)
    assert (ours.low, ours.high) == pytest.approx((theirs.low, theirs.high), rel=1e-12)


def test_clustered_mean_by_hand():
    """Patients a: 1, 3; b: 5; c: 7, 9. Mean 5; residual sums -4-2, 0, 2+4; squares 36+0+36 = 72;
    variance 3/2 x 72 / 25 = 4.32, error 2.0785; t(0.975, 2) = 4.3027: half width 8.943. The plain
    interval has sd sqrt(40/4), error 1.4142, t(0.975, 4) = 2.7764: half width 3.926."""
    found = clustered_mean([1, 3, 5, 7, 9], list("aabcc"))
    assert found.value == 5
    assert (found.low, found.high) == pytest.approx((5 - 8.943, 5 + 8.943), abs=1e-3)
    assert found.method == "mean, cluster-robust t interval (3 clusters)"


def test_clusters_that_do_not_differ_fall_back_and_say_so():
    """Each patient has one 1 and one 3: residual sums vanish, and no spread is not certainty."""
    values, patients = [1, 3, 1, 3, 1, 3], list("aabbcc")
    found, plain = clustered_mean(values, patients), mean(values)
    assert (found.low, found.high) == (plain.low, plain.high)
    assert "do not differ" in found.note
    share = clustered_proportion([0, 1, 0, 1, 0, 1], patients)
    assert (share.low, share.high) == (proportion(3, 6).low, proportion(3, 6).high)
    assert "Wilson interval on 6 effective cases" in share.note
    events = clustered_rate([0, 2, 0, 2], [1, 1, 1, 1], list("aabb"))
    assert (events.low, events.high) == (rate(4, 4).low, rate(4, 4).high)
    assert "exact Poisson" in events.note


def test_no_events_in_clusters():
    """Six patients with two cases each, no event: Wilson 0 of 12^2/sum(2^2 x 6) = 6 effective."""
    patients = np.repeat(np.arange(6), 2)
    none, all_of_them = (clustered_proportion([answer] * 12, patients) for answer in (0, 1))
    assert none.value == none.low == 0
    assert none.high == pytest.approx(proportion(0, 6).high, rel=1e-12)
    assert all_of_them.value == all_of_them.high == 1
    assert all_of_them.low == pytest.approx(proportion(6, 6).low, rel=1e-12)
    assert "6 effective cases" in none.note
    events = clustered_rate([0] * 12, [2.0] * 12, patients)
    assert (events.value, events.low) == (0, 0)
    assert events.high == pytest.approx(-math.log(0.025) / 24, rel=1e-9)


def test_clustered_proportion_stays_within_its_scale():
    found = clustered_proportion([1] * 11 + [0], np.repeat(np.arange(4), 3))
    assert 0 < found.low < found.value < found.high < 1


def test_clustered_rate_by_hand():
    """Patients a: 3 events in 10 months, b: 1 in 20, c: 2 in 10: 6/40 = 0.15. Residuals 3 - 1.5,
    1 - 3, 2 - 1.5 = 1.5, -2, 0.5; squares 6.5; error sqrt(3/2 x 6.5)/40 = 0.078062; on the log
    scale 0.52042 x t(0.975, 2) 4.3027 = 2.2392: 0.15 / 9.386 and x 9.386."""
    found = clustered_rate([3, 1, 2], [10, 20, 10], list("abc"))
    assert found.value == pytest.approx(0.15)
    assert (found.low, found.high) == pytest.approx((0.15 / 9.386, 0.15 * 9.386), rel=1e-3)


def test_clustered_rate_counts_rows_and_missing():
    found = clustered_rate([1, None, 2, 0], [5, 5, None, 9], ["a", "a", "b", "c"])
    assert (found.n, found.missing) == (2, 2)
    assert found.value == pytest.approx(1 / 14)
    assert "2 clusters" in found.method


def test_clustered_rate_without_exposure():
    assert clustered_rate([0, 0], [0, 0], ["a", "b"]).note == "no exposure"


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: clustered_mean([1, 2], ["a"]), "values and cluster must have the same length"),
        (lambda: clustered_proportion([0, 2], ["a", "b"]), "events must be yes or no"),
        (lambda: clustered_proportion(["yes", "perhaps"], ["a", "b"]), "events must be yes or no"),
        (lambda: clustered_rate([-1], [2], ["a"]), "events must be 0 or more"),
        (lambda: clustered_rate([1], [-2], ["a"]), "exposure must be 0 or more"),
        (lambda: clustered_rate([1], [2], ["a"], per=0), "per must be above 0"),
        (lambda: clustered_ratio_of_totals([1], [-2], ["a"]), "denominators must be 0 or more"),
        (lambda: clustered_quantile([1], ["a"], q=1), "q must lie between 0 and 1, got 1"),
        (lambda: clustered_mean([1], ["a"], level=2), "level must lie between 0 and 1, got 2"),
        (lambda: clustered_median([1, 2], ["a", "b"], resamples=0), "resamples must be 1 or more"),
    ],
)
def test_bad_clustered_input(call, message):
    with pytest.raises(ValueError, match=message):
        call()


def test_yes_no_in_all_its_forms():
    patients = list("aabbc")
    forms = [
        [True, False, None, True, True],
        [1, 0, None, 1, 1],
        ["yes", "no", None, "yes", "yes"],
        pd.Series([True, False, pd.NA, True, True], dtype="boolean"),
        pd.Series(["yes", "no", None, "yes", "yes"]).astype("category"),
    ]
    found = [clustered_proportion(form, patients) for form in forms]
    assert all(one == found[0] for one in found)
    assert (found[0].value, found[0].n, found[0].missing) == (0.75, 4, 1)


def test_effective_number_by_hand():
    """Pairs (1, 3), (5, 7), (9, 11): mean 6, between 2(16 + 0 + 16)/2 = 32, within 6/3 = 2,
    size 2: ICC (32 - 2)/(32 + 2) = 0.88235; design effect 1.88235; 6/1.88235 = 3.1875."""
    found = effective_number([1, 3, 5, 7, 9, 11], list("aabbcc"))
    assert found.value == pytest.approx(6 / (1 + 30 / 34), rel=1e-12)
    assert found.value == pytest.approx(3.1875, abs=1e-4)


def test_effective_number_with_unequal_clusters_by_hand():
    """a: 1, 2, 3; b: 7: N = 4, squares of sizes 10, mean 3.25. Between: 3 x 1.25^2 + 3.75^2 =
    18.75 / 1; within 2/2 = 1; n0 = (4 - 10/4)/1 = 1.5; ICC 17.75/(18.75 + 0.5) = 0.92208; design
    effect 1 + (2.5 - 1) x 0.92208 = 2.38312; 4/2.38312 = 1.67847."""
    assert effective_number([1, 2, 3, 7], list("aaab")).value == pytest.approx(1.67847, abs=1e-5)


def test_effective_number_bounds():
    assert effective_number([1, 3, 1, 3], list("aabb")).value == 4  # correlation below 0
    assert effective_number([1, 1, 3, 3], list("aabb")).value == pytest.approx(2)  # all alike
    assert effective_number([1, 2, 3], list("abc")).value == 3  # one row each
    assert effective_number([2, 2, 2, 2], list("aabb")).value == pytest.approx(2)  # cannot be seen
    assert effective_number([1, 2, 3, 5], list("aaaa")).value == pytest.approx(1)  # one cluster
    assert effective_number([], []).value is None


def test_coverage_of_clustered_and_plain_means():
    """400 samples of 25 patients with one to three alike cases: the clustered 95 % limits hold the
    true mean in 92 to 98 % (3 sd = 3.3 %), the plain ones clearly less often."""
    random, hits = np.random.default_rng(17), {"clustered": 0, "plain": 0}
    for _ in range(400):
        codes = np.repeat(np.arange(25), random.integers(1, 4, size=25))
        values = random.normal(size=25)[codes] + random.normal(0, 0.3, size=codes.size)
        for name, found in (("clustered", clustered_mean(values, codes)), ("plain", mean(values))):
            hits[name] += found.low <= 0 <= found.high
    assert hits["clustered"] / 400 == pytest.approx(0.95, abs=0.033)
    assert hits["plain"] / 400 < 0.90
