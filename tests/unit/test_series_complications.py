"""Complications of a series: phases by hand, counts that add up, and none is not nothing known."""

from __future__ import annotations

import pandas as pd
import pytest
from scipy import stats

from audit.series.complications import (
    KINDS,
    complication_counts,
    complication_results,
    event_kinds,
    event_phases,
)
from audit.tables.series_complications import (
    NO_TABLE,
    series_complication_rates,
    series_complications,
    series_complications_by_group,
)
from tests.conftest import text_table
from tests.unit.test_series_table_one import series_of

#: C1 healed; C2 in distraction at the cut-off; C3 in latency; C4 long under way, start and end not
#: recorded; C5 healing; C6 completed with no union date; C7 has no event
CASES = """
case_id patient_id side  segment device_class     age_at_surgery_years surgery_date planned_gain_mm distraction_start_date distraction_end_date union_date last_follow_up_date outcome_status outcome_date
C1      P1         left  femur   lengthening_nail 20 2023-01-01 40 2023-01-08 2023-02-20 2023-06-01 2023-12-31 completed    2023-12-31
C2      P1         right femur   lengthening_nail 20 2023-12-01 40 2023-12-08 -          -          2023-12-31 in_treatment -
C3      P2         left  tibia   circular_fixator 30 2023-12-26 50 -          -          -          2023-12-31 in_treatment -
C4      P2         right tibia   circular_fixator 30 2023-03-01 30 -          -          -          2023-12-31 in_treatment -
C5      P3         left  femur   lengthening_nail 30 2023-08-01 30 2023-08-08 2023-09-20 -          2023-12-31 in_treatment -
C6      P3         right femur   lengthening_nail 30 2022-01-01 30 2022-01-08 2022-02-20 -          2023-01-31 completed    2023-01-31
C7      P3         left  tibia   lengthening_nail 30 2022-01-01 30 2022-01-08 2022-02-20 2022-06-01 2023-01-31 completed    2023-01-31
"""
#: the last column is the phase by the rules in the docstring of `event_phases`
EVENTS = """
complication_id case_id occurred_on origin      unplanned_operation permanent resolved_on course_class severity_type phase
K01             C1      2023-01-01  vascular    yes                 no        2023-01-02  problem      I             latency
K02             C1      2023-01-07  soft_tissue no                  no        -           problem      I             latency
K03             C1      2023-01-08  joint       no                  no        2023-02-01  problem      I             distraction
K04             C1      2023-02-20  joint       no                  no        2023-04-01  obstacle     II            distraction
K05             C1      2023-02-21  bone        yes                 no        2023-04-01  obstacle     II            consolidation
K06             C1      2023-06-01  bone        no                  no        -           -            -             consolidation
K07             C1      2023-06-02  bone        no                  yes       -           complication IIIA          after_union
K08             C2      2023-12-20  soft_tissue no                  no        -           problem      I             distraction
K09             C3      2023-12-28  soft_tissue no                  no        -           problem      I             latency
K10             C4      2023-06-01  soft_tissue no                  no        -           problem      I             not_known
K11             C5      2023-10-01  soft_tissue no                  no        -           problem      I             consolidation
K12             C6      2022-10-01  soft_tissue no                  no        -           problem      I             not_known
"""
PEOPLE = "patient_id sex aetiology\nP1 female congenital\nP2 male tumour\nP3 female tumour"


def run_with(folder, events: str | pd.DataFrame | None):
    from audit.run import run_audit

    folder.mkdir(exist_ok=True)
    text_table(PEOPLE).to_csv(folder / "patients.csv", index=False)
    text_table(CASES).to_csv(folder / "cases.csv", index=False)
    if events is not None:
        frame = text_table(events) if isinstance(events, str) else events
        frame.drop(columns="phase").to_csv(folder / "complications.csv", index=False)
    return run_audit(folder, cutoff="2023-12-31")


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    return series_of(run_with(tmp_path_factory.mktemp("source"), EVENTS))


@pytest.fixture(scope="module")
def demo_series(demo_run):
    return series_of(demo_run)


def test_phases_by_hand(small):
    cohort = small.run.cohort
    found = event_phases(cohort).set_axis(cohort.tables["complications"]["complication_id"])
    expected = text_table(EVENTS).set_index("complication_id")["phase"]
    assert found.to_dict() == expected.to_dict()


def test_counts_by_hand(small):
    counts = complication_counts(small).set_index(["group_by", "group", "kind", "code"])
    events = ["events", "cases_with", "limbs_with", "patients_with"]
    assert counts.loc[("all", "all", "", ""), events].tolist() == [12, 6, 6, 3]
    # K08 and K10 to K12 with K02 and K09: C1, C2, C3, C4, C5, C6 have one each
    soft = counts.loc[("all", "all", "origin", "soft_tissue")]
    assert soft[events].tolist() == [6, 6, 6, 3]
    assert soft[["cases", "limbs", "patients"]].tolist() == [7, 7, 3]
    nail = counts.loc[("device_class", "lengthening_nail", "phase", "distraction")]
    assert nail[["events", "cases_with", "patients_with", "cases"]].tolist() == [3, 2, 1, 5]
    assert counts.loc[("all", "all", "course_class", "not_recorded"), "events"] == 1
    assert counts.loc[("all", "all", "result", "resolved"), "events"] == 4


