"""Tables small enough to be solved by hand, against the attack."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pandas as pd
import pytest

from audit.disclosure.attack import DECIDED, NO_LIMIT, SHOWN_SMALL, attack, least_left
from audit.disclosure.leaks import leaking
from audit.disclosure.settings import ControlSettings, Decision
from audit.disclosure.solve import Contradiction
from audit.summaries.table import ALL, COLUMNS, SummaryTable
from tests.unit.attack_cohorts import NAN, two_way, written

EXACT = ControlSettings(base=1, zeros="hide")
ROUNDED = ControlSettings(base=5)
INSIDE = [[20, 50, 10], [8, 19, 22], [17, 32, 12]]


def only(found: pd.DataFrame) -> pd.Series:
    assert len(found) == 1
    return found.iloc[0]


def test_a_single_hidden_cell_is_total_minus_the_rest():
    released = written("sex", ("sex",), {ALL: 20, "male": 17, "female": NAN})
    row = only(attack([released], EXACT))
    assert (row["low"], row["high"], row["width"]) == (3, 3, 0)
    assert row["pinned"]
    assert not row["protected"]


def test_four_cells_at_the_corners_of_a_rectangle():
    """The table of Fischetti and Salazar 2000 (J Am Stat Assoc 95:916-928), from memory: the range
    of the cell 22 is 5 to 30 when it is hidden with 8, 17 and 12. By hand: 30 - x >= 0 in its row
    (49 - 19 = 30), and the corner below left is 25 - (30 - x) = x - 5 >= 0."""
    released = two_way(INSIDE, {(1, 0), (1, 2), (2, 0), (2, 2)})
    found = attack([released], EXACT).set_index("cell")
    row = found.loc["row=r1; column=c2"]
    assert (row["low"], row["high"]) == (5, 30)
    row = found.loc["row=r1; column=c0"]
    assert (row["low"], row["high"]) == (0, 25)
    assert not found["pinned"].any()


def test_hidden_in_one_row_only_is_no_protection():
    """Two cells of one row, none in their columns: each column gives its own away."""
    found = attack([two_way(INSIDE, {(1, 0), (1, 2)})], EXACT)
    assert found["pinned"].all()
    assert sorted(found["low"]) == [8, 22]


def test_rounding_leaves_what_rounding_leaves():
    """25 is 23 to 27 and 15 is 13 to 17, so the rest is 6 to 14."""
    released = written("sex", ("sex",), {ALL: 25, "male": 15, "female": NAN}, units="cases")
    row = only(attack([released], ROUNDED))
    assert (row["low"], row["high"]) == (6, 14)
    assert row["protected"]


def test_a_marker_of_few_patients_says_fewer_than_the_threshold():
    """The same with patients: 6 or 7, and two values are too few beside the five of a rounded one."""
    counts = {ALL: 25, "male": 15, "female": NAN}
    row = only(attack([written("sex", ("sex",), counts, reason="few people")], ROUNDED))
    assert (row["low"], row["high"]) == (6, 7)
    assert not row["protected"]
    assert not row["pinned"]
    assert least_left(ROUNDED) == 5


def test_a_shown_number_is_not_below_the_threshold():
    """10 is 8 to 12 and not 6 to 14: 8 to 12 less 8 to 12, and one at least."""
    released = written("sex", ("sex",), {ALL: 10, "male": 10, "female": NAN}, units="cases")
    row = only(attack([released], ROUNDED))
    assert (row["low"], row["high"]) == (1, 4)


def test_total_and_males_alone_give_the_one_woman_away():
    total = written("all", ("sex",), {ALL: 20})
    male = written("male-only", ("sex",), {"male": 19})
    row = only(attack([total, male], ControlSettings(base=1)))
    assert row["quantity"] == "rest"
    assert (row["low"], row["high"], row["pinned"], row["protected"]) == (1, 1, True, False)
    enough = written("male-only", ("sex",), {"male": 11})
    assert only(attack([total, enough], ControlSettings(base=1)))["protected"]


def test_a_rebuilt_total_says_nothing():
    counts = {ALL: 15, "male": 15, "female": NAN}
    released = written("sex", ("sex",), counts, units="cases")
    at = int(np.flatnonzero(released.frame["sex"] == ALL)[0])
    rebuilt = dataclasses.replace(released, rebuilt=frozenset({(at, "numerator")}))
    row = only(attack([rebuilt], ROUNDED))
    assert pd.isna(row["high"])
    assert row["note"] == NO_LIMIT


def test_two_tables_together_say_more_than_each():
    """By device alone nothing is certain of the two hidden; the other table has their sum's part."""
    device = {ALL: 60, "nail": NAN, "frame": NAN, "other": 40}
    one = written("by-device", ("device",), device, units="cases")
    alone = attack([one], EXACT)
    assert not alone["pinned"].any()
    two = written("again", ("device", "sex"), {("nail", ALL): 15}, units="cases")
    together = attack([one, two], EXACT).set_index("cell")
    assert together.loc["device=frame", "low"] == together.loc["device=frame", "high"] == 5


