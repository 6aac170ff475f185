"""Table 1 of a series: counts by hand, differences by formula and by another library."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.weightstats import DescrStatsW

from audit.intake.series_plan import series_plan_from
from audit.series.baseline_facts import baseline_facts
from audit.series.case_series import CaseSeries
from audit.series.table_one import table_one
from audit.tables.series_table_one import series_balance, series_table_one

#: P1 both legs in one episode, then a third bone a year later with another device; P2 and P3 one
#: each; growth plates are asked of P2 only (12 years) and not recorded, but noted for P1's first
CASES = """
case_id patient_id side  segment device_class     age_at_surgery_years physes_open surgery_date planned_gain_mm discrepancy_before_mm last_follow_up_date outcome_status arrival_date
C1      P1         left  femur   lengthening_nail 20  no  2022-01-01 40 10 2022-12-31 in_treatment -
C2      P1         right femur   lengthening_nail 20  -   2022-01-11 50 -  2022-12-31 in_treatment -
C3      P1         left  tibia   circular_fixator 21  -   2023-02-01 60 30 2023-12-31 in_treatment -
C4      P2         left  tibia   circular_fixator 12  -   2023-03-01 30 40 2023-12-31 in_treatment -
C5      P3         right femur   lengthening_nail 50  -   2023-04-01 45 20 2023-12-31 in_treatment 2023-05-01
"""
PEOPLE = "patient_id sex aetiology\nP1 female congenital\nP2 male unknown\nP3 female short_stature"
COLUMNS = [
    "age_at_surgery_years",
    "sex",
    "aetiology",
    "physes_open",
    "planned_gain_mm",
    "discrepancy_before_mm",
    "earlier_cases",
    "taken_over",
]


def series_of(run, text: str = 'version = "1"\n') -> CaseSeries:
    plan = series_plan_from(text.encode(), name="plan.toml")
    return CaseSeries(run, plan, None, pd.DataFrame(), pd.DataFrame())


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    from audit.run import run_audit
    from tests.conftest import text_table

    folder = tmp_path_factory.mktemp("source")
    for name, text in (("patients", PEOPLE), ("cases", CASES)):
        text_table(text).to_csv(folder / f"{name}.csv", index=False)
    return series_of(run_audit(folder, cutoff="2023-12-31"))


@pytest.fixture(scope="module")
def demo_series(demo_run):
    return series_of(demo_run)


def row(found, fact: str, group: str, level: str = "") -> pd.Series:
    rows = found.rows
    chosen = rows.loc[(rows["fact"] == fact) & (rows["group"] == group) & (rows["level"] == level)]
    assert len(chosen) == 1
    return chosen.iloc[0]


def test_sizes_by_hand(small):
    """Limbs: P1's legs in 2022 are two, the left leg a year later a third."""
    groups = table_one(small, COLUMNS).groups.set_index("group")
    assert groups.loc["all", ["patients", "limbs", "cases"]].tolist() == [3, 5, 5]
    assert groups.loc["lengthening_nail", ["patients", "limbs", "cases"]].tolist() == [2, 3, 3]
    assert groups.loc["circular_fixator", ["patients", "limbs", "cases"]].tolist() == [2, 2, 2]
    assert table_one(small, COLUMNS).in_several == 1


def test_a_patient_counts_once_in_a_group_at_the_first_surgery_in_it(small):
    """Ages: all 20, 12, 50: median 20, mean 27.33; nail 20, 50; fixator 21, 12."""
    found = table_one(small, COLUMNS)
    whole = row(found, "age_at_surgery_years", "all")
    assert (whole["n"], whole["median"], whole["q1"], whole["q3"]) == (3, 20, 16, 35)
    assert whole["mean"] == pytest.approx(82 / 3)
    assert row(found, "age_at_surgery_years", "circular_fixator")["median"] == 16.5
    women = row(found, "sex", "lengthening_nail", "female")
    assert (women["count"], women["n"], women["each"]) == (2, 2, "patient")


def test_unknown_is_missing_and_what_is_not_expected_is_not(small):
    found = table_one(small, COLUMNS)
    cause = row(found, "aetiology", "all", "congenital")
    assert (cause["count"], cause["n"], cause["missing"]) == (1, 2, 1)
    # C1 has it though aged 20; C4 is 12 and lacks it; the three others are neither asked nor missing
    plates = row(found, "physes_open", "all")
    assert (plates["count"], plates["n"], plates["missing"]) == (0, 1, 1)
    before = row(found, "discrepancy_before_mm", "lengthening_nail")
    assert (before["n"], before["missing"], before["mean"]) == (2, 1, 15)
    assert before["sd"] == pytest.approx(50**0.5)


def test_facts_on_episodes_and_earlier_cases(small):
    found = table_one(small, COLUMNS)
    assert row(found, "both_sides", "all")["count"] == 2
    assert row(found, "several_bones", "all")["count"] == 2
    assert row(found, "taken_over", "lengthening_nail")["count"] == 1
    # C1 0, C2 1 (ten days later), C3 2, C4 0, C5 0
    assert row(found, "earlier_cases", "all")["mean"] == pytest.approx(3 / 5)


