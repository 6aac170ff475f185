"""Regression with cluster-robust errors: published values, another program, and its edges."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from audit.estimates.clustered_regression import clustered_regression


def test_grunfeld_investment_as_another_program_gives_it():
    """Grunfeld's data (in the library statsmodels), investment on market value and capital, errors
    by company: coefficients, errors, p and limits as a commercial program printed them for
    `regress invest mvalue kstock, vce(cluster company)`, kept in statsmodels' own tests
    (regression/tests/results/results_grunfeld_ols_robust_cluster.py). Those are the
    first ten companies; the data set has one more. That program holds the data in single
    precision."""
    data = sm.datasets.grunfeld.load_pandas().data
    data = data.iloc[:200]
    found = clustered_regression(
        data, outcome="invest", covariates=["value", "capital"], cluster="firm"
    )
    expected = {
        "value": (0.11556215606596, 0.01589433647768, 0.07960666895505, 0.15151764317688),
        "capital": (0.23067848754982, 0.08496711097464, 0.03846952885627, 0.42288744624337),
        "intercept": (-42.714369016733, 20.425202580078, -88.919387334862, 3.4906493013959),
    }
    rows = found.table.set_index("covariate")
    for name, numbers in expected.items():
        printed = rows.loc[name, ["value", "std_error", "low", "high"]].to_numpy(dtype=float)
        np.testing.assert_allclose(printed, numbers, rtol=2e-7)
    assert rows.loc["capital", "p"] == pytest.approx(0.02380515903536, rel=1e-7)
    assert (found.n, found.clusters, found.missing) == (200, 10, 0)


def test_longley_coefficients_are_the_certified_ones():
    """NIST StRD, Longley: six nearly collinear covariates; certified coefficients B1 to B6. The
    same data in statsmodels; errors are not compared, for the certified ones are not robust."""
    data = sm.datasets.longley.load_pandas().data.assign(row=range(16))
    names = ["GNPDEFL", "GNP", "UNEMP", "ARMED", "POP", "YEAR"]
    found = clustered_regression(data, outcome="TOTEMP", covariates=names, cluster="row")
    certified = [
        15.0618722713733,
        -0.358191792925910e-01,
        -2.02022980381683,
        -1.03322686717359,
        -0.511041056535807e-01,
        1829.15146461355,
        -3482258.63459582,
    ]
    np.testing.assert_allclose(found.table["coef"], certified, rtol=1e-7)


def test_spector_and_mazzeo_as_printed_by_greene():
    """Spector and Mazzeo 1980, logit of the improved grade: coefficients of Greene, Econometric
    Analysis (2003), table 21.1: 2.826, 0.095, 2.379, constant -13.021 (from memory; the data are
    in statsmodels, whose fit is the second check)."""
    data = sm.datasets.spector.load_pandas().data.assign(row=range(32))
    found = clustered_regression(
        data, outcome="GRADE", covariates=["GPA", "TUCE", "PSI"], cluster="row", kind="logistic"
    )
    np.testing.assert_allclose(found.table["coef"], [2.826, 0.095, 2.379, -13.021], atol=6e-4)
    np.testing.assert_allclose(found.table["value"], np.exp(found.table["coef"]))
    assert found.events == 11


def clustered_rows(seed: int = 3) -> pd.DataFrame:
    """60 invented patients with one to four rows each and a shift of their own."""
    rng = np.random.default_rng(seed)
    sizes = rng.integers(1, 5, 60)
    patient = np.repeat(np.arange(60), sizes)
    shift = rng.normal(0, 2, 60)[patient]
    age, plan = rng.uniform(8, 60, patient.size), rng.normal(45, 12, patient.size)
    score = 0.2 * age + 0.3 * plan + shift + rng.normal(0, 3, patient.size)
    return pd.DataFrame(
        {
            "patient": [f"P{number}" for number in patient],
            "age": age,
            "plan": plan,
            "score": score,
            "reached": score > np.median(score),
        }
    )


@pytest.mark.parametrize("kind", ["linear", "logistic"])
def test_errors_p_and_limits_are_those_of_statsmodels(kind):
    data = clustered_rows()
    data.loc[4, "age"] = np.nan
    outcome = "score" if kind == "linear" else "reached"
    found = clustered_regression(
        data, outcome=outcome, covariates=["age", "plan"], cluster="patient", kind=kind
    )
    used = data.dropna()
    model = (sm.OLS if kind == "linear" else sm.Logit)(
        used[outcome].astype(float), sm.add_constant(used[["age", "plan"]])
    )
    options = {"groups": pd.factorize(used["patient"])[0]}
    more = {} if kind == "linear" else {"disp": False, "tol": 1e-12}
    other = model.fit(cov_type="cluster", cov_kwds=options, use_t=True, **more)
    order = ["age", "plan", "const"]
    groups = used["patient"].nunique()
    # the logistic fit of that library takes its t from N - K, so its limits are rebuilt here
    from scipy import stats

    half = stats.t.ppf(0.975, groups - 1) * other.bse[order]
    ends = np.column_stack([other.params[order] - half, other.params[order] + half])
    np.testing.assert_allclose(found.table["coef"], other.params[order], rtol=1e-7)
    np.testing.assert_allclose(found.table["std_error"], other.bse[order], rtol=1e-7)
    printed = found.table[["low", "high"]].to_numpy()
    np.testing.assert_allclose(printed, ends if kind == "linear" else np.exp(ends), rtol=1e-6)
    assert (found.n, found.missing, found.clusters) == (len(used), 1, groups)


def test_rows_of_their_own_patients_and_any_order_or_unit():
    data = clustered_rows().assign(metres=lambda rows: rows["plan"] / 1e6)
    plain = clustered_regression(
        data, outcome="score", covariates=["age", "plan"], cluster="patient"
    )
    shuffled = clustered_regression(
        data.sample(frac=1, random_state=1),
        outcome="score",
        covariates=["metres", "age"],
        cluster="patient",
    )
    one, two = plain.table.set_index("covariate"), shuffled.table.set_index("covariate")
    assert two.loc["metres", "low"] == pytest.approx(1e6 * one.loc["plan", "low"], rel=1e-8)
    assert two.loc["age", "p"] == pytest.approx(one.loc["age", "p"], rel=1e-8)
    twice = pd.concat([data, data], ignore_index=True)
    doubled = clustered_regression(
        twice, outcome="score", covariates=["age", "plan"], cluster="patient"
    )
    # rows written twice add no patient: without the small-sample factor the errors stay as they are
    n, terms = len(data), 3
    factor = np.sqrt((2 * n - 1) / (2 * n - terms) * (n - terms) / (n - 1))
    expected = plain.table["std_error"] * factor
    np.testing.assert_allclose(doubled.table["std_error"], expected, rtol=1e-9)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (lambda rows: rows.assign(age=30.0), "constant or follows"),
        (lambda rows: rows.assign(age=2 * rows["plan"] + 1), "constant or follows"),
        (lambda rows: rows.assign(patient="P1"), "1 clusters for 3 coefficients"),
        (lambda rows: rows.assign(age=np.nan), "no complete rows"),
        (lambda rows: rows.assign(score=3 * rows["age"] + rows["plan"]), "exactly"),
    ],
)
def test_what_cannot_be_estimated_says_why(change, reason):
    found = clustered_regression(
        change(clustered_rows()), outcome="score", covariates=["age", "plan"], cluster="patient"
    )
    assert not found.estimable
    assert reason in found.note
    assert found.table[["coef", "low", "high", "p"]].isna().all(axis=None)


def test_separated_and_single_answers_are_not_estimable():
    data = clustered_rows()
    apart = data.assign(reached=data["age"] > 30)
    found = clustered_regression(
        apart, outcome="reached", covariates=["age"], cluster="patient", kind="logistic"
    )
    assert found.note == "the covariates tell the answers apart: no stable fit"
    same = data.assign(reached=True)
    found = clustered_regression(
        same, outcome="reached", covariates=["age"], cluster="patient", kind="logistic"
    )
    assert found.note == "every answer is the same"


def test_bad_input_is_refused_without_a_value_of_the_data():
    data = clustered_rows()
    ask = {"outcome": "score", "covariates": ["age"], "cluster": "patient"}
    with pytest.raises(
        ValueError, match=r"kind must be one of \['linear', 'logistic'\], got 'cox'"
    ):
        clustered_regression(data, **ask, kind="cox")
    with pytest.raises(ValueError, match="no column 'weight'"):
        clustered_regression(data, **(ask | {"covariates": ["weight"]}))
    with pytest.raises(ValueError, match="each column once"):
        clustered_regression(data, **(ask | {"covariates": ["age", "age"]}))
    with pytest.raises(ValueError, match="cluster has missing values"):
        clustered_regression(data.assign(patient=None), **ask)
    with pytest.raises(ValueError, match="score must be yes or no"):
        clustered_regression(data, **ask, kind="logistic")


def test_few_clusters_are_called_out_and_the_frame_is_left_alone():
    data = clustered_rows()
    few = data.loc[data["patient"].isin([f"P{number}" for number in range(6)])]
    before = few.copy()
    found = clustered_regression(few, outcome="score", covariates=["age"], cluster="patient")
    assert "only 6 clusters" in found.note
    pd.testing.assert_frame_equal(few, before)
