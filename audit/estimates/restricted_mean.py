"""Mean time up to a horizon: the area under a survival curve and its standard error."""

from __future__ import annotations

import numpy as np

from audit.estimates.risk_sets import Counts


def area_until(counts: Counts, survival: np.ndarray, horizon: float) -> tuple[float, float]:
    """Area under the step curve from 0 to `horizon`, and its standard error.

    Variance: the sum over event times t <= horizon of (area from t to the horizon) squared times
    d / (n (n - d)), a term being 0 where all at risk have the event (the area is then 0).
    Klein & Moeschberger, Survival Analysis, 2nd ed. 2003, section 4.5; Irwin 1949, J Hyg
    47:188-189, for the mean up to a horizon.
    """
    inside = counts.time <= horizon
    edges = np.append(counts.time[inside], horizon)
    pieces = survival[inside] * np.diff(edges)
    area_after = pieces[::-1].cumsum()[::-1]
    at_risk = counts.at_risk[inside].astype(np.float64)
    events = counts.events[inside]
    left = at_risk * (at_risk - events)
    weight = np.divide(events, left, out=np.zeros(left.size), where=left > 0)
    return float(area_after[0]), float(np.sqrt(np.sum(area_after**2 * weight)))
