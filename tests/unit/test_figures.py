"""Figures: what is drawn equals the tables they were given, and no carrier is colour alone.

Contrast: WCAG 2.2, success criteria 1.4.3 and 1.4.11, with its formula of relative luminance.
Simulated colour blindness: matrices of severity 1.0 in Machado, Oliveira & Fernandes 2009, IEEE
Trans Vis Comput Graph 15:1291-1298. Rows under a curve that add up: Morris et al. 2019, BMJ Open
9:e030215. Worked survival data: 6-mercaptopurine arm of Freireich et al. 1963 (Blood 21:699-716).
"""

from __future__ import annotations

import itertools
import math

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest

from audit import figures
from audit.estimates.survival import survival_curve
from audit.figures import style, words

TREATED = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
RELAPSED = [1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0]
CONTROL = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]
COURSES = {
    "Treated": survival_curve(TREATED, RELAPSED, unit="weeks"),
    "Control": survival_curve(CONTROL, [1] * 21, unit="weeks"),
}
COURSE_WORDS = {"unit": "weeks", "share_label": "Share in relapse", "minimum_at_risk": 5}


def draw_courses(curves=COURSES, **changed):
    return figures.time_curves(curves, title="Time to relapse", **COURSE_WORDS | changed)


def texts(figure) -> str:
    found = figure.findobj(mpl.text.Text)
    return "\n".join(text.get_text() for text in found).replace("\N{NO-BREAK SPACE}", " ")


def step_lines(axis) -> list:
    return [line for line in axis.lines if line.get_drawstyle() == "steps-post"]


# --- the look


def luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return float(np.dot(linear, [0.2126, 0.7152, 0.0722]))


def contrast_with_white(colour: str) -> float:
    return 1.05 / (luminance(colour) + 0.05)


def test_contrast_formula_agrees_with_a_known_pair():
    # #767676 on white is the grey usually quoted as the lightest that passes 4.5:1 (from memory)
    assert contrast_with_white("#767676") == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("look", style.LOOKS, ids=lambda look: look.colour)
def test_group_colours_reach_three_to_one_on_white(look):
    assert contrast_with_white(look.colour) >= 3.0


@pytest.mark.parametrize("colour", [style.INK, style.MUTED, style.GUIDE])
def test_text_and_guides_reach_four_and_a_half_to_one_on_white(colour):
    assert contrast_with_white(colour) >= 4.5


SEEN_AS = {
    "normal": np.eye(3),
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritanopia": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}
TO_XYZ = np.array(
    [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.119192, 0.9503041],
    ]
)


