"""Second cells: what is hidden besides protects, costs little, and nothing else changes."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pandas as pd
import pytest

from audit.disclosure.attack import attack
from audit.disclosure.complementary import complement
from audit.disclosure.facts_known import SECOND_CELL
from audit.disclosure.settings import ControlSettings
from audit.summaries.table import ALL
from tests.unit.attack_cohorts import NAN, two_way, written
from tests.unit.test_attack_textbook import means_table

EXACT = ControlSettings(base=1)
#: the table of Fischetti and Salazar 2000, J Am Stat Assoc 95:916-928 (numbers from memory)
INSIDE = [[20, 50, 10], [8, 19, 22], [17, 32, 12]]


def seconds(released) -> set[tuple[str, ...]]:
    """The categories of every second cell."""
    return {
        tuple(row[name] for name in one.table.dimensions)
        for one in released
        for _, row in one.frame.iterrows()
        if row["reason"] == SECOND_CELL and row["statistic"] == "count"
    }


def test_one_hidden_cell_of_a_two_way_table_needs_three_more():
    """A hidden cell is safe only in a closed chain of hidden cells: three at least. By hand, for the
    cell r1 c0 (8): rectangles cost r1 + column + corner; {22, 17, 12} = 51 is the cheapest."""
    released = complement([two_way(INSIDE, {(1, 0)})], EXACT)
    assert seconds(released) == {("r1", "c2"), ("r2", "c0"), ("r2", "c2")}
    assert attack(released, EXACT)["protected"].all()


def test_two_hidden_cells_share_their_second_cells():
    """r1 c0 and r0 c2 are corners of one rectangle: its other corners 20 and 22 serve both."""
    released = complement([two_way(INSIDE, {(1, 0), (0, 2)})], EXACT)
    assert seconds(released) == {("r0", "c0"), ("r1", "c2")}
    assert attack(released, EXACT)["protected"].all()


def test_a_single_hidden_cell_of_a_list_takes_the_smallest_neighbour():
    counts = {ALL: 70, "a": NAN, "b": 40, "c": 9, "d": 18}
    released = complement([written("list", ("kind",), counts)], EXACT)
    assert seconds(released) == {("c",)}
    frame = released[0].frame
    row = frame.loc[frame["kind"] == "c"].iloc[0]
    assert (row["marker"], np.isnan(row["numerator"]), np.isnan(row["value"])) == (
        "[c]",
        True,
        True,
    )
    assert released[0].hidden == (0, 1)


def test_zeros_are_no_second_cells():
    counts = {ALL: 50, "a": NAN, "b": 0, "c": 47}
    assert seconds(complement([written("list", ("kind",), counts)], EXACT)) == {("c",)}


def test_the_same_number_is_hidden_in_every_table():
    one = written("one", ("kind",), {ALL: 70, "a": NAN, "b": 50, "c": 16})
    two = written("two", ("kind", "sex"), {("c", ALL): 16}, additive=("sex",))
    released = complement([one, two], EXACT)
    assert seconds(released) == {("c",), ("c", ALL)}
    assert attack(released, EXACT)["protected"].all()


def test_what_is_protected_is_returned_as_it_is():
    tables = [two_way(INSIDE, {(1, 0), (1, 2), (2, 0), (2, 2)}), two_way(INSIDE, set())]
    again = complement(tables[:1], EXACT)
    assert again[0] is tables[0]
    assert complement(tables[1:], EXACT)[0] is tables[1]


def test_twice_is_as_good_as_once():
    once = complement([two_way(INSIDE, {(1, 0)})], EXACT)
    twice = complement(once, EXACT)
    assert twice[0].frame.equals(once[0].frame)


def test_the_frames_given_are_not_changed():
    released = two_way(INSIDE, {(1, 0)})
    before = released.frame.copy()
    complement([released], EXACT)
    assert released.frame.equals(before)


def test_a_share_loses_its_value_with_its_numerator():
    """The count hides its neighbour; the share of that neighbour goes too, its denominator stays."""
    released = written("list", ("kind",), {ALL: 60, "a": NAN, "b": 12, "c": 44})
    frame = released.frame.assign(denominator=60.0)
    shares = frame.assign(statistic="share", unit="share", value=frame["numerator"] / 60)
    both = dataclasses.replace(released, frame=pd.concat([frame, shares], ignore_index=True))
    after = complement([both], EXACT)[0].frame
    hidden = after.loc[after["kind"] == "b"]
    assert hidden[["numerator", "value"]].isna().all(axis=None)
    assert (hidden["denominator"] == 60).all()
    assert (hidden["marker"] == "[c]").all()


def test_a_hidden_mean_that_follows_from_the_others_takes_another_with_it():
    """(40 x 50 - 26 x 48 - 10 x 48) / 4 = 68; to 0.1 mm it is 68 +- (76 x 0.05 / 4 = 0.95), within
    10 per cent. Without the smallest other group only the mean of 14 together is left."""
    numbers = {ALL: (40.0, 50.0), "nail": (26.0, 48.0), "frame": (4.0, 68.0), "rod": (10.0, 48.0)}
    exact = {word: n for word, (n, _) in numbers.items()}
    settings = ControlSettings(base=1, precision={"mm": 0.1}, threshold=3, averages_people=8)
    table = means_table(numbers, exact, "frame", n=True)
    before = attack([table], settings).set_index(["quantity", "cell"])
    assert not before.loc[("value", "device=frame"), "protected"]
    after = complement([table], settings)
    frame = after[0].frame.set_index("device")
    assert frame.loc["rod", ["marker", "reason"]].tolist() == ["[c]", SECOND_CELL]
    assert frame["value"].notna().to_dict() == {
        ALL: True,
        "nail": True,
        "frame": False,
        "rod": False,
    }
    found = attack(after, settings)
    assert found.loc[found["quantity"] == "value", "protected"].all()


def test_a_hidden_mean_that_stays_uncertain_takes_nothing_with_it():
    numbers = {ALL: (40.0, 50.0), "nail": (26.0, 48.0), "frame": (4.0, 68.0), "rod": (10.0, 48.0)}
    exact = {word: n for word, (n, _) in numbers.items()}
    settings = ControlSettings(base=1, precision={"mm": 2.0}, threshold=3, averages_people=8)
    table = means_table(numbers, exact, "frame", n=True)
    assert complement([table], settings)[0] is table


@pytest.mark.parametrize("seed", range(10))
def test_loss_for_one_cell_is_that_of_trying_all_sets(seed):
    """A second route: every set of cells, cheapest first, until the attack finds no fault."""
    rng = np.random.default_rng(seed)
    inside = rng.integers(9, 40, (2, 3))
    inside[0, 0] = rng.integers(1, 8)
    released = two_way(inside.tolist(), {(0, 0)})
    chosen = seconds(complement([released], EXACT))
    frame = released.frame.set_index(["row", "column"])
    losses = frame["value"].dropna().to_dict()
    loss = sum(losses[cell] for cell in chosen)
    for size in (1, 2, 3):
        for cells in itertools.combinations(losses, size):
            if sum(losses[cell] for cell in cells) < loss:
                found = attack([_hidden(released, cells)], EXACT, depth="verdict")
                assert not found["protected"].all()


def _hidden(released, cells):
    frame = released.frame.copy()
    for row, column in cells:
        at = (frame["row"] == row) & (frame["column"] == column)
        frame.loc[at, ["numerator", "value"]] = NAN
        frame.loc[at, ["marker", "reason"]] = ["[c]", SECOND_CELL]
    return dataclasses.replace(released, frame=frame)


@pytest.mark.parametrize("base", [1, 5])
@pytest.mark.parametrize("seed", range(5))
def test_random_tables_with_many_small_cells_are_protected(seed, base):
    rng = np.random.default_rng(100 + seed)
    inside = rng.poisson(rng.choice([3.0, 12.0, 40.0], (4, 4)))
    settings = ControlSettings(base=base)
    small = [(int(i), int(j)) for i, j in zip(*np.where((inside > 0) & (inside < 8)), strict=True)]
    released = two_way(inside.tolist(), set(small))
    frame = released.frame
    for name in ("numerator", "value"):
        frame = frame.assign(**{name: (2 * frame[name] + base) // (2 * base) * base})
    after = complement([dataclasses.replace(released, frame=frame)], settings)
    found = attack(after, settings, depth="verdict")
    assert found.loc[found["note"] != "shown, though below the threshold", "protected"].all()
