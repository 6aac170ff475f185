"""Published values beside ours: the verdict, the interval each value allows, the table, the figure.

Outside values: intervals from the sources named at each test.
"""

from __future__ import annotations

import dataclasses
import decimal
import math

import numpy as np
import pandas as pd
import pytest
from matplotlib import pyplot as plt

from audit.figures.published import published_beside, published_beside_alt, published_pages
from audit.intake.published_value import PublishedValue
from audit.intake.published_values import read_published_values
from audit.pages.series import parts as page
from audit.published import (
    OPEN,
    REFUSED,
    SAME,
    beside,
    compare_published,
    match_value,
    published_estimate,
    refused,
    sources,
)
from audit.published.definitions import DEFINITIONS, NOT_FORMED, TWO_MEANINGS, factor
from audit.published.intervals import counts_behind
from audit.published.matching import GROUP_BY, Ours
from audit.published.ours import OurSide
from audit.results.rows import best_rows
from audit.settings import Settings
from audit.tables import measures as shown_measures
from audit.tables import published as tables
from audit.wording import with_interval

STATED = PublishedValue(
    entry="e1",
    source="Example 2020",
    measure="healing_index_days_per_cm",
    citation="Example A. J Example 2020;1:1-2",
    statistic="mean",
    value=31.3,
    decimals=1,
    sd=9.0,
    n=20,
    n_counts="cases",
    missing=1,
    unit="days/cm",
    starts="surgery",
    ends="union",
    union_rule="three_cortices",
    device_class="lengthening_nail",
    segment="femur",
    population="20 femora",
    read_as="full_text",
)
OURS = Ours(
    units={
        ("healing_index_days_per_cm", "mean"): "days/cm",
        ("healing_index_days_per_cm", "median"): "days/cm",
        ("time_to_union", "median_time"): "days",
        ("gain_within_tolerance", "proportion"): "",
        ("cases_with_complication", "proportion"): "",
        ("complications_per_100_cases", "rate"): "events per 100 cases",
    },
    groups=("lengthening_nail+femur",),
    settings=Settings(),
)


def changed(**fields: object) -> PublishedValue:
    return dataclasses.replace(STATED, **fields)


SHARE = changed(
    measure="gain_within_tolerance",
    statistic="proportion",
    value=None,
    sd=None,
    events=18,
    unit="",
    starts="",
    ends="",
    union_rule="",
    tolerance_mm=5.0,
)


def test_the_same_definition_stands_beside():
    found = match_value(STATED, OURS)
    assert (found.verdict, found.group, found.unit) == (SAME, "lengthening_nail+femur", "days/cm")
    assert match_value(SHARE, OURS).verdict == SAME


@pytest.mark.parametrize(
    ("fields", "reason"),
    [
        ({"measure": "consolidation_index"}, "means surgery to union in some papers and end of"),
        ({"measure": "lengthening_index"}, "the lengthening index means time of distraction"),
        ({"measure": "accuracy_pct"}, "accuracy means"),
        ({"measure": "residual_discrepancy_mm"}, "is another question"),
        ({"measure": "healing_index_day_per_cm"}, "the nearest name is healing_index_days_per_cm"),
        ({"statistic": ""}, "mean or a median is not said"),
        ({"statistic": "ratio_of_totals"}, "we give no ratio of totals"),
        ({"unit": ""}, "its unit is not said"),
        ({"unit": "mm"}, "cannot be turned into days/cm"),
        ({"device_class": "circular_fixator"}, "we have no case of this device class and bone"),
        ({"device_class": ""}, "the device class is not said"),
        ({"device_class": "other"}, "`other` is no one thing"),
        ({"segment": "tibia"}, "we have no case of this device class and bone"),
        ({"segment": ""}, "the bone is not said"),
        ({"segment": "femur+other"}, "`other` is no one thing"),
        (
            {"segment": "femur+tibia"},
            "it pools femur, tibia, and we have no case of this device class on tibia",
        ),
        (
            {"device_class": "lengthening_nail+circular_fixator"},
            "several device classes are pooled (lengthening_nail, circular_fixator)",
        ),
        ({"differs": "limbs that needed a graft are left out"}, "needed a graft"),
        ({"starts": "distraction_end"}, "its clock starts at distraction end, ours at surgery"),
        ({"ends": "fixator_removal"}, "its clock ends at fixator removal, ours at union"),
        ({"union_rule": "four_cortices"}, "its union rule is four cortices, ours is three"),
        ({"n_counts": "patients"}, "it counts patients, ours counts cases"),
    ],
)
def test_one_difference_is_enough_to_refuse(fields, reason):
    found = match_value(changed(**fields), OURS)
    assert found.verdict == REFUSED
    assert [words for words in found.reasons if reason in words]
    assert len(found.reasons) == 1


