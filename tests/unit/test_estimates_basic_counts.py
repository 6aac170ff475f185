"""Proportions and rates from counts: hand-worked cases, ends of the scale, refused counts."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from audit.estimates.proportions import proportion, proportion_difference
from audit.estimates.rates import compare_rates, rate, rate_ratio

METHODS = ["wilson", "exact", "jeffreys"]


def test_wilson_by_hand():
    """5 of 10, z^2 = 3.8415: centre (5 + 1.92073)/(13.8415) = 0.5; half width
    sqrt(3.8415 x (5 x 5/10 + 0.96036))/13.8415 = sqrt(13.2929)/13.8415 = 0.26341."""
    found = proportion(5, 10)
    assert found.value == 0.5
    assert (found.low, found.high) == pytest.approx((0.23659, 0.76341), abs=1e-5)
    assert found.method == "proportion, Wilson interval"


def test_no_event_still_has_an_upper_limit():
    """Wilson 0 of n: z^2/(n + z^2) = 3.8415/33.8415 = 0.11351 for 30; exact: 1 - 0.025^(1/30)
    = 0.11570 (the 'rule of three' 3/30 = 0.1 is its 97.5 % cousin)."""
    assert proportion(0, 30).low == 0
    assert proportion(0, 30).high == pytest.approx(0.11351, abs=1e-5)
    assert proportion(0, 30, method="exact").high == pytest.approx(1 - 0.025 ** (1 / 30), rel=1e-9)


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize(("events", "n"), [(0, 1), (1, 1), (0, 40), (40, 40), (3, 40), (1, 2)])
def test_limits_hold_the_value_and_mirror(method, events, n):
    found, other = proportion(events, n, method=method), proportion(n - events, n, method=method)
    assert 0 <= found.low <= found.value <= found.high <= 1
    assert (found.low == 0) == (events == 0)
    assert (found.high == 1) == (events == n)
    assert (1 - other.high, 1 - other.low) == pytest.approx((found.low, found.high), abs=1e-12)


@pytest.mark.parametrize("method", ["wilson", "exact"])
def test_agrees_with_scipy_over_all_events(method):
    for events in range(24):
        theirs = stats.binomtest(events, 23).proportion_ci(0.9, method=method)
        found = proportion(events, 23, method=method, level=0.9)
        assert (found.low, found.high) == pytest.approx((theirs.low, theirs.high), abs=1e-10)


def test_exact_interval_covers_at_least_the_level_for_every_true_share():
    """Exact binomial arithmetic for n = 15 over 99 shares: never below 95 %."""
    limits = [proportion(x, 15, method="exact") for x in range(16)]
    for share in np.linspace(0.01, 0.99, 99):
        inside = [x for x in range(16) if limits[x].low <= share <= limits[x].high]
        assert stats.binom.pmf(inside, 15, share).sum() >= 0.95


def test_no_cases_is_not_estimable():
    found = proportion(0, 0, missing=4, unit="share")
    assert (found.value, found.n, found.missing, found.unit) == (None, 0, 4, "share")
    assert found.note == "no cases"


@pytest.mark.parametrize(
    ("events", "n", "message"),
    [
        (-1, 10, "events must be a whole number of 0 or more"),
        (2.5, 10, "events must be a whole number of 0 or more"),
        (math.nan, 10, "events must be a whole number of 0 or more"),
        (None, 10, "events must be a whole number of 0 or more"),
        ("3", 10, "events must be a whole number of 0 or more"),
        (True, 10, "events must be a whole number of 0 or more"),
        (3, math.inf, "n must be a whole number of 0 or more"),
        (11, 10, "events must not exceed n"),
    ],
)
def test_bad_counts(events, n, message):
    with pytest.raises(ValueError, match=message):
        proportion(events, n)


def test_whole_floats_and_numpy_numbers_are_counts():
    assert proportion(3.0, np.int64(7)) == proportion(3, 7)


def test_a_wrong_method_is_told_the_list():
    with pytest.raises(ValueError, match=r"one of \['exact', 'jeffreys', 'wilson'\], got 'wald'"):
        proportion(3, 7, method="wald")


def test_difference_turned_round_changes_sign_only():
    found, turned = proportion_difference(56, 70, 48, 80), proportion_difference(48, 80, 56, 70)
    assert (-turned.high, -turned.low) == pytest.approx((found.low, found.high), rel=1e-12)
    assert found.value == pytest.approx(0.2)
    assert found.n == 150


def test_difference_without_cases():
    assert proportion_difference(0, 0, 3, 9).note == "no cases in one group"
    assert proportion_difference(0, 0, 0, 0).note == "no cases in both groups"
    with pytest.raises(ValueError, match="e2 must not exceed n2"):
        proportion_difference(1, 5, 6, 5)


def test_rate_per_hundred():
    """12 events in 240 case-months = 5 per 100; limits of 12 events 6.2006 and 20.9616 (Garwood
    type table, from memory) over 2.4."""
    found = rate(12, 240, per=100, n=60, missing=2, unit="per 100 case-months")
    assert found.value == pytest.approx(5)
    assert (found.low, found.high) == pytest.approx((6.2006 / 2.4, 20.9616 / 2.4), abs=1e-4)
    assert (found.n, found.missing, found.unit) == (60, 2, "per 100 case-months")


def test_published_rate_of_events_not_of_cases():
    """332 events in 983 segments are 34 per 100 segments; events may exceed cases elsewhere."""
    assert rate(332, 983, per=100).value == pytest.approx(33.77, abs=0.01)
    assert rate(30, 10, per=100).value == pytest.approx(300)


def test_no_event_has_an_upper_limit_and_no_exposure_has_nothing():
    """Upper limit of 0 events: -ln 0.025 = 3.68888."""
    found = rate(0, 50)
    assert (found.value, found.low) == (0, 0)
    assert found.high == pytest.approx(-math.log(0.025) / 50, rel=1e-9)
    assert rate(0, 0).note == "no exposure"
    assert rate(3, 0, n=3).value is None


def test_garwood_covers_at_least_the_level():
    """Exact Poisson arithmetic over expected counts 0.1 to 20."""
    limits = [rate(x, 1) for x in range(80)]
    for expected in np.linspace(0.1, 20, 60):
        inside = [x for x in range(80) if limits[x].low <= expected <= limits[x].high]
        assert stats.poisson.pmf(inside, expected).sum() >= 0.95


@pytest.mark.parametrize(
    ("events", "exposure", "options", "message"),
    [
        (1.5, 10, {}, "events must be a whole number"),
        (1, -10, {}, "exposure must be a finite number of 0 or more"),
        (1, math.nan, {}, "exposure must be a finite number of 0 or more"),
        (1, 10, {"per": 0}, "per must be above 0"),
        (1, 10, {"n": -1}, "n must be a whole number"),
        (1, 10, {"level": 1.5}, "level must lie between 0 and 1, got 1.5"),
    ],
)
def test_bad_rates(events, exposure, options, message):
    with pytest.raises(ValueError, match=message):
        rate(events, exposure, **options)


def test_rate_ratio_without_events_below_is_open():
    """5 in 60 against 0 in 40: Clopper-Pearson lower limit of 5 of 5 is 0.025^(1/5) = 0.47818;
    0.47818/0.52182 x 40/60 = 0.6109."""
    found = rate_ratio(5, 60, 0, 40)
    assert (found.value, found.high) == (math.inf, math.inf)
    assert found.low == pytest.approx(0.6109, abs=1e-4)
    assert found.note == "no events in the second group"


def test_rate_ratio_turned_round_is_its_inverse():
    found, turned = rate_ratio(11, 800, 25, 3011), rate_ratio(25, 3011, 11, 800)
    assert (1 / turned.high, 1 / turned.low) == pytest.approx((found.low, found.high), rel=1e-9)
    one, two = compare_rates(11, 800, 25, 3011), compare_rates(25, 3011, 11, 800)
    assert one.p_value == pytest.approx(two.p_value, rel=1e-9)
    assert one.p_greater == pytest.approx(two.p_less, rel=1e-9)


@pytest.mark.parametrize(
    ("counts", "reason"),
    [
        ((0, 10, 0, 20), "no events in either group"),
        ((3, 0, 2, 20), "no exposure in one group"),
        ((0, 0, 0, 0), "no exposure in both groups"),
    ],
)
def test_rate_ratio_not_estimable(counts, reason):
    found = compare_rates(*counts)
    assert found.estimate.value is None
    assert found.p_value is None
    assert found.estimate.note == found.note == reason
