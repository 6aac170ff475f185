"""The course of one case: days counted by hand from text tables, and the same days in the figure.

An invented nail case of common practice (no published source).
"""

from __future__ import annotations

import matplotlib as mpl
import numpy as np
import pytest

from audit import figures
from audit.errors import UnusableInput
from audit.figures.case import EVENT
from audit.measures.course import case_course
from tests.conftest import text_table

CASES = """
case_id patient_id side segment device_class     age_at_surgery_years surgery_date planned_gain_mm distraction_start_date distraction_end_date achieved_gain_mm union_date full_weight_bearing_date last_follow_up_date outcome_status
C1      P1         left femur   lengthening_nail 20                   2025-01-10   40              2025-01-15             2025-02-24           39               2025-06-09 2025-06-19               2025-10-10          in_treatment
C2      P2         left tibia   circular_fixator 30                   2025-09-01   40              -                      -                    -                -          -                        2025-09-01          in_treatment
"""
SESSIONS = """
case_id started_at       prescribed_mm delivered_mm
C1      2025-01-16T08:00 0.5           0.5
C1      2025-01-15T20:00 0.5           0.5
C1      2025-01-17T08:00 0.5           -0.25
C1      2025-01-18T08:00 -             0.5
"""
FILMS = """
case_id taken_on   gain_mm cortices_bridged
C1      2025-02-24 39      0
C1      2025-06-09 38.5    3
"""
LOADS = """
case_id assessed_on load    aid
C1      2025-02-24  partial two_crutches
C1      2025-06-19  full    none
"""
MOTION = """
case_id examined_on joint flexion_deg extension_deficit_deg
C1      2025-01-02  knee  140         0
C1      2025-02-24  knee  90          10
C1      2025-02-24  hip   100         0
"""
EVENTS = """
complication_id case_id occurred_on origin      unplanned_operation course_class severity_type resolved_on permanent
K2              C1      2025-03-01  joint       yes                 obstacle     II            -           no
K1              C1      2025-02-01  soft_tissue no                  problem      I             2025-02-15  no
"""


@pytest.fixture
def cohort(cohort_of):
    sessions = text_table(SESSIONS)
    sessions["started_at"] = sessions["started_at"].str.replace("T", " ")
    return cohort_of(
        "2025-12-31",
        cases=CASES,
        distraction_sessions=sessions,
        radiographs=FILMS,
        weight_bearing=LOADS,
        joint_motion=MOTION,
        complications=EVENTS,
    )


@pytest.fixture
def course(cohort):
    return case_course(cohort, "C1")


def texts(figure) -> str:
    found = " ".join(text.get_text() for text in figure.findobj(mpl.text.Text))
    return " ".join(found.replace("\N{NO-BREAK SPACE}", " ").split())


# --- the tables


def test_days_count_from_surgery(course):
    # 2025-01-10 is day 0; 2025-01-15 day 5; 2025-02-24 = 21 + 24 = day 45; 2025-06-09 = day 150
    assert dict(course.milestones.to_numpy()) == {
        "distraction starts": 5.0,
        "distraction ends": 45.0,
        "union": 150.0,
        "full weight bearing": 160.0,
    }
    assert course.knee["day"].tolist() == [-8.0, 45.0]
    assert course.follow_up_end == 273.0


def test_the_log_is_summed_in_time_order_with_reversals(course):
    assert course.logged["logged_mm"].tolist() == [0.5, 1.0, 0.75, 1.25]
    np.testing.assert_allclose(course.logged["day"].iloc[0], 5 + 20 / 24)
    # the third session has a prescription, the fourth has none: unknown from there on
    assert course.logged["prescribed_mm"].tolist()[:3] == [0.5, 1.0, 1.5]
    assert course.logged["prescribed_mm"].isna().tolist() == [False, False, False, True]


def test_complications_are_numbered_by_day(course):
    events = course.complications
    assert events["number"].tolist() == [1, 2]
    assert events["origin"].tolist() == ["soft_tissue", "joint"]
    assert events["day"].tolist() == [22.0, 50.0]
    assert events["resolved_day"].tolist()[0] == 36.0
    assert np.isnan(events["resolved_day"].iloc[1])


def test_other_joints_stay_out(course):
    assert course.knee["flexion_deg"].tolist() == [140.0, 90.0]


def test_an_unknown_case_is_refused_without_naming_it(cohort):
    with pytest.raises(UnusableInput, match="no case with this case_id") as caught:
        case_course(cohort, "C99")
    assert "C99" not in str(caught.value)


