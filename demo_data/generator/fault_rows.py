"""Faults in the tables that hang on a case, in the actions, in the service events and in the
theatre list."""

from __future__ import annotations

from collections.abc import Mapping

from demo_data.generator.fault_choices import (
    DEFICIT,
    FLEXION,
    at,
    bridged_again,
    classed,
    first,
    given,
    in_distraction,
    knee_in_distraction,
    knee_late,
    late,
    minutes_later,
    next_day,
    on_completed,
    on_nail,
    unloaded,
)
from demo_data.generator.fault_workshop import Cell, Choice, Fault, day, moment

FILMS, MOTION, LOADS = "radiographs", "joint_motion", "weight_bearing"
EVENTS, LOG, ACTIONS = "complications", "distraction_sessions", "actions"
SERVICE, THEATRE = "service_events", "theatre_counts"
SCHEME = "checketts_otterburn"


_GRADED = given("pin_site_grade", "pin_site_scheme")
_KIND = {EVENTS: "any", LOG: "logged", ACTIONS: "", SERVICE: ""}
_TENTH = {LOG: at(9)}

Line = tuple[str, str, str, Mapping[str, Cell], Choice | None]

#: (rule, table, column, cells, rows that will do), each an error in a row that is there
_ERRORS: tuple[Line, ...] = (
    ("not_a_date", FILMS, "taken_on", {"taken_on": "03.02.2023"}, None),
    ("not_a_whole_number", FILMS, "cortices_bridged", {"cortices_bridged": "2.5"}, None),
    ("not_a_number", MOTION, FLEXION, {FLEXION: "110 degrees"}, None),
    ("not_a_date_and_time", LOG, "started_at", {"started_at": "morning"}, None),
    ("not_in_code_list", LOADS, "load", {"load": "50%"}, None),
    ("not_in_code_list", MOTION, "joint", {"joint": "elbow"}, None),
    ("out_of_range", MOTION, FLEXION, {FLEXION: "1200"}, None),
    ("out_of_range", LOG, "delivered_mm", {"delivered_mm": "33"}, None),
    ("missing_required", EVENTS, "origin", {"origin": ""}, None),
    ("missing_required", ACTIONS, "criterion", {"criterion": ""}, at(0)),
    ("row_without_assessed_on", LOADS, "assessed_on", {"assessed_on": ""}, None),
    ("row_without_delivered_mm", LOG, "delivered_mm", {"delivered_mm": ""}, None),
    ("unknown_case", FILMS, "case_id", {"case_id": "C990"}, None),
    ("date_before_1980", EVENTS, "occurred_on", {"occurred_on": "1922-03-01"}, None),
    (
        "complication_before_surgery",
        EVENTS,
        "occurred_on",
        {"occurred_on": day("surgery_date", -1)},
        None,
    ),
    (
        "session_before_surgery",
        LOG,
        "started_at",
        {"started_at": moment("surgery_date", -365)},
        None,
    ),
    (
        "resolved_before_occurred",
        EVENTS,
        "resolved_on",
        {"resolved_on": day("surgery_date", 0)},
        late("occurred_on", "surgery_date"),
    ),
    ("closed_before_raised", ACTIONS, "closed_on", {"closed_on": "2022-12-12"}, at(1)),
    ("knee_arc_not_positive", MOTION, FLEXION, {FLEXION: "5", DEFICIT: "50"}, knee_late),
)
#: the same for rules that only ask
_QUESTIONS: tuple[Line, ...] = (
    ("unusual_value", FILMS, "mldfa_deg", {"mldfa_deg": "70"}, given("mldfa_deg")),
    ("cortices_fell", FILMS, "cortices_bridged", {"cortices_bridged": "1"}, bridged_again),
    (
        "axis_disagrees_with_angles",
        FILMS,
        "mechanical_axis_deviation_mm",
        {"mechanical_axis_deviation_mm": "-25", "mldfa_deg": "96", "mpta_deg": "84"},
        given("mechanical_axis_deviation_mm"),
    ),
    ("knee_flexion_under_30", MOTION, FLEXION, {FLEXION: "12", DEFICIT: "0"}, knee_late),
    (
        "flexion_lost_in_distraction",
        MOTION,
        FLEXION,
        {FLEXION: "40", DEFICIT: "0"},
        knee_in_distraction,
    ),
    (
        "contracture_in_distraction",
        MOTION,
        DEFICIT,
        {FLEXION: "95", DEFICIT: "45"},
        knee_in_distraction,
    ),
    (
        "full_load_in_wheelchair",
        LOADS,
        "aid",
        {"load": "full", "aid": "wheelchair"},
        late("assessed_on", "full_weight_bearing_date"),
    ),
    (
        "no_aid_without_load",
        LOADS,
        "aid",
        {"load": "none", "aid": "none"},
        in_distraction("assessed_on"),
    ),
    (
        "below_full_after_full_weight_bearing",
        LOADS,
        "load",
        {"load": "partial", "aid": "one_crutch"},
        late("assessed_on", "full_weight_bearing_date"),
    ),
    (
        "obstacle_without_operation",
        EVENTS,
        "course_class",
        {"unplanned_operation": "no", "severity_type": ""},
        classed("course_class", "obstacle", "yes"),
    ),
    (
        "type_ii_without_operation",
        EVENTS,
        "severity_type",
        {"unplanned_operation": "no", "course_class": ""},
        classed("severity_type", "II", "yes"),
    ),
    (
        "problem_with_operation",
        EVENTS,
        "course_class",
        {"unplanned_operation": "yes", "severity_type": ""},
        classed("course_class", "problem", "no"),
    ),
    (
        "type_i_with_operation",
        EVENTS,
        "severity_type",
        {"unplanned_operation": "yes", "course_class": ""},
        classed("severity_type", "I", "no"),
    ),
    (
        "permanent_problem",
        EVENTS,
        "permanent",
        {"permanent": "yes"},
        classed("course_class", "problem", "no"),
    ),
    (
        "pin_site_grade_without_scheme",
        EVENTS,
        "pin_site_scheme",
        {"pin_site_scheme": ""},
        _GRADED,
    ),
    (
        "pin_site_grade_on_nail",
        EVENTS,
        "pin_site_grade",
        {"pin_site_grade": "2", "pin_site_scheme": SCHEME},
        on_nail,
    ),
    (
        "unresolved_at_completion",
        EVENTS,
        "resolved_on",
        {"resolved_on": "", "permanent": ""},
        on_completed,
    ),
    ("due_before_raised", ACTIONS, "due_on", {"due_on": "2022-12-12"}, at(2)),
)
#: the same for rows that are added at the end, as a changed copy of a row that will do
_ADDED: tuple[Line, ...] = (
    (
        "long_before_surgery",
        MOTION,
        "examined_on",
        {"examined_on": day("surgery_date", -400)},
        None,
    ),
    ("same_day_examinations_differ", MOTION, FLEXION, {FLEXION: "61"}, knee_late),
    (
        "load_jumps_to_full",
        LOADS,
        "load",
        {"assessed_on": next_day, "load": "full", "aid": "two_crutches"},
        unloaded,
    ),
    (
        "over_prescription",
        LOG,
        "delivered_mm",
        {"started_at": minutes_later, "prescribed_mm": "0.1", "delivered_mm": "0.2"},
        None,
    ),
    (
        "day_total_over_1_5_mm",
        LOG,
        "delivered_mm",
        {"started_at": minutes_later, "prescribed_mm": "1.45", "delivered_mm": "1.45"},
        None,
    ),
    ("session_logged_twice", LOG, "started_at", {}, None),
    (
        "session_before_distraction",
        LOG,
        "started_at",
        {"started_at": moment("surgery_date", 1), "delivered_mm": "0.25"},
        None,
    ),
    (
        "session_after_distraction",
        LOG,
        "started_at",
        {"started_at": moment("distraction_end_date", 2), "delivered_mm": "0.25"},
        None,
    ),
)
#: a decision to recompute limits: what it needs, and the rule that asks for it
_DECISION = {"criterion": "complications_nail", "cause": "new screws", "decided_by": "audit lead"}
_NEEDED = {"criterion": "criterion", "cause": "cause", "decided_by": "decider"}
_DECISIONS: tuple[Line, ...] = tuple(
    (f"rebase_without_{name}", SERVICE, column, {"kind": "rebase", **_DECISION, column: ""}, None)
    for column, name in _NEEDED.items()
)


