"""Every shared reference check beside our numbers: `python -m tests.benchmarks.reference_table`.

Our side comes from the functions that the reference tests compare, the other side and its
tolerance from `tests/reference/data/stats_checks.json`. Exit code 1 when any quantity is outside
its tolerance or is neither compared nor left out for a stated reason.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from tests.reference import adapters
from tests.reference import test_reference_basic as basic
from tests.reference import test_reference_basic_groups as groups
from tests.reference import test_reference_charts as charts
from tests.reference.checks import Check, as_items, assert_close, checks_of, methods

Adapter = Callable[[Check], Mapping[str, Any]]

ADAPTERS: dict[str, Adapter] = {
    "aalen_johansen": adapters.our_incidence,
    "bland_altman": basic.our_agreement,
    "bootstrap_exact_enumeration": adapters.our_ideal_bootstrap,
    "bootstrap_monte_carlo": adapters.our_city_bootstrap,
    "c_chart": charts.constant_numbers,
    "cluster_bootstrap": adapters.our_cluster_bootstrap,
    "cox_cluster_robust": adapters.our_cox,
    "cox_ph": adapters.our_cox,
    "cusum": charts.cusum_numbers,
    "cusum_arl": charts.run_length_numbers,
    "cusum_bernoulli": charts.bernoulli_numbers,
    "difference_of_proportions": basic.our_difference,
    "fisher_exact": groups.our_fisher,
    "fisher_exact_rxc": adapters.our_fisher_rxc,
    "fixed_time_comparison": adapters.our_fixed_time,
    "funnel_plot": charts.funnel_numbers,
    "g_chart": charts.our_cases_between,
    "gray_test": adapters.our_gray,
    "holm": adapters.our_adjusted,
    "icc": basic.our_icc,
    "interval_npmle": adapters.our_masses,
    "kaplan_meier": adapters.our_curve,
    "laney_p_prime": charts.laney_proportion_numbers,
    "laney_u_prime": charts.laney_rate_numbers,
    "left_truncation": adapters.our_late_entry,
    "lin_ccc": basic.our_concordance,
    "logrank": adapters.our_log_rank,
    "logrank_weighted": adapters.our_log_rank,
    "mann_whitney": groups.our_mann_whitney,
    "mean_cumulative_function": adapters.our_mean_function,
    "median_survival_ci": adapters.our_quartiles,
    "nelson_aalen": adapters.our_hazard,
    "p_chart": charts.proportion_numbers,
    "ph_test": adapters.our_hazards_check,
    "poisson_rate": basic.our_rate,
    "proportion_ci": basic.our_proportion,
    "rate_ratio": basic.our_rate_ratio,
    "repeatability": basic.our_repeatability,
    "rmst": adapters.our_restricted_mean,
    "rmst_difference": adapters.our_mean_difference,
    "rubin_pooling": groups.our_pool,
    "run_rules": charts.our_run_rules,
    "standardised_mean_difference": groups.our_differences,
    "stratified_logrank": adapters.our_log_rank,
    "survival_at_fixed_times": adapters.our_shares,
    "t_chart": charts.days_between_numbers,
    "u_chart": charts.rate_numbers,
    "wilcoxon_signed_rank": groups.our_signed_rank,
    "xmr_chart": charts.individual_numbers,
}

NO_ADAPTER = {
    "cox_ph_breslow": "value to recognise: ties are handled after Efron, and a test holds ours off",
    "interval_npmle_closed": "value to recognise: visits taken as closed intervals, which is wrong",
}

INPUT, OTHER_FORM = "an input of the check, not a result", "another form of the result, not offered"

#: method -> expected keys that are not compared, with the reason
LEFT_OUT: dict[str, dict[str, str]] = {
    "aalen_johansen": {
        "times": INPUT,
        "cif_survfit": "second route of R to the compared incidence",
        "cif_cuminc": "second route of R to the compared incidence",
        "se_aalen_cuminc": "Aalen's variance, another form; ours is the delta method",
        "loglog_lower_aalen": "limits from Aalen's variance, another form",
        "loglog_upper_aalen": "limits from Aalen's variance, another form",
    },
    "bland_altman": {"multiplier": INPUT},
    "bootstrap_exact_enumeration": {
        "n_resamples": INPUT,
        "z0_strict": "ties are counted half, as scipy does",
    },
    "bootstrap_monte_carlo": {"R": INPUT},
    "cluster_bootstrap": {
        "n_resamples": INPUT,
        "se_cluster_robust_no_df": OTHER_FORM,
        "se_naive_binomial": "the error that ignores clusters, kept to recognise",
    },
    "cox_cluster_robust": {"variables": INPUT},
    "cox_ph": {"variables": INPUT},
    "fisher_exact": {
        "r_fisher_test_printed_lower": "R stops its root search early",
        "r_fisher_test_printed_upper": "R stops its root search early",
    },
    "g_chart": {
        "center_mean": "the centre drawn is the median; a test ties the mean to the limits",
        "lcl_raw": "negative, so the limit drawn is 0",
        "prob_limit_upper_99865": OTHER_FORM,
        "theoretical_median": OTHER_FORM,
    },
    "gray_test": {"causes": INPUT},
    "interval_npmle": {
        "npsurv_mass": "a second package's fit of the compared masses",
        "npsurv_loglik": "a second package's fit of the compared likelihood",
    },
    "left_truncation": {"times": INPUT},
    "mean_cumulative_function": {
        "times": INPUT,
        "at_risk": "not compared by the tests",
        "se_survfit_ij": "second route of R to the compared robust error",
    },
    "ph_test": {"variables": INPUT},
    "proportion_ci": {"agresti_coull_untruncated": OTHER_FORM},
    "rubin_pooling": {"df_mitools_complete": "another package's small-sample degrees of freedom"},
    "survival_at_fixed_times": {"times": INPUT},
    "t_chart": {
        "power": INPUT,
        "lcl_transformed": "below 0 on the transformed scale, so it is not drawn",
    },
}


@dataclasses.dataclass(frozen=True, kw_only=True)
class Row:
    """One compared number."""

    id: str
    method: str
    path: str
    ours: Any
    reference: Any
    tolerance: str
    inside: bool

    @property
    def difference(self) -> float | None:
        """Ours minus the reference, or None where one is not a finite number."""
        pair = (self.ours, self.reference)
        if any(isinstance(item, str | bool) or item is None for item in pair):
            return None
        return float(self.ours - self.reference) if all(map(math.isfinite, pair)) else None


def rows_of(check: Check) -> list[Row]:
    """Every number of a check beside ours; a key without our number and reason is outside."""
    ours, left_out = ADAPTERS[check.method](check), LEFT_OUT.get(check.method, {})
    rows = []
    for key, expected in check.expected.items():
        if key in left_out:
            continue
        if key in ours:
            pairs = list(_pairs(ours[key], expected, key))
        else:
            pairs = [(key, "no number of ours", expected)]
        rows += [_row(check, *pair) for pair in pairs]
    return rows


def all_rows() -> list[Row]:
    """The rows of every check of a method with an adapter."""
    covered = [method for method in methods() if method in ADAPTERS]
    return [row for method in covered for check in checks_of(method) for row in rows_of(check)]


def unexplained() -> list[str]:
    """Methods of the file that have neither an adapter nor a stated reason."""
    return sorted(set(methods()) - set(ADAPTERS) - set(NO_ADAPTER))


def _pairs(ours: Any, expected: Any, path: str) -> Iterator[tuple[str, Any, Any]]:
    """Path, our value and the expected one, for each single value."""
    if isinstance(expected, Mapping):
        for key, item in expected.items():
            yield from _pairs(ours.get(key, "no number of ours"), item, f"{path}.{key}")
    elif isinstance(expected, list):
        items = as_items(ours)
        if len(items) != len(expected):
            yield f"{path}.length", len(items), len(expected)
        elif not expected:
            yield f"{path}.length", 0, 0
        else:
            for place, (item, wanted) in enumerate(zip(items, expected, strict=True)):
                yield from _pairs(item, wanted, f"{path}[{place}]")
    else:
        yield path, ours, {"inf": math.inf, "-inf": -math.inf}.get(expected, expected)


def _row(check: Check, path: str, ours: Any, reference: Any) -> Row:
    try:
        assert_close(ours, reference, check.tolerance)
        inside = True
    except (AssertionError, TypeError):
        inside = False
    tolerance = " ".join(f"{kind} {size:g}" for kind, size in check.tolerance.items())
    return Row(
        id=check.id,
        method=check.method,
        path=path,
        ours=ours,
        reference=reference,
        tolerance=tolerance,
        inside=inside,
    )


def _text(value: Any) -> str:
    if value is None:
        return "-"
    return value if isinstance(value, str) else f"{value:.9g}"


def lines(rows: list[Row]) -> list[str]:
    """The table as text."""
    layout = "{:<40} {:<29} {:<38} {:>15} {:>15} {:>10}  {:<19} {}"
    names = ("id", "method", "quantity", "ours", "reference", "difference", "tolerance", "verdict")
    made = [layout.format(*names)]
    for row in rows:
        gap = "-" if row.difference is None else f"{row.difference:.1e}"
        verdict = "inside" if row.inside else "OUTSIDE"
        cells = (_text(row.ours), _text(row.reference), gap, row.tolerance, verdict)
        made.append(layout.format(row.id, row.method, row.path, *cells))
    return made


def summary(rows: list[Row]) -> list[str]:
    """The last lines: counts, what is left out and why."""
    inside = sum(row.inside for row in rows)
    checked, total = len({row.id for row in rows}), sum(len(checks_of(m)) for m in methods())
    made = [f"left out: {m}.{k}: {why}" for m, keys in LEFT_OUT.items() for k, why in keys.items()]
    made += [f"{checked} of {total} checks of {len({row.method for row in rows})} methods compared"]
    made += [f"{len(rows)} quantities, {inside} inside tolerance, {len(rows) - inside} outside"]
    made += [f"method without an adapter: {name}: {why}" for name, why in NO_ADAPTER.items()]
    made += [f"method without an adapter or a reason: {name}" for name in unexplained()]
    return made


def main() -> int:
    """Prints the table; 1 if any quantity is outside or a method is not accounted for."""
    rows = all_rows()
    print("\n".join(lines(rows) + summary(rows)))
    return 0 if rows and all(row.inside for row in rows) and not unexplained() else 1


if __name__ == "__main__":
    raise SystemExit(main())
