"""Timeliness, case ascertainment and the trend; counts worked by hand.

Ascertainment = cases in the audit / cases in an independent source, with interval, and cases the
source does not hold: validation studies of registries (standards 1.5, item 1, source D3). Age of the
extract and lag: item 6. Run charts: standards 1.3, items 1, 2 and 8. Intervals: statsmodels; exact
Poisson limits: Garwood 1936 through scipy.
"""

from __future__ import annotations

import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

import audit
from audit.quality.trend import COMPLETE, CORE_COMPLETE, ERRORS
from tests.unit.quality_cohort import CASES, CUTOFF, PATIENTS, parts
from tests.unit.quality_cohort import TABLES as SIX

#: operated here: 2025Q1 C1 C2 C4 C5, 2025Q4 C3; C6 (2025Q2) was taken over
LIST = """
quarter operations
2025Q1  5
2025Q2  0
2025Q3  2
"""


def quality_of(cohort_of, cutoff=CUTOFF, *, of="ascertainment", **changes):
    return parts(cohort_of(cutoff, **SIX | changes), *of.split())


def quarter(quality, name):
    return quality.ascertainment.set_index("quarter").loc[name]


# --- case ascertainment ---------------------------------------------------------------------------
def test_cases_against_the_theatre_list(cohort_of):
    quality = quality_of(cohort_of, theatre_counts=LIST)
    first = quarter(quality, "2025Q1")
    assert (first["operations"], first["cases"], first["found"], first["more"]) == (5, 4, 4, 0)
    assert first["value"] == pytest.approx(0.8)
    assert (first["low"], first["high"]) == pytest.approx(proportion_confint(4, 5, method="wilson"))
    every = quarter(quality, "all")
    assert (every["operations"], every["found"], every["not_compared"]) == (7, 4, 1)  # C3: 2025Q4
    assert (every["low"], every["high"]) == pytest.approx(proportion_confint(4, 7, method="wilson"))


def test_a_patient_taken_over_was_not_operated_here(cohort_of):
    second = quarter(quality_of(cohort_of, theatre_counts=LIST), "2025Q2")
    assert (second["cases"], second["rows_in_file"], second["operations"]) == (0, 0, 0)
    assert pd.isna(second["value"])
    assert second["note"] == "no operation in the theatre list"


def test_more_cases_than_operations_is_said_and_not_praised(cohort_of):
    quality = quality_of(cohort_of, theatre_counts=LIST.replace("2025Q1  5", "2025Q1  3"))
    first = quarter(quality, "2025Q1")
    assert pd.isna(first["value"])
    assert first["note"].startswith("1 case in the audit not found in the theatre list")
    every = quarter(quality, "all")
    # the case too many in the first quarter fills no gap of the third
    assert (every["found"], every["operations"], every["more"]) == (3, 5, 1)
    assert every["value"] == pytest.approx(3 / 5)
    assert "not counted as found: 1" in every["note"]


def test_without_a_list_ascertainment_is_not_assessed(cohort_of):
    table = quality_of(cohort_of).ascertainment
    assert table["value"].isna().all()
    assert table["note"].str.startswith("not assessed").all()
    assert table.iloc[-1]["quarter"] == "all"


def test_a_quarter_that_is_not_over_is_not_compared(cohort_of):
    quality = quality_of(cohort_of, "2025-02-15", theatre_counts=LIST)
    assert quality.ascertainment["value"].isna().all()
    assert "no usable count" in quarter(quality, "all")["note"]


def test_a_case_kept_out_counts_in_the_file_and_not_as_usable(cohort_of):
    lost = CASES.replace("C5      P5", "C5      P9", 1)  # no such patient
    first = quarter(quality_of(cohort_of, cases=lost, theatre_counts=LIST), "2025Q1")
    assert (first["rows_in_file"], first["cases"]) == (4, 3)
    assert first["value"] == pytest.approx(3 / 5)


def by_centre(write_source, counts, centre=None):
    lines = CASES.strip().splitlines()
    rows = [f"{row} {'south' if row.startswith('C5') else 'north'}" for row in lines[1:]]
    folder = write_source(
        patients=PATIENTS,
        cases="\n".join([lines[0] + " centre", *rows]),
        theatre_counts="quarter centre operations\n" + counts,
    )
    cohort = audit.build_cohort(audit.read_source(folder), CUTOFF, centre=centre)
    return parts(cohort, "ascertainment")


def test_centres_are_compared_one_by_one(write_source):
    quality = by_centre(write_source, "2025Q1 north 5\n2025Q1 south 0\n")
    every = quarter(quality, "all")
    # north 3 of 5; the case of the south is in no list and does not hide a missing one
    assert (every["found"], every["operations"], every["more"]) == (3, 5, 1)
    north = quarter(by_centre(write_source, "2025Q1 north 5\n2025Q1 south 0\n", "north"), "all")
    assert (north["found"], north["operations"], north["more"]) == (3, 5, 0)


