"""Fitness: of the cases due, how many have what a measure or a criterion needs.

A threshold below which a result is shown as "data not fit to judge": standards 1.5, item 8 (source
D5); quality of exactly the fields a measure used: item 9 (source D6). Minimum 80 %: rule of thumb of a
20 % loss (Sackett DL et al., Evidence-based medicine, 1997, from memory). Counts worked by hand from
`quality_cohort`; a case that waits is not incomplete: standards 1.1, item 5, and 1.2.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.proportion import proportion_confint

import audit
from audit.cohort import _with_follow_up
from audit.criteria import MEASURES as CRITERIA_MEASURES
from audit.criteria import Criterion, criteria_from
from audit.errors import UnusableInput
from audit.intake.register import read_criteria
from audit.quality.choices import DEFAULTS
from audit.quality.completeness import item_states
from audit.quality.fitness import FAULT, KNOWN, UNFIT, event_states, time_states, unit_states
from audit.quality.ground import ground_of
from audit.quality.inputs import INPUTS, NEEDED, SHARED
from audit.quality.measure_fitness import fitness_table
from audit.results.catalogue import MEASURES, TIMES
from audit.results.times import time_table
from audit.standards import judge_standards
from schemas import TABLES as CONTRACT
from schemas.rules import ESSENTIAL
from tests.unit.quality_cohort import CASES, CUTOFF
from tests.unit.quality_cohort import TABLES as SIX


@pytest.fixture
def six(cohort_of):
    cohort = cohort_of(CUTOFF, **SIX)
    return cohort, audit.measure_cases(cohort), item_states(ground_of(cohort), DEFAULTS)


#: measure -> (known, at fault); everybody else is not due
BY_HAND = {
    "latency_days": ({"C1", "C2", "C4", "C5"}, set()),  # C3 and C6 are too young to have begun
    "distraction_days": ({"C1", "C4", "C5"}, {"C2"}),
    "gain_within_tolerance": ({"C1", "C5"}, {"C2", "C4"}),
    "healing_index_days_per_cm": ({"C1", "C5"}, {"C2", "C4"}),
    "final_gain_error_mm": ({"C1", "C4", "C5"}, set()),
    "external_fixation_index_days_per_cm": (set(), {"C2", "C5"}),  # C3 has a frame too, but waits
    "weight_bearing_index_days_per_cm": ({"C1", "C5"}, {"C2", "C4"}),
    "lengthening_pct": (set(), {"C1", "C2", "C4", "C5"}),  # the column is not there
    "knee_flexion_retention_pct": ({"C1"}, {"C2", "C4", "C5"}),
    "knee_arc_retention_pct": ({"C1"}, {"C2", "C4", "C5"}),
}


@pytest.mark.parametrize("measure", BY_HAND)
def test_who_is_due_and_who_has_it(six, measure):
    states = unit_states(*six, measure, DEFAULTS)
    known, fault = BY_HAND[measure]
    assert set(states.index[states == KNOWN]) == known
    assert set(states.index[states == FAULT]) == fault


def test_fitness_of_measures(six):
    table = fitness_table(*six, DEFAULTS).set_index("measure")
    line = table.loc["gain_within_tolerance"]
    assert (line["due"], line["with_inputs"], line["verdict"]) == (4, 2, UNFIT)
    assert (line["low"], line["high"]) == pytest.approx(proportion_confint(2, 4, method="wilson"))
    assert table.loc["latency_days", "verdict"] == "fit"
    assert table.loc["complication_events", "verdict"] == UNFIT
    assert table.loc["complication_events", "note"] == "the source has no table complications"
    assert line["minimum"] == 0.80


def test_nobody_is_due_in_a_service_that_has_just_begun(cohort_of):
    rows = "\n".join([CASES.strip().splitlines()[0], CASES.strip().splitlines()[3]])
    cohort = cohort_of("2025-12-20", cases=rows)
    states = item_states(ground_of(cohort), DEFAULTS)
    table = fitness_table(cohort, audit.measure_cases(cohort), states, DEFAULTS)
    line = table.set_index("measure").loc["healing_index_days_per_cm"]
    assert (line["due"], line["verdict"], line["note"]) == (0,) + ("no case expected yet",) * 2


def test_under_ten_millimetres_and_one_day_are_no_fault(cohort_of):
    short = CASES.replace(
        "2025-02-26           40               39", "2025-02-26           8                8 "
    )
    cohort = cohort_of(CUTOFF, **SIX | {"cases": short})
    states = item_states(ground_of(cohort), DEFAULTS)
    healing = unit_states(cohort, audit.measure_cases(cohort), states, "healing_index_days_per_cm", DEFAULTS)  # fmt: skip
    assert pd.isna(healing["C1"])
    assert healing["C5"] == KNOWN


def test_a_waiting_patient_is_known_while_followed(six):
    """Full weight bearing: C1 and C5 have it. C2 waits, last seen 15 September: known past day 150
    and not past day 365. C4 is completed and its date is missing. C6 is lost on day 19."""
    cohort, _, items = six

    def states(days):
        table = time_table(cohort, "time_to_full_weight_bearing")
        found = time_states(cohort, items, "time_to_full_weight_bearing", days, DEFAULTS)
        return dict(zip(table["patient_id"], found, strict=True))

    assert states(150) == {"P1": KNOWN, "P2": KNOWN, "P4": FAULT, "P5": KNOWN, "P6": FAULT}
    assert states(365) == {"P1": KNOWN, "P2": FAULT, "P4": FAULT, "P5": KNOWN, "P6": FAULT}


def test_seen_within_ninety_days_of_the_cut_off_is_enough(cohort_of):
    late = CASES.replace("2025-09-15", "2025-10-02")
    cohort = cohort_of(CUTOFF, **SIX | {"cases": late})
    items = item_states(ground_of(cohort), DEFAULTS)
    found = time_states(cohort, items, "time_to_full_weight_bearing", 365, DEFAULTS)
    assert found.tolist()[1] == KNOWN  # 2 October is the ninetieth day before 31 December


def test_union_needs_a_film_and_not_a_visit(cohort_of):
    """C2 was seen on 15 December, but its last film is ten months old."""
    late = CASES.replace("2025-09-15", "2025-12-15")
    films = "case_id taken_on gain_mm cortices_bridged\nC2 2025-02-20 10 0\n"
    cohort = cohort_of(CUTOFF, **SIX | {"cases": late, "radiographs": films})
    items = item_states(ground_of(cohort), DEFAULTS)
    cases = time_table(cohort, "time_to_union")["case_id"]
    union = dict(
        zip(cases, time_states(cohort, items, "time_to_union", 365, DEFAULTS), strict=True)
    )
    walking = time_states(cohort, items, "time_to_full_weight_bearing_by_case", 365, DEFAULTS)
    assert union["C2"] == FAULT
    assert walking[list(cases).index("C2")] == KNOWN
    assert union["C1"] == KNOWN


def test_death_makes_the_state_known(cohort_of):
    died = CASES.replace("lost_to_follow_up -         ", "died              2025-06-20", 1)
    cohort = cohort_of(CUTOFF, **SIX | {"cases": died})
    items = item_states(ground_of(cohort), DEFAULTS)
    found = time_states(cohort, items, "time_to_full_weight_bearing", 365, DEFAULTS)
    assert found.tolist()[-1] == KNOWN


def test_complications_need_follow_up(six):
    found = event_states(six[0], 180, DEFAULTS)
    # C3 is followed to within 90 days of the cut-off, C2 past day 180; C6 is lost on day 19
    assert found.to_dict() == {"C6": FAULT} | dict.fromkeys(("C1", "C2", "C3", "C4", "C5"), KNOWN)


# --- criteria -------------------------------------------------------------------------------------
GAIN = Criterion(
    id="gain", words="Ends within 5 mm of the plan", measure="gain_within_tolerance",
    statistic="proportion", target=0.5, direction="at_least", source="none", target_level="local",
    reason="a test",
)  # fmt: skip


def judged(six, **changes):
    cohort, measured, _ = six
    criterion = dataclasses.replace(GAIN, **changes)
    table = judge_standards(cohort, measured, [criterion], pd.Period("2025Q1"))
    return table.set_index("window")


def test_below_the_minimum_there_is_no_verdict_and_the_value_stays(six):
    row = judged(six).loc["all"]
    assert row["verdict"] not in ("met", "not met", "uncertain")
    assert row["note"].startswith(
        "data not fit to judge: 50% of 4 due cases have what it needs (minimum 80%)"
    )
    assert row["value"] == 1.0
    assert (row["due"], row["with_inputs"], row["completeness"]) == (4, 2, 0.5)


def test_a_register_can_ask_for_less(six):
    row = judged(six, minimum_completeness=0.5).loc["all"]
    assert row["verdict"] in ("met", "uncertain")
    assert "not fit" not in row["note"]
    assert row["minimum_completeness"] == 0.5


def test_a_case_without_its_index_date_counts_where_its_treatment_ended(six):
    """Union: C1 and C5 have it; C4's cannot be read and its treatment ended on 1 November."""
    union = {"measure": "healing_index_days_per_cm", "statistic": "mean", "target": 40.0}
    rows = judged(six, index_date="union_date", **union)
    assert tuple(rows.loc["all", ["due", "with_inputs"]]) == (3, 2)
    assert tuple(rows.loc["quarter:2025Q1", ["due", "with_inputs"]]) == (0, 0)
    cohort, measured, _ = six
    criterion = dataclasses.replace(GAIN, index_date="union_date", **union)
    later = judge_standards(cohort, measured, [criterion], pd.Period("2025Q4")).set_index("window")
    assert tuple(later.loc["quarter:2025Q4", ["due", "with_inputs"]]) == (1, 0)
    assert later.loc["quarter:2025Q4", "note"].startswith(UNFIT)


