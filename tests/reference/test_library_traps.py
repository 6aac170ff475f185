"""One test for each way a library was found to go wrong that touches what this kit computes.

Each was reproduced on lifelines 0.30.3 with pandas 2.3.3 and numpy 2.4.6; the right values are
those of R 4.2.2 (survival 3.5-3) or short arithmetic shown in the test. The test fails if a
function of this kit falls into the same trap. Traps of plotting, of date reading and of options
this kit does not have (weights, a fixed grid of times) have no numbers of ours to test.
"""

from __future__ import annotations

import importlib.metadata
import inspect

import numpy as np
import pandas as pd
import pytest

from audit.estimates.compare import compare_at, compare_curves
from audit.estimates.compare_incidence import compare_incidence
from audit.estimates.competing import cumulative_incidence
from audit.estimates.estimate import Estimate
from audit.estimates.interval_survival import interval_quantile, interval_survival_curve
from audit.estimates.proportional_hazards import (
    APPROXIMATION,
    SCORE_TEST,
    proportional_hazards_check,
)
from audit.estimates.recurrent import mean_cumulative_function
from audit.estimates.regression import cox_model
from audit.estimates.survival import cumulative_hazard, follow_up, survival_curve
from tests.reference.checks import assert_close, dataset, load_check

PUBLIC = (
    compare_curves,
    compare_incidence,
    cox_model,
    cumulative_hazard,
    cumulative_incidence,
    follow_up,
    interval_survival_curve,
    mean_cumulative_function,
    survival_curve,
)


def aml():
    table = dataset("aml")
    table["arm"] = (table["group"] == "Maintained").astype(int)
    return table


def fit_everything():
    """A call of everything that computes, on data with ties, censoring and late entry."""
    time, event = [1, 2, 2, 3, 5, 5, 8, 9], [1, 1, 0, 1, 1, 0, 1, 0]
    group, entry = list("aabbaabb"), [0, 0, 1, 0, 2, 3, 0, 4]
    curve = survival_curve(time, event, entry)
    curve.median(), curve.at(4), curve.restricted_mean(6), curve.table, curve.cut(2)
    curve.at_risk_table([0, 3, 9])
    plain = [survival_curve(time[i::2], event[i::2]) for i in (0, 1)]
    compare_at(*plain, t=4)
    compare_curves(time, event, group, weights="rho1")
    compare_incidence(time, [1, 2, 0, 1, 1, 0, 2, 0], 1, group)
    cumulative_incidence(time, [1, 2, 0, 1, 1, 0, 2, 0], 1, entry).at(4)
    cumulative_hazard(time, event)
    interval_quantile([0, 2, 4, 4], [4, 4, 8, np.inf], resamples=20)
    mean_cumulative_function([1, 1, 2, 2, 3, 3, 4, 4], time, event).at(4)
    proportional_hazards_check(
        cox_model(aml(), duration="time", event="status", covariates=["arm"], cluster="group")
    )


@pytest.mark.parametrize(("n", "middle"), [(4, 2.5), (6, 3.5), (24, 12.5), (54, 27.5)])
def test_trap_01_median_on_an_exact_half_is_the_middle_of_the_step(n, middle):
    """The products for 24 and 54 come out just above 1/2 in binary arithmetic."""
    times = np.arange(1, n + 1)
    assert survival_curve(times, np.ones(n, dtype=int)).median().value == middle


def test_trap_02_upper_median_limit_is_not_the_last_event_when_the_curve_ends_at_zero():
    table = dataset("ends_at_zero")
    median = survival_curve(table["time"], table["status"]).median()
    assert median.high is None
    assert "upper limit not reached" in median.note


@pytest.mark.parametrize("function", PUBLIC)
def test_traps_03_08_11_36_no_grid_of_times_no_weights_no_swallowed_keywords(function):
    parameters = inspect.signature(function).parameters
    assert not {"timeline", "weights_col"} & set(parameters)
    assert all(p.kind is not p.VAR_KEYWORD for p in parameters.values())


def test_trap_04_times_asked_in_any_order_keep_their_own_numbers():
    curve = survival_curve([1, 2, 3, 4], [1, 1, 0, 1])
    table = curve.at_risk_table([4, 1, 3])
    assert list(table["time"]) == [4, 1, 3]
    assert list(table["at_risk"]) == [1, 4, 2]


def test_trap_05_a_quantile_is_the_share_with_the_event_not_the_share_without():
    table = dataset("half10")
    curve = survival_curve(table["time"], table["status"])
    assert (curve.quantile(0.25).value, curve.quantile(0.75).value) == (3, 8)


