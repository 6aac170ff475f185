"""The plan's regression: against other libraries, and refused where the data do not carry it."""

from __future__ import annotations

import dataclasses
import warnings

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats

from audit.plan import RegressionPlan
from audit.plan.entries import OUTCOMES
from audit.results.times import time_table
from audit.series.baseline_facts import baseline_facts
from audit.series.case_series import CaseSeries
from audit.series.regression import ADJUSTED, UNADJUSTED, series_regression
from audit.tables.series_regression import series_regression_table
from tests.unit.test_series_table_one import series_of

COVARIATES = ("segment", "age_at_surgery_years", "planned_gain_mm")
LEGS = ("femur", "tibia")
HEALING = "healing_index_days_per_cm"


@pytest.fixture(scope="module")
def demo_series(demo_run):
    return series_of(demo_run)


def planned(series: CaseSeries, outcome: str, **asked) -> CaseSeries:
    asked = {"covariates": COVARIATES} | asked
    plan = dataclasses.replace(series.plan, regression=RegressionPlan(outcome=outcome, **asked))
    return dataclasses.replace(series, plan=plan)


def by_hand(series: CaseSeries, answer: pd.Series) -> pd.DataFrame:
    """Answer (by case_id) with dummies against the femur, complete records."""
    facts = baseline_facts(series, COVARIATES).assign(
        case_id=series.cases["case_id"], patient_id=series.cases["patient_id"]
    )
    table = facts.assign(answer=facts["case_id"].map(answer)).dropna()
    for code in ("tibia", "humerus", "forearm"):
        table[code] = (table["segment"] == code).astype(float)
    return table


def adjusted(found) -> pd.DataFrame:
    return found.rows.loc[found.rows["model"] == ADJUSTED]


def test_a_number_is_the_least_squares_of_statsmodels(demo_series):
    found = series_regression(planned(demo_series, HEALING))
    answer = demo_series.run.measured.set_index("case_id")[HEALING]
    table = by_hand(demo_series, answer)
    names = [*[x for x in ("tibia", "humerus", "forearm") if table[x].any()], *COVARIATES[1:]]
    other = sm.OLS(table["answer"], sm.add_constant(table[names])).fit(
        cov_type="cluster",
        cov_kwds={"groups": pd.factorize(table["patient_id"])[0]},
        use_t=True,
    )
    rows = adjusted(found)
    assert rows["reference"].iloc[0] == "femur"
    np.testing.assert_allclose(rows["value"], other.params[names], rtol=1e-7)
    np.testing.assert_allclose(rows["std_error"], other.bse[names], rtol=1e-7)
    np.testing.assert_allclose(rows[["low", "high"]], other.conf_int().loc[names], rtol=1e-7)
    np.testing.assert_allclose(rows["p"], other.pvalues[names], rtol=1e-6, atol=1e-12)
    assert (found.n, found.patients) == (len(table), table["patient_id"].nunique())
    assert found.missing == len(demo_series.cases) - len(table)


def test_a_variable_alone_is_taken_on_the_same_cases(demo_series):
    found = series_regression(planned(demo_series, HEALING))
    table = by_hand(demo_series, demo_series.run.measured.set_index("case_id")[HEALING])
    alone = found.rows.loc[
        (found.rows["model"] == UNADJUSTED) & (found.rows["variable"] == "planned_gain_mm")
    ].iloc[0]
    slope = stats.linregress(table["planned_gain_mm"], table["answer"]).slope
    assert alone["value"] == pytest.approx(slope, rel=1e-9)
    assert alone["n"] == len(table)


def test_a_yes_no_measure_is_the_logit_of_statsmodels(demo_series):
    outcome = "gain_within_tolerance"
    found = series_regression(
        planned(demo_series, outcome, covariates=COVARIATES[1:], minimum_per_variable=5)
    )
    answer = demo_series.run.measured.set_index("case_id")[outcome].astype("Float64").astype(float)
    table = by_hand(demo_series, answer)
    other = sm.Logit(table["answer"], sm.add_constant(table[list(COVARIATES[1:])])).fit(
        disp=False,
        tol=1e-12,
        cov_type="cluster",
        cov_kwds={"groups": pd.factorize(table["patient_id"])[0]},
    )
    rows = adjusted(found)
    np.testing.assert_allclose(np.log(rows["value"]), other.params[list(COVARIATES[1:])], rtol=1e-6)
    np.testing.assert_allclose(rows["std_error"], other.bse[list(COVARIATES[1:])], rtol=1e-6)
    rarer = min(table["answer"].sum(), len(table) - table["answer"].sum())
    assert (found.counted, found.events) == (rarer, table["answer"].sum())


