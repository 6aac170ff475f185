"""Charts over time as figures, tables and pages: what a reader sees, and what must not be there.

No colour or arrow judges (common practice of health-care charts: no judging by two points); a
signal has a shape as well as a colour (WCAG 2.2, 1.4.1).
"""

from __future__ import annotations

import dataclasses
import re

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest

from audit import figures
from audit.errors import UnusableInput
from audit.figures.style import picture
from audit.monitoring.cumulative import cumulative_for
from audit.monitoring.series import all_points, monitor
from audit.monitoring.settings import MonitoringSettings
from audit.notebook_display import table_output
from audit.pages import monitoring as page
from audit.tables import monitoring as tables


@pytest.fixture(scope="module")
def circular(demo_run):
    """A criterion on complications of circular fixators, which the demo worsens in 2026."""
    nails = next(c for c in demo_run.register.criteria if c.statistic == "rate")
    return dataclasses.replace(
        nails,
        id="complications_circular_fixator",
        words="Circular fixators have at most 122 complications per 100 cases",
        device_class=("circular_fixator",),
        target=122,
    )


@pytest.fixture(scope="module")
def found(demo_run, circular):
    criteria = (*demo_run.register.criteria, circular)
    return {
        series.criterion.id: series
        for series in monitor(
            demo_run.cohort, demo_run.measured, criteria, quarter=demo_run.quarter
        )
    }


@pytest.fixture(scope="module")
def drawn(found):
    return {name: figures.measure_over_time(series) for name, series in found.items()}


@pytest.fixture(scope="module")
def share(found):
    return found["gain_within_tolerance_fixator"]


def texts(figure) -> str:
    words = " ".join(text.get_text() for text in figure.findobj(mpl.text.Text))
    return " ".join(words.replace("\N{NO-BREAK SPACE}", " ").split())


def marked(axis, marker: str, *, colour: str | None = None) -> list[tuple[float, float]]:
    lines = [line for line in axis.lines if line.get_marker() == marker]
    if colour:
        lines = [line for line in lines if line.get_color() == colour]
    return [tuple(point) for line in lines for point in line.get_xydata()]


# --- figures


def test_points_lines_target_and_cases_are_those_of_the_series(share, drawn):
    axis = drawn[share.criterion.id].axes[0]
    values = share.charted["value"].to_numpy()
    assert marked(axis, "o") == list(zip(range(1, 13), values, strict=True))
    centre, low, high = [patch.get_data().values for patch in axis.patches]
    np.testing.assert_allclose(centre, share.charted["centre"])
    np.testing.assert_allclose(low, share.charted["low"])
    assert np.isnan(high).all()  # no share lies above 100 %
    assert any(set(line.get_ydata()) == {0.9} for line in axis.lines)
    shown = [text.get_text() for text in axis.texts]
    assert [f"{n:.0f}" for n in share.charted["n"]] == shown[-12:]


def test_the_title_names_measure_population_chart_and_period(share, drawn):
    said = texts(drawn[share.criterion.id])
    assert said.count("2023 Q4 to 2026 Q3") >= 1
    for words in (
        "Gain within tolerance of the plan: circular fixator or monolateral fixator",
        "P chart by quarter of distraction end",
    ):
        assert words in said


def test_titles_stay_on_the_page(drawn):
    for figure in drawn.values():
        width = figure.get_figwidth() * figure.dpi
        title = next(text for text in figure.texts if text.get_weight() == "bold")
        assert title.get_window_extent().x1 <= width


def test_changes_are_numbered_and_the_caption_has_their_key(share, drawn):
    figure = drawn[share.criterion.id]
    numbers = [text for text in figure.axes[0].texts if text.get_text() in ("1", "2")]
    numbers = [text for text in numbers if text.get_bbox_patch() is not None]
    assert [text.get_position()[0] for text in numbers] == [mark.place for mark in share.marks]
    said = texts(figure)
    assert "1 = 2024-09-02, A limb clinic every week" in said
    assert "2 = 2025-11-03, Frames taught to families" in said


