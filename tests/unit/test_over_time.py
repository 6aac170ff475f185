"""Two releases of the same tables: what their difference gives away."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from audit.disclosure.control import control
from audit.disclosure.over_time import (
    COLUMNS,
    FROM_NONE,
    MERGED,
    SAME_CELL,
    SPLIT,
    compare_releases,
)
from audit.disclosure.round import to_base
from audit.disclosure.settings import ControlSettings
from audit.summaries.table import ALL
from tests.unit.attack_cohorts import NAN, TABLES, random_cases, written

EXACT, ROUNDED = ControlSettings(base=1), ControlSettings(base=5)


def release(period: str, counts: dict, **more):
    one = written("by-kind", ("kind",), counts, **more)
    return dataclasses.replace(one, table=dataclasses.replace(one.table, period=period))


def flags(found) -> dict[str, bool]:
    return dict(zip(found["cell"], found["flagged"], strict=True))


def test_one_more_patient_without_rounding_is_flagged():
    before = release("2026Q1", {ALL: 40, "a": 25, "b": 15})
    now = release("2026Q2", {ALL: 41, "a": 26, "b": 15})
    found = compare_releases([before], [now], EXACT)
    assert list(found.columns) == COLUMNS
    assert flags(found) == {"all": True, "kind=a": True, "kind=b": False}
    row = found.set_index("cell").loc["kind=a"]
    assert (row["low"], row["high"], row["pinned"], row["note"]) == (1, 1, True, SAME_CELL)
    assert (row["period_before"], row["period_now"]) == ("2026Q1", "2026Q2")


def test_eight_more_are_not_few():
    before = release("2026Q1", {ALL: 40, "a": 25, "b": 15})
    now = release("2026Q2", {ALL: 48, "a": 33, "b": 15})
    assert not compare_releases([before], [now], EXACT)["flagged"].any()


def test_some_who_left_are_flagged_like_some_who_came():
    before, now = release("1", {ALL: 40}), release("2", {ALL: 37})
    row = compare_releases([before], [now], EXACT).iloc[0]
    assert (row["low"], row["high"], row["flagged"]) == (-3, -3, True)


@pytest.mark.parametrize("true", [(23, 24), (22, 23), (18, 25), (40, 41), (12, 13)])
def test_rounding_hides_every_small_step(true):
    """One more case changes nothing or one step of the base, and either may be none at all: with a
    threshold of 8 and steps of 5 a step means 1 to 9 more."""
    before = release("1", {ALL: to_base(true[0], 5)}, units="cases")
    now = release("2", {ALL: to_base(true[1], 5)}, units="cases")
    row = compare_releases([before], [now], ROUNDED).iloc[0]
    assert not row["flagged"]
    assert row["low"] <= true[1] - true[0] <= row["high"]


def test_rounding_to_less_than_the_threshold_leaves_is_flagged():
    """With base 3 a step is 1 to 5 more: fewer than 8, for certain."""
    before, now = release("1", {ALL: 30}), release("2", {ALL: 33})
    row = compare_releases([before], [now], ControlSettings(base=3)).iloc[0]
    assert (row["low"], row["high"], row["flagged"]) == (1, 5, True)


def test_what_sums_in_one_release_is_used():
    """The hidden cell is 30 - 20 = 10 in the first and 12 in the second: two more."""
    before = release("1", {ALL: 30, "a": 20, "b": NAN}, units="cases")
    now = release("2", {ALL: 32, "a": 20, "b": NAN}, units="cases")
    row = compare_releases([before], [now], EXACT).set_index("cell").loc["kind=b"]
    assert (row["low"], row["high"], row["flagged"]) == (2, 2, True)


def test_a_cell_that_was_none_is_judged_by_the_attack_alone():
    before = release("1", {ALL: 40, "a": 40, "b": 0})
    now = release("2", {ALL: 52, "a": 40, "b": NAN, "c": NAN})
    row = compare_releases([before], [now], EXACT).set_index("cell").loc["kind=b"]
    assert (row["low"], row["flagged"], row["note"]) == (1, False, FROM_NONE)


def with_merging(one, mapping):
    return dataclasses.replace(one, table=dataclasses.replace(one.table, coarser={"kind": mapping}))


def test_categories_that_were_merged_are_added_up():
    mapping = {"a": "a", "b": "other", "other": "other"}
    fine = with_merging(release("1", {ALL: 60, "a": 30, "b": 10, "other": 20}), mapping)
    coarse = release("2", {ALL: 63, "a": 30, "other": 33})
    found = compare_releases([fine], [coarse], EXACT).set_index("cell")
    row = found.loc["kind=other"]
    assert (row["low"], row["high"], row["flagged"], row["note"]) == (3, 3, True, MERGED)
    back = compare_releases([coarse], [fine], EXACT).set_index("cell")
    row = back.loc["kind=other"]
    assert (row["low"], row["high"], row["flagged"], row["note"]) == (-3, -3, True, SPLIT)


def test_other_tables_and_new_cells_are_left_out():
    before = release("1", {ALL: 40, "a": 40})
    now = release("2", {ALL: 41, "b": 41})
    other = written("by-sex", ("sex",), {ALL: 41})
    found = compare_releases([before], [now, other], EXACT)
    assert list(found["cell"]) == ["all"]


def test_nothing_in_common_gives_no_rows():
    found = compare_releases([], [release("1", {ALL: 40})], EXACT)
    assert found.empty
    assert list(found.columns) == COLUMNS


@pytest.mark.parametrize("seed", range(4))
def test_one_patient_more_is_never_seen_in_controlled_releases(seed):
    """Control's own tables of a service before and after its last patient: nothing is flagged."""
    rng = np.random.default_rng(seed)
    cases = random_cases(rng)
    fewer = cases.loc[cases["person"] != cases["person"].max()]
    names = ["by-both", "by-sex", "shares", "means"]
    releases = [
        control([TABLES[name](some) for name in names], ROUNDED, level="external")
        for some in (fewer, cases)
    ]
    found = compare_releases(*releases, ROUNDED)
    assert len(found) > 20
    assert not found["flagged"].any()