def test_a_time_is_the_cox_model_of_lifelines(demo_series):
    """Efron ties and late entry, legs only as bones nobody walks on have no such time; the second
    library, statsmodels, agrees to the fourth decimal of the coefficients. Clustered errors of the
    model itself are held to other programs in test_survival_cox and the reference tests."""
    from lifelines import CoxPHFitter

    name = "time_to_full_weight_bearing_by_case"
    found = series_regression(planned(demo_series, name))
    times = time_table(demo_series.run.cohort, name)
    times = times.loc[times["segment"].isin(LEGS) & times["reason"].isna()]
    times = times.loc[times["duration"] > 0].set_index("case_id")
    table = by_hand(demo_series, times["duration"]).set_index("case_id")
    columns = ["tibia", *COVARIATES[1:]]
    frame = table[[*columns, "patient_id"]].assign(
        duration=times["duration"], observed=times["observed"], entry=times["entry"].fillna(0)
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other = CoxPHFitter().fit(
            frame,
            "duration",
            "observed",
            cluster_col="patient_id",
            entry_col="entry",
            fit_options={"precision": 1e-12},
        )
    rows = adjusted(found)
    np.testing.assert_allclose(rows["value"], np.exp(other.params_[columns]), rtol=1e-5)
    assert found.events == int(frame["observed"].sum())
    assert found.n == len(frame)
    assert 0 <= found.check <= 1
    phreg = sm.PHReg(
        frame["duration"], frame[columns], frame["observed"], entry=frame["entry"], ties="efron"
    ).fit()
    np.testing.assert_allclose(np.log(rows["value"]), phreg.params, atol=1e-4)


@pytest.mark.parametrize(
    ("outcome", "words"),
    [
        (HEALING, "cases for"),
        ("time_to_union", "events for"),
        ("gain_within_tolerance", "cases with the rarer answer for"),
    ],
)
def test_below_the_limit_of_the_plan_nothing_is_fitted(demo_series, outcome, words):
    found = series_regression(planned(demo_series, outcome, minimum_per_variable=1000))
    assert not found.fitted
    assert words in found.note
    assert "the plan asks for 1000 or more, so no model was fitted" in found.note
    assert found.rows[["value", "low", "high", "p"]].isna().all(axis=None)
    table = series_regression_table(planned(demo_series, outcome, minimum_per_variable=1000))
    assert set(table.frame["Adjusted (95% CI)"]) <= {"not estimable", ""}
    assert any(found.note in note for note in table.notes)


def test_the_limit_counts_coefficients_not_columns(demo_series):
    """device_class has five levels here, four coefficients."""
    asked = {"covariates": ("device_class", "age_at_surgery_years")}
    found = series_regression(planned(demo_series, HEALING, **asked))
    assert found.coefficients == demo_series.cases["device_class"].nunique()
    assert found.per_variable == pytest.approx(found.n / found.coefficients)


def test_no_outcome_no_regression(demo_series):
    nothing = planned(demo_series, "", covariates=())
    assert series_regression(nothing) is None
    assert series_regression_table(nothing).frame.iloc[0, 1] == "the plan sets no regression"


def test_a_covariate_with_one_value_is_dropped_and_said(demo_series):
    femur = demo_series.cases["segment"] == "femur"
    cohort, measured = demo_series.run.cohort, demo_series.run.measured
    run = dataclasses.replace(
        demo_series.run,
        cohort=dataclasses.replace(
            cohort, tables=cohort.tables | {"cases": cohort.cases.loc[femur]}
        ),
        measured=measured.loc[measured["segment"] == "femur"],
    )
    series = planned(dataclasses.replace(demo_series, run=run), HEALING)
    found = series_regression(series)
    assert found.dropped == ("segment",)
    assert found.fitted
    assert any(
        "not in the model: segment" in note for note in series_regression_table(series).notes
    )
    only = planned(series, HEALING, covariates=("segment",))
    assert "no covariate has more than one value" in series_regression(only).note


def test_left_out_adds_up(demo_series):
    asked = planned(demo_series, HEALING, covariates=("discrepancy_before_mm", "sex"))
    found = series_regression(asked)
    assert sum(found.left_out.values()) == found.missing
    assert found.n + found.missing == len(demo_series.cases)
    assert found.left_out["covariates"] > 0


def test_levels_and_events_add_up(demo_series):
    found = series_regression(planned(demo_series, "time_to_union", covariates=("sex", "segment")))
    frame = series_regression_table(
        planned(demo_series, "time_to_union", covariates=("sex", "segment"))
    ).frame
    for _, part in frame.groupby("Known at surgery"):
        assert part["Cases"].astype(int).sum() == found.n
        assert part["With the event"].astype(int).sum() == found.events


def test_names_that_do_not_fit_are_refused(demo_series):
    with pytest.raises(ValueError, match=r"outcome must be one of .*; got 'planned_gain_mm'"):
        series_regression(planned(demo_series, "planned_gain_mm"))
    with pytest.raises(ValueError, match=r"facts known at surgery are .*; got 'union_date'"):
        series_regression(planned(demo_series, HEALING, covariates=("union_date",)))


def test_every_outcome_that_a_plan_may_name_is_answered(demo_series):
    for outcome in OUTCOMES:
        found = series_regression(planned(demo_series, outcome, covariates=COVARIATES[1:]))
        assert found.fitted or found.note, outcome
