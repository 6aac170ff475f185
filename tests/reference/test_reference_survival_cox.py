"""Cox regression, its cluster-robust errors and the check of its assumption against R 4.2.2."""

from __future__ import annotations

import numpy as np
import pytest

from audit.estimates.proportional_hazards import TRANSFORMS
from tests.reference.adapters import cox_of_check, cox_table, our_cox, our_hazards_check
from tests.reference.checks import assert_close, assert_printed, every_check, published_values

FIT = ("coef", "se", "loglik", "loglik_null", "n", "events", "hr_lower", "hr_upper")


def assert_fit(ours, check):
    for key in FIT:
        assert_close(ours[key], check.expected[key], check.tolerance, where=key)


@every_check("cox_ph")
def test_cox(check):
    assert_fit(our_cox(check), check)


@published_values("cox_ph")
def test_cox_against_print(check, published):
    table = cox_of_check(check).table
    column = {"coef": "coef", "se": "std_error"}[published["path"]]
    for value, printed in zip(table[column], published["value"], strict=True):
        assert_printed(value, {**published, "value": printed})


@every_check("cox_cluster_robust")
def test_cox_with_clusters(check):
    """The sandwich of Efron score residuals equals R's, with and without tied events."""
    ours = our_cox(check)
    assert_fit(ours, check)
    assert_close(ours["robust_se"], check.expected["robust_se"], check.tolerance)


@every_check("cox_ph_breslow")
def test_ties_are_not_handled_after_breslow(check):
    """Recognition value of the other tie rule: a second library reproduces it, we must not."""
    duration = pytest.importorskip("statsmodels.duration.hazard_regression")
    table = cox_table(check)
    other = duration.PHReg(
        table["time"].to_numpy(dtype=float),
        table[check.expected["variables"]].to_numpy(dtype=float),
        status=table["status"].to_numpy(),
        ties="breslow",
    ).fit(disp=0)
    assert_close(other.params, check.expected["coef"], check.tolerance)
    mine = cox_of_check(check).table["coef"].to_numpy()
    assert np.abs(mine - check.expected["coef"]).max() > 0.01


@every_check("ph_test")
@pytest.mark.parametrize("transform", TRANSFORMS)
def test_both_checks_of_proportional_hazards(check, transform):
    ours = our_hazards_check(check)
    for key in (f"score_test_{transform}", f"old_approximation_{transform}"):
        assert_close(ours[key], check.expected[key], check.tolerance, where=key)


@every_check("cox_ph")
def test_agrees_with_a_second_library(check):
    """statsmodels PHReg with Efron ties."""
    duration = pytest.importorskip("statsmodels.duration.hazard_regression")
    table = cox_table(check).dropna(subset=check.expected["variables"])
    strata = check.data.get("strata")
    other = duration.PHReg(
        table["time"].to_numpy(dtype=float),
        table[check.expected["variables"]].to_numpy(dtype=float),
        status=table["status"].to_numpy(),
        ties="efron",
        strata=None if strata is None else table[strata].to_numpy(),
    ).fit(disp=0)
    np.testing.assert_allclose(cox_of_check(check).table["coef"], other.params, rtol=1e-5)
