"""Cox regression: by hand, what it refuses, and what it says when there is no answer."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from audit.estimates.cox_scores import CoxData, cox_scores
from audit.estimates.proportional_hazards import proportional_hazards_check
from audit.estimates.regression import cox_model

COLUMNS = {"duration": "time", "event": "event"}


def sample(seed=0, n=80):
    rng = np.random.default_rng(seed)
    table = pd.DataFrame({"x": rng.normal(size=n).round(2), "z": rng.integers(0, 2, n)})
    hazard = np.exp(0.6 * table["x"] - 0.4 * table["z"])
    table["time"] = np.ceil(rng.exponential(20, n) / hazard) + 1
    table["entry"] = np.floor(rng.random(n) * (table["time"] - 1))
    table["event"] = (rng.random(n) < 0.7).astype(int)
    table["patient"] = rng.integers(0, 30, n)
    table["centre"] = rng.choice(["north", "south"], n)
    return table


def test_by_hand():
    """Events at 1 (x = 1), 2 (x = 0), 3 (x = 1): likelihood r/(2r + 1) x 1/(r + 1) x 1.

    Its slope is 0 where 1/(2r + 1) = r/(r + 1), so r squared = 1/2.
    """
    table = pd.DataFrame({"time": [1, 2, 3], "event": [1, 1, 1], "x": [1, 0, 1]})
    model = cox_model(table, covariates=["x"], **COLUMNS)
    ratio = 1 / np.sqrt(2)
    assert model.hazard_ratio("x").value == pytest.approx(ratio)
    expected = np.log(ratio / (2 * ratio + 1) / (ratio + 1))
    assert model.log_likelihood == pytest.approx(expected)
    assert model.log_likelihood_null == pytest.approx(np.log(1 / 3 / 2))


def test_efron_ties_by_hand():
    """Two of three tied at day 1, x = 1 and 0, the third x = 1: r / ((2r + 1)(1.5 r + 0.5)).

    The second tied event is compared with the third case and half of each tied one.
    """
    data = CoxData(
        np.array([1.0, 1.0, 2.0]),
        np.array([True, True, False]),
        np.full(3, -1.0),
        np.zeros(3),
        np.array([[1.0], [0.0], [1.0]]),
    )
    beta = 0.4
    r = np.exp(beta)
    found = cox_scores(data, np.array([beta]))
    expected = np.log(r / ((2 * r + 1) * (1.5 * r + 0.5)))
    assert found.log_likelihood == pytest.approx(expected)


@pytest.mark.parametrize("seed", range(3))
def test_scores_are_the_slopes_of_the_likelihood(seed):
    """Differences of the log-likelihood give the score and the information, late entry and all."""
    table = sample(seed)
    data = CoxData(
        table["time"].to_numpy(),
        table["event"].to_numpy() == 1,
        table["entry"].to_numpy(),
        (table["centre"] == "north").to_numpy().astype(int),
        table[["x", "z"]].to_numpy(dtype=float),
    )
    beta, step = np.array([0.3, -0.2]), 1e-4
    found = cox_scores(data, beta)
    for position in range(2):
        move = step * np.eye(2)[position]
        up, down = (cox_scores(data, beta + sign * move) for sign in (1, -1))
        slope = (up.log_likelihood - down.log_likelihood) / (2 * step)
        assert found.residual.sum(axis=0)[position] == pytest.approx(slope, abs=1e-5)
        bend = (down.residual.sum(axis=0) - up.residual.sum(axis=0)) / (2 * step)
        np.testing.assert_allclose(found.information[position], bend, atol=1e-4)
    np.testing.assert_allclose(
        found.score_residual.sum(axis=0), found.residual.sum(axis=0), atol=1e-10
    )


def test_clusters_of_one_row_each_are_the_robust_errors():
    table = sample()
    table["row"] = range(len(table))
    by_row = cox_model(table, covariates=["x"], cluster="row", **COLUMNS)
    grouped = cox_model(table, covariates=["x"], cluster="patient", **COLUMNS)
    plain = cox_model(table, covariates=["x"], **COLUMNS)
    errors = {m.table["std_error"].item() for m in (by_row, grouped, plain)}
    assert len(errors) == 3
    assert by_row.table["coef"].item() == plain.table["coef"].item()
    assert grouped.method == "Cox regression, Efron ties, robust errors by patient"


def test_doubling_every_case_within_its_cluster_leaves_the_robust_error():
    """The likelihood counts the copies as new cases; the clustered error nearly does not.

    Not exactly, since each copy is a tie and Efron's rule moves the coefficient a little.
    """
    table = sample(1)
    table["time"] = np.arange(len(table)) + 1
    table["row"] = range(len(table))
    twice = pd.concat([table, table], ignore_index=True)
    single = cox_model(table, covariates=["x"], cluster="row", **COLUMNS)
    double = cox_model(twice, covariates=["x"], cluster="row", **COLUMNS)
    ratio = double.table["std_error"].item() / single.table["std_error"].item()
    naive = double.table["model_std_error"].item() / single.table["model_std_error"].item()
    assert ratio == pytest.approx(1, abs=0.05)
    assert naive == pytest.approx(1 / np.sqrt(2), abs=0.05)


def test_order_of_rows_and_the_callers_table_do_not_change():
    table = sample(2)
    before = table.copy()
    options = {"covariates": ["x", "z"], "cluster": "patient", "strata": "centre"}
    first = cox_model(table, entry="entry", **options, **COLUMNS)
    turned = table.sample(frac=1, random_state=1)
    second = cox_model(turned, entry="entry", **options, **COLUMNS)
    pd.testing.assert_frame_equal(first.table, second.table, rtol=1e-8)
    pd.testing.assert_frame_equal(table, before)
    assert "late entry" in first.method
    assert "stratified by centre" in first.method


def test_rows_with_empty_cells_are_counted():
    table = sample(3).astype({"x": float, "patient": object})
    table.loc[[0, 1], "x"] = np.nan
    table.loc[5, "patient"] = None
    table.loc[7, ["time", "event"]] = np.nan
    model = cox_model(table, covariates=["x"], cluster="patient", **COLUMNS)
    assert (model.n, model.missing) == (76, 4)
    assert model.hazard_ratio("x").missing == 4


def test_events_a_covariate_are_printed_with_a_caution_when_few():
    table = sample(4)
    events = int(table["event"].sum())
    model = cox_model(table, covariates=["x", "z"], **COLUMNS)
    assert model.note == f"{events} events, {events / 2:.1f} a covariate"
    few = cox_model(table.head(12), covariates=["x", "z"], **COLUMNS)
    assert "fewer than 10 a covariate, so the ratios are unreliable" in few.note
    assert few.events_per_variable == few.events / 2


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"event": 0}, "no events"),
        ({"x": 1.0}, "a covariate is constant or follows from the others"),
    ],
)
def test_no_model_has_a_reason(change, reason):
    model = cox_model(sample().assign(**change), covariates=["x", "z"], **COLUMNS)
    assert not model.estimable
    assert model.note.startswith(reason)
    assert model.table[["coef", "low", "p"]].isna().all(axis=None)
    found = model.hazard_ratio("z")
    assert (found.value, found.low, found.high) == (None, None, None)
    with pytest.raises(ValueError, match="not estimable"):
        proportional_hazards_check(model)


def test_more_edges_without_a_model():
    table = sample()
    twin = table.assign(twice=2 * table["x"])
    assert "follows from the others" in cox_model(twin, covariates=["x", "twice"], **COLUMNS).note
    assert cox_model(table.head(0), covariates=["x"], **COLUMNS).note.startswith("no cases")
    one = table.head(3).assign(event=[1, 0, 0])
    assert cox_model(one, covariates=["x", "z"], **COLUMNS).note.startswith("fewer events than")


def test_a_group_without_events_separates():
    table = sample()
    table.loc[table["z"] == 1, "event"] = 0
    model = cox_model(table, covariates=["z"], **COLUMNS)
    assert not model.estimable
    assert "separates" in model.note


@pytest.mark.parametrize(
    ("options", "match"),
    [
        ({"covariates": []}, "at least one column"),
        ({"covariates": ["age"]}, "no column 'age'"),
        ({"covariates": ["x", "x"]}, "a column twice"),
        ({"covariates": ["centre"]}, "centre must be numbers"),
        ({"covariates": ["x"], "strata": "clinic"}, "no column 'clinic'"),
    ],
)
def test_columns_that_are_refused(options, match):
    with pytest.raises(ValueError, match=match):
        cox_model(sample(), **COLUMNS, **options)


def test_the_check_of_the_assumption_speaks_in_words():
    """x works early and not later, so its ratio is not steady; and an unknown g is refused."""
    rng = np.random.default_rng(5)
    n = 300
    x = rng.integers(0, 2, n)
    early = rng.exponential(10, n) / np.where(x == 1, 4.0, 1.0)
    time = np.where(early > 5, 5 + rng.exponential(10, n) * np.where(x == 1, 4.0, 1.0), early)
    table = pd.DataFrame({"time": time.round(1) + 0.1, "event": 1, "x": x})
    model = cox_model(table, covariates=["x"], **COLUMNS)
    found = proportional_hazards_check(model)
    assert (found["words"] == "the hazard ratio seems to change over time").all()
    assert found["covariate"].tolist() == ["x", "all together", "x"]
    with pytest.raises(ValueError, match="one of km, rank, identity, log"):
        proportional_hazards_check(model, transform="sqrt")


def test_an_event_at_time_zero_counts_and_has_no_logarithm():
    table = sample(6)
    table.loc[0, ["time", "event"]] = [0, 1]
    model = cox_model(table, covariates=["x"], **COLUMNS)
    assert model.n == 80
    with pytest.raises(ValueError, match="no logarithm"):
        proportional_hazards_check(model, transform="log")


def test_an_unknown_covariate_is_not_looked_up():
    model = cox_model(sample(), covariates=["x", "z"], **COLUMNS)
    with pytest.raises(ValueError, match="one of x, z; got 'y'"):
        model.hazard_ratio("y")
