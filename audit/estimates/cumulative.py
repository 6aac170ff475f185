"""Cumulative sums: small lasting shifts that a chart point by point shows late.

Sources: tabular CUSUM as in the NIST/SEMATECH e-Handbook 6.3.2.3; log-likelihood weights of
Steiner et al. 2000, Biostatistics 1:441; average run length by its integral equation (Page 1954,
Biometrika 41:100).
"""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from audit.estimates.inputs import as_numbers, as_yes_no, check_aligned

NODES = 128


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Cusum:
    """A cumulative chart without a drawing.

    table: one row a point: order (from 1), value, high, low (sums for a shift up and down; a
        Bernoulli chart has `path` instead), signal (words or empty; every point from the start of
        the climb up to and while it lies beyond the decision limit). A missing value carries the
        sum on. signals: one sentence a climb; n: points with a value; missing: points without.
    """

    table: pd.DataFrame
    decision: float | None
    signals: tuple[str, ...]
    notes: tuple[str, ...]
    method: str
    n: int
    missing: int


def cusum(values: Any, *, target: float, slack: float, decision: float) -> Cusum:
    """Tabular CUSUM of individual values or means about `target`, both directions.

    slack (k) and decision (h) are in units of the values: half the shift worth finding, and the
    sum that signals. The sums are not restarted after a signal. ValueError for text or infinite
    values, a negative slack or a decision of 0 or less.
    """
    numbers = as_numbers(values)
    if not (slack >= 0 and decision > 0 and np.isfinite(target)):
        raise ValueError("cusum needs slack of 0 or more, decision above 0 and a finite target")
    high = _climb(numbers - target - slack)
    low = _climb(target - numbers - slack)
    ways = {"sum for a rise": high, "sum for a fall": low}
    return _chart(
        pd.DataFrame({"value": numbers, "high": high, "low": low}),
        ways,
        decision,
        f"CUSUM, target {target:g}, slack {slack:g}, decision limit {decision:g}",
    )


def bernoulli_cusum(
    events: Any, *, baseline_risk: Any, odds_ratio: float, decision: float | None = None
) -> Cusum:
    """CUSUM of single cases, yes or no, against a change of the odds by `odds_ratio`.

    events: yes/no per case in time order. baseline_risk: one risk, or one a case (case mix).
    odds_ratio above 1 looks for more events, below 1 for fewer. decision None: the path only.
    A case without an event or risk carries the path on and counts as missing. ValueError for
    risks not between 0 and 1, or an odds ratio of 1, 0 or less.
    Source: Steiner et al. 2000: weight log(R / (1 - p + R p)) for an event, else
    log(1 / (1 - p + R p)).
    """
    if not (0 < odds_ratio < np.inf) or odds_ratio == 1:
        raise ValueError(f"odds_ratio must be above 0 and not 1, got {odds_ratio!r}")
    if decision is not None and not decision > 0:
        raise ValueError(f"decision must be above 0 or None, got {decision!r}")
    happened = as_yes_no(events)
    risk = _risks(events, baseline_risk, len(happened))
    weight = happened * np.log(odds_ratio) - np.log(1 - risk + odds_ratio * risk)
    path = _climb(weight)
    method = f"Bernoulli CUSUM (Steiner 2000), odds ratio {odds_ratio:g}"
    way = "path for more events" if odds_ratio > 1 else "path for fewer events"
    table = pd.DataFrame({"value": np.where(np.isnan(weight), np.nan, happened), "path": path})
    return _chart(table.assign(weight=weight), {way: path}, decision, method)


