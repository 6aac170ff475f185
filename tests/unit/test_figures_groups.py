"""Figures of single measures: every case is drawn once, every limit comes from the results rows."""

from __future__ import annotations

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from matplotlib.colors import to_hex

from audit import figures
from audit.figures import style
from audit.results.rows import RESULT_COLUMNS


def cases(count: int = 12) -> pd.DataFrame:
    rng = np.random.default_rng(7)
    planned = rng.integers(25, 71, count).astype(float)
    achieved = planned + rng.normal(-2, 4, count).round(1)
    table = pd.DataFrame(
        {
            "planned_gain_mm": planned,
            "achieved_gain_mm": achieved,
            "gain_error_mm": achieved - planned,
            "device_class": np.resize(
                ["lengthening_nail", "lengthening_nail", "circular_fixator"], count
            ),
            "segment": np.resize(["femur", "tibia"], count),
        }
    )
    table["gain_error_mm_reason"] = pd.Series(np.nan, index=table.index, dtype=object)
    return table


def with_waiting(table: pd.DataFrame) -> pd.DataFrame:
    table = table.copy()
    table.loc[0, ["achieved_gain_mm", "gain_error_mm"]] = np.nan
    table.loc[0, "gain_error_mm_reason"] = "distraction_not_finished"
    return table


def result(measure, statistic, value, low=np.nan, high=np.nan, **more) -> dict[str, object]:
    usual = {"window": "all", "group_by": "all", "group": "all", "n": 12, "missing": 0}
    usual |= {"level": 0.95, "method": f"method of {statistic}", "unit": "mm", "note": ""}
    return (
        usual
        | {"measure": measure, "statistic": statistic, "value": value, "low": low, "high": high}
        | more
    )


def frame(*rows) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=RESULT_COLUMNS)


AGREEMENT = frame(
    result("gain_agreement_mm", "bias", -2.0, -3.5, -0.5),
    result("gain_agreement_mm", "bias_clustered", -2.0, -4.0, 0.25),
    result("gain_agreement_mm", "limit_low", -10.0, -13.0, -8.0),
    result("gain_agreement_mm", "limit_high", 6.0, 4.0, 9.0),
)


def texts(figure) -> str:
    found = " ".join(text.get_text() for text in figure.findobj(mpl.text.Text))
    return " ".join(found.replace("\N{NO-BREAK SPACE}", " ").split())


def drawn_points(axis) -> np.ndarray:
    scatter = [
        part for part in axis.collections if isinstance(part, mpl.collections.PathCollection)
    ]
    return np.concatenate([np.asarray(part.get_offsets()) for part in scatter])


# --- planned against achieved


def test_every_complete_case_is_a_point_in_both_panels():
    table = with_waiting(cases())
    left, right = figures.planned_against_achieved(table, AGREEMENT, tolerance_mm=5).axes
    there = table.dropna(subset=["achieved_gain_mm"])
    for axis, column in ((left, "achieved_gain_mm"), (right, "gain_error_mm")):
        expected = there[["planned_gain_mm", column]].to_numpy()
        np.testing.assert_allclose(np.sort(drawn_points(axis), axis=0), np.sort(expected, axis=0))


def test_a_device_class_has_colour_and_shape():
    left = figures.planned_against_achieved(cases(), AGREEMENT, tolerance_mm=5).axes[0]
    scatter = next(c for c in left.collections if isinstance(c, mpl.collections.PathCollection))
    colours = {to_hex(colour).upper() for colour in scatter.get_facecolors()}
    assert colours == {style.LOOKS[0].colour, style.LOOKS[1].colour}
    assert len({len(path.vertices) for path in scatter.get_paths()}) == 2


def test_lines_and_bands_are_those_of_the_rows():
    right = figures.planned_against_achieved(cases(), AGREEMENT, tolerance_mm=5).axes[1]
    levels = {line.get_ydata()[0] for line in right.lines if len(set(line.get_ydata())) == 1}
    assert levels == {0.0, -2.0, -10.0, 6.0}
    spans = {(p.get_y(), round(p.get_y() + p.get_height(), 9)) for p in right.patches}
    assert spans == {(-4.0, 0.25), (-13.0, -8.0), (4.0, 9.0)}  # the clustered interval of the bias


