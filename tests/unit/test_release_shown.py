"""Controlled tables as people see them: one line a cell, markers where numbers are not."""

from __future__ import annotations

import dataclasses
import math

import pytest

from audit.disclosure.control import control
from audit.disclosure.controlled import MARKERS
from audit.disclosure.settings import ControlSettings
from audit.tables.release import category_words, release_flags, release_overview, release_shown
from tests.unit.controlled_service import average, count, curve, rate, service, share, table

ALONE = ControlSettings(complementary=False)


def shown(rows, *dimensions: str, level: str = "external", **given):
    (one,) = control([table("t", rows, dimensions, **given)], ALONE, level=level)
    return release_shown(one)


def test_statistics_of_a_cell_stand_side_by_side():
    key = {"device_class": "lengthening_nail"}
    rows = [
        count(key, 42, 42),
        share(key, 20, 42),
        average(key, "mean", 45.67, 42),
        average(key, "sd", 9.87, 42),
        average(key, "median", 44.4, 42),
    ]
    (line,) = shown(rows, "device_class").frame.to_dict("records")
    assert line == {
        "Device class": "Lengthening nail",
        "Unit": "mm",
        "Count": "40",
        "Share (95% CI)": "20/40 (50%; 35% to 65%)",
        "Mean (95% CI)": "46 (43 to 49)",
        "SD": "10",
        "Median": "44",
    }


def test_markers_stand_where_numbers_do_not():
    rows = [
        count({"g": "a"}, 5, 50),
        share({"g": "a"}, 5, 50),
        average({"g": "a"}, "mean", math.nan, 20),
        curve({"g": "a"}, 0.5, 4),
    ]
    found = shown(rows, "g")
    assert found.frame.iloc[0].tolist() == ["A", "[c]", "mm", "[c]", "[c]", "[x]", "[c]"]
    assert f"[c] {MARKERS['[c]']}." in found.notes and f"[x] {MARKERS['[x]']}." in found.notes
    assert not any(note.startswith("[k]") for note in found.notes)


def test_inside_the_department_the_marker_stands_beside_the_number():
    rows = [count({"g": "a"}, 5, 50), average({"g": "a"}, "mean", 45.67, 5)]
    found = shown(rows, "g", level="internal").frame.iloc[0]
    assert found["Count"] == "5 [u]"
    assert found["Mean (95% CI)"] == "45.7 (44.7 to 46.7) [u]"


def test_curves_and_rates():
    # 12 of 40 have had it: their midpoint is 9, of 39
    points = [curve({"day": "0"}, 1.0, 40), curve({"day": "90"}, 0.7, 24)]
    assert shown(points, "day").frame.to_numpy().tolist() == [
        ["0", "39", "100%"],
        ["90", "21", "77%"],
    ]
    (line,) = shown([rate({"g": "a"}, 10, 100.0, people=(10, 60))], "g").frame.to_numpy().tolist()
    assert line == ["A", "events per 100 cases", "10.0 (4.8 to 18.0)"]


@pytest.mark.parametrize("level", ["internal", "paper", "external"])
def test_every_cell_of_a_random_release_holds_a_text(level):
    for one in control(service(80, 7), ALONE, level=level):
        frame = release_shown(one).frame
        assert len(frame) == len(one.frame[list(one.table.dimensions)].drop_duplicates())
        assert not frame.isin(["nan", "None", "NaN"]).any(axis=None)


def test_words_for_categories():
    assert category_words("device_class", "circular_fixator") == "Circular fixator"
    assert category_words("device_class", "fixator_or_other") == "Fixator or other"
    assert category_words("centre", "north") == "north"
    assert category_words("sex", "all") == "All"
    assert category_words("criterion", "not yet due") == "not yet due"


def test_the_overview_counts_what_was_done_and_the_flags_are_listed():
    released = control(service(60, 2), ALONE, level="external")
    overview = release_overview(released).frame
    assert overview["Hidden"].astype(int).tolist() == [one.hidden[0] for one in released]
    flags = release_flags(released).frame
    assert len(flags) == sum(len(one.flags) for one in released)
    assert (overview["Coarser groups"] != "none").sum() == sum(
        flag.startswith("coarser") for one in released for flag in one.flags
    )
    assert release_flags(()).notes == ("Nothing needs a decision.",)
    assert release_overview(()).notes == ("There is no table.",)


def test_showing_changes_nothing():
    one = control(service(60, 2), ALONE, level="external")[3]
    before = one.frame.copy()
    release_shown(one)
    release_overview([dataclasses.replace(one)])
    assert one.frame.equals(before)
