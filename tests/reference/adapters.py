"""Our side of the reference checks of survival and bootstrap methods, as plain functions.

Each function takes a check and gives our numbers under the keys of its expected values, so that
the tests and the table of `tests.benchmarks.reference_table` compare the very same numbers.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from audit.estimates.averages import t_multiplier
from audit.estimates.bootstrap import bootstrap_distribution
from audit.estimates.clusters import clustered_mean
from audit.estimates.compare import compare_at, compare_curves, restricted_mean_difference
from audit.estimates.compare_incidence import compare_incidence
from audit.estimates.competing import CumulativeIncidence, cumulative_incidence
from audit.estimates.estimate import Estimate
from audit.estimates.fisher import fisher_exact_rxc
from audit.estimates.interval_survival import IntervalCurve, interval_survival_curve
from audit.estimates.multiplicity import adjust_p_values
from audit.estimates.proportional_hazards import (
    APPROXIMATION,
    SCORE_TEST,
    TRANSFORMS,
    proportional_hazards_check,
)
from audit.estimates.recurrent import MeanCumulativeFunction, mean_cumulative_function
from audit.estimates.regression import CoxModel, cox_model
from audit.estimates.survival import SurvivalCurve, cumulative_hazard, survival_curve
from tests.reference.checks import Check

Numbers = dict[str, Any]

TIMES = ("time", "time_years", "exit")
EVENTS = ("status", "death", "event")
INTERVALS = {"loglog": "log-log", "log": "log", "plain": "plain"}
Z95 = 1.959963984540054


def columns(table: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """Duration and event column of a data set, by its own names."""
    time = next(name for name in TIMES if name in table)
    event = next(name for name in EVENTS if name in table)
    return table[time], table[event]


def curve_of_check(check: Check, interval: str = "log-log") -> SurvivalCurve:
    """The product-limit curve of a check."""
    return survival_curve(*columns(check.table()), interval=interval)


def event_rows(curve: SurvivalCurve) -> pd.DataFrame:
    """The rows of a curve that have events."""
    return curve.table[curve.table["events"] > 0]


def rows_at(curve: SurvivalCurve | CumulativeIncidence, times: list[float]) -> np.ndarray:
    """Position of the row in force at each time."""
    return np.searchsorted(curve.counts.time, times, side="right") - 1


def our_curve(check: Check) -> Numbers:
    rows = event_rows(curve_of_check(check))
    ours: Numbers = {
        "time": rows["time"],
        "n_risk": rows["at_risk"],
        "n_event": rows["events"],
        "survival": rows["survival"],
        "se_greenwood": rows["std_error"],
    }
    for key, interval in INTERVALS.items():
        rows = event_rows(curve_of_check(check, interval))
        ours |= {f"{key}_lower": rows["low"], f"{key}_upper": rows["high"]}
    return ours


def our_shares(check: Check) -> Numbers:
    curve, times = curve_of_check(check), check.expected["times"]
    ours: Numbers = {
        "times": times,
        "n_risk": curve.at_risk_table(times)["at_risk"],
        "survival": [curve.at(t).value for t in times],
        "se_greenwood": curve.std_error[rows_at(curve, times)],
    }
    for key in ("loglog", "log"):
        found = [curve_of_check(check, INTERVALS[key]).at(t) for t in times]
        ours |= {f"{key}_lower": [e.low for e in found], f"{key}_upper": [e.high for e in found]}
    return ours


def quartiles(check: Check, key: str) -> dict[str, Estimate]:
    """The three quartiles of time of a check, with one kind of limits."""
    curve = curve_of_check(check, INTERVALS[key])
    return {"q25": curve.quantile(0.25), "median": curve.median(), "q75": curve.quantile(0.75)}


def our_quartiles(check: Check) -> Numbers:
    ours: Numbers = {}
    for key in INTERVALS:
        ours[key] = {}
        for name, found in quartiles(check, key).items():
            prefix = "" if name == "median" else f"{name}_"
            limits = {f"{prefix}lower": found.low, f"{prefix}upper": found.high}
            ours[key] |= {name: found.value} | limits
    return ours


def our_restricted_mean(check: Check) -> Numbers:
    tau = check.params["tau"]
    found = curve_of_check(check).restricted_mean(tau)
    return {
        "rmst": found.value,
        "se": (found.high - found.low) / (2 * Z95),
        "rmtl": tau - found.value,
        "lower": found.low,
        "upper": found.high,
    }


def our_hazard(check: Check) -> Numbers:
    table = cumulative_hazard(*columns(check.table()))
    rows = table[table["events"] > 0]
    return {"time": rows["time"], "cumhaz": rows["hazard"], "se_aalen": rows["std_error"]}


def at_next_row(curve: SurvivalCurve, times: list[float]) -> pd.Series:
    """What R prints as n.risk between two rows: the number at risk at the next row.

    With late entry that can exceed the number at risk at the time asked, which is what
    `at_risk_table` gives: cases that enter between the two are in R's number.
    """
    rows = np.searchsorted(curve.counts.time, times, side="left")
    return curve.table["at_risk"].iloc[rows]


def our_late_entry(check: Check) -> Numbers:
    table = check.table()
    start = check.params.get("conditional_on", 0)
    table = table[table["exit"] > start]
    curve = survival_curve(
        table["exit"], table["event"], table["entry"].clip(lower=start), unit="months"
    )
    if "time" in check.expected:
        rows = event_rows(curve)
        return {
            "time": rows["time"],
            "n_risk": rows["at_risk"],
            "n_event": rows["events"],
            "survival": rows["survival"],
            "se_greenwood": rows["std_error"],
            "loglog_lower": rows["low"],
            "loglog_upper": rows["high"],
        }
    times = check.expected["times"]
    return {
        "times": times,
        "n_risk": at_next_row(curve, times),
        "survival": [curve.at(t).value for t in times],
        "se_greenwood": curve.std_error[rows_at(curve, times)],
    }


def our_log_rank(check: Check) -> Numbers:
    """Log-rank test of a check: plain, with weights, or within strata."""
    table, strata = check.table(), check.data.get("strata")
    found = compare_curves(
        table["time"],
        table["status"],
        table[check.data["group"]],
        None if strata is None else table[strata],
        weights="rho1" if check.method == "logrank_weighted" else "logrank",
    )
    return {
        "chi2": found.chi2,
        "df": found.df,
        "p": found.p,
        "observed": found.table["observed"],
        "expected": found.table["expected"],
        "groups": [str(label) for label in found.table["group"]],
    }


def our_fixed_time(check: Check) -> Numbers:
    table, t = check.table(), check.params["time"]
    curves = [
        survival_curve(rows["time"], rows["status"])
        for _, rows in table.groupby(check.data["group"])
    ]
    found = compare_at(*curves, t=t)
    first, second = (curve.at(t).value for curve in curves)
    return {
        "S1": first,
        "S2": second,
        "difference": found.difference.value,
        "chi2": found.chi2,
        "p": found.p,
    }


def our_mean_difference(check: Check) -> Numbers:
    curves = {
        arm: survival_curve(rows["time_years"], rows["death"], unit="years")
        for arm, rows in check.table().groupby(check.data["group"])
    }
    found = restricted_mean_difference(curves[1], curves[0], t=check.params["tau"])
    return {
        "difference": found.difference.value,
        "se": found.std_error,
        "lower": found.difference.low,
        "upper": found.difference.high,
        "p": found.p,
    }


def cox_table(check: Check) -> pd.DataFrame:
    """The data of a Cox check, with the group as a number and the row as a cluster."""
    table = check.table()
    if "group" in table:
        table["six"] = (table["group"] == "6-MP").astype(int)
    table["row"] = np.arange(len(table))
    return table


def cox_of_check(check: Check, *, cluster: str | None = None) -> CoxModel:
    """The Cox model of a check."""
    return cox_model(
        cox_table(check),
        duration="time",
        event="status",
        covariates=check.expected["variables"],
        strata=check.data.get("strata"),
        cluster=cluster,
    )


def our_cox(check: Check) -> Numbers:
    cluster = None
    if "cluster" in check.data:
        cluster = "inst" if check.data["cluster"] == "inst" else "row"
    model = cox_of_check(check, cluster=cluster)
    ours = {
        "coef": model.table["coef"],
        "se": model.table["model_std_error"],
        "loglik": model.log_likelihood,
        "loglik_null": model.log_likelihood_null,
        "n": model.n,
        "events": model.events,
        "hr_lower": model.table["low"],
        "hr_upper": model.table["high"],
    }
    return ours | ({"robust_se": model.table["std_error"]} if cluster else {})


def our_hazards_check(check: Check) -> Numbers:
    ours: Numbers = {}
    for transform in TRANSFORMS:
        found = proportional_hazards_check(cox_of_check(check), transform=transform)
        score, older = (found[found["formula"] == kind] for kind in (SCORE_TEST, APPROXIMATION))
        ours[f"score_test_{transform}"] = {
            "chi2": score["chi2"][:-1],
            "p": score["p"][:-1],
            "global_chi2": score["chi2"].iloc[-1],
            "global_p": score["p"].iloc[-1],
        }
        ours[f"old_approximation_{transform}"] = {"chi2": older["chi2"], "p": older["p"]}
    return ours


def incidence_of(check: Check, interval: str = "log-log") -> CumulativeIncidence:
    """The cumulative incidence of a check."""
    table = check.table()
    cause = check.data.get("cause", 1)
    return cumulative_incidence(table["time"], table["cause"], cause, interval=interval)


def our_incidence(check: Check) -> Numbers:
    curve, times = incidence_of(check), check.expected["times"]
    found, rows = [curve.at(t) for t in times], rows_at(curve, times)
    return {
        "times": times,
        "cif": [e.value for e in found],
        "se_delta_greenwood": curve.std_error[rows],
        "se_survfit_ij": curve.std_error[rows],
        "loglog_lower_delta": [e.low for e in found],
        "loglog_upper_delta": [e.high for e in found],
    }


def our_gray(check: Check) -> Numbers:
    table = check.table()
    found = [
        compare_incidence(table["time"], table["cause"], cause, table[check.data["group"]])
        for cause in check.expected["causes"]
    ]
    return {
        "statistic": [test.chi2 for test in found],
        "df": [test.df for test in found],
        "p": [test.p for test in found],
    }


def mean_function(check: Check, interval: str) -> MeanCumulativeFunction:
    """The mean cumulative function of a check."""
    table = check.table()
    times = table["stop"] if "stop" in table else table["time"]
    return mean_cumulative_function(
        table["id"], times, table["event"], table.get("start"), interval=interval
    )


def our_mean_function(check: Check) -> Numbers:
    times = check.expected["times"]
    table = mean_function(check, "log").table
    rows = np.searchsorted(table["time"], times, side="right") - 1
    ours: Numbers = {"times": times}
    for column, key in (("std_error", "se_robust"), ("poisson_std_error", "se_poisson")):
        ours[key] = np.where(rows >= 0, table[column].to_numpy()[np.maximum(rows, 0)], 0.0)
    for interval in ("log", "plain"):
        found = [mean_function(check, interval).at(t) for t in times]
        ours["mcf"] = [e.value for e in found]
        limits = {f"lower_{interval}": [e.low for e in found]}
        ours |= limits | {f"upper_{interval}": [e.high for e in found]}
    return ours


def interval_curve_of(check: Check) -> IntervalCurve:
    """The interval-censored curve of a check."""
    table = check.table()
    return interval_survival_curve(table["left"], table["right"])


def our_masses(check: Check) -> Numbers:
    curve = interval_curve_of(check)
    ours = {column: curve.table[column] for column in ("left", "right", "mass")}
    return ours | {"loglik": curve.log_likelihood}


def half_width_over_t(estimate: Estimate, clusters: int) -> float:
    """The standard error behind a symmetric t interval over clusters."""
    return (estimate.high - estimate.value) / t_multiplier(clusters - 1, estimate.level)


def our_ideal_bootstrap(check: Check) -> Numbers:
    table = check.table().assign(row=lambda t: np.arange(len(t)))
    # 126 distinct resamples stand for all 3125.
    found = bootstrap_distribution(table, "mean", "row", column="x", resamples=126)
    low, high = found.limits(0.95)
    return {
        "enumerated": found.enumerated,
        "n_resamples": len(table) ** len(table),
        "se": found.standard_error(),
        "percentile_lower_type1": low,
        "percentile_upper_type1": high,
        "theta": found.value,
        "z0_midtie": found.bias_correction(),
        "acceleration": found.acceleration(),
    }


def our_cluster_bootstrap(check: Check, statistic: Any = "proportion") -> Numbers:
    table, cluster = check.table(), check.data["cluster"]
    column = None if callable(statistic) else "event"
    found = bootstrap_distribution(table, statistic, cluster, column=column)
    low, high = found.limits(0.95)
    robust = clustered_mean(table["event"], table[cluster])
    return {
        "estimate": found.value,
        "se_cluster_bootstrap": found.standard_error(),
        "percentile_lower_type1": low,
        "percentile_upper_type1": high,
        "se_cluster_robust": half_width_over_t(robust, table[cluster].nunique()),
    }


def our_city_bootstrap(check: Check) -> Numbers:
    """All 92 378 distinct resamples; the check itself is random, hence its 3 %."""
    table = check.table().assign(city=lambda t: np.arange(len(t)))
    found = bootstrap_distribution(
        table, "rate", "city", column="x", exposure="u", resamples=100_000
    )
    return {
        "enumerated": found.enumerated,
        "ratio": found.value,
        "se": found.standard_error(),
        "percentile": found.limits(0.95),
        "bca": found.limits(0.95, interval="bca"),
    }


def our_adjusted(check: Check) -> Numbers:
    return {key: adjust_p_values(check.data["p"], method=key) for key in check.expected}


def our_fisher_rxc(check: Check) -> Numbers:
    return {"p": fisher_exact_rxc(check.data["table"]).p_value}