def test_earlier_cases_count_those_that_the_selection_left_out(small):
    kept = small.cases["case_id"] == "C3"
    cohort = small.run.cohort
    tables = cohort.tables | {"cases": cohort.cases.loc[kept]}
    narrow = dataclasses.replace(
        small.run,
        cohort=dataclasses.replace(cohort, tables=tables),
        measured=small.run.measured.loc[small.run.measured["case_id"] == "C3"],
    )
    alone = dataclasses.replace(small, run=narrow)
    within = dataclasses.replace(alone, whole=small.run)
    assert baseline_facts(alone, ["earlier_cases"])["earlier_cases"].tolist() == [0]
    assert baseline_facts(within, ["earlier_cases"])["earlier_cases"].tolist() == [2]


def test_numbers_of_the_demo_are_those_of_other_libraries(demo_series):
    found, cases = table_one(demo_series), demo_series.cases
    for group, part in cases.groupby("device_class"):
        known = part["planned_gain_mm"].dropna()
        about = row(found, "planned_gain_mm", group)
        other = DescrStatsW(known, ddof=1)
        assert (about["mean"], about["sd"]) == pytest.approx((other.mean, other.std))
        assert about["median"] == np.percentile(known, 50)
        assert about["n"] + about["missing"] == len(part)


def test_standardised_differences_by_their_formulas(demo_series):
    """Austin 2009, Stat Med 28:3083-3107: (m1 - m2) / sqrt((s1^2 + s2^2)/2), for shares with
    p(1 - p) as variance; Yang and Dalton 2012, SAS Global Forum, paper 335: the Mahalanobis
    distance of all shares but the first."""
    found = table_one(demo_series).differences
    pair = found.loc[
        (found["first"] == "lengthening_nail") & (found["second"] == "circular_fixator")
    ].set_index("fact")
    facts = baseline_facts(demo_series, ["planned_gain_mm", "taken_over", "segment"])
    device = demo_series.cases["device_class"]
    one, two = (facts.loc[device == code] for code in ("lengthening_nail", "circular_fixator"))
    plan = "planned_gain_mm"
    spread = (one[plan].var(ddof=1) + two[plan].var(ddof=1)) / 2
    expected = (one[plan].mean() - two[plan].mean()) / spread**0.5
    assert pair.loc[plan, "value"] == pytest.approx(expected, rel=1e-12)
    p, q = one["taken_over"].mean(), two["taken_over"].mean()
    expected = (p - q) / ((p * (1 - p) + q * (1 - q)) / 2) ** 0.5
    assert pair.loc["taken_over", "value"] == pytest.approx(expected, rel=1e-12)
    # humerus and forearm occur in the second group only, femur and tibia in both
    codes = ["tibia", "humerus", "forearm"]
    shares = [np.array([(part["segment"] == code).mean() for code in codes]) for part in (one, two)]
    middle = sum(np.diag(share) - np.outer(share, share) for share in shares) / 2
    gap = shares[0] - shares[1]
    expected = float(gap @ np.linalg.solve(middle, gap)) ** 0.5
    assert pair.loc["segment", "value"] == pytest.approx(expected, rel=1e-9)


def test_counts_add_up_and_nothing_is_a_test(demo_series):
    found = table_one(demo_series)
    sizes = found.groups.set_index("group")
    levels = found.rows.loc[found.rows["kind"] == "category"]
    for (_, group), part in levels.groupby(["fact", "group"]):
        assert part["count"].sum() == part["n"].iloc[0]
        each = "patients" if part["each"].iloc[0] == "patient" else "cases"
        assert part["n"].iloc[0] + part["missing"].iloc[0] == sizes.loc[group, each]
    by_group = found.groups.loc[found.groups["group_by"] != "all"]
    assert by_group["cases"].sum() == sizes.loc["all", "cases"]
    for table in (series_table_one(demo_series), series_balance(demo_series)):
        assert not [name for name in table.frame if name.strip().lower() in ("p", "p value")]


def test_what_the_table_says(small):
    table = series_table_one(small)
    frame = table.frame.set_index("Known at surgery")
    assert frame.loc["Patients", "All"] == "3"
    assert frame.loc["Cases (bones lengthened)", "Lengthening nail"] == "3"
    assert frame.loc["Sex: female", "All"] == "2/3 (67%)"
    assert frame.loc["Cause: not recorded", "Circular fixator"] == "1/2 (50%)"
    assert frame.loc["Discrepancy before (mm): median (quartiles)", "Missing"] == "1/5"
    assert frame.loc["Planned gain (mm): mean (SD)", "All"] == "45 (11)"
    assert any("Patients with cases in more than one group: 1" in note for note in table.notes)
    assert any("under 18 years" in note for note in table.notes)


def test_a_group_with_no_level_in_common_has_no_largest_difference(small):
    """One patient a level: every pair is too small to be called out, none is shown as 0."""
    frame = series_table_one(small).frame.set_index("Known at surgery")
    assert frame.loc["Sex: female", "Largest standardised difference"] == ""
    balance = series_balance(small).frame.set_index("Known at surgery")
    assert balance.loc["Cause, all categories", "Circular fixator"] != ""


def test_groups_of_two_columns(demo_series):
    plan = dataclasses.replace(demo_series.plan, group_by="device_class+segment")
    table = series_table_one(dataclasses.replace(demo_series, plan=plan))
    assert "Lengthening nail, femur" in table.frame.columns


def test_facts_that_are_not_known_at_surgery_are_refused(demo_series):
    with pytest.raises(ValueError, match=r"facts known at surgery are .*; got 'union_date'"):
        table_one(demo_series, ["union_date"])


def test_the_cohort_is_left_alone(small):
    before = small.cases.copy()
    table_one(small, COLUMNS)
    pd.testing.assert_frame_equal(small.cases, before)
