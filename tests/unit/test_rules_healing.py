"""Union in time, per centimetre and on film; films beside one another. Limits: see the rules."""

import pytest

from tests.unit.rule_evidence import Check, assert_rule, case, film, frame_case, ongoing

UNION = "union_date"
OFF = "fixator_removal_date"
STOPPED = {"outcome_status": "stopped_early"}


def one(rule, column, bad, good):
    return Check(rule, "cases." + column, {"cases": [bad]}, {"cases": [good]})


def films(rule, place, bad, good, rows=(0,), **tables):
    return Check(rule, place, {"radiographs": bad} | tables, {"radiographs": good} | tables, rows)


def axis(medial, ldfa, mpta):
    angles = {"mldfa_deg": ldfa, "mpta_deg": mpta}
    return [film("2025-06-01", mechanical_axis_deviation_mm=medial, **angles)]


def mad(day, medial):
    return film(day, mechanical_axis_deviation_mm=medial)


DATE_CHECKS = (
    one(
        "union_before_surgery", UNION, case(union_date="2025-01-09"), case(union_date="2025-01-10")
    ),
    one(
        "union_before_distraction_end",
        UNION,
        case(union_date="2025-03-07"),
        case(union_date="2025-03-08"),
    ),
    one(
        "union_before_distraction_end",
        UNION,
        case(union_date="2025-03-07"),
        case(union_date="2025-03-07", **STOPPED),
    ),
    one(
        "union_before_end_of_stopped_distraction",
        UNION,
        case(union_date="2025-03-07", **STOPPED),
        case(union_date="2025-03-08", **STOPPED),
    ),
    one(
        "union_without_distraction_end",
        UNION,
        case(distraction_end_date=None),
        case(distraction_end_date=None, union_date=None),
    ),
    one(
        "maturation_over_1095_days",
        UNION,
        case(distraction_end_date="2022-01-01", union_date="2025-01-01"),
        case(distraction_end_date="2022-01-01", union_date="2024-12-31"),
    ),
    one("maturation_unusual", UNION, case(union_date="2025-03-21"), case(union_date="2025-03-22")),
    one("maturation_unusual", UNION, case(union_date="2026-08-31"), case(union_date="2026-08-30")),
)
# surgery on 10 January 2025; 10 mm gained, so days are days per cm
INDEX_CHECKS = (
    one(
        "healing_index_impossible",
        UNION,
        case(achieved_gain_mm=10, union_date="2026-02-15"),
        case(achieved_gain_mm=10, union_date="2026-02-14"),
    ),
    one(
        "healing_index_impossible",
        UNION,
        case(distraction_end_date=None, union_date="2025-01-10"),
        case(distraction_end_date=None, union_date="2025-01-11"),
    ),
    one(
        "healing_index_impossible",
        UNION,
        case(achieved_gain_mm=10, union_date="2026-02-15"),
        case(achieved_gain_mm=9.9, union_date="2026-02-15"),
    ),
    one(
        "healing_index_unusual",
        UNION,
        case(achieved_gain_mm=10, union_date="2025-05-16"),
        case(achieved_gain_mm=10, union_date="2025-05-15"),
    ),
    one(
        "healing_index_unusual",
        UNION,
        case(achieved_gain_mm=100, union_date="2025-04-19"),
        case(achieved_gain_mm=100, union_date="2025-04-20"),
    ),
    one(
        "fixation_index_impossible",
        OFF,
        frame_case(achieved_gain_mm=10, fixator_removal_date="2025-07-30"),
        frame_case(achieved_gain_mm=10, fixator_removal_date="2025-07-29"),
    ),
    one(
        "fixation_index_impossible",
        OFF,
        frame_case(achieved_gain_mm=100, fixator_removal_date="2025-04-19"),
        frame_case(achieved_gain_mm=100, fixator_removal_date="2025-04-20"),
    ),
    # over a nail the frame comes off when distraction ends; on a nail there is none
    one(
        "fixation_index_impossible",
        OFF,
        frame_case(achieved_gain_mm=100, fixator_removal_date="2025-04-19"),
        frame_case(
            achieved_gain_mm=100,
            fixator_removal_date="2025-04-19",
            device_class="lengthening_over_nail",
        ),
    ),
    one(
        "fixation_index_impossible",
        OFF,
        frame_case(
            achieved_gain_mm=10,
            fixator_removal_date="2025-07-30",
            device_class="lengthening_over_nail",
        ),
        case(achieved_gain_mm=10, fixator_removal_date="2025-07-30"),
    ),
    one(
        "fixation_index_unusual",
        OFF,
        frame_case(achieved_gain_mm=10, fixator_removal_date="2025-04-11"),
        frame_case(achieved_gain_mm=10, fixator_removal_date="2025-04-10"),
    ),
    one(
        "fixation_index_unusual",
        OFF,
        frame_case(achieved_gain_mm=100, fixator_removal_date="2025-06-08"),
        frame_case(achieved_gain_mm=100, fixator_removal_date="2025-06-09"),
    ),
)
NEAR, FAR = "2025-07-04", "2025-07-05"
UNION_FILM_CHECKS = (
    films(
        "union_without_film",
        "cases.union_date",
        [film(FAR, cortices_bridged=3)],
        [film(NEAR, cortices_bridged=3)],
    ),
    films(
        "union_without_film",
        "cases.union_date",
        [film("2025-06-06", cortices_bridged=2)],
        [film("2025-06-06", cortices_bridged=4)],
    ),
    films(
        "union_without_film",
        "cases.union_date",
        [film("2025-02-06", cortices_bridged=0), film("2025-06-20", gain_mm=50)],
        [film("2025-06-20", gain_mm=50)],
    ),
    films(
        "bridged_film_without_union",
        "cases.union_date",
        [film("2025-03-09", cortices_bridged=3)],
        [film("2025-03-08", cortices_bridged=3), film("2025-03-09", cortices_bridged=2)],
        cases=[case(union_date=None)],
    ),
    films(
        "bridged_film_without_union",
        "cases.union_date",
        [film("2026-03-02", cortices_bridged=3)],
        [film("2026-03-03", cortices_bridged=3)],
        cases=[case(union_date=None)],
    ),
)
FILM_CHECKS = (
    # out of order in the file; the intact bone before surgery is no fall
    films(
        "cortices_fell",
        "radiographs.cortices_bridged",
        [film("2025-07-01", cortices_bridged=1), film("2025-06-01", cortices_bridged=2)],
        [film("2025-01-10", cortices_bridged=4), film("2025-06-01", cortices_bridged=0)],
    ),
    films(
        "cortices_fell",
        "radiographs.cortices_bridged",
        [film("2025-05-01", cortices_bridged=2), film("2025-06-01", cortices_bridged=1)],
        [film("2025-06-01", cortices_bridged=2), film("2025-06-01", cortices_bridged=1)],
        rows=(1,),
    ),
    films(
        "cortices_fell",
        "radiographs.cortices_bridged",
        [film("2025-05-01", cortices_bridged=2), film("2025-06-01", cortices_bridged=1)],
        [
            film("2025-05-01", cortices_bridged=2),
            film("2025-06-01", cortices_bridged=1) | {"case_id": "C2"},
        ],
        rows=(1,),
        cases=[case(), case(case_id="C2", side="right")],
    ),
    # distraction from 17 January to 8 March
    films(
        "long_without_film",
        "radiographs.taken_on",
        [film("2025-03-08"), film("2025-02-01"), film("2025-02-23")],
        [film("2025-03-08"), film("2025-02-01"), film("2025-02-22")],
        rows=(2,),
    ),
    films(
        "long_without_film",
        "radiographs.taken_on",
        [film("2025-02-08"), film("2025-02-20"), film("2025-03-08")],
        [film("2025-02-07"), film("2025-02-20"), film("2025-03-08")],
    ),
    # only the days of distraction count
    films(
        "long_without_film",
        "radiographs.taken_on",
        [film("2025-02-01"), film("2025-02-14"), film("2025-06-01")],
        [film("2025-02-01"), film("2025-02-15"), film("2025-06-01")],
        rows=(2,),
    ),
    Check(
        "long_without_film",
        "radiographs.taken_on",
        {"cases": [ongoing()], "radiographs": [film("2025-02-08")]},
        {"cases": [ongoing(arrival_date="2025-01-18")], "radiographs": [film("2025-02-08")]},
    ),
    films(
        "axis_disagrees_with_angles",
        "radiographs.mechanical_axis_deviation_mm",
        axis(-10.1, 97.1, 87),
        axis(-10.1, 97, 87),
    ),
    films(
        "axis_disagrees_with_angles",
        "radiographs.mechanical_axis_deviation_mm",
        axis(10.1, 80, 90.1),
        axis(10, 80, 90.1),
    ),
    # 50 mm gained: 17.5 mm of lateral shift
    films(
        "axis_moved_far_laterally",
        "radiographs.mechanical_axis_deviation_mm",
        [mad("2025-01-02", 5), mad("2025-05-01", -30), mad("2025-08-01", -12.6)],
        [mad("2025-01-02", 5), mad("2025-05-01", -30), mad("2025-08-01", -12.5)],
        rows=(2,),
    ),
    Check(
        "axis_moved_far_laterally",
        "radiographs.mechanical_axis_deviation_mm",
        {"radiographs": [mad("2025-01-02", 5), mad("2025-08-01", -20)]},
        {
            "cases": [case(segment="tibia")],
            "radiographs": [mad("2025-01-02", 5), mad("2025-08-01", -20)],
        },
        rows=(1,),
    ),
)
CHECKS = DATE_CHECKS + INDEX_CHECKS + UNION_FILM_CHECKS + FILM_CHECKS


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_rule(check):
    assert_rule(check)