def test_trap_06_float_noise_does_not_split_a_tie():
    curve = survival_curve([0.3, 0.1 + 0.2, 1.0], [1, 1, 1])
    assert list(curve.table["events"]) == [0, 2, 1]
    assert curve.at(0.3).value == pytest.approx(1 / 3)


def test_trap_07_limits_are_missing_where_the_formula_has_none():
    curve = survival_curve([1, 2, 3], [0, 1, 1])
    assert curve.table["low"].isna().tolist() == [False, True, False, True]
    assert curve.table["high"].isna().tolist() == [False, True, False, True]
    assert (curve.at(1).low, curve.at(3).high) == (None, None)


def test_trap_09_restricted_mean_error_is_that_of_the_estimate():
    """0.283 as printed for the pbc trial; the spread of the subjects over root n gives 0.261."""
    check = load_check("rmst_pbc_arm1_tau10")
    table = check.table()
    found = survival_curve(table["time_years"], table["death"]).restricted_mean(10)
    error = (found.high - found.low) / (2 * 1.959963984540054)
    assert error == pytest.approx(0.283, abs=0.0005)


def test_trap_10_restricted_mean_is_refused_past_the_last_follow_up():
    curve = survival_curve([2, 5, 9], [1, 1, 0])
    assert curve.restricted_mean(9).estimable
    beyond = curve.restricted_mean(50)
    assert beyond.value is None
    assert "last follow-up" in beyond.note


def test_trap_12_restricted_mean_is_the_area_under_steps_not_under_a_slope():
    """Times 1, 2, 3 all seen: 1 + 2/3 + 1/3 = 2; trapezoids would give 1.5."""
    assert survival_curve([1, 2, 3], [1, 1, 1]).restricted_mean(3).value == pytest.approx(2)


def test_trap_13_cumulative_hazard_takes_tied_events_as_one_step():
    """Two of three at day 5: 2/3, not 1/3 + 1/2; variance 2/9."""
    row = cumulative_hazard([5, 5, 7], [1, 1, 0]).set_index("time").loc[5]
    assert row["hazard"] == pytest.approx(2 / 3)
    assert row["std_error"] == pytest.approx(np.sqrt(2 / 9))


def test_trap_14_numpy_error_settings_are_left_alone():
    before = np.geterr()
    fit_everything()
    assert np.geterr() == before


def test_trap_15_between_event_times_the_variance_is_that_of_the_last_step():
    table = aml()
    curves = [survival_curve(rows["time"], rows["status"]) for _, rows in table.groupby("group")]
    # Events at 18 and 23 in one arm, at 12 and 23 in the other: nothing happens in between.
    assert compare_at(*curves, t=18).chi2 == compare_at(*curves, t=20.5).chi2


@pytest.mark.parametrize("code", [2, 0.9, -1])
def test_traps_16_17_other_event_codes_are_refused(code):
    time, event = [1.0, 2.0, 3.0, 4.0], [0, 1, code, 0]
    table = pd.DataFrame({"time": time, "event": event, "x": [0, 1, 0, 1]})
    for call in (
        lambda: survival_curve(time, event),
        lambda: follow_up(time, event),
        lambda: cumulative_hazard(time, event),
        lambda: compare_curves(time, event, list("aabb")),
        lambda: mean_cumulative_function(list("aabb"), time, event),
        lambda: cox_model(table, duration="time", event="event", covariates=["x"]),
    ):
        with pytest.raises(ValueError, match=r"only True/False or 1/0"):
            call()


def test_trap_18_columns_with_different_row_labels_are_not_matched_by_position():
    time = pd.Series([1, 2, 3], index=[0, 1, 2])
    event = pd.Series([0, 0, 1], index=[2, 1, 0])
    with pytest.raises(ValueError, match="different row labels"):
        survival_curve(time, event)
    assert survival_curve(time, event.to_numpy()).events == 1


def test_trap_19_a_forgotten_event_column_is_an_error():
    with pytest.raises(TypeError):
        survival_curve([1, 2, 3])
    with pytest.raises(ValueError, match="observed must be given"):
        survival_curve([1, 2, 3], None)


def test_trap_20_negative_durations_are_refused():
    table = pd.DataFrame({"time": [-1, 2, 3], "event": [1, 1, 1], "x": [0, 1, 0]})
    with pytest.raises(ValueError, match="0 or more"):
        survival_curve(table["time"], table["event"])
    with pytest.raises(ValueError, match="0 or more"):
        cox_model(table, duration="time", event="event", covariates=["x"])


def test_traps_21_22_late_entry_must_be_given_and_before_the_end():
    with pytest.raises(ValueError, match="before the duration"):
        survival_curve([1, 2], [1, 1], [1, 0])
    with pytest.raises(ValueError, match="for every row"):
        survival_curve([1, 2], [1, 1], [np.nan, 0])


