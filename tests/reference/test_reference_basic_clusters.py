"""Bootstrap and cluster-robust intervals against full enumeration, R's boot and statsmodels."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import special, stats

from audit.estimates.averages import order_statistic_ranks, quantile, t_multiplier
from audit.estimates.bootstrap import bootstrap_distribution, cluster_bootstrap
from audit.estimates.clusters import (
    clustered_mean,
    clustered_median,
    clustered_proportion,
    clustered_rate,
    clustered_ratio_of_totals,
)
from audit.estimates.inputs import cluster_codes
from audit.estimates.resampling import QuantileStatistic
from tests.reference.adapters import (
    half_width_over_t,
    our_city_bootstrap,
    our_cluster_bootstrap,
    our_ideal_bootstrap,
)
from tests.reference.checks import assert_close, every_check, load_check


def uneven_clusters(seed=5, clusters=40):
    """Numbers in clusters of 1 to 4 rows, alike within a cluster."""
    random = np.random.default_rng(seed)
    sizes = random.integers(1, 5, size=clusters)
    codes = np.repeat(np.arange(clusters), sizes)
    level = random.normal(50, 8, size=clusters)[codes]
    return pd.DataFrame(
        {
            "patient": [f"P{code:03d}" for code in codes],
            "value": level + random.normal(0, 4, size=codes.size),
            "exposure": random.uniform(2, 30, size=codes.size),
            "events": random.poisson(1.2, size=codes.size),
            "yes": random.uniform(size=codes.size) < 0.4,
        }
    )


@every_check("bootstrap_exact_enumeration")
def test_every_row_its_own_cluster_is_the_ideal_bootstrap(check):
    ours = our_ideal_bootstrap(check)
    assert ours.pop("enumerated")
    # z0 counts ties half here, as scipy does; the strict count is another convention.
    wanted = {k: v for k, v in check.expected.items() if k != "z0_strict"}
    assert set(ours) == set(wanted)
    assert_close(ours, wanted, check.tolerance)


@pytest.mark.parametrize("statistic", ["proportion", "mean", lambda t: t["event"].mean()])
@every_check("cluster_bootstrap")
def test_cluster_bootstrap_by_enumeration(check, statistic):
    ours = our_cluster_bootstrap(check, statistic)
    assert_close(ours, {key: check.expected[key] for key in ours}, check.tolerance)


@every_check("cluster_bootstrap")
def test_cluster_robust_error(check):
    table = check.table()
    expected = check.expected["se_cluster_robust"]
    assert table[check.data["cluster"]].nunique() == 4
    assert_close(our_cluster_bootstrap(check)["se_cluster_robust"], expected, check.tolerance)
    # Limits of the share: logit(p) -/+ t se / (p (1 - p)), turned back.
    share, p = clustered_proportion(table["event"], table[check.data["cluster"]]), 0.3
    half = stats.t.ppf(0.975, 3) * expected / (p * (1 - p))
    assert_close(
        [share.low, share.high],
        [float(special.expit(special.logit(p) + sign * half)) for sign in (-1, 1)],
        check.tolerance,
    )


@every_check("bootstrap_monte_carlo")
def test_all_resamples_of_ten_cities(check):
    ours = our_city_bootstrap(check)
    assert ours.pop("enumerated")
    assert_close(ours, {key: check.expected[key] for key in ours}, check.tolerance)


@every_check("bootstrap_monte_carlo")
def test_random_resamples_of_ten_cities(check):
    """20 000 random resamples against the full listing: the Monte-Carlo error of the error itself
    is near se/sqrt(2 x 20 000) = 0.5 % for a normal statistic, more for this heavy-tailed one."""
    table = check.table().assign(city=lambda t: np.arange(len(t)))
    columns = {"column": "x", "exposure": "u"}
    found = bootstrap_distribution(table, "rate", "city", **columns, resamples=20_000)
    assert not found.enumerated
    full = bootstrap_distribution(table, "rate", "city", **columns, resamples=100_000)
    assert found.standard_error() == pytest.approx(full.standard_error(), rel=0.03)
    assert found.limits(0.95) == pytest.approx(full.limits(0.95), rel=0.03)


def test_bca_agrees_with_scipy():
    values = np.array([3.0, 5.0, 8.0, 13.0, 21.0, 4.0, 9.0, 30.0, 2.0, 7.0, 11.0, 12.0])
    table = pd.DataFrame({"x": values, "row": np.arange(values.size)})
    found = bootstrap_distribution(table, "mean", "row", column="x", resamples=20_000)
    theirs = stats.bootstrap(
        (values,), np.mean, n_resamples=20_000, method="BCa", rng=np.random.default_rng(3)
    ).confidence_interval
    assert found.limits(0.95, interval="bca") == pytest.approx((theirs.low, theirs.high), rel=0.03)


@pytest.mark.parametrize("seed", [5, 6, 7])
def test_clustered_mean_error_agrees_with_statsmodels(seed):
    table = uneven_clusters(seed=seed)
    codes = pd.factorize(table["patient"])[0]
    model = sm.OLS(table["value"], np.ones(len(table)))
    fitted = model.fit(cov_type="cluster", cov_kwds={"groups": codes})
    found = clustered_mean(table["value"], table["patient"])
    assert found.value == pytest.approx(float(fitted.params.iloc[0]), rel=1e-12)
    assert half_width_over_t(found, 40) == pytest.approx(float(fitted.bse.iloc[0]), rel=1e-9)


@pytest.mark.parametrize("seed", [5, 6])
def test_clustered_ratios_agree_with_statsmodels(seed):
    """A ratio of totals is the slope through the origin with weights 1/x: its robust variance is
    the same, up to statsmodels' (n-1)/(n-1) = 1 for one parameter."""
    table = uneven_clusters(seed=seed)
    codes = pd.factorize(table["patient"])[0]
    model = sm.WLS(table["value"], table["exposure"], weights=1 / table["exposure"])
    fitted = model.fit(cov_type="cluster", cov_kwds={"groups": codes})
    found = clustered_ratio_of_totals(table["value"], table["exposure"], table["patient"])
    assert found.value == pytest.approx(float(fitted.params.iloc[0]), rel=1e-12)
    assert half_width_over_t(found, 40) == pytest.approx(float(fitted.bse.iloc[0]), rel=1e-9)


