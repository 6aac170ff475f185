"""Control charts, run rules, funnels and cumulative sums against values from outside.

Sources stand in the file of checks; those beside a test are published in print.
"""

from __future__ import annotations

from fractions import Fraction
from math import comb

import numpy as np
import pytest

from audit.estimates import run_rules
from audit.estimates.chart_limits import proportion_chart_power
from audit.estimates.charts import ChartSettings, control_chart
from audit.estimates.cumulative import bernoulli_cusum, cusum, cusum_arl
from audit.estimates.funnel import Overdispersion, funnel_limits, overdispersion
from tests.reference.checks import (
    assert_close,
    assert_printed,
    at_path,
    every_check,
    published_values,
)

UNROUNDED = ChartSettings(individual_factor="3/1.128")


def individual_numbers(check) -> dict[str, float]:
    rounded, unrounded = (
        control_chart(check.table()["x"], kind="individual", rules="limits", settings=settings)
        for settings in (ChartSettings(), UNROUNDED)
    )
    return {
        "center": rounded.table["centre"][0],
        "mr_bar": rounded.phases["spread"][0],
        "sigma": (unrounded.table["high"][0] - unrounded.table["centre"][0]) / 3,
        "lcl": unrounded.table["low"][0],
        "ucl": unrounded.table["high"][0],
        "lcl_266": rounded.table["low"][0],
        "ucl_266": rounded.table["high"][0],
        "mr_ucl": rounded.phases["moving_range_limit"][0],
    }


def counted_numbers(check, kind: str, settings: ChartSettings | None = None) -> dict:
    table = check.table()
    sizes = table.get("n")
    chart = control_chart(
        table["x"], sizes, kind=kind, rules="limits", settings=settings or ChartSettings()
    )
    return {
        "center": chart.table["centre"][0],
        "lcl": chart.table["low"].tolist(),
        "ucl": chart.table["high"].tolist(),
        "outside": chart.table.loc[chart.table["signal"] != "", "order"].tolist(),
        "sigma_z": chart.phases["spread"][0],
    }


def proportion_numbers(check) -> dict:
    return counted_numbers(check, "proportion")


def rate_numbers(check) -> dict:
    return counted_numbers(check, "rate")


def laney_proportion_numbers(check) -> dict:
    return counted_numbers(check, "proportion", ChartSettings(dispersion="laney"))


def laney_rate_numbers(check) -> dict:
    return counted_numbers(check, "rate", ChartSettings(dispersion="laney"))


def constant_numbers(check) -> dict:
    numbers = counted_numbers(check, "count")
    return {**numbers, "lcl": numbers["lcl"][0], "ucl": numbers["ucl"][0]}


def days_between_numbers(check) -> dict[str, float]:
    chart = control_chart(check.table()["x"], kind="days_between", rules="limits")
    power = 1 / 3.6
    return {
        "power": power,
        "center_transformed": chart.table["centre"][0] ** power,
        "ucl_transformed": chart.table["high"][0] ** power,
        "mr_bar_transformed": chart.phases["spread"][0],
        "center": chart.table["centre"][0],
        "lcl": chart.table["low"][0],
        "ucl": chart.table["high"][0],
    }


@every_check("xmr_chart")
def test_individual_chart(check):
    assert_close(individual_numbers(check), check.expected, check.tolerance)


@published_values("xmr_chart")
def test_individual_chart_as_printed(check, published):
    assert_printed(at_path(individual_numbers(check), published["path"]), published)


def test_screened_limits_as_printed():
    # 18 values of the checks file; published screened limits -0.72 and 4.60 (Nelson 1982 rule).
    values = [1, 2, 1, 2, 10, *[1, 2] * 6, 1]
    screened = control_chart(
        values, rules="limits", settings=ChartSettings(screening="moving_ranges")
    )
    assert round(screened.table["low"][0], 2) == -0.72
    assert round(screened.table["high"][0], 2) == 4.60
    assert "2 moving ranges left out" in screened.method


