"""When a falling curve first reaches a level: the rule for medians and other quantiles."""

from __future__ import annotations

import numpy as np

TOLERANCE = 1e-9
"""Two shares closer than this are the same share: 1/2 built from products may end in ...01."""


def time_at_level(time: np.ndarray, curve: np.ndarray, level: float) -> float | None:
    """First time at which `curve` is at or below `level`; None when it never is.

    Where the curve runs flat exactly at the level, every time on the flat part fits, and the
    middle of it is given: from the start of the flat part to the next drop, or to the last time
    if there is none. Missing values of the curve (limits that do not exist) are passed over.
    The curve of a confidence limit is treated in the same way. This is the rule of
    quantile.survfit of the R package survival, after Brookmeyer & Crowley 1982, Biometrics
    38:29-41, for the limits.
    """
    with np.errstate(invalid="ignore"):
        reached = np.flatnonzero(curve <= level + TOLERANCE)
        if reached.size == 0:
            return None
        first = reached[0]
        if curve[first] < level - TOLERANCE:
            return float(time[first])
        lower = np.flatnonzero(curve[first:] < level - TOLERANCE)
    end = time[first + lower[0]] if lower.size else time[-1]
    return float((time[first] + end) / 2)