def test_without_an_end_of_treatment_it_counts_in_all_time_only(six):
    """C2 has no end of distraction after 333 days and is still in treatment."""
    rows = judged(six, index_date="distraction_end_date")
    assert tuple(rows.loc["all", ["due", "with_inputs"]]) == (4, 2)
    assert tuple(rows.loc["quarter:2025Q1", ["due", "with_inputs"]]) == (2, 1)  # C1; C4 at fault


def test_not_mature_is_not_incomplete(six):
    rows = judged(six, matures_after_days=340)
    # on 31 December only C1 (355 days) and C4 (350 days) are due
    assert tuple(rows.loc["all", ["due", "with_inputs", "not_yet_due"]]) == (2, 1, 4)


def test_the_missing_table_is_named(six):
    row = judged(six, measure="complications_per_100_cases", statistic="rate", target=34).loc["all"]
    assert row["verdict"] not in ("met", "not met", "uncertain")
    assert row["note"].startswith("data not fit to judge: the source has no table complications")


def test_time_to_an_event_counts_episodes(six):
    time = {"measure": "time_to_full_weight_bearing", "statistic": "median_time"}
    row = judged(six, target=150, direction="at_most", **time).loc["all"]
    assert (row["due"], row["with_inputs"]) == (5, 3)
    assert "60% of 5 due walking episodes" in row["note"]


