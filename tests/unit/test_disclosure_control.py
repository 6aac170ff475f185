"""Disclosure control of small tables worked by hand: every rule, and the order of the steps."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from audit.disclosure import curves, derived
from audit.disclosure import round as rounding
from audit.disclosure.control import control
from audit.disclosure.controlled import ControlledTable
from audit.disclosure.flags import undecided
from audit.disclosure.rows import rows_of
from audit.disclosure.settings import ControlSettings, Decision
from audit.summaries.table import ALL, SummaryTable
from tests.unit.controlled_service import average, count, curve, rate, row, share, table

ALONE = ControlSettings(complementary=False)


def released(*tables: SummaryTable, **chosen: object) -> tuple[ControlledTable, ...]:
    return control(tables, dataclasses.replace(ALONE, **chosen), level="external")  # type: ignore[arg-type]


def one(rows: list[dict[str, object]], *dimensions: str, **given: object) -> ControlledTable:
    chosen = given.pop("chosen", {})
    (found,) = released(table("t", rows, dimensions, **given), **chosen)  # type: ignore[arg-type]
    return found


def by_device(*sizes: int, **given: object) -> list[dict[str, object]]:
    """Counts of devices a, b, ... with their total."""
    of = sum(sizes)
    rows = [count({"device": chr(97 + at)}, size, of) for at, size in enumerate(sizes)]
    return [count({"device": ALL}, of, of), *rows]


# --- rounding -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("count_", "shown"), [(0, 0), (2, 0), (3, 5), (7, 5), (8, 10), (12, 10), (13, 15), (100, 100)]
)
def test_counts_are_rounded_to_the_nearest_five(count_, shown):
    # public output-checking guidance of a national health-data research environment: after
    # redaction, to the nearest 5
    assert rounding.to_base(count_, 5) == shown


def test_an_even_base_rounds_a_tie_upwards():
    assert [rounding.to_base(number, 10) for number in (4, 5, 15, 25)] == [0, 10, 20, 30]


@pytest.mark.parametrize(
    ("count_", "middle"),
    [(0, 0), *((n, 3) for n in range(1, 7)), *((n, 9) for n in range(7, 13)), (13, 15), (18, 15)],
)
def test_midpoints_of_six(count_, middle):
    # the same guidance, for survival curves: 0 stays 0, 1-6 become 3, 7-12 become 9, 13-18 15
    assert rounding.to_midpoint(count_, 6) == middle


@pytest.mark.parametrize(
    ("value", "step", "shown"),
    [(45.5, 1, 46), (-45.5, 1, -46), (0.874, 0.05, 0.85), (-0.2, 1, 0), (41.26, 0.5, 41.5)],
)
def test_averages_are_rounded_to_steps(value, step, shown):
    found = rounding.to_step(value, step)
    assert found == shown and not (found == 0 and math.copysign(1, found) < 0)


def test_significant_digits():
    shown = [rounding.to_digits(number, 2) for number in (0, 612.34, 0.04567, 1050, -3.449)]
    assert shown == [0, 610, 0.046, 1100, -3.4]


# --- suppression ----------------------------------------------------------------------------


def test_seven_people_are_hidden_and_eight_are_rounded():
    # public output-checking guidance: 7 or fewer redacted, then rounded to the nearest 5
    found = one(by_device(40, 8, 7, 0), "device", additive=("device",))
    assert found.frame["value"].tolist()[1:3] == [40, 10]
    assert found.frame["marker"].tolist() == ["", "", "", "[c]", ""]
    assert found.frame["value"].iloc[4] == 0
    assert found.hidden == (1, 0)


def test_people_decide_and_not_cases():
    cases_of_few = count({"device": "a"}, 9, 60, people=3, among=40)
    cases_of_many = count({"device": "b"}, 9, 60, people=8, among=40)
    found = one([cases_of_few, cases_of_many], "device")
    assert found.frame["marker"].tolist() == ["[c]", ""]


def test_a_remainder_of_few_people_hides_the_number():
    # US federal cell-size policy: no number by which a count of 1-10 can be worked out
    chosen = {"threshold": 11, "averages_people": 11}
    rows = [share({"g": "a"}, 90, 100), share({"g": "b"}, 89, 100), share({"g": "c"}, 100, 100)]
    found = one(rows, "g", chosen=chosen)
    assert found.frame["marker"].tolist() == ["[c]", "", ""]
    assert found.frame["value"].tolist()[1:] == [0.9, 1.0]


def test_people_with_units_on_both_sides_count_as_few():
    # 30 units of 20 people, 15 with the attribute in 18 people: as few as 2 people are outside
    found = one([share({"g": "a"}, 15, 30, people=18, among=20)], "g")
    assert found.frame["marker"].tolist() == ["[c]"]


def test_events_leave_no_remainder():
    events = rate({"g": "a"}, 70, 50, people=(45, 50))
    found = one([count({"g": "a"}, 70, 50, people=45) | {"unit": "events"}, events], "g")
    assert found.frame["marker"].tolist() == ["", ""]
    assert found.frame["value"].tolist() == [70, 140]


def test_unknown_people_are_few():
    rows = [count({"g": "a"}, 40, 90) | {"people_with": np.nan}]
    assert one(rows, "g").frame["marker"].tolist() == ["[c]"]


def test_averages_rest_on_people():
    rows = [
        average({"g": "a"}, "mean", 45.67, 12, people=7),
        average({"g": "b"}, "mean", 45.67, 12, people=8),
        average({"g": "c"}, "median", math.nan, 0),
        average({"g": "d"}, "median", math.nan, 12),
    ]
    found = one(rows, "g").frame
    assert found["marker"].tolist() == ["[c]", "", "[z]", "[x]"]
    assert found["value"].iloc[1] == 46
    assert found["denominator"].iloc[1] == 10


def test_zeros_can_be_hidden_like_few():
    rows = [share({"g": "a"}, 0, 50), share({"g": "b"}, 50, 50), share({"g": "c"}, 25, 50)]
    assert one(rows, "g").frame["marker"].tolist() == ["", "", ""]
    assert one(rows, "g", chosen={"zeros": "hide"}).frame["marker"].tolist() == ["[c]", "[c]", ""]


def test_a_denominator_of_few_people_is_never_shown():
    found = one([share({"g": "a"}, 0, 5), count({"g": "b"}, 0, 5)], "g").frame
    assert found["denominator"].isna().all()
    assert found["marker"].tolist() == ["[c]", ""]


def test_a_count_that_rounds_to_zero_has_its_marker():
    rows = [count({"g": "a"}, 4, 90)]
    found = one(rows, "g", chosen={"threshold": 3, "averages_people": 3, "base": 10}).frame
    assert found["marker"].tolist() == ["[k]"] and found["value"].isna().all()


def test_every_hidden_cell_says_the_same():
    rows = [share({"g": "a"}, 3, 50), share({"g": "b"}, 48, 50), average({"g": "c"}, "sd", 3.0, 4)]
    found = one(rows, "g").frame
    assert set(found["marker"]) == {"[c]"} and found["reason"].nunique() == 1


def test_nothing_to_count_is_not_zero():
    rows = [
        count({"g": "a"}, 0, 40) | {"numerator": np.nan, "people_with": np.nan, "value": np.nan}
    ]
    assert one(rows, "g").frame["marker"].tolist() == ["[x]"]


# --- order of the steps, totals, shares ------------------------------------------------------


def test_a_share_comes_from_rounded_counts():
    # 8 of 27 is 0.296; released counts are 10 and 25
    found = one([share({"g": "a"}, 8, 27)], "g").frame
    assert found["value"].tolist() == [0.4]


def test_a_total_is_built_up_from_rounded_cells():
    # 12 + 12 + 12 = 36 rounds to 35; the sum of the rounded cells is 30
    found = one(by_device(12, 12, 12), "device", additive=("device",))
    assert found.frame["value"].tolist() == [30, 10, 10, 10]
    assert {(0, "numerator"), (0, "denominator")} <= found.rebuilt


def test_tables_of_one_release_share_their_total():
    first = table("first", by_device(12, 12, 12), ("device",), additive=("device",))
    sexes = [count({"sex": word}, n, 36) for word, n in ((ALL, 36), ("f", 18), ("m", 18))]
    second = table("second", sexes, ("sex",), additive=("sex",))
    for order in ((first, second), (second, first)):
        found = {one.table.name: one.frame for one in released(*order)}
        # of the breakdowns the one with the fewest categories: 20 + 20
        assert found["first"]["value"].iloc[0] == found["second"]["value"].iloc[0] == 40
        assert (found["first"]["denominator"] == 40).all()


def test_a_total_with_a_hidden_category_is_not_worked_out_from_it():
    rows = by_device(40, 20, 5)
    without = one(rows, "device", additive=("device",))
    assert without.frame["value"].tolist()[0] == 60  # 40 + 20, the hidden 5 is not in it


def test_a_number_hidden_in_one_table_is_hidden_in_all():
    # 55 of 60 leaves five people; the other table gives 55 without its whole
    first = table("first", [count({"g": "a"}, 55, 60)], ("g",))
    second = table("second", [count({"g": "a"}, 55, 55), count({"g": "b"}, 20, 20)], ("g",))
    for found in released(first, second):
        assert found.frame["marker"].iloc[0] == "[c]"
        assert found.frame[["numerator", "value"]].iloc[0].isna().all()


def test_totals_that_do_not_add_up_are_refused():
    rows = [*by_device(12, 12), count({"device": "c"}, 9, 24)]
    with pytest.raises(ValueError, match="t: the counts over device do not add up"):
        one(rows, "device", additive=("device",))


@pytest.mark.parametrize(
    ("events", "n", "low", "high"), [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605)]
)
def test_the_interval_of_a_share_is_wilsons(events, n, low, high):
    # Newcombe RG. Stat Med 1998;17:857-872, table I, method 3: 81/263 and 15/148
    found = one([share({"g": "a"}, events, n)], "g", chosen={"base": 1}).frame.iloc[0]
    assert [found["low"], found["high"]] == pytest.approx([low, high], abs=5.1e-4)


def test_several_cases_of_a_patient_widen_the_interval():
    each = one([share({"g": "a"}, 30, 60)], "g").frame.iloc[0]
    twice = one([share({"g": "a"}, 30, 60, people=15, among=30)], "g").frame.iloc[0]
    alone = one([share({"g": "a"}, 15, 30)], "g").frame.iloc[0]
    assert twice["low"] < each["low"] and twice["high"] > each["high"]
    assert twice["low"] == alone["low"]


def test_the_interval_of_a_rate_is_garwoods():
    # Garwood F. Biometrika 1936;28:437-442: 10 events, 95% limits 4.80 and 18.39
    found = one([rate({"g": "a"}, 10, 100.0, people=(10, 60))], "g").frame.iloc[0]
    assert (found["value"], found["low"], found["high"]) == (10, 4.8, 18)


def test_a_rate_over_time_comes_from_rounded_numbers():
    found = one([rate({"g": "a"}, 41, 612.34, people=(30, 50), unit="case-months")], "g")
    released_row = found.frame.iloc[0]
    assert released_row["numerator"] == 40 and released_row["denominator"] == 610
    assert released_row["value"] == 6.6  # 4000 / 610 = 6.56


def test_the_interval_of_a_mean_comes_from_what_is_shown():
    # Student's t with 9 degrees of freedom: 2.262; 46 -+ 2.262 x 10 / sqrt(10) = 38.8 to 53.2
    rows = [average({"g": "a"}, "mean", 45.67, 11), average({"g": "a"}, "sd", 9.87, 11)]
    found = one(rows, "g").frame.iloc[0]
    assert (found["value"], found["low"], found["high"]) == (46, 39, 53)
    assert one(rows[:1], "g").frame[["low", "high"]].isna().all(axis=None)


def test_an_exact_number_changes_no_released_one():
    # people differ, rounded people do not: everything released is the same
    first = one([share({"g": "a"}, 31, 61, people=29, among=51)], "g")
    second = one([share({"g": "a"}, 29, 59, people=28, among=49)], "g")
    assert first.frame.equals(second.frame)


# --- coarser grouping ------------------------------------------------------------------------


def merging(name: str, fine: tuple[int, ...], coarse: tuple[int, ...]) -> SummaryTable:
    words = {"a": "a", "b": "rest", "c": "rest"}
    merged = table(name, by_device(*coarse), ("device",), additive=("device",))
    rows = by_device(*fine)
    return dataclasses.replace(
        table(name, rows, ("device",), additive=("device",)),
        coarser={"device": words},
        merged=merged,
    )


def test_coarser_groups_come_before_hiding():
    found, *_ = released(merging("t", (40, 6, 5), (40, 11)))
    assert found.frame["value"].tolist() == [50, 40, 10]
    assert found.hidden == (0, 0)
    assert found.flags == ("coarser grouping: device",)
    assert "Coarser groups were used for device." in found.controls


def test_fine_groups_stay_where_nothing_is_hidden_or_nothing_is_gained():
    for fine, coarse in (((40, 9, 12), (40, 21)), ((40, 0, 5), (40, 5))):
        found, *_ = released(merging("t", fine, coarse))
        assert len(found.frame) == 4
        assert found.flags == ()


def test_linked_tables_are_merged_together():
    # the second alone would hide as much merged as fine; beside the merged first it is merged too
    first, second = merging("first", (40, 6, 5), (40, 11)), merging("second", (40, 0, 5), (40, 5))
    assert [len(found.frame) for found in released(first, second)] == [3, 3]


# --- curves ----------------------------------------------------------------------------------


def points(values: list[float], at_risk: list[int]) -> list[dict[str, object]]:
    return [
        curve({"day": str(30 * at)}, value, n)
        for at, (value, n) in enumerate(zip(values, at_risk, strict=True))
    ]


def test_a_curve_moves_in_steps_of_six_people():
    # of 60, 3, 6, 7 and 30 have had it: midpoints 3, 3, 9 and 27 of 57
    found = one(points([1, 57 / 60, 54 / 60, 53 / 60, 0.5], [60, 57, 54, 53, 20]), "day")
    expected = [1, 1 - 3 / 57, 1 - 3 / 57, 1 - 9 / 57, 1 - 27 / 57]
    assert found.frame["value"].tolist() == [pytest.approx(one, abs=5e-4) for one in expected]
    assert found.frame["denominator"].tolist() == [57, 57, 51, 51, 21]


def test_a_curve_ends_where_few_are_left_and_nobody_is_few():
    found = one(points([1, 0.6, 0.2, 0.1], [40, 12, 7, 0]), "day").frame
    assert found["marker"].tolist() == ["", "", "[c]", "[c]"]
    assert found["denominator"].isna().tolist() == [False, False, True, True]


def test_a_curve_reaches_its_end_only_when_everybody_has():
    rising = one(points([0, 11 / 12], [12, 8]), "day").frame["value"]
    assert rising.tolist() == [0, pytest.approx(1 / 3, abs=5e-4)]
    assert one(points([0, 1], [12, 8]), "day").frame["value"].tolist() == [0, 1]


def test_no_step_of_a_released_curve_is_one_person():
    random = np.random.default_rng(3)
    for _ in range(50):
        values = np.sort(random.random(12))[::-1]
        found = one(points([1, *values], [80] * 13), "day").frame["value"].to_numpy()
        steps = -np.diff(found)
        assert (steps >= 0).all()
        # 80 are 81 as a midpoint; the first step is the half class 3, later ones whole classes
        assert np.isin(np.round(steps * 81).astype(int) % 3, [0]).all()
        assert (steps[steps > 0] * 81 > 2.9).all()


def test_files_name_the_rounding_of_a_curve():
    found = one(points([1, 0.6], [40, 12]), "day")
    (named,) = curves.named_for_files([found])
    assert {"denominator_midpoint6", "value_midpoint6"} <= {*named.frame.columns}
    assert "denominator" in found.frame.columns
    mixed = one([*points([1, 0.6], [40, 12]), count({"day": "0"}, 40, 40)], "day")
    assert "denominator" in curves.named_for_files([mixed])[0].frame.columns


# --- decisions, flags, tied words ------------------------------------------------------------


def decision(rule: str, **given: object) -> Decision:
    facts = {"table": "t", "reason": "harmless", "decided_by": "head of department"}
    return Decision(rule=rule, **{**facts, **given})  # type: ignore[arg-type]


def test_a_recorded_decision_shows_a_small_cell_rounded():
    rows = by_device(40, 20, 6)
    shown = one(rows, "device", additive=("device",),
                chosen={"decisions": (decision("few_people", cell={"device": "c"}),)})  # fmt: skip
    assert shown.frame["value"].tolist() == [65, 40, 20, 5]
    assert any("harmless. Decided by: head of department" in words for words in shown.controls)
    other = one(rows, "device", chosen={"decisions": (decision("few_people", table="x"),)})
    assert other.frame["marker"].iloc[3] == "[c]"


def test_a_group_of_none_or_all_is_flagged_until_decided():
    # 12 of 12: "all who had X also had Y"
    rows = [share({"g": "a"}, 12, 12), share({"g": "b"}, 0, 30), share({"g": "c"}, 15, 30)]
    found = one(rows, "g")
    assert found.flags == (
        "group disclosure: g a: all of the group",
        "group disclosure: g b: none of the group",
    )
    assert undecided([found]) == tuple(f"t: {flag}" for flag in found.flags)
    decided = one(rows, "g", chosen={"decisions": (decision("group"),)})
    assert decided.flags == () == undecided([decided])
    one_of_them = one(rows, "g", chosen={"decisions": (decision("group", cell={"g": "a"}),)})
    assert len(one_of_them.flags) == 1


def test_none_of_a_group_of_few_is_flagged():
    found = one([count({"g": "a"}, 0, 5), count({"g": "b"}, 0, 50)], "g")
    assert found.flags == ("group disclosure: g a: none of the group",)


def test_an_empty_category_is_no_group_but_a_full_one_is():
    def parts(*sizes: int) -> list[dict[str, object]]:
        of = sum(sizes)
        keys = [(ALL, of), *((chr(97 + at), size) for at, size in enumerate(sizes))]
        return [part({"g": word}, size, of) for word, size in keys for part in (count, share)]

    assert one(parts(20, 30, 0), "g", additive=("g",)).flags == ()
    (flag,) = one(parts(0, 50, 0), "g", additive=("g",)).flags
    assert flag == "group disclosure: g b: all of the group"


def test_a_row_of_a_cross_table_in_one_category_is_flagged():
    rows = []
    for device, sexes in ((ALL, (32, 20)), ("a", (12, 0)), ("b", (20, 20))):
        rows.append(count({"device": device, "sex": ALL}, sum(sexes), 52))
        rows += [
            count({"device": device, "sex": s}, n, 52) for s, n in zip("fm", sexes, strict=True)
        ]
    found = one(rows, "device", "sex", additive=("device", "sex"))
    # all with device a are f, and all m have device b
    assert found.flags == (
        "group disclosure: device a, sex f: all of the group",
        "group disclosure: device b, sex m: all of the group",
    )


def test_words_tied_to_a_hidden_value_are_hidden_too():
    key = {"criterion": "x", "verdict": "met"}
    rows = [count(key, 40, 40), share(key, 38, 40)]
    found = one(rows, "criterion", "verdict", tied=("verdict",)).frame
    # the share is hidden, and the verdict is on the share: it goes from the count as well
    assert found["verdict"].tolist() == ["[c]", "[c]"]
    with_mean = [*rows, average(key, "mean", 30.0, 40)]
    found = one(with_mean, "criterion", "verdict", tied=("verdict",)).frame
    assert found["verdict"].tolist() == ["met", "[c]", "met"]


# --- levels and refusals ---------------------------------------------------------------------


def test_a_paper_lists_its_small_cells():
    (found,) = control([table("t", by_device(40, 20, 6), ("device",))], ALONE, level="paper")
    assert found.frame["value"].tolist() == [66, 40, 20, 6]
    assert found.frame["marker"].tolist() == ["", "", "", "[u]"]
    assert found.flags == ("small cell: device c: rests on few people, or leaves few",)


def test_no_flag_reason_or_control_holds_a_patient_count():
    rows = by_device(46, 29, 6, 0)
    for level in ("internal", "paper", "external"):
        (found,) = control([table("t", rows, ("device",))], ALONE, level=level)
        texts = " ".join((*found.flags, *found.controls, *found.frame["reason"]))
        assert not {"46", "29", "81", " 6"} & {word.strip(",.") for word in texts.split()}


def test_levels_names_and_keys_are_checked():
    rows = by_device(40, 20)
    given = table("t", rows, ("device",))
    with pytest.raises(ValueError, match="level must be one of internal, paper, external; got 'x'"):
        control([given], ALONE, level="x")
    with pytest.raises(ValueError, match="two tables called t"):
        control([given, given], ALONE, level="external")
    with pytest.raises(ValueError, match="t: two rows have the same key"):
        control([table("t", [*rows, rows[0]], ("device",))], ALONE, level="external")
    with pytest.raises(ValueError, match=r"statistic must be one of count, .*; got 'max'"):
        control([table("t", [row({"g": "a"}, "max")], ("g",))], ALONE, level="external")
    with pytest.raises(ValueError, match="t: no column value"):
        short = dataclasses.replace(given, frame=given.frame.drop(columns="value"))
        control([short], ALONE, level="external")
    with pytest.raises(ValueError, match="numerator must be whole numbers of 0 or more"):
        control([table("t", [count({"g": "a"}, 8.5, 20)], ("g",))], ALONE, level="external")  # type: ignore[arg-type]


def test_a_rate_row_keeps_its_exposure_and_others_their_whole_denominator():
    timed = rate({"g": "a"}, 41, 612.34, people=(30, 50), unit="case-months")
    over_cases = rate({"g": "b"}, 41, 60, people=(30, 50))
    first, second = rows_of(table("t", [timed, over_cases], ("g",)))
    assert (first.units, first.exposure) == (None, 612.34)
    assert (second.units, second.denominator) == (60, None)


def test_the_settings_are_a_closed_set():
    for wrong, words in (
        ({"threshold": 1}, "threshold must be a whole number of 2 or more; got 1"),
        ({"averages_people": 5}, "averages_people must be a whole number of 8 or more; got 5"),
        ({"zeros": "star"}, "zeros must be one of show, hide; got 'star'"),
        ({"base": True}, "base must be a whole number"),
        ({"precision": {"mm": 0}}, "precision of 'mm' must be above 0"),
    ):
        with pytest.raises(ValueError, match=words):
            ControlSettings(**wrong)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="rule must be one of few_people, group; got 'x'"):
        decision("x")
    with pytest.raises(ValueError, match="a decision needs reason"):
        decision("group", reason=" ")


def test_released_averages_of_an_unlisted_unit_have_two_digits():
    (found,) = rows_of(table("t", [average({"g": "a"}, "q1", 0.4567, 20, unit="score")], ("g",)))
    assert derived.released_average(found, 20, None, ALONE).value == 0.46