def test_a_centre_without_a_count_is_not_compared(write_source):
    every = quarter(by_centre(write_source, "2025Q1 north 4\n"), "all")
    assert (every["found"], every["operations"], every["not_compared"]) == (3, 4, 2)  # C5 and C3


def test_a_count_of_the_whole_service_says_nothing_of_one_centre(write_source):
    whole = by_centre(write_source, "2025Q1 - 5\n")
    assert quarter(whole, "all")["value"] == pytest.approx(4 / 5)
    north = quarter(by_centre(write_source, "2025Q1 - 5\n", "north"), "all")
    assert pd.isna(north["value"])
    assert "not split by centre" in north["note"]


# --- timeliness -----------------------------------------------------------------------------------
def test_age_of_the_extract(cohort_of):
    newest = quality_of(cohort_of, of="newest").newest.set_index("table")
    assert newest.loc["cases", "newest"] == pd.Timestamp("2025-12-20")
    assert newest.loc["cases", "age"] == 11
    assert newest.loc["joint_motion", "age"] == 121  # 1 September to 31 December
    assert "patients" not in newest.index  # it has no day


def test_cases_that_nobody_has_seen_of_late(cohort_of):
    quality = quality_of(cohort_of, of="contacts stale")
    stale = quality.contacts["in treatment, not seen for over 90 days"]
    assert (stale.value, stale.n) == (0.5, 2)
    assert quality.stale["case_id"].tolist() == ["C2"]
    assert quality.stale["days"].tolist() == [107]
    since = quality.contacts["days since the last contact, cases in treatment"]
    assert since.value == pytest.approx((107 + 11) / 2)


def test_sessions_at_home_are_no_contact(cohort_of):
    log = "case_id started_at delivered_mm\nC2 2025-12-30T08:00 0.25\n"
    quality = quality_of(cohort_of, of="stale", distraction_sessions=log)
    assert quality.stale["case_id"].tolist() == ["C2"]


def test_gaps_between_visits(cohort_of):
    """C1: 1 February, 1 September = 212 days; C2: 20 February, 1 March = 9 days."""
    gaps = quality_of(cohort_of, of="contacts").contacts[
        "days between visits under treatment, median of the cases' medians"
    ]
    assert gaps.n == 2
    assert gaps.value == pytest.approx((212 + 9) / 2)
    assert gaps.missing == 4


# --- trend ----------------------------------------------------------------------------------------
def points(quality, series):
    return quality.trend.points.set_index(["series", "quarter"]).loc[series]


def test_trend_by_quarter_of_surgery(cohort_of):
    quality = parts(cohort_of(CUTOFF, **SIX), "trend")
    assert list(points(quality, CORE_COMPLETE).index) == ["2025Q1", "2025Q2", "2025Q3", "2025Q4"]
    core = points(quality, CORE_COMPLETE)
    # first quarter C1 and C5 of four; second C6; fourth C3
    assert core["events"].tolist() == [2, 0, 0, 1]
    assert core["n"].tolist() == [4, 1, 0, 1]
    assert (core["low"].iloc[0], core["high"].iloc[0]) == pytest.approx(
        proportion_confint(2, 4, method="wilson")
    )
    assert pd.isna(core["value"].iloc[2])
    assert core["note"].iloc[2] == "no case operated"
    assert core["centre"].iloc[0] == pytest.approx(0.5)  # median of 0.5, 0 and 1
    whole = points(quality, COMPLETE)["events"]
    assert whole.tolist() == [0, 0, 0, 1]  # nobody has a promise; C3 needs none


def test_errors_per_100_cases(cohort_of):
    errors = points(parts(cohort_of(CUTOFF, **SIX), "trend"), ERRORS)
    # C4's union date; the codes of patients name no case
    assert errors["events"].tolist() == [1, 0, 0, 0]
    assert errors["value"].iloc[0] == pytest.approx(100 / 4)
    assert errors["low"].iloc[0] == pytest.approx(100 / 4 * stats.chi2.ppf(0.025, 2) / 2)
    assert errors["high"].iloc[0] == pytest.approx(100 / 4 * stats.chi2.ppf(0.975, 4) / 2)


def test_errors_of_a_case_without_a_day_are_counted_apart(cohort_of):
    lost = CASES.replace("2025-01-15   50", "2025-01-99   50", 1)
    quality = parts(cohort_of(CUTOFF, **SIX | {"cases": lost}), "trend")
    assert quality.trend.unplaced == 2  # its surgery and its union date
    assert points(quality, ERRORS)["events"].sum() == 0


def test_runs_are_judged_only_where_there_are_enough_points(cohort_of, demo_run):
    quality = parts(cohort_of(CUTOFF, **SIX), "trend")
    assert "runs tests not done" in quality.trend.signals[CORE_COMPLETE]
    demo = parts(demo_run.cohort, "trend", quarter=demo_run.quarter)
    assert len(demo.trend.points) == 3 * 12
    assert set(demo.trend.signals) == {COMPLETE, CORE_COMPLETE, ERRORS}