def test_events_add_up_within_each_kind(demo_series):
    counts = complication_counts(demo_series)
    keys = ["group_by", "group"]
    whole = counts.loc[counts["kind"] == ""].set_index(keys)["events"]
    for kind in set(KINDS) - {"result"}:
        parts = counts.loc[counts["kind"] == kind].groupby(keys)["events"].sum()
        pd.testing.assert_series_equal(parts.sort_index(), whole.sort_index())
    assert whole[("all", "all")] == len(demo_series.run.cohort.tables["complications"])
    by_device = counts.loc[(counts["group_by"] == "device_class") & (counts["kind"] == "phase")]
    of_all = counts.loc[(counts["group_by"] == "all") & (counts["kind"] == "phase")]
    summed = by_device.groupby("code")["events"].sum()
    assert summed.to_dict() == of_all.set_index("code")["events"].to_dict()


def test_rates_by_kind_are_those_of_the_results(demo_series):
    """The same numbers by the way of the results table, where it has them."""
    ours = complication_results(demo_series, groupings=("all",))
    keys = ["measure", "statistic", "group_by", "group"]
    theirs = demo_series.run.results
    theirs = theirs.loc[theirs["window"] == "all"].set_index(keys)
    both = ours.set_index(keys).index.intersection(theirs.index)
    assert len(both) > 30
    numbers = ["n", "missing", "value", "low", "high"]
    pd.testing.assert_frame_equal(
        ours.set_index(keys).loc[both, numbers], theirs.loc[both, numbers], check_dtype=False
    )


def test_no_event_has_an_upper_limit(small):
    """0 of 7 cases: Wilson's upper limit z^2 / (n + z^2) for independent cases (Wilson 1927); for
    3 patients likewise. Exact Poisson for 0 events: chi-squared quantile at 2 degrees / 2."""
    rows = complication_results(small, groupings=("all",))
    none = rows.loc[(rows["group_by"] == "origin") & (rows["group"] == "infection")]
    plain = none.set_index(["measure", "statistic"])
    z2 = stats.norm.ppf(0.975) ** 2
    cases = plain.loc[("cases_with_complication", "proportion")]
    assert (cases["value"], cases["low"]) == (0, 0)
    assert cases["high"] == pytest.approx(z2 / (7 + z2), rel=1e-9)
    rate = plain.loc[("complications_per_100_cases", "rate")]
    assert rate["high"] == pytest.approx(100 * stats.chi2.ppf(0.975, 2) / 2 / 7, rel=1e-9)
    frame = series_complications(small).frame.set_index("Kind")
    assert frame.loc["Infection", "Events"] == "0"
    assert frame.loc["Infection", "Patients with one (%; 95% CI)"].startswith("0/3 (0%; 0% to 56%")


def test_no_table_is_not_no_event(tmp_path):
    series = series_of(run_with(tmp_path / "source", None))
    assert complication_counts(series).empty
    assert complication_results(series).empty
    for make in (series_complications, series_complications_by_group, series_complication_rates):
        table = make(series)
        assert table.notes == (NO_TABLE,)
        assert "0" not in table.frame.to_string(index=False, header=False)


def test_an_empty_table_is_no_event(tmp_path):
    series = series_of(run_with(tmp_path / "source", text_table(EVENTS).iloc[:0]))
    whole = complication_counts(series).iloc[0]
    assert (whole["events"], whole["cases_with"], whole["cases"]) == (0, 0, 7)
    assert event_kinds(series.run.cohort).empty
    frame = series_complications(series).frame
    assert frame["Cases with one (%; 95% CI)"].str.startswith("0/7 (0%; 0% to ").all()


def test_tables_hold_the_counts(demo_series):
    counts = complication_counts(demo_series)
    by_group = series_complications_by_group(demo_series).frame.set_index("Kind")
    nail = counts.loc[
        (counts["group"] == "lengthening_nail") & (counts["code"] == "distraction")
    ].iloc[0]
    cell = by_group.loc["Distraction", "Lengthening nail"]
    assert cell.startswith(f"{nail['events']}; {nail['cases_with']}/{nail['cases']} (")
    rates = series_complication_rates(demo_series).frame
    assert rates["Group"].iloc[0] == "All cases"


def test_a_series_of_seven_cases_gets_every_table_and_figure(small):
    """Few cases, empty groups, no walking dates: reasons instead of numbers, never a crash."""
    from audit.pages.series import tables as page

    for table in page.series_tables(small):
        assert len(table.frame), table.name
        assert "nan" not in table.frame.to_string().lower(), table.name
    for drawn in page.series_figures(small):
        assert drawn.alt
        assert drawn.caption