def test_the_cohort_is_not_changed(cohort):
    before = {name: table.copy() for name, table in cohort.tables.items()}
    case_course(cohort, "C1")
    for name, table in cohort.tables.items():
        assert table.equals(before[name]), name


# --- the figure


def axes_of(figure) -> dict[str, object]:
    return {axis.get_ylabel(): axis for axis in figure.axes}


def test_each_part_is_drawn_on_one_time_axis(course):
    axes = axes_of(figures.case_course(course))
    assert set(axes) == {
        "Milestones (day)",
        "Length gained (mm)",
        "Load allowed at the assessment",
        "Knee flexion (degrees)",
        "Complications (numbers: see below)",
    }
    assert len({axis.get_xlim() for axis in axes.values()}) == 1
    assert axes["Complications (numbers: see below)"].get_xlabel() == "Days from surgery"
    low, high = next(iter(axes.values())).get_xlim()
    assert low <= -8
    assert high >= 273


def test_lengths_planned_logged_and_on_film(course):
    axis = axes_of(figures.case_course(course))["Length gained (mm)"]
    flat = [line for line in axis.lines if set(line.get_ydata()) == {40.0}]
    assert len(flat) == 1
    drawn = [line.get_xydata().tolist() for line in axis.lines]
    assert course.films[["day", "gain_mm"]].to_numpy().tolist() in drawn
    assert course.logged[["day", "logged_mm"]].to_numpy().tolist() in drawn
    words = {text.get_text() for text in axis.texts}
    assert {"planned 40", "session log 1.25", "prescribed 1.5", "last film 38.5"} <= words


def test_load_and_knee_are_those_of_the_examinations(course):
    axes = axes_of(figures.case_course(course))
    load = axes["Load allowed at the assessment"]
    assert load.lines[0].get_xydata().tolist() == [[45.0, 2.0], [160.0, 3.0]]
    labels = [tick.get_text() for tick in load.get_yticklabels()]
    assert labels == ["None", "Toe touch", "Partial", "Full"]
    knee = axes["Knee flexion (degrees)"]
    assert knee.lines[0].get_xydata().tolist() == [[-8.0, 140.0], [45.0, 90.0]]


def test_complications_are_listed_in_words(course):
    said = texts(figures.case_course(course))
    assert "1: day 22, soft tissue, problem, Type I, resolved day 36" in said
    assert (
        "2: day 50, joint, obstacle, Type II, unplanned operation, not resolved on record" in said
    )


def test_a_complication_runs_until_it_was_resolved(course):
    strip = axes_of(figures.case_course(course))["Complications (numbers: see below)"]
    spans = [line.get_xdata().tolist() for line in strip.lines if line.get_color() == EVENT.colour]
    assert spans == [[22.0, 36.0], [22.0], [50.0]]


def test_no_calendar_date_is_shown(course):
    assert "2025" not in texts(figures.case_course(course))


def test_a_case_with_nothing_after_surgery_is_told_in_words(cohort):
    course = case_course(cohort, "C2")
    assert "nothing dated is on record after surgery" in texts(figures.case_course(course))
    said = figures.case_course_alt(course)
    assert "no milestone yet; 0 films, 0 knee examinations, 0 complications" in said


def test_empty_panels_say_so(cohort_of):
    alone = cohort_of("2025-12-31", cases=CASES)
    said = texts(figures.case_course(case_course(alone, "C1")))
    for words in ("no assessment of load", "no knee examination", "none on record"):
        assert words in said


def test_labels_on_one_day_do_not_write_over_each_other(cohort_of):
    crowded = CASES.replace("2025-06-19 ", "2025-06-09 ")
    figure = figures.case_course(case_course(cohort_of("2025-12-31", cases=crowded), "C1"))
    axis = axes_of(figure)["Milestones (day)"]
    figures.picture(figure, dpi=72)
    boxes = [text.get_window_extent() for text in axis.texts]
    assert len(boxes) == 4
    assert not any(a.overlaps(b) for i, a in enumerate(boxes) for b in boxes[:i])


def test_the_same_case_gives_the_same_bytes(course):
    first, second = (figures.picture(figures.case_course(course), dpi=72) for _ in range(2))
    assert first == second


@pytest.mark.parametrize("case_id", ["C001", "C147"])
def test_cases_of_the_demo_service_are_drawn(demo_run, case_id):
    course = case_course(demo_run.cohort, case_id)
    assert len(figures.case_course(course).axes) == 5
    assert f"Course of case {case_id}" in figures.case_course_alt(course)