def test_panels_name_units_n_and_why_a_case_is_missing():
    figure = figures.planned_against_achieved(with_waiting(cases()), AGREEMENT, tolerance_mm=5)
    left, right = figure.axes
    assert left.get_ylabel() == "Achieved gain (mm)"
    assert right.get_ylabel() == "Achieved minus planned (mm)"
    assert left.get_xlabel() == right.get_xlabel() == "Planned gain (mm)"
    said = texts(figure)
    assert "n = 11 of 12 cases (not shown: distraction not finished 1)" in said
    assert "within 5 mm of the plan" in said
    assert "Lengthening nail (n 7)" in said  # eight nails, one of them still in distraction


def test_limits_that_do_not_exist_are_left_out_and_said():
    rows = frame(
        result("gain_agreement_mm", "bias", -1.5, n=1, note="one value only: no interval"),
        result(
            "gain_agreement_mm", "limit_low", np.nan, n=1, note="limits of agreement need two pairs"
        ),
    )
    figure = figures.planned_against_achieved(cases(1), rows, tolerance_mm=5)
    assert len(figure.axes[1].patches) == 0
    assert "limits of agreement need two pairs" in texts(figure)


def test_rows_of_two_groups_are_refused():
    twice = pd.concat([AGREEMENT, AGREEMENT.assign(group_by="segment", group="femur")])
    with pytest.raises(ValueError, match="one group and window expected, got 2"):
        figures.planned_against_achieved(cases(), twice, tolerance_mm=5)


def test_no_complete_case_is_said_in_words():
    empty = cases().assign(achieved_gain_mm=np.nan, gain_error_mm=np.nan)
    figure = figures.planned_against_achieved(empty, AGREEMENT, tolerance_mm=5)
    assert "no case has both a planned and an achieved gain" in texts(figure)


def test_the_words_of_the_agreement():
    said = figures.planned_against_achieved_alt(cases(), AGREEMENT, tolerance_mm=5)
    assert "12 cases" in said
    assert "bias −2.0 mm (−4.0 to 0.3)" in said


# --- a measure by group


def means(**more) -> pd.DataFrame:
    by = {"group_by": "device_class+segment"}
    nail = by | {"group": "lengthening_nail+femur", "n": 4, "missing": 1}
    fixator = by | {"group": "circular_fixator+femur", "n": 2}
    empty = by | {"group": "lengthening_nail+tibia", "n": 0, "missing": 4, "note": "no values"}
    return frame(
        result("gain_error_mm", "mean", -2.0, -6.0, 2.0, **nail),
        result("gain_error_mm", "mean_clustered", -2.0, -7.0, 3.0, **nail),
        result("gain_error_mm", "mean", -1.0, -9.0, 7.0, **fixator),
        result("gain_error_mm", "mean_clustered", -1.0, **fixator),
        result("gain_error_mm", "mean", np.nan, **empty),
    )


GROUP_WORDS = {"measure": "gain_error_mm", "title": "Achieved minus planned gain", "unit": "mm"}


def draw_groups(table=None, rows=None):
    table = with_waiting(cases()) if table is None else table
    return figures.measure_by_group(table, means() if rows is None else rows, **GROUP_WORDS)


def test_each_case_of_a_shown_group_is_drawn_in_its_row():
    table = with_waiting(cases())
    found = drawn_points(draw_groups(table).axes[0])
    for place, (device, segment) in enumerate(
        [
            ("lengthening_nail", "femur"),
            ("circular_fixator", "femur"),
            ("lengthening_nail", "tibia"),
        ]
    ):
        mine = table[(table["device_class"] == device) & (table["segment"] == segment)]
        here = found[np.abs(found[:, 1] - place) < 0.5]
        np.testing.assert_allclose(np.sort(here[:, 0]), np.sort(mine["gain_error_mm"].dropna()))


