"""Twenty quarters of the demo data, each wound back to its own last day, reconcile with each other.

For every criterion, population = n + missing + not_yet_due + left_out (accepted exceptions) +
not_applicable (outside the measure): the units whose index day lies in the window. Then:

1. population(all) is what a count of the cohort's own cases gives, and the five states make up
   those eligible;
2. population(all) never shrinks from one quarter to the next;
3. population(all) of a quarter = population(all) of the quarter before + population(quarter) +
   the cases of earlier quarters that only now arrived under this service;
4. recomputed at one cut-off, every part of the population in `year_to` adds up to `all` over years
   that follow one another, and likewise `quarter` to `year_to`.

Reasoning: counts over disjoint windows add up; no published source is needed.
"""

from __future__ import annotations

import itertools

import pandas as pd
import pytest

import audit
from audit.intake.register import read_criteria
from audit.measures.weight_bearing import walking_episodes
from audit.standards import judge_standards

QUARTERS = pd.period_range("2021Q4", "2026Q3", freq="Q")
STATES = ["met", "not_met", "exception", "state_not_yet_due", "state_missing"]
POPULATION = ["n", "missing", "not_yet_due", "left_out", "not_applicable"]
PARTS = [*POPULATION, "eligible", *STATES]
FIRST_SURGERY = "2021-07-01"
CRITERIA = {criterion.id: criterion for criterion in read_criteria()}


def end_of(quarter: pd.Period) -> pd.Timestamp:
    return quarter.end_time.normalize()


def parts(table: pd.DataFrame) -> pd.DataFrame:
    """criterion -> every count that adds up over windows."""
    return table.set_index("criterion")[PARTS]


def population(table: pd.DataFrame) -> pd.Series:
    """criterion -> units whose index day lies in the window."""
    return parts(table)[POPULATION].sum(axis=1)


def window(table: pd.DataFrame, name: str) -> pd.DataFrame:
    return table.loc[table["window"] == name]


@pytest.fixture(scope="module")
def wound(demo_tables):
    """quarter -> (cohort, measured, standards) at the quarter's own last day."""
    out = {}
    for quarter in QUARTERS:
        cohort = audit.build_cohort(demo_tables, end_of(quarter))
        measured = audit.measure_cases(cohort)
        standards = judge_standards(cohort, measured, list(CRITERIA.values()), quarter)
        out[quarter] = (cohort, measured, standards)
    return out


def test_there_are_twenty_tables_of_every_criterion_in_every_window(wound):
    assert len(wound) == 20
    for quarter, (_, _, standards) in wound.items():
        names = {f"quarter:{quarter}", f"year_to:{quarter}", "all"}
        assert set(standards["window"]) == names
        assert len(standards) == 3 * len(CRITERIA)
        assert not standards.duplicated(["criterion", "window"]).any()


def counted(cohort: audit.Cohort, criterion) -> int:
    """The population of a criterion, counted case by case."""
    cases = cohort.cases.set_index("case_id")
    if criterion.statistic == "median_time":
        episodes = walking_episodes(cohort)
        chosen = pd.Series(True, index=episodes.index)
        for name in ("device_class", "segment"):
            codes = getattr(criterion, name)
            chosen &= episodes[name].isin(codes) if codes else True
        return int(chosen.sum())
    total = 0
    for _, case in cases.iterrows():
        adult = case["age_at_surgery_years"] >= 18
        if criterion.device_class and case["device_class"] not in criterion.device_class:
            continue
        if criterion.segment and case["segment"] not in criterion.segment:
            continue
        if criterion.age != "any" and adult != (criterion.age == "adult"):
            continue
        day = case[criterion.index_date]
        total += not pd.isna(day) and day <= cohort.cutoff
    return total


@pytest.mark.parametrize("quarter", QUARTERS[::3], ids=str)
def test_the_parts_make_up_the_population(wound, quarter):
    cohort, _, standards = wound[quarter]
    found = population(window(standards, "all"))
    for name, criterion in CRITERIA.items():
        assert found[name] == counted(cohort, criterion), name
    assert (standards[STATES].sum(axis=1) == standards["eligible"]).all()
    cases = standards.loc[standards["statistic"] != "median_time"]
    numbers = cases[["n", "missing", "not_yet_due", "left_out"]].sum(axis=1)
    assert (numbers == cases["eligible"]).all()