@every_check("p_chart")
def test_proportion_chart(check):
    assert_close(proportion_numbers(check), check.expected, check.tolerance)


@published_values("p_chart")
def test_proportion_chart_as_printed(check, published):
    assert_published(proportion_numbers(check), published)


@every_check("u_chart")
def test_rate_chart(check):
    assert_close(rate_numbers(check), check.expected, check.tolerance)


@published_values("u_chart")
def test_rate_chart_as_printed(check, published):
    assert_published(rate_numbers(check), published)


@every_check("c_chart")
def test_count_chart(check):
    assert_close(constant_numbers(check), check.expected, check.tolerance)


@published_values("c_chart")
def test_count_chart_as_printed(check, published):
    assert_published(constant_numbers(check), published)


@every_check("t_chart")
def test_days_between_chart(check):
    # The lower limit on the transformed scale is below 0 and so is not drawn.
    expected = {k: v for k, v in check.expected.items() if k != "lcl_transformed"}
    assert_close(days_between_numbers(check), expected, check.tolerance)
    assert check.expected["lcl_transformed"] < 0


@published_values("t_chart")
def test_days_between_chart_as_printed(check, published):
    assert_printed(at_path(days_between_numbers(check), published["path"]), published)


def our_cases_between(check) -> dict:
    row = control_chart(check.table()["x"], kind="cases_between", rules="limits").table.iloc[0]
    return {"center_median": row["centre"], "ucl": row["high"], "lcl": row["low"]}


@every_check("g_chart")
def test_cases_between_chart(check):
    ours, expected = our_cases_between(check), check.expected
    for key in ("center_median", "ucl", "lcl"):
        assert_close(ours[key], expected[key], check.tolerance)
    mean = (expected["ucl"] + expected["lcl_raw"]) / 2
    assert_close(mean, expected["center_mean"], check.tolerance)


@every_check("laney_p_prime")
def test_proportion_chart_laney(check):
    assert_close(laney_proportion_numbers(check), check.expected, check.tolerance)


@every_check("laney_u_prime")
def test_rate_chart_laney(check):
    assert_close(laney_rate_numbers(check), check.expected, check.tolerance)


def rule_numbers(z: np.ndarray) -> dict[str, list[int]]:
    series = run_rules.Standardised(values=z, side=np.sign(z), z=z)
    found = {
        "beyond_3sigma": run_rules.outside_limits(series),
        "two_of_three_beyond_2sigma": run_rules.beyond_zone(series, k=2, m=3, sigmas=2),
        "four_of_five_beyond_1sigma": run_rules.beyond_zone(series, k=4, m=5, sigmas=1),
        **{f"run_of_{k}": run_rules.one_side(series, length=k) for k in (6, 7, 8, 9)},
        **{f"trend_of_{k}": run_rules.trend(series, length=k) for k in (5, 6, 7)},
    }
    return {name: sorted({p.completes + 1 for p in hits}) for name, hits in found.items()}


def runs_limit_numbers(lengths: list[int]) -> dict[str, list[int]]:
    longest, fewest = zip(*(run_rules.runs_limits(n) for n in lengths), strict=True)
    return {"longest_run_max": list(longest), "crossings_min": list(fewest)}


def our_run_rules(check) -> dict[str, list[int]]:
    if "n_useful" in check.data:
        return runs_limit_numbers(check.data["n_useful"])
    return rule_numbers(check.table()["z"].to_numpy())


@every_check("run_rules")
def test_run_rules(check):
    assert_close(our_run_rules(check), check.expected, check.tolerance)