def test_signals_have_a_shape_and_words(found, drawn):
    series = found["complications_circular_fixator"]
    figure = drawn["complications_circular_fixator"]
    axis, shown = figure.axes[0], series.charted.reset_index(drop=True)
    flagged = shown.index[shown["signal"] != ""] + 1
    solid = [x for x, _ in marked(axis, "D") if x in set(flagged)]
    assert set(solid) == set(flagged) and len(flagged) > 20
    hollow = marked(axis, "D", colour="white")
    only_crossings = shown["signal"] == "unusually few crossings of the centre line"
    assert {x for x, _ in hollow} == set(shown.index[only_crossings] + 1)
    said = texts(figure)
    assert "Diamonds = points of a signal, hollow where it is one of the whole series" in said
    assert "cause to be found" in said
    assert "not charted by quarter: 2.4 events a period" in said.lower()


def test_gaps_of_days_have_a_scale_of_equal_factors(found, drawn):
    axis = drawn["complications_circular_fixator"].axes[0]
    assert axis.get_yscale() == "log"
    assert [tick.get_text() for tick in axis.get_yticklabels()] == ["1", "10", "100"]
    # the name of the centre line stands at its height
    height = axis.transAxes.inverted().transform(
        axis.transData.transform(
            (1, found["complications_circular_fixator"].charted["centre"].iloc[-1])
        )
    )[1]
    label = next(text for text in axis.texts if text.get_text().startswith("median"))
    assert label.get_position()[1] == pytest.approx(height, abs=0.02)


def test_a_quarter_without_a_case_is_a_gap(found, drawn):
    series = found["gain_within_tolerance_nail_child"]
    axis = drawn["gain_within_tolerance_nail_child"].axes[0]
    empty = series.charted["n"].to_numpy() == 0
    assert empty.sum() == 1
    joined = next(line for line in axis.lines if len(line.get_xdata()) == 12)
    np.testing.assert_array_equal(np.isnan(joined.get_ydata()), empty)


def test_trial_limits_are_named(demo_run):
    chosen = [c for c in demo_run.register.criteria if c.id == "gain_within_tolerance_fixator"]
    early = pd.Period("2023Q3")
    (series,) = monitor(demo_run.cohort, demo_run.measured, chosen, quarter=early)
    said = texts(figures.measure_over_time(series))
    assert "trial lower limit" in said
    assert "rial limits, 9 points" in said


def test_no_point_is_said_in_words(demo_run):
    lost = dataclasses.replace(demo_run.register.criteria[0], segment=("forearm",), age="child")
    (series,) = monitor(demo_run.cohort, demo_run.measured, [lost], quarter=demo_run.quarter)
    assert "Nothing to draw: no case is due and has an answer" in texts(
        figures.measure_over_time(series)
    )
    assert figures.measure_over_time_alt(series).startswith("No chart of Gain within tolerance")


def test_alt_text_says_what_the_figure_shows(found):
    said = figures.measure_over_time_alt(found["complications_circular_fixator"])
    assert "42 points, last 1 days, centre line 30 days" in said
    assert "Over time: worse" in said
    assert "Changes in the service: 1 = 2024-09-02" in said


JUDGING = re.compile(
    r"\b(green|red|amber|traffic|smil|star rating|rank(ed|ing)? (first|last))\b|[↑↓▲▼☺☹]", re.I
)


def test_nothing_judges_by_colour_arrow_or_rank(found, drawn):
    for name, series in found.items():
        figure = drawn[name]
        assert not JUDGING.search(texts(figure))
        assert not JUDGING.search(figures.measure_over_time_alt(series))
        assert not [a for a in figure.findobj(mpl.patches.FancyArrowPatch)]
    assert not JUDGING.search(tables.change_table(list(found.values())).frame.to_string())


def test_the_same_series_gives_the_same_picture(share):
    first = picture(figures.measure_over_time(share))
    assert first == picture(figures.measure_over_time(share))


