"""Funnel limits: edges, units without cases, words. Numbers: tests/reference."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from audit.estimates.funnel import (
    METHODS,
    Overdispersion,
    funnel_limits,
    funnel_positions,
    overdispersion,
)

SIZES = [30, 40, 50, 60, 70, 80, 90, 100]
WILD = [12, 1, 20, 2, 25, 3, 30, 4]


def test_one_row_a_unit_and_level_in_the_given_order():
    table = funnel_limits(0.1, [50, 20]).table
    assert table[["order", "size", "level"]].to_numpy().tolist() == [
        [1, 50, 0.95],
        [1, 50, 0.998],
        [2, 20, 0.95],
        [2, 20, 0.998],
    ]


@pytest.mark.parametrize("method", METHODS)
def test_wider_level_lies_outside_and_limits_stay_shares(method):
    spread = overdispersion(WILD, SIZES)
    rows = funnel_limits(0.1, SIZES, method=method, spread=spread).table
    inner, outer = rows[rows["level"] == 0.95], rows[rows["level"] == 0.998]
    assert (outer["low"].to_numpy() <= inner["low"].to_numpy()).all()
    assert (outer["high"].to_numpy() >= inner["high"].to_numpy()).all()
    assert rows[["low", "high"]].stack().between(0, 1).all()


def test_step_limits_keep_their_promise():
    # At most 2.5 % of a steady unit's results lie strictly above the 95 % step limit.
    from scipy import stats

    rows = funnel_limits(0.1, SIZES, levels=(0.95,), method="exact_step").table
    above = stats.binom.sf(np.round(rows["high"] * rows["size"]), rows["size"], 0.1)
    below = stats.binom.cdf(np.round(rows["low"] * rows["size"]) - 1, rows["size"], 0.1)
    assert (above <= 0.025).all() and (below < 0.025).all()


def test_unit_without_cases_has_no_limits():
    limits = funnel_limits(0.1, pd.array([20, 0, None], dtype="Int64"))
    missing = limits.table["order"].isin([2, 3])
    assert limits.table.loc[missing, ["low", "high"]].isna().all(axis=None)
    assert limits.table.loc[~missing, "high"].notna().all()
    assert "units without cases, which have no limits: 2" in limits.notes


def test_no_lower_limit_is_said():
    assert "no lower 99.8% limit for 1 of 1 units" in funnel_limits(0.1, [10]).notes


def test_positions_are_sorted_by_size_and_never_by_result():
    sizes, events = [100, 30, 60, 50], [35, 3, 0, 5]
    found = funnel_positions(events, sizes, limits=funnel_limits(0.1, sizes))
    assert found.table["size"].tolist() == [30, 50, 60, 100]
    flags = found.table.set_index("order")["flag"]
    assert flags[1].startswith("above the 99.8% limit")
    assert flags[3].startswith("below the 95.0% limit")
    assert flags[2] == flags[4] == ""


def test_one_unit_is_not_judged():
    found = funnel_positions([20], [30], limits=funnel_limits(0.1, [30]))
    assert found.table["flag"].tolist() == [""]
    assert any("one unit" in note for note in found.notes)


def test_positions_need_the_sizes_of_the_limits():
    with pytest.raises(ValueError, match="not those that the limits were made for"):
        funnel_positions([1, 2], [30, 40], limits=funnel_limits(0.1, [40, 30]))


def test_overdispersed_limits_never_shrink():
    calm = overdispersion([3, 4, 5, 6, 7, 8, 9, 10], SIZES)
    assert calm.phi_winsorised == pytest.approx(0, abs=1e-12) and calm.tau2 == 0
    plain = Overdispersion(**{**vars(calm), "phi_winsorised": 1.0, "tau2": 0.0})
    for method in ("multiplicative", "additive"):
        shrunk = funnel_limits(0.1, SIZES, method=method, spread=calm).table
        usual = funnel_limits(0.1, SIZES, method=method, spread=plain).table
        pd.testing.assert_frame_equal(shrunk, usual)
        wild = funnel_limits(0.1, SIZES, method=method, spread=overdispersion(WILD, SIZES)).table
        assert (wild["high_uncut"] > usual["high_uncut"]).all()
    assert "limits are not changed" in calm.note


def test_winsorising_tames_one_outlier():
    events = [3, 4, 5, 6, 7, 8, 9, 60]
    spread = overdispersion(events, SIZES, target=0.1)
    assert spread.phi_winsorised < spread.phi
    assert spread.target_source == "given"
    untouched = overdispersion(events, SIZES, target=0.1, winsorise=0)
    assert untouched.phi_winsorised == pytest.approx(untouched.phi)


@pytest.mark.parametrize(
    ("events", "sizes", "reason"),
    [
        ([3], [30], "units with cases: 1, at least 2"),
        ([None, 3], [20, 30], "units with cases: 1, at least 2"),
        ([None], [None], "units with cases: 0"),
        ([0, 0], [20, 30], "target share is 0"),
        ([20, 30], [20, 30], "target share is 1"),
    ],
)
def test_spread_that_cannot_be_estimated_says_why(events, sizes, reason):
    spread = overdispersion(events, sizes)
    assert spread.phi is None and spread.tau2 is None and reason in spread.note
    with pytest.raises(ValueError, match="needs an estimable spread"):
        funnel_limits(0.1, [20], method="additive", spread=spread)


def test_units_without_cases_do_not_change_the_spread():
    spread = overdispersion([*WILD, None, 0], [*SIZES, 40, 0])
    alone = overdispersion(WILD, SIZES)
    assert (spread.n, spread.missing) == (8, 2)
    assert (spread.phi, spread.tau2) == pytest.approx((alone.phi, alone.tau2))


@pytest.mark.parametrize("target", [0, 1, 1.2, -0.1, float("nan")])
def test_target_is_a_share(target):
    with pytest.raises(ValueError, match="above 0 and below 1"):
        funnel_limits(target, [20])


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"method": "normal"}, "method must be one of .*exact.*'normal'"),
        ({"levels": (95,)}, "level must lie between 0 and 1"),
        ({"method": "multiplicative"}, "needs an estimable spread"),
    ],
)
def test_refused_choices(options, message):
    with pytest.raises(ValueError, match=message):
        funnel_limits(0.1, [20], **options)


@pytest.mark.parametrize(
    ("events", "sizes", "message"),
    [
        ([31], [30], "more events than cases"),
        ([-1], [30], "events must be whole"),
        ([1], [30.5], "sizes must be whole"),
        ([1, 2], [30], "same length"),
    ],
)
def test_refused_units(events, sizes, message):
    with pytest.raises(ValueError, match=message):
        overdispersion(events, sizes)