@pytest.mark.parametrize(
    ("n", "longest", "fewest"),
    [(10, 6, 2), (12, 7, 3), (16, 7, 4), (20, 7, 6), (24, 8, 8), (28, 8, 9), (32, 8, 11)],
)
def test_runs_limits_by_exact_counting(n, longest, fewest):
    # Crossings: smallest c with P(X <= c) >= 0.05, X ~ Binomial(n - 1, 1/2), in whole numbers.
    assert run_rules.runs_limits(n) == (longest, fewest)
    tail = [Fraction(sum(comb(n - 1, k) for k in range(c + 1)), 2 ** (n - 1)) for c in range(n)]
    assert next(c for c in range(n) if tail[c] >= Fraction(1, 20)) == fewest


def test_zone_rules_false_alarms():
    # Champ & Woodall 1987, Technometrics 29:393: 91.75 points to a false signal on average.
    random = np.random.default_rng(20260101)
    first = [first_false_alarm(random.standard_normal(1000)) for _ in range(1500)]
    error = np.std(first, ddof=1) / np.sqrt(len(first))
    assert abs(np.mean(first) - 91.75) < 4 * error
    assert error < 3


def first_false_alarm(z: np.ndarray) -> int:
    """Points to the first signal; most series give one early, so the start is tried first."""
    for length in (100, 300, 1000):
        part = z[:length]
        series = run_rules.Standardised(values=part, side=np.sign(part), z=part)
        hits = run_rules.find_patterns(series, rules="zones_1956")
        if hits:
            return min(hit.completes for hit in hits) + 1
    return len(z)


@every_check("cusum")
def test_cusum(check):
    assert_close(cusum_numbers(check), check.expected, check.tolerance)


@published_values("cusum")
def test_cusum_as_printed(check, published):
    assert_published(cusum_numbers(check), published)


def cusum_numbers(check) -> dict:
    target, slack, decision = (check.params[name] for name in ("target", "k", "h"))
    table = cusum(check.table()["x"], target=target, slack=slack, decision=decision).table
    first = {way: table.loc[table[way] > decision, "order"] for way in ("high", "low")}
    return {
        "s_hi": table["high"].tolist(),
        "s_lo": table["low"].tolist(),
        "first_signal_hi": first["high"].iloc[0] if len(first["high"]) else None,
        "first_signal_lo": first["low"].iloc[0] if len(first["low"]) else None,
    }


def run_length_numbers(check) -> dict[str, float]:
    return {
        f"{sides}_sided_h{h}_mu{mu}": cusum_arl(
            slack=check.data["k"], decision=h, shift=mu, sides=sides
        )
        for sides in ("one", "two")
        for h in (4, 5)
        for mu in (0, 1)
    }


@every_check("cusum_arl")
def test_cusum_run_length(check):
    assert_close(run_length_numbers(check), check.expected, check.tolerance)


def bernoulli_numbers(check) -> dict:
    table = bernoulli_cusum(
        check.table()["y"],
        baseline_risk=check.params["p0"],
        odds_ratio=check.params["odds_ratio"],
    ).table
    return {
        "path": table["path"].tolist(),
        "weight_event": table.loc[table["value"] == 1, "weight"].iloc[0],
        "weight_no_event": table.loc[table["value"] == 0, "weight"].iloc[0],
    }


@every_check("cusum_bernoulli")
def test_bernoulli_cusum(check):
    assert_close(bernoulli_numbers(check), check.expected, check.tolerance)


def funnel_numbers(check) -> dict:
    table = check.table()
    spread = overdispersion(table["r"], table["n"], winsorise=check.params["winsorise"])
    chance = Overdispersion(**{**vars(spread), "phi_winsorised": 1.0, "tau2": 0.0})
    runs = {
        "normal": ("multiplicative", chance),
        "exact_interpolated": ("exact", None),
        "exact_step": ("exact_step", None),
        "multiplicative_od": ("multiplicative", spread),
        "additive_od": ("additive", spread),
    }
    limits = {
        name: funnel_sides(funnel_limits(spread.target, table["n"], method=method, spread=given))
        for name, (method, given) in runs.items()
    }
    return {
        "target": spread.target,
        "z": spread.table["z"].tolist(),
        "phi": spread.phi,
        "phi_winsorised": spread.phi_winsorised,
        "tau2_winsorised": spread.tau2,
        "z_additive": spread.table["z_additive"].tolist(),
        **limits,
    }