@pytest.mark.parametrize(
    ("fields", "reason"),
    [
        ({"tolerance_mm": None}, "tolerance is not said"),
        ({"tolerance_mm": 25.0}, "its tolerance is 25 mm, ours is 5 mm"),
        ({"n_counts": ""}, "whether it counts cases or patients is not said"),
    ],
)
def test_a_share_needs_its_tolerance_and_its_unit_of_analysis(fields, reason):
    found = match_value(dataclasses.replace(SHARE, **fields), OURS)
    assert found.verdict == REFUSED and reason in found.reasons[0]


def test_a_mean_time_is_never_laid_beside_a_median_that_keeps_the_waiting():
    found = match_value(changed(measure="time_to_union", unit="days"), OURS)
    assert found.verdict == REFUSED and "leaves out whoever still waits" in found.reasons[0]


def test_every_reason_is_named():
    found = match_value(changed(statistic="", segment="", union_rule="other"), OURS)
    assert len(found.reasons) == 3


@pytest.mark.parametrize(
    ("fields", "part"),
    [
        ({"starts": ""}, "start of the clock"),
        ({"ends": ""}, "end of the clock"),
        ({"union_rule": ""}, "union rule"),
        ({"n_counts": ""}, "whether n counts cases or patients"),
    ],
)
def test_what_is_not_said_is_named_and_does_not_pass_for_agreement(fields, part):
    found = match_value(changed(**fields), OURS)
    assert (found.verdict, found.unsaid) == (OPEN, (part,))


def test_our_own_definitions_decide():
    four = dataclasses.replace(OURS, settings=Settings(union_cortices=4, tolerance_mm=25.0))
    assert match_value(STATED, four).verdict == REFUSED
    assert match_value(changed(union_rule="four_cortices"), four).verdict == SAME
    assert match_value(dataclasses.replace(SHARE, tolerance_mm=25.0), four).verdict == SAME


def test_names_that_mean_two_things_are_no_measure_of_ours():
    assert not {*TWO_MEANINGS, *NOT_FORMED} & set(DEFINITIONS)


def test_every_measure_with_a_definition_is_formed_by_the_kit(demo_run):
    assert set(DEFINITIONS) <= set(demo_run.results["measure"])


# --- intervals -------------------------------------------------------------------------------


def test_a_mean_with_sd_and_n_gets_the_t_interval():
    """Gardner and Altman, BMJ 1986;292:746-750: 100 men, mean 146.4, SD 18.5 mm Hg, interval 142.7
    to 150.1 (from memory)."""
    found = published_estimate(changed(value=146.4, sd=18.5, n=100), unit="days/cm")
    assert (round(found.low, 1), round(found.high, 1)) == (142.7, 150.1)
    assert found.method == "mean, t interval from the printed SD and n"


