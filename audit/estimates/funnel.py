"""Funnel limits for shares of several units round a target, and overdispersion between units.

Source: Spiegelhalter 2005, Stat Med 24:1185, doi 10.1002/sim.1970 (exact limits by interpolation;
winsorised multiplicative and additive overdispersion). A funnel compares units with batch data:
it is no league table and not for single practitioners.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from audit.estimates.inputs import as_numbers, check_aligned, check_choice, check_level

METHODS = {
    "exact": "exact binomial limits, interpolated (Spiegelhalter 2005)",
    "exact_step": "exact binomial limits, smallest count that reaches the tail",
    "multiplicative": "target +/- z sqrt(phi p(1-p)/n), phi winsorised, never below 1",
    "additive": "target +/- z sqrt(p(1-p)/n + tau2), tau2 from winsorised z, never below 0",
}


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Overdispersion:
    """Spread between units beyond chance.

    phi: mean squared z; phi_winsorised: the same after winsorising; tau2: variance between units
    from the winsorised z. All None where not estimable (`note` says why). target_source: given,
    or pooled from the same data, which is itself uncertain. table: one row a unit: order, z, z
    winsorised, z_additive (z with tau2 in its variance). n: units used; missing: units without.
    """

    target: float | None
    target_source: str
    phi: float | None = None
    phi_winsorised: float | None = None
    tau2: float | None = None
    table: pd.DataFrame
    n: int
    missing: int
    note: str


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class FunnelLimits:
    """Limits of a funnel.

    table: one row a unit and level, in the given order: order (from 1), size, level, low, high
    (cut to 0 and 1), low_uncut, high_uncut (as the formula gives them). NaN for a unit without
    cases. notes: what a caption must say.
    """

    target: float
    method: str
    table: pd.DataFrame
    notes: tuple[str, ...]


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class FunnelPositions:
    """table: one row a unit, by rising size: order, events, size, share, flag (words or empty)."""

    table: pd.DataFrame
    notes: tuple[str, ...]


def overdispersion(
    events: Any, sizes: Any, *, target: float | None = None, winsorise: float = 0.1
) -> Overdispersion:
    """Overdispersion of unit shares about a target (pooled over all units when None).

    events, sizes: whole counts, one a unit; a unit with a missing value or without cases is left
        out and counted as missing. winsorise: share of the units pulled in at each end.
    Not estimable with fewer than 2 units, or a pooled target of 0 or 1.
    ValueError for events above sizes, negative or fractional counts, winsorise outside 0 to 0.5.
    """
    if not 0 <= winsorise < 0.5:
        raise ValueError(f"winsorise must be from 0 to below 0.5, got {winsorise!r}")
    counts, cases = _units(events, sizes)
    known = ~np.isnan(counts + cases)
    used, missing = int(known.sum()), int((~known).sum())
    source = "pooled from the same units" if target is None else "given"
    if target is None and used:
        target = float(counts[known].sum() / cases[known].sum())
    reason = _why_no_spread(used, target)
    if reason or target is None:
        empty = pd.DataFrame(columns=["order", "z", "z_winsorised", "z_additive"])
        return Overdispersion(
            target=target, target_source=source, table=empty, n=used, missing=missing, note=reason
        )
    table, phi = _unit_spread(counts / cases - target, _chance(target, cases), winsorise)
    return Overdispersion(
        target=target,
        target_source=source,
        phi=float(np.nanmean(table["z"] ** 2)),
        phi_winsorised=phi,
        tau2=_between_variance(phi, _chance(target, cases[known])),
        table=table,
        n=used,
        missing=missing,
        note="" if phi > 1 else "no more spread than chance: limits are not changed",
    )


def funnel_limits(
    target: float,
    sizes: Any,
    *,
    levels: Sequence[float] = (0.95, 0.998),
    method: str = "exact",
    spread: Overdispersion | None = None,
) -> FunnelLimits:
    """Limits of the share of a unit of each size if its true share were `target`.

    target: a share above 0 and below 1. sizes: cases of each unit; missing or 0 gives NaN limits.
    method: "exact" (interpolated between counts), "exact_step" (whole counts); "multiplicative"
        and "additive" are normal limits widened by `spread` (see `overdispersion`), and never
        narrower than without it. ValueError for unknown methods, levels outside 0 to 1, or an
        overdispersed method without an estimable `spread`.
    """
    check_choice(method, METHODS, name="method")
    _check_target(target)
    cases = _cases(sizes)
    sigma = np.sqrt(_variance(target, cases, method, spread)) if method in _WIDENED else None
    pieces = []
    for level in levels:
        tails = (0.5 - check_level(level) / 2, 0.5 + level / 2)
        if sigma is not None:
            low, high = (target + stats.norm.ppf(tail) * sigma for tail in tails)
        else:
            low, high = (_exact_limit(tail, cases, target, method) for tail in tails)
        pieces.append(_level_rows(cases, level, low, high))
    table = pd.concat(pieces).sort_values(["order", "level"], ignore_index=True)
    return FunnelLimits(
        target=target, method=METHODS[method], table=table, notes=_limit_notes(table, spread)
    )


def funnel_positions(events: Any, sizes: Any, *, limits: FunnelLimits) -> FunnelPositions:
    """Where each unit lies: within the limits, or the widest level that it is outside of.

    events, sizes: as given to `funnel_limits`, in the same order. Sorted by size, never by
    result; with one unit nothing is flagged, as a funnel compares units. ValueError where the
    sizes are not those of the limits.
    """
    counts, cases = _units(events, sizes)
    first = limits.table.drop_duplicates("order")
    if not np.array_equal(first["size"].to_numpy(dtype=float), cases, equal_nan=True):
        raise ValueError("the sizes are not those that the limits were made for")
    share = counts / cases
    flags = np.full(len(cases), "", dtype=object)
    for level, rows in limits.table.groupby("level"):
        for words, outside in (
            ("below", share < rows["low_uncut"].to_numpy()),
            ("above", share > rows["high_uncut"].to_numpy()),
        ):
            flags[outside] = f"{words} the {level:.1%} limit: check the data first, then the care"
    notes = list(limits.notes)
    if len(cases) < 2:
        flags[:] = ""
        notes.append("one unit: a funnel compares units, so nothing is flagged")
    columns = {"events": counts, "size": cases, "share": share, "flag": flags}
    table = pd.DataFrame({"order": np.arange(1, len(cases) + 1), **columns})
    return FunnelPositions(
        table=table.sort_values(["size", "order"], ignore_index=True), notes=tuple(notes)
    )


_WIDENED = ("multiplicative", "additive")


def _chance(target: float, cases: np.ndarray) -> np.ndarray:
    """Variance of a unit's share by chance alone."""
    return target * (1 - target) / cases