def test_trap_23_at_risk_with_late_entry_leaves_out_those_who_enter_that_day():
    table = dataset("psych26")
    rows = survival_curve(table["exit"], table["event"], table["entry"]).table
    for t, at_risk in zip(rows["time"][1:], rows["at_risk"][1:], strict=True):
        assert at_risk == ((table["entry"] < t) & (t <= table["exit"])).sum()


def test_trap_24_cumulative_incidence_with_late_entry_and_one_cause_is_one_minus_survival():
    table = dataset("psych26")
    curve = survival_curve(table["exit"], table["event"], table["entry"])
    found = cumulative_incidence(table["exit"], table["event"], 1, table["entry"])
    np.testing.assert_allclose(found.incidence, 1 - curve.survival, atol=1e-12)
    error = np.where(np.isnan(curve.std_error), found.std_error, curve.std_error)
    np.testing.assert_allclose(found.std_error, error, atol=1e-12)


def test_trap_25_an_early_empty_risk_set_is_said_and_does_not_crash():
    curve = survival_curve([2, 9, 10], [1, 1, 0], [0, 5, 5])
    for found in (curve.median(), curve.at(9), curve.restricted_mean(10)):
        assert found.value is None
        assert "risk set ran empty" in found.note
    assert curve.at(1).value == 1


def test_trap_26_ties_between_causes_are_not_broken_at_random():
    """Twenty cases seen at fixed weeks: 0.3906 at week 26, whatever the random state."""
    table = dataset("cr_weeks")
    for seed in range(5):
        np.random.seed(seed)  # noqa: NPY002
        found = cumulative_incidence(table["time"], table["cause"], 1).at(26)
        assert found.value == pytest.approx(0.390598290598291, rel=1e-12)


def test_trap_27_the_global_random_state_is_left_alone():
    np.random.seed(7)  # noqa: NPY002
    before = np.random.get_state()[1].copy()  # noqa: NPY002
    fit_everything()
    assert (np.random.get_state()[1] == before).all()  # noqa: NPY002


def test_trap_28_lower_limits_are_below_upper_ones():
    table = dataset("melanoma")
    curve = cumulative_incidence(table["time"], table["cause"], 1).table.dropna()
    assert len(curve) > 100
    assert (curve["low"] < curve["incidence"]).all()
    assert (curve["incidence"] < curve["high"]).all()


def test_trap_29_an_event_at_time_zero_counts():
    table = dataset("cr_time_zero")
    curve = cumulative_incidence(table["time"], table["cause"], 1)
    assert curve.at(0).value == 0.125
    assert curve.at(5).value == pytest.approx(0.465277777777778)
    assert survival_curve([0, 1, 2, 3], [1, 1, 0, 1]).at(0).value == 0.75


def test_trap_30_incidence_between_event_times_is_that_of_the_last_step():
    table = dataset("cr_ties")
    curve = cumulative_incidence(table["time"], table["cause"], 2)
    assert curve.at(6.5).value == curve.at(6).value
    assert curve.at(6.5).value < curve.at(7).value


def test_trap_31_limits_stay_when_the_last_at_risk_has_the_event():
    curve = cumulative_incidence([1, 2, 3, 4], [1, 2, 2, 1], 2)
    last = curve.at(4)
    assert last.value == 0.5
    assert 0 < last.low < 0.5 < last.high < 1


def test_trap_32_touching_visits_do_not_overlap():
    """(L, R]: 0.3933 waiting at 8, as in R; closed intervals would give 0.3541."""
    table = dataset("ic_visits")
    curve = interval_survival_curve(table["left"], table["right"])
    assert curve.at(8).value == pytest.approx(0.3933, abs=0.0005)


def test_trap_33_the_interval_curve_is_the_share_just_after_an_exact_time():
    curve = interval_survival_curve([1, 2, 3, 4], [1, 2, 3, 4])
    assert [curve.at(t).value for t in (1, 2, 3, 4)] == pytest.approx([0.75, 0.5, 0.25, 0])


def test_trap_34_an_empty_upper_end_does_not_drop_a_waiting_case():
    with pytest.raises(ValueError, match="write inf"):
        interval_survival_curve([0, 4], [4, np.nan])


def test_trap_35_the_interval_median_is_one_estimate_and_can_have_limits():
    table = dataset("ic_visits2")
    median = interval_survival_curve(table["left"], table["right"]).median()
    assert isinstance(median, Estimate)
    assert isinstance(median.value, float)
    limits = interval_quantile(table["left"], table["right"], resamples=200)
    assert limits.value == median.value
    assert limits.low <= median.value


