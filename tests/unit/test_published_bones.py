"""Published values of several bones together: only beside our cases on exactly the same bones."""

from __future__ import annotations

import dataclasses

import pandas as pd
import pytest
from matplotlib import pyplot as plt

from audit.figures.published import published_beside, published_beside_alt
from audit.intake.published_value import PublishedValue
from audit.intake.published_values import read_published_values
from audit.intake.series_plan import read_series_plan
from audit.published import (
    FROM_RESULTS,
    MADE_HERE,
    OPEN,
    REFUSED,
    beside,
    compare_published,
    group_of,
    parts_of,
)
from audit.published.ours import OurSide
from audit.series.selection import case_series
from audit.tables import published as tables

RATE = PublishedValue(
    entry="r1",
    source="Example 2020",
    measure="complications_per_100_cases",
    citation="Example A. J Example 2020;1:1-2",
    statistic="rate",
    events=30,
    n=90,
    n_counts="cases",
    device_class="circular_fixator",
    segment="tibia+femur",
    segment_n=(60, 30),
    population="90 bones",
)


def changed(**fields):
    return dataclasses.replace(RATE, **fields)


def series_of(run, **fields):
    plan = dataclasses.replace(read_series_plan(None), rules=(), **fields)
    return case_series(run, plan)


def test_a_group_names_its_bones_in_one_order():
    assert group_of("lengthening_nail", ["tibia", "femur"]) == "lengthening_nail+femur+tibia"
    assert parts_of("lengthening_nail+femur+tibia") == ("lengthening_nail", ("femur", "tibia"))
    words = "Circular fixator, femur, tibia and humerus"
    assert tables.group_title("circular_fixator+femur+tibia+humerus") == words


def test_the_pooled_nails_stand_beside_our_nails_on_the_same_bones(demo_run):
    """332 events in 983 segments of femur and tibia: 30.2 to 37.6 per 100 by the exact Poisson
    limits of Ulm (Am J Epidemiol 1990;131:373-375), chi-squared quantiles over two."""
    from scipy import stats

    found = compare_published(demo_run, read_published_values().values).set_index("entry")
    row = found.loc["frost_complications"]
    assert (row["verdict"], row["group"]) == (OPEN, "lengthening_nail+femur+tibia")
    assert row["our_source"] == FROM_RESULTS
    limits = [stats.chi2.ppf(0.025, 2 * 332) / 2, stats.chi2.ppf(0.975, 2 * 333) / 2]
    assert [row["their_low"], row["their_high"]] == pytest.approx([100 * x / 983 for x in limits])
    nails = demo_run.measured.loc[demo_run.measured["device_class"] == "lengthening_nail"]
    assert set(nails["segment"]) == {"femur", "tibia"}
    assert row["our_n"] == len(nails)
    events = nails["complication_events"].sum()
    assert row["our_value"] == pytest.approx(100 * events / len(nails))
    counts = nails["segment"].value_counts()
    assert row["our_bones"] == f"femur {counts['femur']}, tibia {counts['tibia']}"
    assert found.loc["depablos_complication", "their_bones"] == "femur 23, tibia 8"


@pytest.mark.parametrize(
    ("entry", "types"),
    [
        ("frost_type_ii_or_worse", ["II", "IIIA", "IIIB"]),
        ("frost_type_iii", ["IIIA", "IIIB"]),
        ("frost_type_iiib", ["IIIB"]),
    ],
)
def test_severe_complications_stand_beside_ours_of_the_same_types(demo_run, entry, types):
    found = compare_published(demo_run, read_published_values().values)
    row = found.set_index("entry").loc[entry]
    nails = demo_run.measured.loc[demo_run.measured["device_class"] == "lengthening_nail"]
    graded = nails.loc[nails["complication_events_severity_type_not_recorded"] == 0]
    events = sum(graded[f"complication_events_severity_type_{code}"].sum() for code in types)
    assert (row["our_n"], row["our_missing"]) == (len(graded), len(nails) - len(graded))
    assert row["our_value"] == pytest.approx(100 * events / len(graded))
    assert row["their_low"] < row["their_value"] < row["their_high"]
    assert row["verdict"] == OPEN
    definition = tables.our_definition(row["measure"], demo_run.cohort.settings)
    assert all(code in definition for code in types)


def test_a_set_of_bones_that_is_no_group_of_ours_is_made_for_the_comparison(demo_run):
    row = compare_published(demo_run, [RATE]).iloc[0]
    assert (row["group"], row["our_source"]) == ("circular_fixator+femur+tibia", MADE_HERE)
    cases = demo_run.measured
    mine = cases.loc[
        (cases["device_class"] == "circular_fixator") & cases["segment"].isin(["femur", "tibia"])
    ]
    assert row["our_n"] == len(mine)
    assert row["our_value"] == pytest.approx(100 * mine["complication_events"].sum() / len(mine))
    assert row["our_statistic"] == "rate_clustered"
    assert row["their_bones"] == "tibia 60, femur 30"