@pytest.fixture(scope="module")
def sums(demo_run):
    return {
        c.id: cumulative_for(demo_run.cohort, demo_run.measured, c, quarter=demo_run.quarter)
        for c in demo_run.register.criteria
    }


def test_misses_are_drawn_over_the_sum_and_its_limit(sums):
    series = sums["gain_within_tolerance_fixator"]
    figure = figures.cumulative_misses(series)
    top, low = figure.axes
    missed = series.table.loc[series.table["miss"] == 1]
    for axis, column in ((top, "excess"), (low, "path")):
        drawn = sorted(marked(axis, "o") + marked(axis, "D"))
        assert drawn == list(zip(missed["order"], missed[column], strict=True))
    assert {x for x, _ in marked(low, "D")} == set(missed.loc[missed["signal"], "order"])
    said = texts(figure)
    assert f"limit {series.lengths.decision:.2f}" in said
    assert "gives a false signal once in about" in said
    assert "13 misses in 85 cases, 8.5 allowed" in figures.cumulative_misses_alt(series)


def test_a_criterion_without_a_sum_says_why(sums):
    series = sums["healing_index_femur_nail"]
    assert "a sum of misses is for shares only" in texts(figures.cumulative_misses(series))
    assert figures.cumulative_misses_alt(series).startswith("No chart of")


# --- tables


def test_one_line_a_criterion_with_all_its_answers(found):
    table = tables.change_table(list(found.values()))
    assert table.name == "change_over_time"
    assert len(table.frame) == len(found)
    line = table.frame.set_index("Criterion").loc[
        found["complications_circular_fixator"].criterion.words
    ]
    assert line["Over time"].startswith("worse: ")
    assert line["Chart"].startswith("T chart")
    reach = tables.reach_table(list(found.values()))
    assert list(reach.frame["Criterion"]) == list(table.frame["Criterion"])
    said = reach.frame.set_index("Criterion").loc[line.name, "Target against limits"]
    assert said.startswith("cannot tell: the target is not in the unit")
    words = " ".join(table.notes)
    assert "longest run and crossings" in words
    assert "Screening of moving ranges: off" in words
    table_output(table.frame, name=table.name, caption=table.caption, notes=table.notes)


def test_limits_withheld_and_trial_are_said_in_the_table(demo_run):
    for quarter, words in (("2022Q3", "withheld: 5 points, 6 are needed"), ("2023Q1", "trial, ")):
        chosen = [c for c in demo_run.register.criteria if c.id == "gain_within_tolerance_fixator"]
        series = monitor(demo_run.cohort, demo_run.measured, chosen, quarter=pd.Period(quarter))
        cell = tables.change_table(series).frame["Centre line and limits"].iloc[0]
        assert f"; {words}" in cell


def test_every_point_is_in_the_table_of_points(found):
    for series in found.values():
        table = tables.points_table(series)
        assert len(table.frame) == len(series.points)
        assert re.fullmatch(r"points_[a-z0-9_]+", table.name)
        assert (table.frame["In view"] == "older").sum() == (~series.points["in_window"]).sum()
        table_output(table.frame, name=table.name, caption=table.caption)
    shares = tables.points_table(found["gain_within_tolerance_fixator"]).frame
    assert shares["Value"].iloc[-1] == "6/6 (100%)"


def test_names_of_odd_criteria_can_be_file_names():
    assert tables.named("chart", "My criterion, no. 2") == "chart_my_criterion_no_2"


def test_changes_of_the_service_are_listed(demo_run):
    table = tables.service_event_table(demo_run.cohort)
    assert table.frame["Day"].tolist() == ["2024-09-02", "2025-11-03"]
    assert table.frame["Criterion"].tolist() == ["all", "all"]
    empty = demo_run.cohort.tables | {
        "service_events": demo_run.cohort.tables["service_events"].head(0)
    }
    none = tables.service_event_table(dataclasses.replace(demo_run.cohort, tables=empty))
    assert none.notes[0] == "No change of the service is recorded."


