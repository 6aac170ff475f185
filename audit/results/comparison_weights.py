"""Two groups weighted to the same measured case mix, and the share waiting in each."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd

from audit.estimates.estimate import Estimate, not_estimable
from audit.estimates.overlap import (
    cluster_draws,
    effective_size,
    logistic_fit,
    overlap_weights,
    resampled_weights,
    weighted_waiting,
)
from audit.results.baseline import baseline_table
from audit.settings import Settings

#: what the weights make alike: numbers known at surgery that nearly every register holds
CASE_MIX = ("age_years", "planned_gain_mm", "length_before_mm", "tibia")
#: rows of the smaller group per variable of the probability model (local choice)
FEWEST_ROWS = 5
RESAMPLES = 500
#: above this share of resamples without a value there are no limits (local choice)
_FAILING = 0.05
GROUPS = ("first", "second", "difference")
METHOD = "Kaplan-Meier with overlap weights"


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class WeightedComparison:
    """Share waiting in both groups after overlap weighting.

    case_mix: variables in the probability model; constant ones are left off. baseline: the
    weighted baseline table (None when not estimable). waiting: day -> first, second and
    difference (first minus second). n, missing: rows used and rows without a case mix.
    effective: effective number of rows a group. note: why not, or "".
    """

    case_mix: tuple[str, ...]
    baseline: pd.DataFrame | None
    waiting: dict[int, dict[str, Estimate]]
    n: int
    missing: int
    effective: tuple[float, float] | None
    note: str


def compare_weighted(
    data: pd.DataFrame, facts: pd.DataFrame, settings: Settings
) -> WeightedComparison:
    """Overlap-weighted share waiting at the fixed days of the settings, by group.

    data: patient_id, duration, observed, entry, in_first_group and the case mix, rows with a time
    only; facts: the facts shown, with an index that holds that of `data`. Rows without a complete
    case mix are left out and counted. Limits: percentiles of a patient bootstrap in which the
    probability model is fitted anew each time. Refused below 5 rows of the smaller group per
    variable, and where the case mix tells the groups apart.
    """
    known = data[[name for name in CASE_MIX if name in data]].notna().all(axis=1)
    used = data.loc[known]
    mix = tuple(name for name in CASE_MIX if name in used and used[name].nunique() > 1)
    first = used["in_first_group"].to_numpy() == 1
    lost = len(data) - len(used)
    fit = None
    reason = _too_few(first, mix)
    if not reason:
        fit = logistic_fit(used[list(mix)].to_numpy(dtype=float), first)
        reason = fit.note
    if fit is None or fit.fitted is None:
        refused = not_estimable(
            reason, n=len(used), missing=lost, method=METHOD, unit="share", level=settings.level
        )
        return WeightedComparison(
            case_mix=mix,
            baseline=None,
            waiting={day: dict.fromkeys(GROUPS, refused) for day in settings.waiting_days},
            n=len(used),
            missing=lost,
            effective=None,
            note=reason,
        )
    weight = overlap_weights(fit.fitted, first)
    in_first = pd.Series(first, index=used.index)
    return WeightedComparison(
        case_mix=mix,
        baseline=baseline_table(
            facts.loc[used.index], in_first, weights=pd.Series(weight, index=used.index)
        ),
        waiting=_waiting(used, weight, mix, settings, missing=lost),
        n=len(used),
        missing=lost,
        effective=(effective_size(weight[first]), effective_size(weight[~first])),
        note="",
    )


def _too_few(first: np.ndarray, mix: tuple[str, ...]) -> str:
    smaller = int(min(first.sum(), (~first).sum()))
    if not mix:
        return "no variable of the case mix differs between rows: nothing to weight by"
    if smaller < FEWEST_ROWS * len(mix):
        return (
            f"{smaller} rows in the smaller group for {len(mix)} variables: fewer than "
            f"{FEWEST_ROWS} per variable, below which no weights are made (local choice)"
        )
    return ""


def _waiting(
    used: pd.DataFrame,
    weight: np.ndarray,
    mix: tuple[str, ...],
    settings: Settings,
    *,
    missing: int,
) -> dict[int, dict[str, Estimate]]:
    days = settings.waiting_days
    first = used["in_first_group"].to_numpy() == 1
    # Patients numbered in the order of their ids: one seed, one answer, however rows are sorted.
    patients = np.unique(used["patient_id"].astype(str), return_inverse=True)[1]
    counts = cluster_draws(patients, resamples=RESAMPLES, seed=settings.seed)
    drawn = resampled_weights(used[list(mix)].to_numpy(dtype=float), first, counts)
    shares, spread = (_shares(used, rows, first, days) for rows in (weight[None, :], drawn))
    n = (int(first.sum()), int((~first).sum()), len(used))
    return {
        day: {
            group: _estimate(
                shares[place][0, column],
                spread[place][:, column],
                level=settings.level,
                n=n[place],
                missing=missing,
            )
            for place, group in enumerate(GROUPS)
        }
        for column, day in enumerate(days)
    }


def _shares(
    used: pd.DataFrame, weights: np.ndarray, first: np.ndarray, days: tuple[int, ...]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Weighted share waiting in the first group, the second, and their difference."""
    found = []
    for chosen in (first, ~first):
        part = used.loc[chosen]
        times = part["duration"].to_numpy(), part["observed"].to_numpy(), part["entry"].to_numpy()
        found.append(weighted_waiting(times, weights[:, chosen], days))
    return found[0], found[1], found[0] - found[1]


def _estimate(
    value: float, resampled: np.ndarray, *, level: float, n: int, missing: int
) -> Estimate:
    method = f"{METHOD}, patient bootstrap percentile interval ({len(resampled)} resamples)"
    if np.isnan(value):
        reason = "the day lies after the last follow-up of a group"
        return not_estimable(reason, n=n, missing=missing, method=METHOD, unit="share", level=level)
    failing = float(np.isnan(resampled).mean())
    low = high = None
    note = f"{failing:.1%} of the resamples give no value" if failing else ""
    if failing > _FAILING:
        note += ": no interval"
    elif np.nanmax(resampled) == np.nanmin(resampled):
        note = "all resamples agree, so they say nothing about the doubt: no interval"
    else:
        tail = (1 - level) / 2
        low, high = np.nanquantile(resampled, [tail, 1 - tail])
    return Estimate(
        value=float(value),
        low=None if low is None else float(low),
        high=None if high is None else float(high),
        level=level,
        n=n,
        missing=missing,
        method=method,
        unit="share",
        note=note,
    )