def cusum_arl(*, slack: float, decision: float, shift: float = 0.0, sides: str = "two") -> float:
    """Average number of points until a CUSUM signals, for normal values with sigma 1.

    slack, decision and the true `shift` of the mean are in sigmas; sides "one" (upper) or "two".
    Source: integral equation of Page 1954, solved on Gauss-Legendre nodes; two-sided by
    1/ARL = 1/ARL_up + 1/ARL_down (exact where slack is above 0 and starts are at 0).
    """
    if sides not in ("one", "two"):
        raise ValueError(f"sides must be one of one, two; got {sides!r}")
    if not (slack >= 0 and decision > 0):
        raise ValueError("cusum_arl needs slack of 0 or more and decision above 0")
    up = _one_sided_arl(slack, decision, shift)
    if sides == "one":
        return up
    return 1 / (1 / up + 1 / _one_sided_arl(slack, decision, -shift))


def _one_sided_arl(slack: float, decision: float, shift: float) -> float:
    """ARL from 0: L(s) = 1 + L(0) Phi(k - s - shift) + integral of L(u) phi(u + k - s - shift)."""
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    u = np.append(0.0, (nodes + 1) * decision / 2)
    w = np.append(0.0, weights * decision / 2)
    start = slack - u - shift
    kernel = stats.norm.pdf(u[None, :] + start[:, None]) * w[None, :]
    kernel[:, 0] += stats.norm.cdf(start)
    return float(np.linalg.solve(np.eye(len(u)) - kernel, np.ones(len(u)))[0])


def _climb(steps: np.ndarray) -> np.ndarray:
    """Sums that never fall below 0; a missing step carries the sum on."""
    path, total = np.empty(len(steps)), 0.0
    for i, step in enumerate(steps):
        if not np.isnan(step):
            total = max(0.0, total + step)
        path[i] = total
    return path


def _risks(events: Any, baseline_risk: Any, size: int) -> np.ndarray:
    if np.ndim(baseline_risk) == 0:
        risk = np.full(size, float(baseline_risk))
    else:
        check_aligned(events, baseline_risk, names=("events", "baseline_risk"))
        risk = as_numbers(baseline_risk, name="baseline_risk")
    known = risk[~np.isnan(risk)]
    if ((known <= 0) | (known >= 1)).any():
        raise ValueError("baseline_risk must lie between 0 and 1")
    return risk


def _chart(
    table: pd.DataFrame, ways: dict[str, np.ndarray], decision: float | None, method: str
) -> Cusum:
    words: list[list[str]] = [[] for _ in range(len(table))]
    signals = []
    for way, path in ways.items():
        for first, beyond, last in _climbs_beyond(path, decision):
            signals.append(
                f"{way} beyond the decision limit at point {beyond + 1}, climbing since "
                f"point {first + 1} (signal; cause to be found)"
            )
            for point in range(first, last + 1):
                words[point].append(f"{way} beyond the decision limit")
    missing = int(table["value"].isna().sum())
    notes = [f"points without a value, which carry the sum on: {missing}"] if missing else []
    notes += ["no decision limit was given: a path without signals"] if decision is None else []
    notes += ["sums are not restarted after a signal"] if signals else []
    table = table.assign(order=np.arange(1, len(table) + 1), signal=["; ".join(w) for w in words])
    front = ["order", *(name for name in table if name not in ("order", "signal")), "signal"]
    return Cusum(
        table=table[front],
        decision=decision,
        signals=tuple(signals),
        notes=tuple(notes),
        method=method,
        n=len(table) - missing,
        missing=missing,
    )


def _climbs_beyond(path: np.ndarray, decision: float | None) -> list[tuple[int, int, int]]:
    """Start of each climb that passes the limit, first point beyond it, last point beyond it."""
    if decision is None:
        return []
    climbs = []
    zeros = np.append(np.flatnonzero(path == 0), len(path))
    starts = np.append(0, zeros[:-1] + 1) if len(zeros) > 1 else np.array([0])
    for start, stop in zip(starts, zeros, strict=True):
        beyond = start + np.flatnonzero(path[start:stop] > decision)
        if len(beyond):
            climbs.append((int(start), int(beyond[0]), int(beyond[-1])))
    return climbs