def test_a_bone_that_we_have_not_is_enough_to_refuse(demo_run):
    found = compare_published(
        demo_run, [changed(device_class="lengthening_nail", segment="femur+humerus")]
    ).iloc[0]
    assert (
        found["verdict"] == REFUSED
        and "no case of this device class on humerus" in (found["reason"])
    )
    unsaid = compare_published(demo_run, [changed(segment="", segment_n=())]).iloc[0]
    assert (unsaid["verdict"], unsaid["reason"]) == (REFUSED, "the bone is not said")


def test_the_mix_of_bones_is_said_in_table_figure_and_words(demo_run):
    unknown = changed(entry="r2", source="Example 2021", segment_n=())
    found = compare_published(demo_run, [RATE, unknown])
    shown = tables.published_table(found, demo_run.cohort.settings)
    (note,) = [note for note in shown.notes if "together" in note]
    assert note.startswith("Circular fixator, femur and tibia together: this series femur 14, ")
    assert "; Example 2020 tibia 60, femur 30; Example 2021 not said." in note
    assert any("not in results.csv: circular fixator, femur and tibia" in x for x in shown.notes)
    assert note in published_beside_alt(found)
    figure = published_beside(found)
    words = " ".join(" ".join(text.get_text().split()) for text in figure.texts)
    assert note in words
    plt.close(figure)


def test_one_bone_needs_no_mix(demo_run):
    found = compare_published(demo_run, [changed(segment="tibia", segment_n=())])
    assert found.iloc[0]["our_bones"] == "" and found.iloc[0]["their_bones"] == ""
    assert not [n for n in tables.published_table(found, demo_run.cohort.settings).notes
                if "together" in n]  # fmt: skip


def test_a_series_says_which_groups_are_not_those_of_its_plan(demo_run):
    values = [
        RATE,
        changed(entry="r2", device_class="lengthening_nail"),
        changed(entry="r3", segment="tibia", segment_n=()),
    ]

    def of_plan(**fields):
        found = compare_published(series_of(demo_run, **fields), values).set_index("entry")
        return [bool(found.loc[entry, "in_plan"]) for entry in ("r1", "r2", "r3")]

    by_bone, by_class = "device_class+segment", "device_class"
    assert of_plan(group_by=by_class, split_by=by_bone) == [False, True, True]
    assert of_plan(group_by=by_bone, split_by=by_bone) == [False, False, True]
    assert of_plan(group_by=by_class, split_by=by_class) == [False, True, False]
    assert of_plan(group_by="segment", split_by="segment") == [False, False, False]
    assert compare_published(demo_run, values)["in_plan"].isna().all()
    series = series_of(demo_run, group_by=by_class, split_by=by_class)
    found = compare_published(series, values)
    notes = tables.published_table(found, demo_run.cohort.settings).notes
    (note,) = [note for note in notes if note.startswith("Not a group by which the plan splits")]
    assert note.endswith(": circular fixator, tibia; circular fixator, femur and tibia.")


def test_a_series_and_its_run_give_the_same_numbers(demo_run):
    values = read_published_values().values
    run, series = (
        compare_published(demo_run, values),
        compare_published(series_of(demo_run), values),
    )
    pd.testing.assert_frame_equal(run.drop(columns="in_plan"), series.drop(columns="in_plan"))


def test_a_set_is_computed_once_and_a_whole_class_never(demo_run, monkeypatch):
    import audit.published.ours as ours

    made = []
    real = ours.bone_set_rows
    monkeypatch.setattr(
        ours, "bone_set_rows", lambda *args, **named: made.append(named) or real(*args, **named)
    )
    side = OurSide(demo_run)
    for _ in range(3):
        side.row("gain_error_mm", "mean", "circular_fixator+femur+tibia")
        side.row("gain_error_mm", "mean", "lengthening_nail+femur+tibia")
    assert len(made) == 1


def test_groups_stand_by_device_class_and_one_bone_before_several(demo_run):
    values = [
        changed(entry=f"e{place}", device_class=device, segment=bone, segment_n=())
        for place, (device, bone) in enumerate(
            [
                ("circular_fixator", "femur+tibia"),
                ("lengthening_nail", "tibia+femur"),
                ("circular_fixator", "tibia"),
                ("lengthening_nail", "tibia"),
                ("lengthening_nail", "femur"),
            ]
        )
    ]
    found = beside(compare_published(demo_run, values))
    assert list(found["entry"]) == ["e4", "e3", "e1", "e2", "e0"]


def test_a_share_without_one_count_shows_no_count(demo_run):
    share = changed(
        measure="cases_with_complication", statistic="proportion", events=None, value=55.0,
        unit="%", n=300, segment_n=(),
    )  # fmt: skip
    found = compare_published(demo_run, [share, dataclasses.replace(share, entry="r2", n=None)])
    words = [tables.value_words(row, "their") for _, row in found.iterrows()]
    assert words == ["55% (49% to 61%)", "55% (no interval)"]
    assert found["their_events"].isna().all()
