"""Run rules one by one on series made to trip them; definitions: see `run_rules`."""

from __future__ import annotations

import numpy as np
import pytest

from audit.estimates import run_rules


def series(z) -> run_rules.Standardised:
    numbers = np.array(z, dtype=float)
    return run_rules.Standardised(values=numbers, side=np.sign(numbers), z=numbers)


def members(patterns) -> list[int]:
    return sorted({point for pattern in patterns for point in pattern.members})


def test_point_on_a_limit_is_not_outside():
    assert members(run_rules.outside_limits(series([3, -3, 3.0001, -3.0001]))) == [2, 3]


def test_rounding_does_not_carry_a_point_over_a_limit():
    assert not run_rules.outside_limits(series([0.1 + 0.2 - 0.3 + 3]))


def test_point_on_the_line_breaks_a_fixed_run_but_not_an_adaptive_one():
    z = [1] * 5 + [0] + [1] * 5
    assert not run_rules.one_side(series(z), length=7)
    found = run_rules.analyse_runs(np.sign(z))
    assert (found.useful, found.longest_run, found.crossings) == (10, 10, 0)
    assert found.shifted


def test_long_run_flags_its_points_only():
    z = [1, -1] * 5 + [1] * 8 + [-1, 1] * 2
    # 22 useful points: runs above round(log2 22) + 3 = 7 signal; the run is points 10 to 17.
    assert members(run_rules.long_run(series(z))) == list(range(10, 18))


def test_few_crossings_flag_all_points_off_the_line():
    z = [1] * 5 + [0] + [-1] * 5 + [1] * 5 + [-1] * 5
    # 20 useful points, 3 crossings, 6 expected at least; no run above 7.
    assert not run_rules.long_run(series(z))
    assert members(run_rules.few_crossings(series(z))) == [i for i in range(21) if i != 5]


def test_longest_run_and_fewest_crossings_allowed_are_no_signal():
    # 20 useful points: a run of 7 and 6 crossings are the last that chance explains.
    z = [1] * 7 + [-1] * 3 + [1] * 3 + [-1] * 2 + [1] * 2 + [-1] * 2 + [1]
    found = run_rules.analyse_runs(np.array(z))
    assert (found.useful, found.longest_run, found.crossings) == (20, 7, 6)
    assert not found.shifted
    assert not run_rules.find_patterns(series(z), rules="runs")
    longer = run_rules.find_patterns(series([1, *z[:-1]]), rules="runs")
    assert {pattern.rule for pattern in longer} == {run_rules.LONG_RUN, run_rules.FEW_CROSSINGS}


def test_alternating_points_are_no_shift():
    assert not run_rules.analyse_runs(np.array([1, -1] * 10)).shifted


@pytest.mark.parametrize("length", [0, 1])
def test_no_limits_of_runs_under_two_points(length):
    assert run_rules.analyse_runs(np.ones(length)).longest_run_max is None
    with pytest.raises(ValueError, match="at least 2 points"):
        run_rules.runs_limits(length)


def test_trend_counts_points_and_equal_values_break_it():
    assert members(run_rules.trend(series([3, 1, 2, 3, 4, 5, 6, 7, 2]), length=7)) == [*range(1, 8)]
    assert not run_rules.trend(series([1, 2, 3, 4, 4, 5, 6, 7]), length=7)


NEAR = {
    "two of three near, third on the same side": ([0.5, 2.3, 1.0, 2.5, -1], [1, 3]),
    "third on the other side": ([0, 2.3, -0.1, 2.5, 0], []),
    "beyond the limit is not close to it": ([1, 2.3, 1.0, 3.5, 1], []),
    "below": ([-1, -2.3, -2.9, -0.5], [1, 2]),
}


@pytest.mark.parametrize("name", NEAR)
def test_two_of_three_close_to_a_limit(name):
    z, expected = NEAR[name]
    assert members(run_rules.near_limit(series(z))) == expected


def test_zone_test_flags_only_the_far_points():
    found = run_rules.beyond_zone(series([0, 2.3, -0.1, 2.5, 0]), k=2, m=3, sigmas=2)
    assert members(found) == [1, 3]


def test_alternating():
    z = [0, 1] * 7
    assert members(run_rules.alternating(series(z), length=14)) == list(range(14))
    assert not run_rules.alternating(series(z[:13]), length=14)


def test_hugging_and_avoiding():
    assert members(run_rules.hugging(series([0.5, -0.5] * 7 + [0.1]), length=15)) == [*range(15)]
    assert not run_rules.hugging(series([0.5] * 14 + [1.5]), length=15)
    assert members(run_rules.avoiding(series([1.5, -1.5] * 4), length=8)) == list(range(8))
    assert not run_rules.avoiding(series([1.5] * 8), length=8)


TRIPS = {
    "national_4": [
        ("point outside a limit", [0] * 9 + [3.5]),
        ("7 points in a row on one side of the centre line", [0.5, 0.4] * 3 + [0.5, -1, 0, -1]),
        ("7 points in a row rising or falling", [-0.3, -0.2, -0.1, 0, 0.1, 0.2, 0.3, 0, 0, 0]),
        ("2 of 3 points in a row close to a limit", [0] * 7 + [2.5, 0.5, 2.5]),
    ],
    "eight_tests_1984": [
        ("9 points in a row on one side of the centre line", [0.5, 0.4, 0.5] * 3 + [-1]),
        ("6 points in a row rising or falling", [-0.3, -0.2, -0.1, 0, 0.1, 0.2, 0, 0, 0, 0]),
        ("4 of 5 points in a row beyond 1 sigma on one side", [0, 0, 1.5, 1.5, 0, 1.5, 1.5]),
    ],
}


@pytest.mark.parametrize(
    ("rules", "rule", "z"), [(k, rule, z) for k, cases in TRIPS.items() for rule, z in cases]
)
def test_each_rule_trips_alone(rules, rule, z):
    found = run_rules.find_patterns(series(z), rules=rules)
    assert {pattern.rule for pattern in found} == {rule}


def test_short_series_are_tested_for_the_limits_only():
    found = run_rules.find_patterns(series([3.5] * 9), rules="zones_1956", runs=False)
    assert {pattern.rule for pattern in found} == {run_rules.OUTSIDE}


def test_unknown_limits_trip_nothing():
    z = np.full(12, np.nan)
    side = np.array([1, -1] * 6)
    points = run_rules.Standardised(values=side.astype(float), side=side, z=z)
    assert not run_rules.find_patterns(points, rules="national_4")