def funnel_sides(limits) -> dict[str, list[float]]:
    rows = {level: part for level, part in limits.table.groupby("level")}
    return {
        "p0.001": rows[0.998]["low_uncut"].tolist(),
        "p0.025": rows[0.95]["low_uncut"].tolist(),
        "p0.975": rows[0.95]["high_uncut"].tolist(),
        "p0.999": rows[0.998]["high_uncut"].tolist(),
    }


@every_check("funnel_plot")
def test_funnel(check):
    assert_close(funnel_numbers(check), check.expected, check.tolerance)


@pytest.mark.parametrize(
    ("size", "counts"),
    [
        (5, (0, 0, 2, 3)),
        (10, (0, 0, 3, 5)),
        (20, (0, 0, 5, 7)),
        (40, (0, 1, 8, 11)),
        (80, (1, 3, 14, 17)),
    ],
)
def test_funnel_step_limits_by_exact_counting(size, counts):
    # Binomial quantiles of a target of 0.10, also summed here in whole numbers.
    rows = funnel_limits(0.1, [size], method="exact_step").table.set_index("level")
    found = [rows.loc[0.998, "low"], rows.loc[0.95, "low"]]
    found += [rows.loc[0.95, "high"], rows.loc[0.998, "high"]]
    assert [round(share * size) for share in found] == list(counts)
    for tail, count in zip(("0.001", "0.025", "0.975", "0.999"), counts, strict=True):
        below = [Fraction(comb(size, k) * 9 ** (size - k), 10**size) for k in range(count + 1)]
        assert sum(below) >= Fraction(tail) > sum(below[:-1])


# n, base share: upper limit, signal at, chance of a false signal, chance if the share doubles.
QUARTERS = {
    (8, 0.10): (0.42, 4, 0.005, 0.056),
    (12, 0.10): (0.36, 5, 0.004, 0.073),
    (15, 0.10): (0.33, 5, 0.013, 0.164),
    (20, 0.10): (0.30, 7, 0.002, 0.087),
    (30, 0.10): (0.26, 8, 0.008, 0.239),
    (15, 0.20): (0.51, 8, 0.004, 0.213),
    (15, 0.40): (0.78, 12, 0.002, 0.648),
}


@pytest.mark.parametrize(("n", "base"), QUARTERS)
def test_power_of_a_quarter(n, base):
    # P chart at quarterly sizes, exact binomial; the chance is also summed in whole numbers.
    high, signal_at, false_signal, detect = QUARTERS[n, base]
    power = proportion_chart_power(n, base=base, true=2 * base)
    assert (round(power.high, 2), power.signal_at) == (high, signal_at)
    assert round(power.false_signal, 3) == false_signal
    assert round(power.detect, 3) == detect
    true = Fraction(str(2 * base))
    chances = [comb(n, k) * true**k * (1 - true) ** (n - k) for k in range(signal_at, n + 1)]
    assert power.detect == pytest.approx(float(sum(chances)), rel=1e-12)


def test_no_count_can_signal_where_the_limit_is_above_all_cases():
    power = proportion_chart_power(3, base=0.5, true=1.0)
    assert (power.signal_at, power.detect) == (None, 0.0)


def assert_published(numbers: dict, published: dict) -> None:
    """Compares a printed value, whose path may end in a position, or a printed list."""
    name, _, position = published["path"].partition(".")
    value = numbers[name][int(position)] if position else numbers[name]
    if isinstance(published["value"], list):
        for item, printed in zip(value, published["value"], strict=True):
            assert_printed(item, {**published, "value": printed})
    else:
        assert_printed(value, published)