@pytest.mark.parametrize("seed", [5, 6])
def test_clustered_rate_agrees_with_a_robust_poisson_model(seed):
    """log rate and its robust error from statsmodels' Poisson regression with an offset."""
    table = uneven_clusters(seed=seed)
    codes = pd.factorize(table["patient"])[0]
    model = sm.GLM(
        table["events"], np.ones(len(table)), family=sm.families.Poisson(),
        offset=np.log(table["exposure"]),
    )  # fmt: skip
    fitted = model.fit(cov_type="cluster", cov_kwds={"groups": codes}, tol=1e-12)
    found = clustered_rate(table["events"], table["exposure"], table["patient"])
    half = t_multiplier(39, 0.95) * float(fitted.bse.iloc[0])
    assert math.log(found.value) == pytest.approx(float(fitted.params.iloc[0]), rel=1e-9)
    assert math.log(found.high / found.value) == pytest.approx(half, rel=1e-7)
    assert math.log(found.value / found.low) == pytest.approx(half, rel=1e-7)


@pytest.mark.parametrize("seed", [5, 6])
def test_clustered_proportion_agrees_with_a_robust_logistic_model(seed):
    table = uneven_clusters(seed=seed)
    codes = pd.factorize(table["patient"])[0]
    model = sm.GLM(table["yes"].astype(float), np.ones(len(table)), family=sm.families.Binomial())
    fitted = model.fit(cov_type="cluster", cov_kwds={"groups": codes}, tol=1e-12)
    found = clustered_proportion(table["yes"], table["patient"])
    centre, error = float(fitted.params.iloc[0]), float(fitted.bse.iloc[0])
    half = t_multiplier(39, 0.95) * error
    assert found.low == pytest.approx(float(special.expit(centre - half)), rel=1e-7)
    assert found.high == pytest.approx(float(special.expit(centre + half)), rel=1e-7)


def test_bootstrap_error_of_a_mean_is_near_the_robust_one():
    """Over many clusters both estimate the same variance; the bootstrap lacks the G/(G-1)."""
    table = uneven_clusters(clusters=200)
    drawn = bootstrap_distribution(table, "mean", "patient", column="value", resamples=8000)
    robust = half_width_over_t(clustered_mean(table["value"], table["patient"]), 200)
    assert drawn.standard_error() == pytest.approx(robust, rel=0.05)


def test_fast_median_is_numpys_median_of_every_resample():
    table = uneven_clusters(clusters=25)
    fast = bootstrap_distribution(table, "median", "patient", column="value", resamples=400)
    slow = bootstrap_distribution(
        table, lambda rows: np.quantile(rows["value"], 0.5), "patient", resamples=400
    )
    np.testing.assert_array_equal(fast.values, slow.values)


@pytest.mark.parametrize("q", [0.1, 0.25, 0.6, 0.9])
def test_fast_quantile_is_numpys_to_the_last_bit(q):
    """Rows repeated as the counts say, then numpy's own linear quantile."""
    table = uneven_clusters(clusters=30)
    values, codes = table["value"].to_numpy(), cluster_codes(table["patient"])
    counts = np.random.default_rng(1).multinomial(30, np.full(30, 1 / 30), size=300)
    slow = [np.quantile(np.repeat(values, row[codes]), q) for row in counts]
    np.testing.assert_array_equal(QuantileStatistic(values, codes, q)(counts), slow)


def test_bootstrap_limits_of_the_median_are_near_the_exact_ones_when_rows_are_independent():
    values = np.random.default_rng(8).normal(size=400)
    boot = clustered_median(values, np.arange(400))
    exact = quantile(values, q=0.5)
    assert boot.value == exact.value
    assert [boot.low, boot.high] == pytest.approx([exact.low, exact.high], abs=0.05)


@pytest.mark.parametrize("q", [0.1, 0.25, 0.5, 0.75, 0.9])
@pytest.mark.parametrize("n", [5, 6, 12, 13, 29, 40, 100])
@pytest.mark.parametrize("level", [0.9, 0.95, 0.99])
def test_ranks_cover_at_least_the_level_and_no_narrower_pair_does(n, q, level):
    """Exact binomial arithmetic: X_(l) <= quantile <= X_(u) has P(l <= B <= u - 1)."""
    lower, upper = order_statistic_ranks(n, q, level)
    tail = (1 - level) / 2
    below, above = stats.binom.cdf(lower - 1, n, q), stats.binom.sf(upper - 1, n, q)
    assert below <= tail + 1e-12
    assert above <= tail + 1e-12
    # One rank further in, the tail would be too large.
    assert stats.binom.cdf(lower, n, q) > tail
    assert stats.binom.sf(upper - 2, n, q) > tail


def test_naive_interval_of_clustered_rows_is_too_narrow():
    """The check names the naive error 0.0837 as wrong: ours must not be it."""
    check = load_check("cluster_bootstrap_exact_4")
    table = check.table()
    found = cluster_bootstrap(table, "proportion", "surgeon", column="event")
    naive = check.expected["se_naive_binomial"]
    assert found.high - found.low > 2 * 1.96 * naive