def lab_as_seen(colour: str, matrix) -> np.ndarray:
    parts = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    xyz = TO_XYZ @ np.clip(np.asarray(matrix) @ linear, 0, 1) / [0.95047, 1.0, 1.08883]
    f = np.where(xyz > 0.008856, np.cbrt(xyz), 7.787 * xyz + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("sight", SEEN_AS)
def test_any_two_group_colours_stay_apart(sight):
    seen = [lab_as_seen(look.colour, SEEN_AS[sight]) for look in style.LOOKS]
    nearest = min(float(np.linalg.norm(a - b)) for a, b in itertools.combinations(seen, 2))
    assert nearest > 15, nearest


def test_each_look_has_its_own_shape_and_dashes():
    assert len({look.marker for look in style.LOOKS}) == len(style.LOOKS)
    assert len({str(look.dashes) for look in style.LOOKS}) == len(style.LOOKS)


def test_a_device_class_keeps_its_look_whoever_stands_beside_it():
    alone = style.looks_for(["Circular fixator"])["Circular fixator"]
    crowd = style.looks_for(["Mixed", "Lengthening nail", "Circular fixator"])
    assert (
        crowd["Circular fixator"]
        == alone
        == style.looks_for(["circular_fixator"])["circular_fixator"]
    )
    assert len({look.marker for look in crowd.values()}) == 3


def test_other_groups_take_the_looks_in_order():
    assert list(style.looks_for(["femur", "tibia"]).values()) == list(style.LOOKS[:2])


def test_labels_are_spread_out_and_kept_inside():
    places = style.spread_out([0.9, 0.92, 0.95], gap=0.2, low=0.1, high=0.9)
    gaps = np.diff(sorted(places))
    assert min(gaps) >= 0.2 - 1e-12
    assert max(places) <= 0.9 + 1e-12


# --- numbers and names

SHOWN = [(123.4, "123"), (99.96, "100"), (45.67, "45.7"), (9.996, "10.0"), (0.456, "0.46")]


@pytest.mark.parametrize(("value", "text"), [*SHOWN, (-2.07, "−2.07"), (-0.001, "0.00")])
def test_numbers_to_about_three_digits(value, text):
    assert words.number(value) == text


def test_a_limit_that_does_not_exist_is_said():
    assert words.spoken_range(21.04, None) == "21.0 to not reached"
    assert words.spoken_range(None, math.nan) == "no interval"


def test_groups_in_words():
    assert (
        words.group_label("device_class+segment", "lengthening_nail+femur")
        == "Lengthening nail, femur"
    )
    assert words.group_label("segment", "not_recorded") == "Not recorded"
    assert words.group_label("centre", "north") == "north"


# --- curves of times


def test_curves_rise_and_equal_one_minus_survival():
    axis = draw_courses().axes[0]
    for line, curve in zip(step_lines(axis), COURSES.values(), strict=True):
        rows = curve.table[curve.table["time"] <= line.get_xdata()[-1]]
        assert np.diff(line.get_ydata()).min() >= 0
        np.testing.assert_allclose(line.get_xdata(), rows["time"])
        np.testing.assert_allclose(line.get_ydata(), 1 - rows["survival"])


def test_published_survival_is_what_is_drawn():
    # Product-limit estimate at 10 weeks in the 6-MP arm: 0.753 (Cox & Oakes 1984, p. 49, from memory)
    line = step_lines(draw_courses().axes[0])[0]
    at_ten = line.get_ydata()[np.flatnonzero(line.get_xdata() <= 10)[-1]]
    assert 1 - at_ten == pytest.approx(0.753, abs=0.0005)


@pytest.mark.parametrize("least", [1, 5, 10])
def test_a_curve_ends_where_too_few_remain(least):
    axis = draw_courses(minimum_at_risk=least).axes[0]
    for line, times in zip(step_lines(axis), (TREATED, CONTROL), strict=True):
        remain = [sum(time >= day for time in times) for day in line.get_xdata()]
        later = [time for time in times if time > line.get_xdata()[-1]]
        assert remain[-1] >= least
        assert len(later) < least


def test_the_band_is_the_interval_of_the_table():
    axis = draw_courses().axes[0]
    rows = COURSES["Treated"].cut(5)
    band = axis.collections[0].get_paths()[0].vertices[:, 1]
    assert band.max() == pytest.approx(1 - rows["low"].min())
    for edge in 1 - rows[["low", "high"]].dropna().to_numpy().ravel():
        assert np.isclose(band, edge).any()


def test_three_rows_under_the_axis_add_up_to_everybody():
    axis = draw_courses().axes[0]
    cells = {text.get_gid(): text for text in axis.texts if text.get_gid()}
    ticks = axis.get_xticks()
    for name in COURSES:
        for tick in ticks:
            row = [cells[f"{what}|{name}|{tick:g}"] for what in ("at_risk", "censored", "events")]
            assert sum(int(cell.get_text()) for cell in row) == 21
            assert {cell.get_position()[0] for cell in row} == {tick}
    assert int(cells[f"at_risk|Treated|{ticks[0]:g}"].get_text()) == 21


def test_rows_agree_with_a_count_by_hand():
    axis = draw_courses(at=[0, 10, 20]).axes[0]
    cells = {text.get_gid(): text.get_text() for text in axis.texts if text.get_gid()}
    events = sum(seen for time, seen in zip(TREATED, RELAPSED, strict=True) if time < 10)
    assert cells["events|Treated|10"] == str(events)
    assert cells["at_risk|Treated|10"] == str(sum(time >= 10 for time in TREATED))


def test_axes_name_their_units_and_the_footnote_its_numbers():
    figure = draw_courses()
    axis, said = figure.axes[0], texts(figure)
    assert axis.get_xlabel() == "Weeks from surgery"
    assert axis.get_ylabel() == "Share in relapse (%)"
    assert "Treated: n 21, events 9, censored 12, missing 0" in " ".join(said.split())
    assert "fewer than 5 remain at risk" in " ".join(said.split())
    assert "log-log" in said
    # medians of the two arms: 23 and 8 weeks (Freireich et al. 1963)
    assert "median 23 weeks" in said
    assert "median 8 weeks" in said


def test_days_can_be_drawn_as_weeks():
    curve = survival_curve([time * 7 for time in TREATED], RELAPSED, unit="days")
    line = step_lines(draw_courses({"Treated": curve}).axes[0])[0]
    np.testing.assert_allclose(line.get_xdata(), COURSES["Treated"].cut(5)["time"])


def test_a_median_not_reached_is_said():
    curve = survival_curve([10] * 8 + [5, 6], [0] * 8 + [1, 1], unit="weeks")
    assert "median not reached" in texts(draw_courses({"Few events": curve}))


def test_late_entry_is_said_and_rows_add_up_to_those_who_entered():
    entry = [0] * 15 + [5, 5, 5, 5, 5, 5]
    curve = survival_curve(TREATED, RELAPSED, entry, unit="weeks")
    figure = draw_courses({"Treated": curve}, at=[0, 10])
    cells = {text.get_gid(): text.get_text() for text in figure.axes[0].texts if text.get_gid()}
    at_start = [int(cells[f"{what}|Treated|0"]) for what in ("at_risk", "censored", "events")]
    assert sum(at_start) == 15
    assert "came under observation later" in " ".join(texts(figure).split())


def test_five_curves_are_refused():
    with pytest.raises(ValueError, match="at most 4 curves can be told apart; got 5"):
        draw_courses({str(i): COURSES["Treated"] for i in range(5)})


def test_a_unit_that_does_not_fit_is_refused():
    with pytest.raises(ValueError, match="must be one of weeks; got 'days'"):
        draw_courses(unit="days")


NOTHING = {
    "no case": survival_curve([], [], unit="weeks"),
    "one case": survival_curve([12], [1], unit="weeks"),
    "four cases": survival_curve([3, 5, 8, 9], [1, 0, 1, 1], unit="weeks"),
}


@pytest.mark.parametrize("name", NOTHING)
def test_too_few_cases_are_told_in_words(name):
    figure = draw_courses({"All": NOTHING[name]})
    assert figure.axes == []
    assert "Nothing to draw" in texts(figure)
    assert figures.time_curves_alt({"All": NOTHING[name]}, **COURSE_WORDS).startswith("No curve: ")


def test_a_group_too_small_is_named_beside_the_others():
    said = " ".join(texts(draw_courses(COURSES | {"Tiny": NOTHING["one case"]})).split())
    assert "Not drawn, too few at risk: Tiny" in said


# --- what holds for every figure


def test_the_same_figure_gives_the_same_bytes():
    for form in ("png", "svg", "pdf"):
        assert figures.picture(draw_courses(), form=form) == figures.picture(
            draw_courses(), form=form
        )


def test_a_picture_holds_no_date_and_no_program_name():
    assert b"Software" not in figures.picture(draw_courses())
    assert b"<dc:date>" not in figures.picture(draw_courses(), form="svg")
    assert b"CreationDate" not in figures.picture(draw_courses(), form="pdf")


def test_another_form_is_refused():
    with pytest.raises(ValueError, match="form must be one of png, svg, pdf; got 'gif'"):
        figures.picture(draw_courses(), form="gif")


def test_session_settings_neither_change_a_figure_nor_are_changed():
    before = figures.picture(draw_courses())
    with mpl.rc_context({"font.size": 20, "axes.grid": True, "lines.linewidth": 9}):
        inside = dict(mpl.rcParams)
        assert figures.picture(draw_courses()) == before
        assert dict(mpl.rcParams) == inside


def test_no_figure_stays_open():
    from matplotlib import pyplot

    draw_courses()
    assert pyplot.get_fignums() == []


def test_every_figure_has_its_twin_in_words():
    drawn = [name for name in figures.__all__ if f"{name}_alt" in figures.__all__]
    assert len(drawn) == 17
    assert all(callable(getattr(figures, name)) for name in figures.__all__)
    with pytest.raises(AttributeError, match="no figure named 'pie'"):
        _ = figures.pie


def test_the_words_hold_the_numbers():
    said = figures.time_curves_alt(COURSES, **COURSE_WORDS)
    assert "Treated: 9 events among 21, median 23 weeks" in said


def test_random_state_is_left_alone():
    np.random.seed(4)  # noqa: NPY002 - the global generator is what is tested
    state = np.random.get_state()[1].copy()  # noqa: NPY002
    draw_courses()
    assert (np.random.get_state()[1] == state).all()  # noqa: NPY002


def test_curves_are_not_changed():
    before = COURSES["Treated"].table
    draw_courses()
    pd.testing.assert_frame_equal(COURSES["Treated"].table, before)