def test_points_are_shaken_the_same_way_each_time_and_apart():
    first, second = (drawn_points(draw_groups().axes[0]) for _ in range(2))
    np.testing.assert_array_equal(first, second)
    assert len(np.unique(first[:, 1])) > 3


def test_the_clustered_interval_is_drawn_where_there_is_one():
    axis = draw_groups().axes[0]
    spans = {tuple(line.get_xdata()) for line in axis.lines if len(line.get_xdata()) == 2}
    assert {(-7.0, 3.0), (-9.0, 7.0)} <= spans
    assert (-6.0, 2.0) not in spans


def test_n_and_missing_stand_at_the_right():
    figure = draw_groups()
    axis = figure.axes[0]
    cells = [text for text in axis.texts if text.get_position()[0] > 1]
    assert {"n", "missing", "4", "1", "not estimable", "−2.0 (−7.0 to 3.0)"} <= {
        text.get_text() for text in cells
    }
    assert axis.get_xlabel() == "Achieved minus planned gain (mm)"
    assert [tick.get_text() for tick in axis.get_yticklabels()] == [
        "Lengthening nail, femur",
        "Circular fixator, femur",
        "Lengthening nail, tibia",
    ]
    assert "Lengthening nail, tibia: no values" in texts(figure)


def test_all_cases_as_one_row():
    rows = frame(result("gain_error_mm", "mean", -2.0, -6.0, 2.0))
    axis = draw_groups(cases(), rows).axes[0]
    assert len(drawn_points(axis)) == 12
    assert [tick.get_text() for tick in axis.get_yticklabels()] == ["All cases"]


def test_two_groupings_or_windows_are_refused():
    with pytest.raises(ValueError, match="one grouping a figure, got 2"):
        draw_groups(rows=pd.concat([means(), frame(result("gain_error_mm", "mean", 0.0))]))
    with pytest.raises(ValueError, match="choose one window, got 2"):
        draw_groups(rows=pd.concat([means(), means().assign(window="quarter:2026Q3")]))


@pytest.mark.parametrize("count", [0, 1])
def test_no_case_and_one_case(count):
    rows = frame(
        result("gain_error_mm", "mean", -2.0 if count else np.nan, n=count, note="one value")
    )
    figure = draw_groups(cases(count), rows)
    assert ("Nothing to draw" in texts(figure)) == (count == 0)


def test_input_is_not_changed():
    table, rows = with_waiting(cases()), means()
    kept = table.copy(), rows.copy()
    draw_groups(table, rows)
    pd.testing.assert_frame_equal(table, kept[0])
    pd.testing.assert_frame_equal(rows, kept[1])


def test_the_words_of_the_groups():
    said = figures.measure_by_group_alt(means(), **GROUP_WORDS)
    assert "Lengthening nail, femur: −2.0 (−7.0 to 3.0) (n 4, missing 1)" in said


# --- knee

STAGES = ["baseline", "worst", "at union", "last"]
KNEE = pd.DataFrame(
    {
        "stage": STAGES * 2,
        "group": ["Lengthening nail"] * 4 + ["Circular fixator"] * 4,
        "median": [135, 95, 115, 125, 134, 105, np.nan, 122],
        "q1": [130, 85, 105, 115, 128, 90, np.nan, 115],
        "q3": [140, 105, 125, 135, 138, 115, np.nan, 130],
        "n": [107, 115, 102, 115, 63, 70, 0, 70],
    }
)


def test_medians_and_quartiles_are_those_of_the_table():
    axis = figures.knee_course(KNEE.sample(frac=1, random_state=1)).axes[0]
    drawn = sorted([list(line.get_ydata()) for line in axis.lines[:2]], key=len)
    assert drawn == [[134, 105, 122], [135, 95, 115, 125]]
    bars = {tuple(segment[:, 1]) for part in axis.collections for segment in part.get_segments()}
    assert bars == {(row.q1, row.q3) for row in KNEE.dropna().itertuples()}