def test_trap_36_strata_are_used_and_late_entry_is_not_silently_ignored():
    table = dataset("veteran")
    columns = table["time"], table["status"], table["trt"]
    assert compare_curves(*columns).chi2 != compare_curves(*columns, table["celltype"]).chi2
    with pytest.raises(TypeError):
        compare_curves(*columns, entry=table["time"])


def test_trap_37_a_missing_group_is_refused_not_made_a_group():
    group = ["a", "b", "a", None]
    with pytest.raises(ValueError, match="empty labels"):
        compare_curves([1, 2, 3, 4], [1, 1, 1, 0], group)


def test_trap_38_weighted_test_with_a_time_of_zero():
    """Only the order of times matters: one day later for everybody changes nothing."""
    time, event = np.array([0, 1, 2, 3, 4, 5]), [1, 1, 1, 0, 1, 1]
    group = list("ababba")
    first = compare_curves(time, event, group, weights="rho1")
    assert first.chi2 == pytest.approx(
        compare_curves(time + 1, event, group, weights="rho1").chi2, rel=1e-12
    )


def test_trap_39_rho1_weights_are_those_of_r():
    check = load_check("peto_leuk6mp_rho1")
    table = check.table()
    found = compare_curves(table["time"], table["status"], table["group"], weights="rho1")
    assert_close(found.chi2, check.expected["chi2"], check.tolerance)


def test_trap_40_a_single_group_has_a_reason_not_a_missing_p():
    found = compare_curves([1, 2, 3], [1, 1, 0], ["a", "a", "a"])
    assert (found.chi2, found.p) == (None, None)
    assert found.note == "fewer than two groups to compare"


def test_trap_41_cox_coefficients_are_converged():
    """R: -1.57212514882907 for the 6-MP trial; the library's default stops 1e-6 away."""
    table = dataset("leuk6mp")
    table["six"] = (table["group"] == "6-MP").astype(int)
    model = cox_model(table, duration="time", event="status", covariates=["six"])
    assert model.table["coef"].item() == pytest.approx(-1.57212514882907, rel=1e-10)


def test_trap_42_robust_errors_with_ties_use_efron_residuals():
    """R coxph(robust = TRUE) on the aml data: 0.4645; the library gives 0.4744."""
    table = aml()
    table["row"] = range(len(table))
    model = cox_model(table, duration="time", event="status", covariates=["arm"], cluster="row")
    assert model.table["std_error"].item() == pytest.approx(0.4645, abs=0.00005)


def test_trap_43_the_check_of_proportional_hazards_names_its_formula():
    """R cox.zph(km) on the aml data: 0.0079; the library gives 0.0239 and does not say why."""
    model = cox_model(aml(), duration="time", event="status", covariates=["arm"])
    found = proportional_hazards_check(model).set_index("formula")["chi2"]
    assert found.filter(like="score test").iloc[0] == pytest.approx(0.0079, abs=0.00005)
    assert list(found.index.unique()) == [SCORE_TEST, APPROXIMATION]


def test_traps_45_46_47_the_at_risk_table_counts_everybody_at_or_after_a_time():
    """Eight times, two of them 0; asked at an event, between events and after the end."""
    curve = survival_curve([0, 0, 3, 3, 5, 8, 8, 9], [1, 0, 1, 1, 0, 1, 0, 1])
    found = curve.at_risk_table([0, 3, 3.5, 8, 9, 20])
    assert list(found["at_risk"]) == [8, 6, 4, 3, 1, 0]
    assert list(found["events"]) == [0, 1, 3, 3, 4, 5]
    assert (found[["at_risk", "events", "censored"]].sum(axis=1) == 8).all()


def test_trap_48_events_of_other_causes_are_counted_apart():
    table = dataset("cr_weeks")
    curve = cumulative_incidence(table["time"], table["cause"], 1)
    assert curve.table["events"].sum() == curve.events == (table["cause"] == 1).sum()
    assert curve.table["other_events"].sum() == curve.other_events == (table["cause"] == 2).sum()


def test_trap_54_the_library_that_was_checked_is_the_one_installed():
    assert importlib.metadata.version("lifelines") == "0.30.3"
    assert int(importlib.metadata.version("pandas").split(".")[0]) < 3


def test_separation_is_not_a_large_hazard_ratio():
    """All with x = 1 have the event before anyone else: the likelihood has no maximum."""
    table = pd.DataFrame({"t": [1, 2, 3, 4, 5, 6, 7, 8], "e": [1] * 8, "x": [1] * 4 + [0] * 4})
    model = cox_model(table, duration="t", event="e", covariates=["x"])
    assert not model.estimable
    found = model.hazard_ratio("x")
    assert found.value is None
    assert "separates" in found.note
