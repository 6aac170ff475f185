"""The attack on what control really gives, for 500 random services, and on releases made unsafe."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from audit.disclosure.attack import COLUMNS, attack
from audit.disclosure.control import control
from audit.disclosure.equations import release_of
from audit.disclosure.settings import ControlSettings
from tests.unit.attack_cohorts import random_release

DEFAULT = ControlSettings()
#: other houses' rules: threshold, base, what is done with zeros, second cells or rebuilt totals only
SETTINGS = [
    DEFAULT,
    DEFAULT,
    DEFAULT,
    DEFAULT,
    DEFAULT,
    ControlSettings(complementary=False),
    ControlSettings(zeros="hide"),
    ControlSettings(threshold=10, averages_people=10),
    ControlSettings(threshold=6, averages_people=10, base=3),
    ControlSettings(base=1),
]
COHORTS = 50


@pytest.mark.parametrize("seed", range(len(SETTINGS)))
def test_nothing_is_pinned_and_the_truth_is_possible(seed):
    """50 services at a time, 500 in all; nobody is in two of them, so each is attacked by itself."""
    settings = SETTINGS[seed]
    tables = random_release(np.random.default_rng(seed), cohorts=COHORTS, tables=2)
    released = control(tables, settings, level="external")
    found = attack(released, settings, depth="verdict")
    assert len(found) > 100
    assert not found["pinned"].any()
    assert found["protected"].all()
    assert_truth_is_possible(released, settings)


def assert_truth_is_possible(released, settings):
    """No limit and no equation that the attack uses is false of the exact numbers."""
    release = release_of(released, settings)
    equations, exact = release.equations(), release.exact
    known = np.isfinite(exact)
    assert (exact >= equations.low - 1e-6)[known].all()
    assert (exact <= equations.high + 1e-6)[known].all()
    sums = equations.matrix @ np.nan_to_num(exact)
    usable = ~(equations.matrix[:, ~known] != 0).toarray().any(axis=1)
    assert (sums >= equations.row_low - 1e-6)[usable].all()
    assert (sums <= equations.row_high + 1e-6)[usable].all()


@pytest.fixture(scope="module")
def some_release():
    tables = random_release(np.random.default_rng(99), cohorts=12, tables=3)
    return control(tables, DEFAULT, level="external")


def test_both_depths_give_one_verdict(some_release):
    outer = attack(some_release, DEFAULT)
    inner = attack(some_release, DEFAULT, depth="verdict")
    keys = ["table", "cell", "statistic", "quantity"]
    assert list(outer.columns) == COLUMNS
    assert outer[[*keys, "pinned", "protected"]].equals(inner[[*keys, "pinned", "protected"]])
    assert (outer["low"] <= inner["low"] + 1e-6).all()


def test_true_numbers_lie_within_the_limits(some_release):
    found = attack(some_release, DEFAULT)
    exact = {
        (one.table.name, _cell(one, row), str(row["statistic"]), quantity): row[quantity]
        for one in some_release
        for _, row in one.table.frame.iterrows()
        for quantity in ("numerator", "denominator")
    }
    checked = 0
    for row in found.itertuples():
        true = exact.get((row.table, row.cell, row.statistic, row.quantity))
        if true is None or np.isnan(true):
            continue
        checked += 1
        assert row.low <= true
        assert np.isnan(row.high) or true <= row.high
    assert checked > 50


def _cell(one, row):
    named = [(name, row[name]) for name in one.table.dimensions if row[name] != "all"]
    return "; ".join(f"{name}={word}" for name, word in named) or "all"


def test_order_of_tables_does_not_matter(some_release):
    keys = ["table", "cell", "statistic", "quantity"]
    first = attack(some_release, DEFAULT).sort_values(keys, ignore_index=True)
    back = attack(some_release[::-1], DEFAULT).sort_values(keys, ignore_index=True)
    same = [*keys[:2], "low", "high"]
    printed = first["quantity"].isin(["numerator", "denominator"])
    again = back["quantity"].isin(["numerator", "denominator"])
    left = first.loc[printed, same].reset_index(drop=True)
    right = back.loc[again, same].reset_index(drop=True)
    assert left.equals(right)


def test_frames_are_not_changed(some_release):
    before = [one.frame.copy() for one in some_release]
    attack(some_release, DEFAULT)
    for kept, one in zip(before, some_release, strict=True):
        assert kept.equals(one.frame)


def test_exact_totals_over_suppressed_cells_are_caught():
    """The plainest fault: small cells hidden, everything else left exact and unrounded."""
    settings = ControlSettings(base=1, complementary=False)
    tables = random_release(np.random.default_rng(7), cohorts=20, tables=2)
    unsafe = []
    for one in control(tables, settings, level="external"):
        exact = one.table.frame.reset_index(drop=True)
        frame = one.frame.copy()
        for name in ("numerator", "denominator"):
            frame[name] = exact[name].where(frame[name].notna())
        unsafe.append(dataclasses.replace(one, frame=frame, rebuilt=frozenset()))
    found = attack(unsafe, settings, depth="verdict")
    assert found["pinned"].sum() > 20
    assert not found.loc[found["pinned"], "protected"].any()


def test_exact_shares_under_rounded_counts_are_caught():
    """Shares of the exact counts left in the hidden cells of an otherwise good release."""
    tables = random_release(np.random.default_rng(8), cohorts=20, tables=7)
    unsafe = []
    for one in control(tables, DEFAULT, level="external"):
        frame, exact = one.frame.copy(), one.table.frame.reset_index(drop=True)
        share = frame["statistic"].eq("share")
        frame["value"] = frame["value"].mask(share, exact["value"].round(4))
        unsafe.append(dataclasses.replace(one, frame=frame))
    found = attack(unsafe, DEFAULT, depth="verdict")
    assert found["pinned"].sum() > 20