@pytest.mark.parametrize(
    ("events", "n", "low", "high"),
    [
        # Newcombe, Stat Med 1998;17:857-872, Table I, method 3
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_a_share_gets_wilsons_interval(events, n, low, high):
    found = published_estimate(dataclasses.replace(SHARE, events=events, n=n))
    assert (round(found.low, 4), round(found.high, 4)) == (low, high)
    assert "Wilson" in found.method


def test_a_rate_gets_the_exact_poisson_interval():
    """10 events: 4.795 to 18.390 (Garwood, Biometrika 1936;28:437-442, table)."""
    value = changed(
        measure="complications_per_100_cases", statistic="rate", value=None, events=10, n=100
    )
    found = published_estimate(value, unit="events per 100 cases")
    assert found.value == 10
    assert (round(found.low, 3), round(found.high, 2)) == (4.795, 18.39)


@pytest.mark.parametrize(
    ("percent", "decimals", "n", "counts"),
    [
        # printed percentages: Siriraj Med J (26.1 %, 32.1 %); doi 10.1186/s12891-023-06527-2
        # (73.6 % of 19 and 46.7 % of 62 are cut, 73.3 % of 18 is impossible); doi
        # 10.1186/s13018-023-04229-y (16.6 %); Rev Esp Cir Ortop Traumatol 2022;66:T355 (55 %)
        (26.1, 1, 23, [6]),
        (26.1, 1, 46, [12]),
        (32.1, 1, 28, [9]),
        (73.6, 1, 19, [14]),
        (46.7, 1, 62, [29]),
        (73.3, 1, 18, []),
        (16.6, 1, 12, [2]),
        (55.0, 0, 31, [17]),
        (12.5, 1, 16, [2]),
        (13.0, 0, 8, [1]),
    ],
)
def test_counts_behind_a_printed_percentage(percent, decimals, n, counts):
    assert list(counts_behind(percent / 100, n, decimals=decimals + 2)) == counts


@pytest.mark.parametrize(("decimals", "n"), [(0, 31), (0, 983), (1, 7), (1, 240), (2, 19)])
def test_counts_behind_agree_with_rounding_every_count(decimals, n):
    """Against decimal arithmetic: each count rounded half up, and the sum of two such figures, of
    which each may be off by half a unit of its last place."""
    step = decimal.Decimal(1).scaleb(-decimals)
    exact = [decimal.Decimal(100 * k) / n for k in range(n + 1)]
    printed = [share.quantize(step, decimal.ROUND_HALF_UP) for share in exact]
    for figure in sorted(set(printed))[::7]:
        found = counts_behind(float(figure) / 100, n, decimals=decimals + 2)
        assert [k for k in found if k <= n] == [k for k in range(n + 1) if printed[k] == figure]
        both = counts_behind(float(figure) / 100, n, decimals=decimals + 2, parts=2)
        near = [k for k in range(n + 1) if figure - step <= exact[k] < figure + step]
        assert [k for k in both if k <= n] == near


def test_a_printed_share_is_given_the_interval_of_the_one_count_behind_it():
    value = dataclasses.replace(SHARE, events=None, value=55.0, decimals=0, unit="%", n=31)
    found = published_estimate(value)
    assert found.value == pytest.approx(17 / 31)
    assert found.note == "count solved from the printed share: 17 of 31"
    none = published_estimate(dataclasses.replace(value, value=73.3, decimals=1, n=18))
    assert none.low is None and "no whole count of 18" in none.note


def test_a_figure_that_several_counts_give_gets_limits_for_all_of_them():
    """31 % of 263 is 81 or 82. Wilson for 81: from 0.2553 (Newcombe, Stat Med 1998;17:857-872,
    Table I, method 3); for 82 by the formula there."""
    value = dataclasses.replace(SHARE, events=None, value=31.0, decimals=0, unit="%", n=263)
    found = published_estimate(value)
    z, p = 1.959964, 82 / 263
    high = (2 * 82 + z**2 + z * math.sqrt(z**2 + 4 * 82 * (1 - p))) / (2 * (263 + z**2))
    assert (found.value, round(found.low, 4)) == (0.31, 0.2553)
    assert found.high == pytest.approx(high, abs=1e-6)
    assert found.note == "81 to 82 of 263 give the printed share; limits for all of them"


def test_a_sum_of_rounded_figures_leaves_the_doubt_of_all_of_them():
    """11 per 100 of 100 as the sum of three figures: 10 to 12 events. Exact limits: 10 from 4.795,
    12 to 20.96 (Garwood, Biometrika 1936;28:437-442, table)."""
    value = changed(
        measure="complications_per_100_cases",
        statistic="rate",
        value=11.0,
        decimals=0,
        sum_of=3,
        sd=None,
        n=100,
        unit="events per 100 cases",
    )
    found = published_estimate(value, unit="events per 100 cases")
    assert (found.value, round(found.low, 3), round(found.high, 2)) == (11, 4.795, 20.96)
    alone = published_estimate(dataclasses.replace(value, sum_of=None))
    assert alone.note == "count solved from the printed rate: 11 of 100"
    no_n = published_estimate(dataclasses.replace(value, n=None))
    assert no_n.low is None and "n of this group is not given" in no_n.note


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"sd": None, "low": 12.8, "high": 113.0, "interval_kind": "range"}, "only a range"),
        ({"sd": None, "low": 20.0, "high": 40.0, "interval_kind": "quartiles"}, "only quartiles"),
        ({"n": None}, "n of this group is not given"),
        ({"sd": None}, "no SD, count or interval is printed"),
        ({"n": 1}, "one case has no spread"),
        ({"statistic": "median"}, "an SD gives no interval of this statistic"),
    ],
)
def test_no_interval_is_made_where_none_can_be(fields, words):
    found = published_estimate(changed(**fields))
    assert (found.low, found.high) == (None, None)
    assert found.value == 31.3
    assert found.note.startswith("no interval can be made: ") and words in found.note