def test_the_population_of_all_time_never_shrinks(wound):
    table = pd.DataFrame(
        {quarter: population(window(one[2], "all")) for quarter, one in wound.items()}
    )
    steps = table.diff(axis=1).iloc[:, 1:]
    assert (steps >= 0).all(axis=None)
    assert (steps > 0).any(axis=1).all()


def late_arrivals(cohort: audit.Cohort, quarter: pd.Period, criterion) -> int:
    """Cases taken over in a quarter that were operated before it, in a criterion's population."""
    cases = cohort.cases
    start = quarter.start_time.normalize()
    chosen = (cases["surgery_date"] < start) & (cases["arrival_date"] >= start)
    for name in ("device_class", "segment"):
        codes = getattr(criterion, name)
        chosen &= cases[name].isin(codes) if codes else True
    if criterion.age != "any":
        chosen &= (cases["age_at_surgery_years"] >= 18) == (criterion.age == "adult")
    return int(chosen.sum())


def test_each_quarter_adds_its_own_cases_and_those_that_arrived_late(wound):
    arrived = dict.fromkeys(CRITERIA, 0)
    for before, quarter in itertools.pairwise(QUARTERS):
        cohort, _, standards = wound[quarter]
        earlier = population(window(wound[before][2], "all"))
        now = population(window(standards, "all"))
        own = population(window(standards, f"quarter:{quarter}"))
        for name, criterion in CRITERIA.items():
            late = 0
            # a later index day, such as union, comes after the arrival in these data
            if criterion.index_date == "surgery_date":
                late = late_arrivals(cohort, quarter, criterion)
            arrived[name] += late
            assert now[name] == earlier[name] + own[name] + late, (name, str(quarter))
    # cases of the demo data that were taken over in a later quarter than that of their surgery
    assert sum(arrived.values()) > 0


def test_windows_add_up_at_one_cut_off(wound):
    """The years to 2022Q2 ... 2026Q2 and the quarter 2026Q3 split all time without a gap; the
    quarters 2025Q3 ... 2026Q2 split the last of those years."""
    last = QUARTERS[-1]
    cohort, measured, standards = wound[last]
    assert cohort.cases["surgery_date"].min() == pd.Timestamp(FIRST_SURGERY)

    def counts(kind: str, quarter: pd.Period) -> pd.DataFrame:
        table = standards
        if quarter != last:
            table = judge_standards(cohort, measured, list(CRITERIA.values()), quarter)
        return parts(window(table, f"{kind}:{quarter}"))

    years = [counts("year_to", end) for end in QUARTERS[2::4]]
    whole = parts(window(standards, "all"))
    pd.testing.assert_frame_equal(sum(years) + counts("quarter", last), whole)
    quarters = [counts("quarter", last - back) for back in range(1, 5)]
    pd.testing.assert_frame_equal(sum(quarters), years[-1])


def test_an_earlier_table_is_the_same_whenever_it_is_recomputed(wound, demo_tables):
    """Winding back from the whole source and from a source already cut at a later day agree."""
    from audit.wind_back import wind_back

    quarter = QUARTERS[7]
    later = wind_back(demo_tables.frames, end_of(QUARTERS[12])).frames
    cut = audit.tables_from_frames({name: later[name] for name in demo_tables.given})
    cohort = audit.build_cohort(cut, end_of(quarter))
    again = judge_standards(cohort, audit.measure_cases(cohort), list(CRITERIA.values()), quarter)
    columns = ["criterion", "window", *PARTS, "verdict"]
    pd.testing.assert_frame_equal(again[columns], wound[quarter][2][columns])


def test_the_flow_of_every_quarter_adds_up_to_the_rows_read(wound):
    for cohort, _, _ in wound.values():
        read = cohort.flow.loc[cohort.flow["step"] == "read", "cases"].sum()
        assert cohort.flow.loc[cohort.flow["step"] != "read", "cases"].sum() == read