def test_sums_are_one_line_a_criterion(sums):
    table = tables.cumulative_table(list(sums.values()))
    lines = table.frame.set_index("Criterion")
    line = lines.loc[sums["gain_within_tolerance_fixator"].criterion.words]
    assert line["Misses"] == "13/85 (15%)"
    assert line["Allowed by the target"] == "8.5"
    other = lines.loc[sums["healing_index_femur_nail"].criterion.words]
    assert other["Signal"] == "cannot tell: a sum of misses is for shares only"


# --- pages


@pytest.fixture
def shown(monkeypatch):
    seen: list[str] = []

    def keep_figure(figure, *, name, caption, alt):
        assert re.fullmatch("[a-z][a-z0-9_]*", name) and caption and alt
        seen.append(name)

    monkeypatch.setattr(page, "show_figure", keep_figure)
    monkeypatch.setattr(page, "show", lambda table: seen.append(table.name))
    monkeypatch.setattr(page, "show_text", seen.append)
    return seen


def test_the_page_of_charts(demo_run, shown):
    followed = page.follow(demo_run)
    page.show_changes(demo_run, followed)
    assert shown == ["service_events", "change_over_time", "reach_of_charts"]
    shown.clear()
    page.show_charts(followed)
    assert shown == [f"chart_{one.id}" for one in demo_run.register.criteria]
    shown.clear()
    followed = page.follow(demo_run, settings=MonitoringSettings(rules="national_4"))
    page.show_chart_points(followed)
    by_quarter = [f"points_{one.criterion.id}" for one in followed if one.plan.by_period]
    assert shown == [page.POINTS_NOTE, *by_quarter]
    assert 3 <= len(by_quarter) < len(followed)
    points = all_points(followed)
    assert len(points) == sum(len(one.points) for one in followed)
    assert set(points["criterion"]) == {one.criterion.id for one in followed if len(one.points)}


def test_the_page_of_funnels_has_policy_and_checks_before_each(demo_run, shown):
    page.show_funnels(demo_run)
    first = [name.removesuffix("_gain_within_tolerance_nail_adult") for name in shown[:4]]
    assert first == ["funnel_policy", "funnel_checks", "funnel", "funnel_units"]


def test_one_centre_has_no_funnel_and_the_page_says_so(demo_run, shown):
    cases = demo_run.cohort.cases.assign(centre="north")
    tables_now = demo_run.cohort.tables | {"cases": cases}
    cohort = dataclasses.replace(demo_run.cohort, tables=tables_now)
    page.show_funnels(dataclasses.replace(demo_run, cohort=cohort))
    assert not [name for name in shown if name.startswith("funnel_gain")]
    assert shown[2] == "funnel_units_gain_within_tolerance_nail_adult"


def test_without_a_share_there_is_no_funnel(demo_run, shown):
    means = tuple(one for one in demo_run.register.criteria if one.statistic == "mean")
    few = dataclasses.replace(demo_run.register, criteria=means)
    page.show_funnels(dataclasses.replace(demo_run, register=few))
    assert shown == ["No criterion of the register is a share, so there is no funnel."]


def test_the_page_of_sums(demo_run, shown):
    page.show_cumulative(demo_run)
    assert shown[0] == "cumulative_misses"
    assert shown[1:] == [
        f"misses_{one.id}" for one in demo_run.register.criteria if one.statistic == "proportion"
    ]


def test_a_run_without_its_register_is_refused(demo_run):
    with pytest.raises(UnusableInput, match="keeps no register of criteria"):
        page.follow(dataclasses.replace(demo_run, register=None))


def test_no_surgeon_stands_in_anything_shown(demo_run, found, drawn):
    codes = set(demo_run.cohort.cases["surgeon"].dropna())
    said = [tables.change_table(list(found.values())).frame.to_string()]
    said += [tables.points_table(series).frame.to_string() for series in found.values()]
    said += [texts(figure) for figure in drawn.values()]
    assert codes
    assert not [code for code in codes for words in said if re.search(rf"\b{code}\b", words)]