def share(numerator, denominator, value, *, low=NAN, high=NAN, unit="share", statistic="share"):
    frame = pd.DataFrame(
        {
            "measure": ["within"], "statistic": [statistic], "unit": [unit],
            "numerator": [numerator], "denominator": [denominator], "value": [value],
            "low": [low], "high": [high],
            "marker": ["[c]" if numerator != numerator else ""], "reason": [""],
        }
    )  # fmt: skip
    base = written("shares", ("measure",), {"within": 1.0}, additive=(), units="cases")
    return dataclasses.replace(base, frame=frame)


def test_a_share_beside_its_hidden_numerator_gives_it_away():
    """3 of 23 to 27 is 0.130 to 0.111; only 3 of 25 rounds to 0.120."""
    found = attack([share(NAN, 25.0, 0.12)], ROUNDED).set_index("quantity")
    assert (found.loc["numerator", "low"], found.loc["numerator", "high"]) == (3, 3)
    assert found.loc["numerator", "pinned"]


def test_an_unrounded_share_beside_rounded_counts_is_a_leak():
    """9 of 13 printed as 10 of 15 and 0.692: of 8 to 12 of 13 to 17 no other share is 0.692. Only
    whole numbers tell; a continuous program would leave 8.99 to 11.77. Source of the rule: public
    output-checking guidance (the commonest reason for refusal)."""
    from audit.disclosure.equations import release_of
    from audit.disclosure.solve import extremes

    tables = (share(10.0, 15.0, 0.692),)
    release = release_of(tables, ROUNDED)
    equations = leaking(release, tables, release.equations())
    low, high = extremes(equations, np.arange(2))
    assert sorted(low) == sorted(high) == [9, 13]
    honest = (share(10.0, 15.0, 0.667),)
    release = release_of(honest, ROUNDED)
    low, high = extremes(leaking(release, honest, release.equations()), np.arange(2))
    assert (high - low == 4).all()


def test_an_event_rate_beside_its_hidden_events_gives_them_away():
    row = share(NAN, 40.0, 7.5, unit="events per 100 cases", statistic="rate")
    found = attack([row], ControlSettings(base=1))
    assert (found.iloc[0]["low"], found.iloc[0]["high"], found.iloc[0]["pinned"]) == (3, 3, True)


def with_exact(released, numbers: pd.DataFrame):
    """The released table with its exact one behind it."""
    frame = released.frame[["measure", "statistic", "unit"]].join(numbers)
    exact = frame.reindex(columns=["measure", *COLUMNS])
    return dataclasses.replace(released, table=dataclasses.replace(released.table, frame=exact))


def test_an_interval_of_the_exact_counts_is_a_leak():
    """Wilson's interval of 9 of 13 (0.424 to 0.873) under a share of the rounded counts."""
    from audit.disclosure.equations import release_of
    from audit.disclosure.solve import extremes

    released = share(10.0, 15.0, 0.667, low=0.424, high=0.873)
    numbers = pd.DataFrame(
        {"numerator": [9.0], "denominator": [13.0], "people_with": [9.0], "people": [13.0]}
    )
    tables = (with_exact(released, numbers),)
    release = release_of(tables, ROUNDED)
    low, high = extremes(leaking(release, tables, release.equations()), np.arange(2))
    assert sorted(low) == sorted(high) == [9, 13]


def test_the_interval_of_a_standard_deviation_tells_n():
    """Chi-squared limits of s = 10 with n = 23: 10 sqrt(22 / 36.781) = 7.734 and
    10 sqrt(22 / 10.982) = 14.154 (quantiles as in printed tables)."""
    from audit.disclosure.equations import release_of

    released = share(NAN, 25.0, 10.0, low=7.734, high=14.154, unit="mm", statistic="sd")
    released = dataclasses.replace(released, frame=released.frame.assign(marker=""))
    numbers = pd.DataFrame({"denominator": [23.0], "people": [23.0]})
    tables = (with_exact(released, numbers),)
    release = release_of(tables, ROUNDED)
    equations = leaking(release, tables, release.equations())
    assert (equations.low[0], equations.high[0]) == (23, 23)


def means_table(
    numbers: dict[str, tuple[float, float]],
    exact: dict[str, float],
    hidden: str,
    *,
    n: bool = False,
):
    """Means by device, one of them hidden; n: the number of cases of the hidden one is shown."""
    rows = []
    for word, (cases, mean) in numbers.items():
        gone = word == hidden
        rows.append(
            {
                "device": word, "statistic": "mean", "unit": "mm", "numerator": NAN,
                "denominator": NAN if gone and not n else cases, "value": NAN if gone else mean, "low": NAN,
                "high": NAN, "marker": "[c]" if gone else "", "reason": "",
            }
        )  # fmt: skip
    frame = pd.DataFrame(rows)
    counts = pd.DataFrame({"denominator": exact.values(), "people": exact.values()})
    truth = (
        frame[["device", "statistic", "unit"]].join(counts).reindex(columns=["device", *COLUMNS])
    )
    facts = SummaryTable("m", "m", "2026", "p", "cases", ("device",), truth, additive=("device",))
    base = written("m", ("device",), {"x": 1.0})
    return dataclasses.replace(base, table=facts, frame=frame)


