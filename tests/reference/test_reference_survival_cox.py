"""Cox regression, its cluster-robust errors and the check of its assumption against R 4.2.2."""

from __future__ import annotations

import numpy as np
import pytest

from audit.estimates.proportional_hazards import (
    APPROXIMATION,
    SCORE_TEST,
    TRANSFORMS,
    proportional_hazards_check,
)
from audit.estimates.regression import cox_model
from tests.reference.checks import assert_close, assert_printed, every_check, published_values


def table_of(check):
    table = check.table()
    if "group" in table:
        table["six"] = (table["group"] == "6-MP").astype(int)
    table["row"] = np.arange(len(table))
    return table


def model_of(check, **more):
    return cox_model(
        table_of(check),
        duration="time",
        event="status",
        covariates=check.expected["variables"],
        strata=check.data.get("strata"),
        **more,
    )


def assert_fit(model, check):
    values = {
        "coef": model.table["coef"],
        "se": model.table["model_std_error"],
        "loglik": model.log_likelihood,
        "loglik_null": model.log_likelihood_null,
        "n": model.n,
        "events": model.events,
        "hr_lower": model.table["low"],
        "hr_upper": model.table["high"],
    }
    for key, value in values.items():
        assert_close(value, check.expected[key], check.tolerance, where=key)


@every_check("cox_ph")
def test_cox(check):
    assert_fit(model_of(check), check)


@published_values("cox_ph")
def test_cox_against_print(check, published):
    table = model_of(check).table
    column = {"coef": "coef", "se": "std_error"}[published["path"]]
    for value, printed in zip(table[column], published["value"], strict=True):
        assert_printed(value, {**published, "value": printed})


@every_check("cox_cluster_robust")
def test_cox_with_clusters(check):
    """The sandwich of Efron score residuals equals R's, with and without tied events."""
    cluster = "inst" if check.data["cluster"] == "inst" else "row"
    model = model_of(check, cluster=cluster)
    assert_fit(model, check)
    assert_close(model.table["std_error"], check.expected["robust_se"], check.tolerance)


@every_check("cox_ph_breslow")
def test_ties_are_not_handled_after_breslow(check):
    """Recognition value of the other tie rule: a second library reproduces it, we must not."""
    duration = pytest.importorskip("statsmodels.duration.hazard_regression")
    table = table_of(check)
    other = duration.PHReg(
        table["time"].to_numpy(dtype=float),
        table[check.expected["variables"]].to_numpy(dtype=float),
        status=table["status"].to_numpy(),
        ties="breslow",
    ).fit(disp=0)
    assert_close(other.params, check.expected["coef"], check.tolerance)
    mine = model_of(check).table["coef"].to_numpy()
    assert np.abs(mine - check.expected["coef"]).max() > 0.01


@every_check("ph_test")
@pytest.mark.parametrize("transform", TRANSFORMS)
def test_both_checks_of_proportional_hazards(check, transform):
    found = proportional_hazards_check(model_of(check), transform=transform)
    score = found[found["formula"] == SCORE_TEST]
    expected = check.expected[f"score_test_{transform}"]
    assert_close(score["chi2"][:-1], expected["chi2"], check.tolerance)
    assert_close(score["p"][:-1], expected["p"], check.tolerance)
    assert_close(score["chi2"].iloc[-1], expected["global_chi2"], check.tolerance)
    assert_close(score["p"].iloc[-1], expected["global_p"], check.tolerance)
    older = found[found["formula"] == APPROXIMATION]
    expected = check.expected[f"old_approximation_{transform}"]
    assert_close(older["chi2"], expected["chi2"], check.tolerance)
    assert_close(older["p"], expected["p"], check.tolerance)


@every_check("cox_ph")
def test_agrees_with_a_second_library(check):
    """statsmodels PHReg with Efron ties."""
    duration = pytest.importorskip("statsmodels.duration.hazard_regression")
    table = table_of(check).dropna(subset=check.expected["variables"])
    strata = check.data.get("strata")
    other = duration.PHReg(
        table["time"].to_numpy(dtype=float),
        table[check.expected["variables"]].to_numpy(dtype=float),
        status=table["status"].to_numpy(),
        ties="efron",
        strata=None if strata is None else table[strata].to_numpy(),
    ).fit(disp=0)
    np.testing.assert_allclose(model_of(check).table["coef"], other.params, rtol=1e-5)