def test_a_printed_interval_is_taken_as_printed_and_turned_with_its_value():
    value = changed(
        value=1.5, low=1.2, high=1.8, interval_kind="ci95", unit="months/cm", statistic="median"
    )
    found = published_estimate(value, times=30.4375, unit="days/cm")
    assert (found.low, found.high) == (1.2 * 30.4375, 1.8 * 30.4375)
    assert found.method == "median, 95% interval as printed"


def test_units_are_turned_by_their_exact_factors():
    """Mixed units in one published list: 38.2 to 73.0 days/cm once months are turned (Clin Orthop
    Relat Res 2012;470:1771-1781, Table 7: lowest printed in months/cm 1.8, highest 2.4)."""
    assert factor("months/cm", "days/cm") == 30.4375
    assert factor("days/cm", "months/cm") == pytest.approx(1 / 30.4375)
    assert (factor("cm", "mm"), factor("weeks", "days"), factor("%", "")) == (10, 7, 0.01)
    assert factor("mm", "days") is None
    assert round(2.4 * factor("months/cm", "days/cm"), 1) == 73.0


# --- beside ours -----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def comparison(demo_run):
    return compare_published(demo_run, read_published_values().values)


@pytest.fixture(scope="module")
def own_comparison(demo_run):
    """A department's own file: everything stated, every kind of number."""
    rate = changed(
        entry="e4",
        measure="complications_per_100_cases",
        statistic="rate",
        value=None,
        sd=None,
        events=30,
        n=90,
        unit="",
        starts="",
        ends="",
    )
    time = changed(
        entry="e5",
        measure="time_to_union",
        statistic="median_time",
        value=4.0,
        decimals=1,
        sd=None,
        low=3.5,
        high=4.6,
        interval_kind="ci95",
        unit="months",
    )
    values = [
        STATED,
        changed(
            entry="e2", value=1.1, decimals=1, sd=None, unit="months/cm", source="Example 2021"
        ),
        dataclasses.replace(SHARE, entry="e3"),
        rate,
        time,
    ]
    return compare_published(demo_run, values)


def test_each_published_value_has_one_row_and_a_verdict(comparison):
    values = read_published_values().values
    assert sorted(comparison["entry"]) == sorted(value.entry for value in values)
    assert set(comparison["verdict"]) <= {SAME, OPEN, REFUSED}
    no = refused(comparison)
    assert (no["reason"] != "").all()
    assert no["our_value"].isna().all()
    assert (beside(comparison)["reason"] == "").all()
    assert len(beside(comparison)) + len(no) == len(comparison)


def test_no_value_under_a_name_of_two_meanings_stands_beside(comparison):
    ambiguous = comparison.loc[comparison["measure"].isin(list(TWO_MEANINGS))]
    assert len(ambiguous) >= 7
    assert (ambiguous["verdict"] == REFUSED).all()


def test_our_side_is_the_row_of_the_results(demo_run, comparison):
    for _, row in beside(comparison).iterrows():
        results = demo_run.results
        device_class, *bones = row["group"].split("+")
        one = len(bones) == 1
        mine = results.loc[
            (results["measure"] == row["measure"])
            & (results["statistic"] == row["our_statistic"])
            & (results["window"] == "all")
            & (results["group_by"] == (GROUP_BY if one else "device_class"))
            & (results["group"] == (row["group"] if one else device_class))
        ]
        assert len(mine) == 1
        for name in ("value", "low", "high", "n", "missing"):
            assert mine.iloc[0][name] == row[f"our_{name}"]