def test_numbers_stand_under_each_stage_with_units_on_the_axis():
    axis = figures.knee_course(KNEE).axes[0]
    assert axis.get_ylabel() == "Knee flexion (degrees)"
    counts = [text.get_text() for text in axis.texts if text.get_text().isdigit()]
    assert counts == ["107", "115", "102", "115", "63", "70", "0", "70"]


def test_another_stage_is_refused():
    with pytest.raises(
        ValueError, match="stage must be one of baseline, worst, at_union, last; got 'mid'"
    ):
        figures.knee_course(KNEE.assign(stage="mid"))


def test_knee_without_data_and_with_one_case():
    assert "no knee examination" in texts(figures.knee_course(KNEE.iloc[:0]))
    one = KNEE.iloc[[0]].assign(n=1, q1=135, q3=135)
    assert "before surgery 135 degrees" in texts(figures.knee_course(one))
    assert "Lengthening nail: before surgery 135 (n 1)" in figures.knee_course_alt(one)


# --- complications


def rates() -> pd.DataFrame:
    name = "complications_per_100_cases"
    words = {"n": 230, "unit": "events per 100 cases"}
    rows = [
        result(name, "rate", 68.26, 58.0, 79.8, note="157 events in 230 cases", **words),
        result(name, "rate_clustered", 68.26, 57.0, 81.7, note="157 events in 230 cases", **words),
    ]
    for code, events, high in (("joint", 22, 14.8), ("infection", 0, 1.604)):
        more = words | {
            "group_by": "origin",
            "group": code,
            "note": f"{events} events in 230 cases",
        }
        rows.append(result(name, "rate", events / 2.3, 0.0 if not events else 6.2, high, **more))
    return frame(*rows)


def test_rates_and_limits_are_those_of_the_rows():
    axis = figures.complication_rates(rates()).axes[0]
    spans = {tuple(line.get_xdata()) for line in axis.lines if len(line.get_xdata()) == 2}
    assert spans == {(57.0, 81.7), (6.2, 14.8), (0.0, 1.604)}
    assert axis.get_xlabel() == "Events per 100 cases"


def test_events_and_cases_stand_beside_and_zero_shows_its_upper_limit():
    figure = figures.complication_rates(rates())
    said = texts(figure)
    assert "157 / 230" in said
    assert "0 / 230" in said
    # exact Poisson limit of no event: -ln(0.025) = 3.689 events (Garwood 1936), 1.604 per 100 of 230
    assert f"0 (up to {-np.log(0.025) / 2.3:.1f})" in said
    hollow = [line for line in figure.axes[0].lines if line.get_markerfacecolor() == "white"]
    assert [line.get_xdata()[0] for line in hollow] == [0]


def test_each_grouping_is_a_block_under_its_heading():
    axis = figures.complication_rates(rates()).axes[0]
    height = {tick.get_text(): tick.get_position()[1] for tick in axis.get_yticklabels()}
    heading = next(text for text in axis.texts if text.get_text() == "By origin").get_position()[1]
    assert height["All events"] < heading < height["Joint"] < height["Infection"]


def test_an_interval_of_two_cases_does_not_squeeze_the_rest():
    wild = pd.concat([rates(), rates().iloc[[2]].assign(group="bone", low=0.0, high=1e7)])
    assert figures.complication_rates(wild).axes[0].get_xlim()[1] < 300
    assert "see the numbers" in texts(figures.complication_rates(wild))


def test_nothing_known_about_complications_is_not_zero():
    unknown = rates().assign(value=np.nan, low=np.nan, high=np.nan)
    assert "Nothing to draw" in texts(figures.complication_rates(unknown))
    assert figures.complication_rates_alt(unknown).startswith("No figure")


def test_the_words_of_the_rates():
    assert "Joint 9.6 (6.2 to 14.8), 22 events in 230 cases" in figures.complication_rates_alt(
        rates()
    )