def test_a_status_lost_to_an_error_is_no_crash(cohort_of):
    """C5's status is no code of the list: reached all the same, so its state is known."""
    odd = CASES.replace("completed         2025-12-01", "finished_ok       2025-12-01", 1)
    cohort = cohort_of(CUTOFF, **SIX | {"cases": odd})
    time = {"measure": "time_to_full_weight_bearing", "statistic": "median_time", "target": 150}
    criterion = dataclasses.replace(GAIN, direction="at_most", **time)
    table = judge_standards(cohort, audit.measure_cases(cohort), [criterion], pd.Period("2025Q1"))
    assert tuple(table.set_index("window").loc["all", ["due", "with_inputs"]]) == (5, 3)


def test_a_share_just_below_never_reads_as_the_minimum():
    from audit.quality.criterion_fitness import _below

    assert _below(0.797, 0.80) == "79.7"
    assert _below(0.61, 0.80) == "61"
    assert _below(0.7999, 0.80) == "79.99"


@pytest.mark.parametrize("given", [True, -0.1, 1.2, "0.8"])
def test_minimum_is_a_share(given):
    entry = {
        field.name: getattr(GAIN, field.name)
        for field in dataclasses.fields(GAIN)
        if field.name not in ("device_class", "segment", "minimum_completeness")
    }
    with pytest.raises(UnusableInput, match="minimum_completeness must be a share from 0 to 1"):
        criteria_from({"criterion": [entry | {"minimum_completeness": given}]}, name="mine.toml")
    (found,) = criteria_from(
        {"criterion": [entry | {"minimum_completeness": 0.9}]}, name="mine.toml"
    )
    assert found.minimum_completeness == 0.9