def test_our_side_is_the_row_that_the_other_tables_show(demo_run):
    side = OurSide(demo_run)
    rows = shown_measures.rows_of(demo_run, "healing_index_days_per_cm", "all", GROUP_BY)
    for group, part in rows.groupby("group"):
        counts = shown_measures.counts_of(demo_run, "all", GROUP_BY, str(group))
        shown = best_rows(part, *counts)["mean"]
        mine = side.row("healing_index_days_per_cm", "mean", str(group))
        assert mine["statistic"] == shown["statistic"]


def test_a_value_turned_into_our_unit_keeps_the_doubt_of_its_rounding(comparison):
    """1.5 months/cm: 45.7 days/cm, from 44.1 to 47.2 by rounding alone (1.45 and 1.55 x 30.4375)."""
    row = comparison.set_index("entry").loc["fragomen20_nail_healing"]
    assert round(row["their_value"], 1) == 45.7
    assert (round(row["rounding_low"], 2), round(row["rounding_high"], 2)) == (44.13, 47.18)
    assert row["printed"] == "1.5 months/cm"


def test_stated_definitions_only(demo_run, comparison):
    values = read_published_values().values
    strict = compare_published(demo_run, values, definitions="stated")
    still_open = beside(comparison)["entry"]
    reasons = strict.set_index("entry").loc[still_open, "reason"]
    assert (strict["verdict"] != OPEN).all()
    assert reasons.str.startswith("what was read does not say: ").all()
    with pytest.raises(ValueError, match="definitions must be one of open, stated; got 'all'"):
        compare_published(demo_run, values, definitions="all")


def test_a_departments_own_values_stand_beside(own_comparison):
    found = own_comparison.set_index("entry")
    assert (found.loc[["e1", "e2", "e3"], "verdict"] == SAME).all()
    assert found.loc["e4", "unsaid"].startswith("what counts as a complication, ")
    assert found.loc["e5", "their_low"] == 3.5 * 30.4375
    assert found.loc["e1", "their_missing"] == 1
    assert found["our_value"].notna().all()


def test_nothing_of_the_run_is_changed_and_a_rerun_is_the_same(demo_run, comparison):
    before = demo_run.results.copy()
    again = compare_published(demo_run, read_published_values().values)
    pd.testing.assert_frame_equal(again, comparison)
    pd.testing.assert_frame_equal(demo_run.results, before)


def test_sources_count_every_value(comparison):
    found = sources(comparison)
    assert found["beside"].sum() == len(beside(comparison))
    assert found["refused"].sum() == len(refused(comparison))
    assert not found.duplicated(["source"]).any()


# --- for people ------------------------------------------------------------------------------


def test_the_table_puts_ours_above_each_group_of_theirs(demo_run, own_comparison):
    shown = tables.published_table(own_comparison, demo_run.cohort.settings)
    frame = shown.frame
    assert list(frame["Series"]).count(tables.THIS_SERIES) == 4
    first = frame.loc[frame["Series"] == "Example 2020"].iloc[0]
    # 31.3 +- t(19) 2.0930 x 9 / sqrt(20)
    assert first["Value (95% CI)"] == "31.3 (27.1 to 35.5)"
    assert (first["Missing"], first["Definition"]) == ("1", "as ours")
    turned = frame.loc[frame["Series"] == "Example 2021", "Value (95% CI)"].iloc[0]
    assert turned.startswith("33.5 (no interval); printed 1.1 months/cm, whose rounding alone")
    share = frame.loc[frame["Measure and group"].str.startswith("Gain within")]
    # Wilson 18/20: 69.9 to 97.2 %
    assert share.iloc[1]["Value (95% CI)"] == "18/20 (90%; 70% to 97%)"
    assert "within 5 mm of the plan" in share.iloc[0]["Definition"]