def test_a_hidden_mean_is_worked_out_from_the_others():
    """40 cases with mean 50 and 36 with mean 48: the 4 others have (2000 - 1728) / 4 = 68. Means to
    0.1: half a step of each moves it by (40 + 36) x 0.05 / 4 = 0.95 to both sides."""
    numbers = {ALL: (40.0, 50.0), "nail": (36.0, 48.0), "frame": (4.0, 68.0)}
    exact = {ALL: 40.0, "nail": 36.0, "frame": 4.0}
    settings = ControlSettings(base=1, precision={"mm": 0.1})
    found = attack([means_table(numbers, exact, "frame")], settings)
    row = only(found.loc[found["quantity"] == "value"])
    assert row["low"] == pytest.approx(68 - 0.95)
    assert row["high"] == pytest.approx(68 + 0.95)
    assert not row["pinned"]
    assert not row["protected"]  # within 10 per cent of 68
    exactly = ControlSettings(base=1, precision={"mm": 2.0})
    wide = attack([means_table(numbers, exact, "frame")], exactly)
    wide = only(wide.loc[wide["quantity"] == "value"])
    assert wide["width"] == pytest.approx(38)
    assert wide["protected"]


def test_the_mean_of_one_person_is_that_person():
    """10 with mean 50.0 and 9 with mean 50.0, both exact to 0.001: the tenth is 50, near enough."""
    numbers = {ALL: (10.0, 50.0), "nail": (9.0, 50.0), "frame": (1.0, 50.0)}
    exact = {ALL: 10.0, "nail": 9.0, "frame": 1.0}
    settings = ControlSettings(base=1, precision={"mm": 0.001})
    found = attack([means_table(numbers, exact, "frame")], settings)
    assert found.loc[found["quantity"] == "denominator", "pinned"].all()
    row = only(found.loc[found["quantity"] == "value"])
    assert row["width"] == pytest.approx(0.019)
    assert not row["protected"]


def test_a_count_below_the_threshold_that_is_shown_is_named():
    released = written("sex", ("sex",), {ALL: 23, "male": 20, "female": 3})
    row = only(attack([released], ControlSettings(base=1)))
    assert (row["note"], row["pinned"], row["protected"]) == (SHOWN_SMALL, True, False)
    decided = Decision(
        table="sex", rule="few_people", reason="agreed", decided_by="lead", cell={"sex": "female"}
    )
    row = only(attack([released], ControlSettings(base=1, decisions=(decided,))))
    assert (row["note"], row["protected"]) == (DECIDED, True)


def test_nothing_hidden_gives_an_empty_table():
    found = attack([written("sex", ("sex",), {ALL: 40, "male": 20, "female": 20})], ROUNDED)
    assert found.empty
    assert not found["pinned"].any()


def test_numbers_that_cannot_all_be_true_are_refused():
    released = written("sex", ("sex",), {ALL: 100, "male": 20, "female": NAN, "other": 200})
    with pytest.raises(Contradiction, match="contradict one another"):
        attack([released], EXACT)


def test_depth_is_from_a_closed_list():
    with pytest.raises(ValueError, match="limits, verdict; got 'deep'"):
        attack([], EXACT, depth="deep")


def test_no_tables_give_no_rows():
    assert attack([], EXACT).empty


@pytest.mark.parametrize("seed", range(12))
def test_limits_are_those_of_trying_every_table(seed):
    """A second route: all tables of whole numbers up to the total are tried one by one."""
    rng = np.random.default_rng(seed)
    inside = rng.integers(0, 4, (2, 3))
    places = rng.choice(6, rng.integers(1, 5), replace=False)
    hidden = [divmod(int(place), 3) for place in places]
    released = two_way(inside.tolist(), set(hidden))
    found = attack([released], ControlSettings(base=1, zeros="hide", threshold=3))
    fits = []
    for tried in itertools.product(range(int(inside.sum()) + 1), repeat=len(hidden)):
        table = inside.copy()
        for at, value in zip(hidden, tried, strict=True):
            table[at] = value
        same_rows = (table.sum(axis=1) == inside.sum(axis=1)).all()
        if same_rows and (table.sum(axis=0) == inside.sum(axis=0)).all():
            fits.append(tried)
    rows = found.loc[found["quantity"] == "numerator"].set_index("cell")
    for at, values in zip(hidden, zip(*fits, strict=True), strict=True):
        row = rows.loc[f"row=r{at[0]}; column=c{at[1]}"]
        assert (row["low"], row["high"]) == (min(values), max(values))
