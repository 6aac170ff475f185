"""Estimators: arrays or columns in, an Estimate out. Loaded on first use, for a quick start."""

from __future__ import annotations

import importlib
from typing import Any

#: module -> the names it gives
_GIVES: dict[str, str] = {
    "agreement": "agreement Agreement repeatability Repeatability lin_ccc concordance Concordance",
    "averages": "mean median quantile standard_deviation minimum maximum ratio_of_totals",
    "balance": "standardised_difference standardised_difference_yes_no "
    "standardised_difference_categories standardised_difference_of_shares",
    "bootstrap": "cluster_bootstrap bootstrap_distribution",
    "chart_limits": "proportion_chart_power",
    "chart_settings": "ChartSettings Rebase",
    "charts": "control_chart ControlChart",
    "clustered_regression": "clustered_regression ClusteredModel",
    "clustered_survival": "clustered_survival_curve",
    "clusters": "clustered_mean clustered_ratio_of_totals clustered_proportion clustered_rate "
    "clustered_median clustered_quantile effective_number",
    "compare": "compare_curves CurveComparison Contrast compare_at restricted_mean_difference",
    "compare_incidence": "compare_incidence",
    "comparison": "Comparison",
    "competing": "cumulative_incidence CumulativeIncidence",
    "cumulative": "cusum bernoulli_cusum cusum_arl Cusum",
    "estimate": "Estimate not_estimable",
    "fisher": "fisher_exact fisher_exact_rxc",
    "funnel": "funnel_limits FunnelLimits overdispersion Overdispersion funnel_positions "
    "FunnelPositions",
    "icc": "icc icc_forms",
    "interval_survival": "interval_survival_curve IntervalCurve interval_quantile",
    "multiplicity": "holm adjust_p_values",
    "pooling": "pool_rubin Pooled",
    "proportional_hazards": "proportional_hazards_check",
    "proportions": "proportion proportion_difference",
    "rare_events": "counted_chart_fits cases_between days_between Gaps",
    "rates": "rate rate_ratio compare_rates",
    "recurrent": "mean_cumulative_function MeanCumulativeFunction",
    "regression": "cox_model CoxModel",
    "resampling": "Resamples",
    "run_rules": "RULE_SETS runs_limits",
    "survival": "SurvivalCurve survival_curve follow_up cumulative_hazard",
    "two_groups": "mann_whitney wilcoxon_signed_rank",
}
_HOMES = {name: home for home, names in _GIVES.items() for name in names.split()}

__all__ = sorted(_HOMES)


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"audit.estimates has no estimator named {name!r}")
    return getattr(importlib.import_module(f"audit.estimates.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return __all__