def test_table_and_results_agree(demo_run, comparison):
    shown = tables.published_table(comparison, demo_run.cohort.settings)
    row = OurSide(demo_run).row("healing_index_days_per_cm", "mean", "lengthening_nail+femur")
    expected = with_interval(shown_measures.estimate_of(row))
    mine = shown.frame.loc[
        shown.frame["Measure and group"].str.endswith("lengthening nail, femur")
        & (shown.frame["Series"] == tables.THIS_SERIES),
        "Value (95% CI)",
    ]
    assert list(mine) == [expected]
    assert any("nothing that was read contradicts ours" in note for note in shown.notes)


def test_refused_values_are_shown_with_what_is_printed_and_all_reasons(comparison):
    frame = tables.published_refused_table(comparison).frame
    assert len(frame) == len(refused(comparison))
    horn = frame.loc[frame["As printed"] == "1.2 (range 0.6 to 2.5) months/cm"].iloc[0]
    assert "means surgery to union in some papers" in horn["Not laid beside because"]
    assert (frame != "").all().all()
    assert tables.published_sources_table(comparison).frame["Citation"].ne("").all()


def test_tables_and_figure_say_so_when_nothing_may_stand_beside(demo_run):
    none = compare_published(demo_run, [changed(measure="consolidation_index")])
    shown = tables.published_table(none, demo_run.cohort.settings)
    assert shown.frame.empty and "may stand beside ours" in shown.notes[0]
    assert "no published value may stand beside ours" in published_beside_alt(none)
    plt.close(published_beside(none))


def test_the_figure_draws_every_value_and_only_intervals_that_exist(comparison, own_comparison):
    for found in (comparison, own_comparison):
        figure = published_beside(found)
        rows = beside(found)
        groups = rows.drop_duplicates(["measure", "statistic", "group"])
        lines = [line for axis in figure.axes for line in axis.lines]
        points = [line for line in lines if len(line.get_xdata()) == 1]
        hollow = [line for line in points if line.get_markerfacecolor() == "white"]
        bars = [line for line in lines if len(line.get_xdata()) == 2]
        assert len(hollow) == len(rows)
        assert len(points) == len(rows) + len(groups)
        assert len(bars) == rows["their_low"].notna().sum() + groups["our_low"].notna().sum()
        drawn = sorted(float(line.get_xdata()[0]) for line in hollow)
        np.testing.assert_allclose(drawn, sorted(rows["their_value"]))
        words = " ".join(text.get_text() for axis in figure.axes for text in axis.texts)
        assert words.count("no interval can be made") == rows["their_low"].isna().sum()
        plt.close(figure)


def test_long_figures_are_parted_between_blocks_and_lose_none(comparison):
    for tallest in (7.4, 2.0, 0.1):
        pages = published_pages(comparison, tallest=tallest)
        pd.testing.assert_frame_equal(pd.concat(pages, ignore_index=True), beside(comparison))
        for page_of in pages:
            figure = published_beside(page_of)
            panels = sum(axis.get_position().height for axis in figure.axes)
            blocks = page_of.groupby(["measure", "statistic", "group"]).ngroups
            assert panels * figure.get_figheight() < tallest or blocks == 1
            plt.close(figure)
    nothing = published_pages(comparison.iloc[:0])
    assert len(nothing) == 1 and nothing[0].empty


def test_the_figure_in_words_holds_every_number(own_comparison):
    words = published_beside_alt(own_comparison)
    assert "31.3 (27.1 to 35.5), n 20" in words
    assert "18/20 (90%; 70% to 97%)" in words
    assert words.count("ours ") == 4


def test_an_interval_that_is_open_above_runs_to_the_edge(own_comparison):
    times = own_comparison.loc[own_comparison["statistic"] == "median_time"].assign(our_high=np.nan)
    figure = published_beside(times)
    (axis,) = figure.axes
    ends = [max(line.get_xdata()) for line in axis.lines if len(line.get_xdata()) == 2]
    assert axis.get_xlim()[1] in ends
    assert "115 (105 to open)" in " ".join(text.get_text() for text in axis.texts)
    plt.close(figure)


def test_the_paper_has_figures_tables_and_sources(demo_series):
    found = compare_published(demo_series, read_published_values().values)
    figures = [drawn.name for drawn in page.published_figures(found)]
    assert figures == ["series_published_beside", "series_published_beside_2"]
    names = [table.name for table in page.published_tables(demo_series, found)]
    assert names == ["series_published", "series_published_refused", "series_published_sources"]
    plt.close("all")
