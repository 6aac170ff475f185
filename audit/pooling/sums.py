"""Sums from which a mean, share, rate or ratio of totals and both its intervals can be made.

All are ratio estimators total / base with residuals e = y - R x. Sums of e e, e x and x x about a
centre's own R can be moved to the R of all centres without the rows, and added: the updating
formulas of Chan, Golub and LeVeque 1983, Am Stat 37:242-247, here for a ratio. The same sums over
the totals of each patient carry the cluster-robust variance (`audit.estimates.clusters`), since a
patient belongs to one centre.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from audit.estimates.inputs import as_numbers, cluster_codes
from audit.intake.aggregate_form import COUNTS, SUMS

Sums = dict[str, float | int]


def sums_of(top: Any, base: Any, patients: Any) -> Sums:
    """The sums of one group, as in `COUNTS` and `SUMS`.

    top: y of each row; base: x of each row, None for 1; patients: id of each row. Rows that lack a
    side are missing. people: distinct patients among the rows used.
    """
    y = as_numbers(top, name="top")
    x = np.ones(y.size) if base is None else as_numbers(base, name="base")
    known = ~(np.isnan(y) | np.isnan(x))
    y, x = y[known], x[known]
    total, below = float(y.sum()), float(x.sum())
    rest = y - _ratio(total, below) * x
    ids, codes = np.unique(cluster_codes(patients)[known], return_inverse=True)
    rest_by, base_by = (np.bincount(codes, weights=part, minlength=ids.size) for part in (rest, x))
    return {
        "n": int(known.sum()),
        "missing": int((~known).sum()),
        "people": int(ids.size),
        "total": total,
        "base": below,
        **_squares(rest, x, ""),
        **_squares(rest_by, base_by, "patient_"),
    }


def add_sums(rows: pd.DataFrame) -> Sums:
    """The sums of several centres together; rows: a row a centre. People of two centres are taken
    as different persons."""
    counts: Sums = {name: int(rows[name].sum()) for name in COUNTS}
    total, below = float(rows["total"].sum()), float(rows["base"].sum())
    own = np.array(
        [_ratio(y, x) for y, x in zip(rows["total"], rows["base"], strict=True)], dtype=float
    )
    shift = own - _ratio(total, below)
    added: Sums = counts | {"total": total, "base": below}
    for prefix in ("", "patient_"):
        ee, ex, xx = (
            rows[prefix + name].to_numpy(dtype=float)
            for name in ("squares", "cross", "base_squares")
        )
        added[f"{prefix}squares"] = float((ee + 2 * shift * ex + shift**2 * xx).sum())
        added[f"{prefix}cross"] = float((ex + shift * xx).sum())
        added[f"{prefix}base_squares"] = float(xx.sum())
    return {name: added[name] for name in (*COUNTS, *SUMS)}


def _ratio(total: float, base: float) -> float:
    """Total over base; 0 where there is no base, about which the squares are then taken."""
    return total / base if base > 0 else 0.0


def _squares(rest: np.ndarray, base: np.ndarray, prefix: str) -> Sums:
    return {
        f"{prefix}squares": float((rest**2).sum()),
        f"{prefix}cross": float((rest * base).sum()),
        f"{prefix}base_squares": float((base**2).sum()),
    }