def test_a_time_counts_by_surgery_only():
    entry = {
        field.name: getattr(GAIN, field.name)
        for field in dataclasses.fields(GAIN)
        if field.name not in ("device_class", "segment", "minimum_completeness")
    }
    entry |= {"statistic": "median_time", "index_date": "union_date"}
    with pytest.raises(UnusableInput, match="counts by its surgery_date"):
        criteria_from({"criterion": [entry]}, name="mine.toml")


# --- inputs ---------------------------------------------------------------------------------------
def test_every_reported_measure_names_inputs_that_exist():
    assert set(INPUTS) == {measure.name for measure in MEASURES} | set(TIMES)
    for inputs in INPUTS.values():
        for place in inputs:
            table, column = place.split(".")
            assert column in CONTRACT[table].columns
    assert set(CRITERIA_MEASURES) <= set(INPUTS) | set(SHARED)
    assert {criterion.measure for criterion in read_criteria()} <= set(CRITERIA_MEASURES)
    assert set(NEEDED.values()) <= set(CONTRACT)


@pytest.fixture(scope="module")
def base(demo_tables):
    return audit.build_cohort(demo_tables, "2026-09-30")


def values_of(cohort):
    """Every reported measure as one column a measure, over its own units in order."""
    measured = audit.measure_cases(cohort)
    out = {measure.name: measured[measure.name].reset_index(drop=True) for measure in MEASURES}
    for name in TIMES:
        out[name] = time_table(cohort, name)[["duration", "observed", "entry", "ended"]]
    return out


def without(cohort, table, column):
    frames = dict(cohort.tables)
    kind = CONTRACT[table].columns[column].metadata["kind"]
    empty = np.datetime64("NaT", "ns") if kind in ("day", "moment") else np.nan
    frames[table] = frames[table].assign(**{column: empty})
    frames["cases"] = _with_follow_up(frames)
    return dataclasses.replace(cohort, tables=frames)


#: columns that sort cases into units or groups, or date a whole row; not values of a measure
STRUCTURE = {("cases", "patient_id"), ("cases", "side"), ("cases", "centre")}
PLACES = [
    (table, column)
    for table in ("cases", "radiographs", "joint_motion", "weight_bearing", "complications")
    for column in CONTRACT[table].columns
    if column not in (*ESSENTIAL[table], "last_follow_up_date") and (table, column) not in STRUCTURE
]


@pytest.mark.parametrize(("table", "column"), PLACES, ids=[".".join(place) for place in PLACES])
def test_inputs_are_what_the_measure_depends_on(base, table, column):
    """Emptying a column changes the measures that name it among their inputs, and no other."""
    assert_depends(values_of(base), values_of(without(base, table, column)), f"{table}.{column}")


def assert_depends(before, after, place):
    changed = {name for name in INPUTS if not before[name].equals(after[name])}
    assert changed == {name for name, inputs in INPUTS.items() if place in inputs}


def test_last_follow_up_ends_a_wait_that_no_visit_ends(base):
    """Where nobody assessed the loading, read a film or bent the knee, the last follow-up counts."""
    motion = base.tables["joint_motion"]
    surgery = motion["case_id"].map(base.cases.set_index("case_id")["surgery_date"])
    frames = {
        **base.tables,
        "weight_bearing": base.tables["weight_bearing"].iloc[:0],
        "radiographs": base.tables["radiographs"].iloc[:0],
        "joint_motion": motion.loc[motion["examined_on"] <= surgery],
    }
    later = base.cases["last_follow_up_date"].fillna(base.cutoff) + pd.Timedelta(days=100)
    moved = {**frames, "cases": base.cases.assign(last_follow_up_date=later)}
    cohorts = []
    for tables in (frames, moved):
        tables = {**tables, "cases": _with_follow_up(tables)}
        cohorts.append(dataclasses.replace(base, tables=tables))
    assert_depends(*map(values_of, cohorts), "cases.last_follow_up_date")