def _unit_spread(
    away: np.ndarray, variance: np.ndarray, winsorise: float
) -> tuple[pd.DataFrame, float]:
    """Table of z by unit, and the mean squared z after winsorising (quantiles: type 7)."""
    z = away / np.sqrt(variance)
    pulled = np.clip(z, *np.nanquantile(z, [winsorise, 1 - winsorise]))
    phi = float(np.nanmean(pulled**2))
    tau2 = _between_variance(phi, variance[~np.isnan(z)])
    columns = {"z": z, "z_winsorised": pulled, "z_additive": away / np.sqrt(variance + tau2)}
    return pd.DataFrame({"order": np.arange(1, len(z) + 1), **columns}), phi


def _exact_limit(tail: float, cases: np.ndarray, target: float, method: str) -> np.ndarray:
    count = stats.binom.ppf(tail, cases, target)
    if method == "exact_step":
        return count / cases
    past = stats.binom.cdf(count, cases, target) - tail
    return (count - past / stats.binom.pmf(count, cases, target)) / cases


def _variance(
    target: float, cases: np.ndarray, method: str, spread: Overdispersion | None
) -> np.ndarray:
    if spread is None or spread.phi_winsorised is None or spread.tau2 is None:
        raise ValueError(f"method {method!r} needs an estimable spread, see overdispersion()")
    chance = _chance(target, cases)
    if method == "additive":
        return chance + max(0.0, spread.tau2)
    return chance * max(1.0, spread.phi_winsorised)


def _between_variance(phi: float, variance: np.ndarray) -> float:
    """Method of moments (DerSimonian-Laird form) on the winsorised z."""
    units, weight = len(variance), 1 / variance
    excess = units * phi - (units - 1)
    return max(0.0, float(excess / (weight.sum() - (weight**2).sum() / weight.sum())))


def _why_no_spread(used: int, target: float | None) -> str:
    if used < 2 or target is None:
        return f"units with cases: {used}, at least 2 are needed"
    return "" if 0 < target < 1 else f"the target share is {target:g}: chance gives no spread"


def _level_rows(cases: np.ndarray, level: float, low: np.ndarray, high: np.ndarray) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "order": np.arange(1, len(cases) + 1),
            "size": cases,
            "level": level,
            "low": np.clip(low, 0, 1),
            "high": np.clip(high, 0, 1),
            "low_uncut": low,
            "high_uncut": high,
        }
    )


def _limit_notes(table: pd.DataFrame, spread: Overdispersion | None) -> tuple[str, ...]:
    notes = []
    without = int(table.drop_duplicates("order")["size"].isna().sum())
    if without:
        notes.append(f"units without cases, which have no limits: {without}")
    for level, rows in table.groupby("level"):
        cut = int((rows["low_uncut"] <= 0).sum())
        if cut:
            notes.append(f"no lower {level:.1%} limit for {cut} of {len(rows)} units")
    if spread is not None:
        notes.append(f"target of the overdispersion: {spread.target_source}")
        notes += [spread.note] if spread.note else []
    return tuple(notes)


def _check_target(target: float) -> None:
    if not 0 < target < 1:
        raise ValueError(f"target must be a share above 0 and below 1, got {target!r}")


def _cases(sizes: Any) -> np.ndarray:
    cases = as_numbers(sizes, name="sizes")
    known = cases[~np.isnan(cases)]
    if (known < 0).any() or (known != np.floor(known)).any():
        raise ValueError("sizes must be whole numbers of 0 or more")
    return np.where(cases > 0, cases, np.nan)


def _units(events: Any, sizes: Any) -> tuple[np.ndarray, np.ndarray]:
    check_aligned(events, sizes, names=("events", "sizes"))
    counts, cases = as_numbers(events, name="events"), _cases(sizes)
    known = counts[~np.isnan(counts)]
    if (known < 0).any() or (known != np.floor(known)).any():
        raise ValueError("events must be whole numbers of 0 or more")
    if (counts > np.where(np.isnan(cases), np.inf, cases)).any():
        raise ValueError("a unit has more events than cases")
    return counts, cases