def _fault(line: Line, severity: str, *, added: bool = False) -> Fault:
    rule, table, column, cells, choose = line
    texts = [f"{name} {cell}" if isinstance(cell, str) else name for name, cell in cells.items()]
    return Fault(
        rule=rule,
        table=table,
        column=column,
        severity=severity,
        kind=_KIND.get(table, "whole"),
        what=("row added" if added else "changed") + ": " + (", ".join(texts) or "the same again"),
        cells=cells,
        choose=choose or _TENTH.get(table, first),
        copied=added,
    )


_SPECIAL = (
    Fault(
        rule="repeated_row",
        table=FILMS,
        column="case_id",
        what="the row pasted twice",
        cells={},
        copied=True,
    ),
    Fault(
        rule="after_death",
        table=FILMS,
        column="taken_on",
        what="film two days after death",
        cells={"taken_on": day("outcome_date", 2)},
        kind="dead",
        copied=True,
    ),
    Fault(
        rule="not_a_quarter",
        table=THEATRE,
        column="quarter",
        what="row added: quarter written the other way round",
        cells={"quarter": "Q3 2026"},
        kind="",
        copied=True,
    ),
    Fault(
        rule="date_in_future",
        table=THEATRE,
        column="quarter",
        what="row added: a quarter far ahead",
        cells={"quarter": "2098Q1"},
        kind="",
        copied=True,
    ),
    Fault(
        rule="centre_without_cases",
        table=THEATRE,
        column="centre",
        severity="warning",
        what="row added: a centre that no case has",
        cells={"centre": "west"},
        kind="",
        copied=True,
    ),
    Fault(
        rule="quarter_counted_twice",
        table=THEATRE,
        column="quarter",
        what="row added: the first quarter counted again",
        cells={"operations": "99"},
        kind="",
        copied=True,
    ),
    Fault(
        rule="several_pin_site_schemes",
        table=EVENTS,
        column="pin_site_scheme",
        severity="warning",
        what="another scheme in one row",
        cells={"pin_site_scheme": "own_scheme"},
        kind="any",
        choose=_GRADED,
        whole_column=True,
    ),
)

ROW_FAULTS: tuple[Fault, ...] = (
    *(_fault(line, "warning") for line in _QUESTIONS),
    *(_fault(line, "warning", added=True) for line in _ADDED),
    *(_fault(line, "error") for line in _ERRORS),
    *(_fault(line, "error", added=True) for line in _DECISIONS),
    *_SPECIAL,
)
