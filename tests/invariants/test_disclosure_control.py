"""What must hold of every release, whatever the cohort: the rules of disclosure control.

The rules are those of public output-checking guidance for health data (redact 7 or fewer, then
round to the nearest 5; percentages from rounded counts; averages of few people hidden; totals from
rounded cells) and of the US policy on cell sizes (no remainder by which a small count is known).
They are checked here on the released rows against the exact ones, without the code of control.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as examples
from hypothesis import strategies as st

from audit.disclosure.control import control
from audit.disclosure.settings import ControlSettings
from audit.summaries.table import ALL
from tests.unit.controlled_service import service

#: second cells are the business of the attack's own tests; here they would only cost time
ALONE = ControlSettings(complementary=False)
CHOICES = st.builds(
    ControlSettings,
    threshold=st.sampled_from([3, 8, 11]),
    averages_people=st.just(11),
    base=st.sampled_from([3, 5, 10]),
    zeros=st.sampled_from(["show", "hide"]),
    complementary=st.just(False),
).filter(lambda chosen: chosen.base <= chosen.threshold)
SIZES, SEEDS = st.integers(0, 220), st.integers(0, 10**6)
quick = examples(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True
)


def pairs(size: int, seed: int, chosen: ControlSettings):
    """(table, exact rows, released rows) of a random release, rows in the same order."""
    for one in control(service(size, seed), chosen, level="external"):
        yield one, one.table.frame.reset_index(drop=True), one.frame


@quick
@given(SIZES, SEEDS, CHOICES)
def test_no_number_of_few_people_is_shown(size, seed, chosen):
    for _, exact, shown in pairs(size, seed, chosen):
        counted = exact["statistic"].isin(["count", "share", "rate"])
        some = shown["numerator"].notna() & (exact["numerator"] > 0)
        assert not (some & (exact["people_with"] < chosen.threshold)).any()
        of_group = shown["value"].notna() & exact["statistic"].isin(["share", "rate"])
        assert not (of_group & (exact["people"] < chosen.threshold)).any()
        averaged = shown["value"].notna() & ~counted
        assert not (averaged & (exact["people"] < chosen.averages_people)).any()
        assert not (
            shown["denominator"].notna() & exact["people"].between(1, chosen.threshold - 1)
        ).any()


@quick
@given(SIZES, SEEDS, CHOICES)
def test_no_share_leaves_a_remainder_of_few_people(size, seed, chosen):
    for _, exact, shown in pairs(size, seed, chosen):
        shares = exact["statistic"].isin(["count", "share"]) & (exact["numerator"] > 0)
        outside = exact["denominator"] - exact["numerator"]
        certain = exact["people"] - exact["people_with"]
        small = (outside > 0) & (certain < chosen.threshold)
        assert not (shares & small & shown["numerator"].notna()).any()


@quick
@given(SIZES, SEEDS, CHOICES)
def test_zeros_are_shown_or_hidden_as_the_settings_say(size, seed, chosen):
    for _, exact, shown in pairs(size, seed, chosen):
        none = (exact["statistic"] == "count") & (exact["numerator"] == 0)
        values = shown.loc[none, "value"]
        assert values.notna().all() if chosen.zeros == "show" else values.isna().all()
        assert ((shown["numerator"] == 0) <= (exact["numerator"] == 0)).all()


@quick
@given(SIZES, SEEDS, CHOICES)
def test_what_is_hidden_is_marked_and_empty_and_the_rest_is_not(size, seed, chosen):
    for one, exact, shown in pairs(size, seed, chosen):
        hidden = shown["marker"] == "[c]"
        assert shown.loc[hidden, ["numerator", "value", "low", "high"]].isna().all(axis=None)
        assert (shown.loc[hidden, "reason"] == "hidden to protect people").all()
        assert (shown.loc[shown["marker"] == "", "reason"] == "").all()
        assert shown.loc[shown["marker"] == "", "value"].notna().all()
        assert sum(one.hidden) == hidden.sum()
        assert len(shown) == len(exact)


@quick
@given(SIZES, SEEDS, CHOICES)
def test_every_count_is_a_multiple_of_the_base_and_shares_come_from_them(size, seed, chosen):
    for _, exact, shown in pairs(size, seed, chosen):
        counts = shown.loc[exact["statistic"] != "curve", ["numerator", "denominator"]].to_numpy()
        counts = counts[~np.isnan(counts)]
        assert (counts % chosen.base == 0).all()
        shares = shown.loc[(shown["statistic"] == "share") & shown["value"].notna()]
        for row in shares.itertuples():
            assert 0 <= row.numerator <= row.denominator
            assert row.value == round(row.numerator / row.denominator, 3)
            if not math.isnan(row.low):
                assert 0 <= row.low <= row.value <= row.high <= 1
        rates = shown.loc[(shown["statistic"] == "rate") & shown["value"].notna()]
        found = (100 * rates["numerator"] / rates["denominator"]).to_numpy(dtype=float)
        np.testing.assert_allclose(rates["value"].to_numpy(dtype=float), found, rtol=0.05)


@quick
@given(SIZES, SEEDS, CHOICES)
def test_all_or_none_is_released_as_such_and_nothing_else_is(size, seed, chosen):
    for _, exact, shown in pairs(size, seed, chosen):
        shares = (shown["statistic"] == "share") & shown["value"].notna()
        everybody = (exact["numerator"] == exact["denominator"])[shares]
        assert ((shown.loc[shares, "value"] == 1) == everybody).all()
        assert ((shown.loc[shares, "value"] == 0) == (exact["numerator"] == 0)[shares]).all()


@quick
@given(SIZES, SEEDS)
def test_a_total_is_the_sum_of_its_rounded_categories(size, seed):
    _, _, both, _ = service(size, seed)
    (one,) = control([both], ALONE, level="external")
    counts = one.frame.loc[one.frame["statistic"] == "count"]
    for sex in counts["sex"].unique():
        own = counts.loc[counts["sex"] == sex].set_index("device")["value"]
        parts = own.drop(ALL)
        if sex != ALL and parts.notna().all() and not math.isnan(own[ALL]):
            assert own[ALL] == parts.sum()


@quick
@given(SIZES, SEEDS, CHOICES)
def test_a_number_is_the_same_or_hidden_in_every_table(size, seed, chosen):
    seen: dict[tuple, set[float]] = {}
    for one, exact, shown in pairs(size, seed, chosen):
        keys = list(one.table.dimensions)
        for place in shown.index[shown["statistic"] == "count"]:
            words = frozenset(exact.loc[place, keys].items()) - {(name, ALL) for name in keys}
            if exact.loc[place, "numerator"]:
                seen.setdefault(words, set()).add(shown.loc[place, "value"])
    merged = {"fixator"}
    for words, values in seen.items():
        if not merged & {word for _, word in words}:
            assert len(values) == 1 or all(math.isnan(value) for value in values), words


@quick
@given(SIZES, SEEDS)
def test_order_of_rows_and_tables_does_not_matter(size, seed):
    tables = service(size, seed)
    shuffled = [
        type(one)(**{**one.__dict__, "frame": one.frame.sample(frac=1, random_state=seed % 997)})
        for one in reversed(tables)
    ]
    found = {one.table.name: one for one in control(shuffled, ALONE, level="external")}
    for one in control(tables, ALONE, level="external"):
        keys = [*one.table.dimensions, "statistic", "unit"]
        other = found[one.table.name]
        pd.testing.assert_frame_equal(
            one.frame.sort_values(keys, ignore_index=True),
            other.frame.sort_values(keys, ignore_index=True),
        )
        assert one.hidden == other.hidden
        assert set(one.flags) == set(other.flags)


@quick
@given(SIZES, SEEDS)
def test_control_changes_nothing_that_it_is_given_and_repeats_itself(size, seed):
    tables = service(size, seed)
    before = [one.frame.copy() for one in tables]
    first = control(tables, ALONE, level="external")
    again = control(tables, ALONE, level="external")
    for one, two in zip(first, again, strict=True):
        pd.testing.assert_frame_equal(one.frame, two.frame)
        assert one.controls == two.controls
    for one, frame in zip(tables, before, strict=True):
        pd.testing.assert_frame_equal(one.frame, frame)


@pytest.mark.parametrize("seed", range(6))
def test_second_cells_only_hide_more_and_every_rule_still_holds(seed):
    tables = service(40 + 25 * seed, seed)
    alone = control(tables, ALONE, level="external")
    protected = control(tables, ControlSettings(), level="external")
    for before, after in zip(alone, protected, strict=True):
        hidden = before.frame["marker"] == "[c]"
        assert (after.frame.loc[hidden, "marker"] == "[c]").all()
        assert after.hidden[0] == before.hidden[0] and after.hidden[1] >= before.hidden[1]
        gone = after.frame["marker"] == "[c]"
        assert after.frame.loc[gone, ["numerator", "value", "low", "high"]].isna().all(axis=None)
        shares = after.frame.loc[(after.frame["statistic"] == "share") & ~gone]
        found = (shares["numerator"] / shares["denominator"]).to_numpy(dtype=float)
        np.testing.assert_allclose(shares["value"].to_numpy(dtype=float), found, atol=5.1e-4)


@pytest.mark.parametrize("level", ["internal", "paper"])
def test_inside_the_department_numbers_are_exact(level):
    for one, given_ in zip(
        control(service(90, 4), ALONE, level=level), service(90, 4), strict=True
    ):
        columns = ["numerator", "denominator", "value", "low", "high"]
        pd.testing.assert_frame_equal(one.frame[columns], given_.frame[columns])
        few = given_.frame["people_with"].between(1, 7) & (given_.frame["statistic"] == "count")
        assert (one.frame.loc[few, "marker"] == "[u]").all()
