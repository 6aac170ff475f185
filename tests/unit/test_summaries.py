"""Summary tables: numbers equal to results.csv and to cohorts counted by hand; people, not cases."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pandas as pd
import pytest

from audit.results.catalogue import MEASURES
from audit.results.courses import curves_by
from audit.run import run_audit
from audit.summaries.build import summary_tables
from audit.summaries.choices import PERIODS, SummaryChoices
from audit.summaries.facts import age_bands, band_names, left_behind
from audit.summaries.table import ALL, COLUMNS, STATISTICS
from tests.conftest import text_table

#: cases of six people: P1 has three (two bones of one leg, then the other leg), P2 two. One age is
#: 90 exactly; one case is operated in the quarter before the last four.
PATIENTS = """
patient_id  sex     aetiology
P1          female  congenital
P2          male    post_traumatic
P3          female  -
P4          male    tumour
P5          unknown congenital
P6          female  congenital
"""
CASES = """
case_id patient_id centre surgeon side  segment device_class          age_at_surgery_years surgery_date planned_gain_mm achieved_gain_mm distraction_end_date last_follow_up_date outcome_status
K01     P1         north  SX1     left  femur   lengthening_nail      9.9                  2026-01-10   40              40               2026-03-01           2026-09-20          in_treatment
K02     P1         north  SX1     left  tibia   circular_fixator      9.9                  2026-01-10   30              36               2026-03-01           2026-09-20          in_treatment
K03     P1         north  SX1     right femur   lengthening_nail      10.0                 2026-07-01   40              -                -                    2026-09-20          in_treatment
K04     P2         south  SX2     left  femur   lengthening_nail      89.9                 2025-11-05   50              47               2026-01-20           2026-09-01          in_treatment
K05     P2         south  SX2     right femur   monolateral_fixator   90.0                 2026-02-05   50              50               2026-04-20           2026-09-01          in_treatment
K06     P3         south  SX2     left  tibia   circular_fixator      30.0                 2026-03-05   20              20               2026-05-20           2026-09-01          stopped_early
K07     P4         north  SX1     left  humerus lengthening_over_nail 17.99                2026-04-05   20              20               2026-06-20           2026-09-01          completed
K08     P5         north  SX1     left  femur   lengthening_nail      18.0                 2025-09-30   20              20               2025-12-20           2026-09-01          in_treatment
K09     P6         north  SX1     left  femur   lengthening_nail      18.0                 2025-10-01   20              20               2025-12-20           2026-09-01          in_treatment
"""
COMPLICATIONS = """
complication_id case_id occurred_on origin      unplanned_operation course_class severity_type
V1              K01     2026-02-01  joint       no                  problem      I
V2              K01     2026-03-01  soft_tissue yes                 obstacle     II
V3              K02     2026-03-05  joint       no                  problem      -
V4              K04     2026-01-05  bone        yes                 obstacle     IIIA
V5              K08     2026-01-05  bone        yes                 obstacle     IIIA
"""  # fmt: skip


@pytest.fixture(scope="module")
def small_run(tmp_path_factory):
    folder = tmp_path_factory.mktemp("source")
    tables = {"patients": PATIENTS, "cases": CASES, "complications": COMPLICATIONS}
    for name, text in tables.items():
        text_table(text).to_csv(folder / f"{name}.csv", index=False)
    return run_audit(folder, quarter="2026Q3")


@pytest.fixture(scope="module")
def small(small_run):
    return by_name(summary_tables(small_run))


@pytest.fixture(scope="module")
def demo(demo_run):
    return {period: by_name(summary_tables(demo_run, period=period)) for period in PERIODS}


def by_name(tables):
    return {table.name: table for table in tables}


def cell(table, statistic="count", **key):
    frame = table.frame
    for name in table.dimensions:
        if name in key or name not in table.tied:
            frame = frame.loc[frame[name] == key.get(name, ALL)]
    found = frame.loc[frame["statistic"] == statistic]
    assert len(found) == 1, (table.name, key)
    return found.iloc[0]


def counts(row):
    return tuple(int(row[name]) for name in ("numerator", "denominator", "people_with", "people"))


def every_table(tables):
    for table in tables:
        yield table
        if table.merged is not None:
            yield table.merged


# -- a cohort counted by hand ----------------------------------------------------------------


def test_the_size_of_the_cohort_counts_patients_limbs_and_cases_apart(small):
    size = small["cohort-size"]
    # K08 is operated a day before the four quarters begin; K07 is an arm
    assert cell(size, counted="patients")["value"] == 5
    assert cell(size, counted="cases")["value"] == 8
    assert cell(size, counted="walked_limbs")["value"] == 6


def test_a_patient_with_three_cases_is_one_person(small):
    # nails: K01 and K03 of P1, K04 of P2, K09 of P6
    table = small["cohort-by-device-class"]
    assert counts(cell(table, device_class="lengthening_nail")) == (4, 8, 3, 5)
    assert counts(cell(table, device_class="circular_fixator")) == (2, 8, 2, 5)
    assert counts(cell(table)) == (8, 8, 5, 5)
    assert cell(table, "share", device_class="lengthening_nail")["value"] == 0.5


def test_people_of_merged_categories_are_counted_anew_not_added_up(small):
    # fixators and other: K02 (P1), K05 (P2), K06 (P3), K07 (P4)
    table = small["cohort-by-device-class"]
    assert table.coarser["device_class"]["circular_fixator"] == "fixator_or_other"
    assert counts(cell(table.merged, device_class="fixator_or_other")) == (4, 8, 4, 5)
    # ages under 18: K01, K02, K03 of P1 lie in two bands, K07 of P4
    ages = small["cohort-by-age-band"]
    assert counts(cell(ages, age_band="0-9")) == (2, 8, 1, 5)
    assert counts(cell(ages, age_band="10-17")) == (2, 8, 2, 5)
    assert counts(cell(ages.merged, age_band="0-17")) == (4, 8, 2, 5)
    assert counts(cell(ages, age_band="75-89")) == (1, 8, 1, 5)
    assert counts(cell(ages, age_band="90 or over")) == (1, 8, 1, 5)
    assert counts(cell(ages.merged, age_band="45 or over")) == (2, 8, 1, 5)


def test_patients_are_counted_once_by_sex_and_cause(small):
    assert counts(cell(small["patients-by-sex"], sex="female")) == (3, 5, 3, 5)
    assert counts(cell(small["patients-by-sex"], sex="unknown")) == (0, 5, 0, 5)
    assert counts(cell(small["patients-by-cause"], aetiology="congenital")) == (2, 5, 2, 5)
    assert counts(cell(small["patients-by-cause"], aetiology="not_recorded")) == (1, 5, 1, 5)


def test_two_ways_at_once(small):
    table = small["cohort-by-device-and-segment"]
    key = {"device_class": "lengthening_nail", "segment": "femur"}
    assert counts(cell(table, **key)) == (4, 8, 3, 5)
    assert counts(cell(table, segment="femur")) == (5, 8, 3, 5)


def test_events_cases_and_patients_are_three_numbers(small):
    # V1 V2 (K01), V3 (K02) of P1; V4 (K04) of P2; V5 is of a case outside the period
    assert counts(cell(small["events-by-origin"])) == (4, 8, 2, 5)
    assert counts(cell(small["event-cases-by-origin"])) == (3, 8, 2, 5)
    assert counts(cell(small["event-patients-by-origin"])) == (2, 5, 2, 5)
    assert counts(cell(small["events-by-origin"], origin="joint")) == (2, 8, 1, 5)
    assert counts(cell(small["event-cases-by-origin"], origin="joint")) == (2, 8, 1, 5)
    assert counts(cell(small["event-patients-by-origin"], origin="joint")) == (1, 5, 1, 5)
    assert cell(small["events-by-origin"], "rate", origin="joint")["value"] == pytest.approx(25.0)
    severity = small["events-by-severity-type"]
    assert cell(severity, severity_type="not_recorded")["value"] == 1
    assert cell(severity.merged, severity_type="Type III")["value"] == 1
    merged = small["event-cases-by-origin"].merged
    assert counts(cell(merged, origin="soft_tissue_or_joint")) == (2, 8, 1, 5)


def test_averages_rest_on_the_people_who_have_a_value(small):
    # achieved minus planned of nails: K01 0, K04 -3, K09 0; K03 has no gain yet
    table = small["outcomes-by-device-class"]
    key = {"measure": "gain_error_mm", "device_class": "lengthening_nail"}
    assert counts(cell(table, **key)) == (3, 3, 3, 3)
    for statistic, value in {"mean": -1.0, "median": 0.0, "q1": -1.5, "sd": 3**0.5}.items():
        row = cell(table, statistic, **key)
        assert row["value"] == pytest.approx(value)
        assert row["people"] == 3 and row["denominator"] == 3
        assert pd.isna(row["numerator"]) and pd.isna(row["people_with"])
    recorded = small["outcomes-recorded"]
    assert counts(cell(recorded, measure="gain_error_mm", recorded="no")) == (1, 8, 1, 5)


def test_one_value_has_no_spread_and_none_has_no_average(small):
    table = small["outcomes-by-device-class"]
    key = {"measure": "gain_error_mm", "device_class": "monolateral_fixator"}
    assert cell(table, "mean", **key)["value"] == 0
    assert pd.isna(cell(table, "sd", **key)["value"])
    none = {"measure": "healing_index_days_per_cm", "device_class": "lengthening_nail"}
    assert cell(table, **none)["value"] == 0
    assert pd.isna(cell(table, "mean", **none)["value"])


def test_shares_within_tolerance(small):
    # off by: K01 0, K02 6, K04 3, K05 0, K06 0, K07 0, K09 0
    row = cell(small["shares-within-tolerance"], "share", measure="gain_within_tolerance")
    assert counts(row) == (6, 7, 5, 5)
    assert row["value"] == pytest.approx(6 / 7) and row["low"] < 6 / 7 < row["high"]


def test_without_a_table_of_complications_nothing_is_known_which_is_not_zero(write_source):
    folder = write_source(patients=PATIENTS.strip(), cases=CASES.strip())
    tables = by_name(summary_tables(run_audit(folder, quarter="2026Q3")))
    for name in ("events-by-origin", "event-cases-by-device-class", "event-rates-by-device-class"):
        for table in (tables[name], tables[name].merged):
            assert table.frame["value"].isna().all()
            assert table.frame["numerator"].isna().all()
            assert "no table of complications" in table.notes[0]


def with_centres(run, codes):
    """The run with other codes of centres (old code -> new code)."""
    tables = dict(run.cohort.tables)
    tables["cases"] = tables["cases"].replace({"centre": codes})
    cohort = dataclasses.replace(run.cohort, tables=tables)
    return dataclasses.replace(run, cohort=cohort, measured=run.measured.replace({"centre": codes}))


def test_centres_are_shown_only_where_there_are_several(small_run, small):
    assert counts(cell(small["cohort-by-centre"], centre="south")) == (3, 8, 2, 5)
    alone = with_centres(small_run, {"south": "north"})
    assert "cohort-by-centre" not in by_name(summary_tables(alone))
    one = dataclasses.replace(
        small_run, cohort=dataclasses.replace(small_run.cohort, centre="north")
    )
    tables = summary_tables(one)
    assert "centre north" in tables[0].title and "cohort-by-centre" not in by_name(tables)


@pytest.mark.parametrize("code", ["Muster & Co", "Dr Example", "x" * 30])
def test_a_centre_that_does_not_look_like_a_code_is_not_shown(small_run, code):
    tables = summary_tables(with_centres(small_run, {"south": code}))
    assert not any(code in repr(dataclasses.astuple(table)) for table in tables)
    assert "cohort-by-centre" not in by_name(tables)


# -- the demo run against results.csv --------------------------------------------------------


def windows(run):
    return {"year_to": f"year_to:{run.quarter}", "quarter": f"quarter:{run.quarter}", "all": "all"}


@pytest.mark.parametrize("period", PERIODS)
@pytest.mark.parametrize("dimension", ["device_class", "segment"])
def test_averages_equal_those_of_the_results(demo_run, demo, period, dimension):
    table = demo[period][f"outcomes-by-{dimension.replace('_', '-')}"]
    results = demo_run.results
    results = results.loc[
        (results["window"] == windows(demo_run)[period])
        & results["group_by"].isin([ALL, dimension])
        & results["measure"].isin(table.frame["measure"])
    ]
    twin = results.set_index(["measure", "group", "statistic"]).sort_index()
    names = {"mean": "mean_clustered", "median": "median_clustered"}
    ours = table.frame.loc[table.frame["statistic"] != "count"]
    assert len(ours) == 5 * len(results[["measure", "group"]].drop_duplicates())
    for row in ours.itertuples():
        statistic = names.get(row.statistic, row.statistic)
        theirs = twin.loc[(row.measure, getattr(row, dimension), statistic)]
        assert row.denominator == theirs["n"]
        np.testing.assert_allclose(row.value, theirs["value"], rtol=1e-12)
        np.testing.assert_allclose([row.low, row.high], [theirs["low"], theirs["high"]], rtol=1e-9)


@pytest.mark.parametrize("period", PERIODS)
def test_events_and_shares_equal_those_of_the_results(demo_run, demo, period):
    results = demo_run.results.loc[demo_run.results["window"] == windows(demo_run)[period]]
    keys = results.set_index(["measure", "statistic", "group_by", "group"])["value"].sort_index()
    tables = demo[period]
    rate = ("complications_per_100_cases", "rate_clustered")
    for split in ("origin", "course_class", "severity_type"):
        frame = tables[f"events-by-{split.replace('_', '-')}"].frame
        for row in frame.loc[frame["statistic"] == "rate"].itertuples():
            code = getattr(row, split)
            place = (ALL, ALL) if code == ALL else (split, code)
            np.testing.assert_allclose(row.value, keys.loc[(*rate, *place)])
    same = {
        "event-cases-by-device-class": ("cases_with_complication", "proportion_clustered"),
        "event-patients-by-device-class": ("patients_with_complication", "proportion_clustered"),
        "operation-cases-by-device-class": (
            "cases_with_unplanned_operation",
            "proportion_clustered",
        ),
        "operations-by-device-class": ("unplanned_operations_per_100_cases", "rate_clustered"),
        "event-rates-by-device-class": ("complications_per_100_case_months", "rate_clustered"),
        "shares-within-tolerance": ("gain_within_tolerance", "proportion_clustered"),
    }
    for name, number in same.items():
        frame = tables[name].frame
        for row in frame.loc[frame["statistic"].isin(["share", "rate"])].itertuples():
            group_by = ALL if row.device_class == ALL else "device_class"
            np.testing.assert_allclose(row.value, keys.loc[(*number, group_by, row.device_class)])


@pytest.mark.parametrize("period", PERIODS)
def test_standards_rest_on_the_units_that_the_verdict_rests_on(demo_run, demo, period):
    judged = demo_run.standards
    judged = judged.loc[judged["window"] == windows(demo_run)[period]].set_index("criterion")
    table, states = demo[period]["standards"], demo[period]["standards-five-states"]
    names = {"proportion": "share", "median_time": "median"}
    for criterion, row in judged.iterrows():
        found = cell(table, criterion=criterion, target=target_of(row))
        assert found["value"] == row["n"] and found["verdict"] == row["verdict"]
        statistic = names.get(row["statistic"], row["statistic"])
        number = cell(table, statistic, criterion=criterion, target=target_of(row))
        np.testing.assert_allclose(number["value"], row["value"])
        np.testing.assert_allclose([number["low"], number["high"]], [row["low"], row["high"]])
        assert cell(states, criterion=criterion)["value"] == row["eligible"]
        for state in ("met", "not_met", "exception"):
            assert cell(states, criterion=criterion, state=state)["value"] == row[state]


def target_of(row):
    return f"{row['direction'].replace('_', ' ')} {row['target']:g}"


def test_the_curve_and_the_people_behind_it(demo_run, demo):
    curve = curves_by(demo_run.cohort, "time_to_full_weight_bearing")["All"]
    table, watched = demo["all"]["time-to-full-weight-bearing"], demo["all"]["watched-for-weight-bearing"]  # fmt: skip
    for day in SummaryChoices().days:
        row = cell(table, "curve", day=str(day))
        known = curve.at_risk_table([day]).iloc[0]
        np.testing.assert_allclose(row["value"], curve.at(day).value)
        assert row["denominator"] == known["at_risk"]
        if day == 0:
            continue
        assert cell(watched, day=str(day), state="waiting")["value"] == known["at_risk"]
        assert cell(watched, day=str(day), state="reached")["value"] == known["events"]
        assert cell(watched, day=str(day), state="left")["value"] == known["censored"]


# -- what holds for every table --------------------------------------------------------------


@pytest.mark.parametrize("period", PERIODS)
def test_tables_keep_their_shape_and_sums(demo, period):
    for table in every_table(demo[period].values()):
        frame = table.frame
        assert list(frame.columns) == [*table.dimensions, *COLUMNS]
        assert set(frame["statistic"]) <= set(STATISTICS)
        key = [name for name in table.dimensions if name not in table.tied]
        assert not frame.duplicated([*key, "statistic"]).any()
        assert (frame["people_with"].fillna(0) <= frame["people"]).all()
        counted = frame.loc[frame["statistic"] == "count"]
        np.testing.assert_array_equal(counted["value"], counted["numerator"])
        for name in table.additive:
            others = [other for other in key if other != name]
            parts = counted.loc[counted[name] != ALL]
            whole = counted.loc[counted[name] == ALL]
            if others:
                sums = parts.groupby(others)["value"].sum()
                found = whole.set_index(others)["value"].sort_index()
                pd.testing.assert_series_equal(sums.sort_index(), found, check_names=False)
            else:
                assert parts["value"].sum() == whole["value"].item()
        shares = frame.loc[frame["statistic"].isin(["share", "curve"]), "value"].dropna()
        assert shares.between(0, 1).all()


def test_nothing_of_one_person_is_in_any_table(demo_run, demo):
    """No id, no code of a surgeon, no day, no smallest or largest value, no number of patients in
    the words."""
    cases = demo_run.cohort.cases
    secret = {*cases["case_id"], *cases["patient_id"], *cases["surgeon"].dropna()}
    for table in every_table(table for tables in demo.values() for table in tables.values()):
        cells = {str(word) for name in (*table.dimensions, "method") for word in table.frame[name]}
        words = " ".join([table.title, table.population, table.source, *table.notes, *cells])
        assert not secret & set(re.findall(r"\w+", words))
        assert not re.search(r"\d{4}-\d{2}-\d{2}", words)
        # of the methods only these numbers may speak: quartiles, resamples, the n - 1 of an SD
        methods = " ".join(table.frame["method"]).replace("(n - 1)", "")
        assert set(re.findall(r"[\d.]*\d", methods)) <= {"0.25", "0.75", "2000"}
        assert not {"min", "max", "surgeon"} & {*table.frame["statistic"], *cells}


def test_every_reported_measure_is_there(demo_run, demo):
    shown = {
        measure
        for name in ("outcomes-by-device-class", "outcomes-by-segment", "shares-within-tolerance")
        for measure in demo["all"][name].frame["measure"]
    }
    assert shown == {measure.name for measure in MEASURES}
    recorded = set(demo["all"]["outcomes-recorded"].frame["measure"])
    assert shown - recorded == {"complication_events", "unplanned_operations"}
    assert set(demo["all"]["standards"].frame["criterion"]) == set(demo_run.standards["criterion"])


def test_the_order_of_rows_and_the_names_of_people_change_nothing(small_run, write_source):
    cases, patients, events = text_table(CASES), text_table(PATIENTS), text_table(COMPLICATIONS)
    new = {f"P{i}": f"Q{9 - i}" for i in range(1, 7)}
    for frame in (cases, patients):
        frame["patient_id"] = frame["patient_id"].map(new)
    folder = write_source(patients=patients[::-1], cases=cases[::-1], complications=events[::-1])
    before = by_name(summary_tables(small_run))
    for table in summary_tables(run_audit(folder, quarter="2026Q3")):
        # limits of a median are resampled over people, so their order shows in the last steps
        same = [name for name in table.frame if name not in ("low", "high")]
        pd.testing.assert_frame_equal(table.frame[same], before[table.name].frame[same])


def test_a_run_is_not_changed(small_run):
    before = small_run.measured.copy(), small_run.cohort.cases.copy()
    summary_tables(small_run)
    pd.testing.assert_frame_equal(small_run.measured, before[0])
    pd.testing.assert_frame_equal(small_run.cohort.cases, before[1])


def test_a_period_that_is_not_in_the_list_is_refused(small_run):
    with pytest.raises(ValueError, match="period must be one of year_to, quarter, all; got 'week'"):
        summary_tables(small_run, period="week")


def test_age_bands_at_their_edges():
    ages = pd.Series([0, 9.99, 10, 17.99, 18, 89.99, 90, 104, np.nan])
    bands = age_bands(ages, (0, 10, 18, 90))
    assert list(bands) == ["0-9", "0-9", "10-17", "10-17", "18-89", "18-89", "90 or over",
                           "90 or over", "not_recorded"]  # fmt: skip
    assert band_names((0,)) == ["0 or over"]


def test_what_stays_behind_is_counted_and_unknown_headings_are_not_named(write_source):
    cases = text_table(CASES).assign(wish=["a"] * 8 + [None])
    folder = write_source(patients=PATIENTS.strip(), cases=cases)
    found = left_behind(run_audit(folder, quarter="2026Q3"))
    rows = found.set_index(["table", "column"])["rows"]
    assert rows.loc[("cases", "surgeon")] == 9
    assert rows.loc[("cases", "1 not in the contract")] == 8
    assert "wish" not in found.to_csv()
