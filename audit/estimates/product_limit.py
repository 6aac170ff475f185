"""Product-limit estimate, its variance and its three kinds of confidence limits."""

from __future__ import annotations

import numpy as np
from scipy import special

from audit.estimates.risk_sets import Counts

INTERVALS = ("log-log", "log", "plain")


def product_limit(counts: Counts) -> tuple[np.ndarray, np.ndarray]:
    """Share still waiting after each time, and the variance of its logarithm (Greenwood)."""
    at_risk = np.maximum(counts.at_risk, 1).astype(np.float64)
    left = at_risk - counts.events
    survival = np.cumprod(left / at_risk)
    with np.errstate(divide="ignore"):
        steps = np.where(counts.events > 0, counts.events / (at_risk * left), 0.0)
    return survival, np.cumsum(steps)


def limits(
    survival: np.ndarray, log_variance: np.ndarray, *, interval: str, level: float
) -> tuple[np.ndarray, np.ndarray]:
    """Confidence limits of a curve, missing where the formula has none.

    log-log: S^exp(-+ z s / ln S), undefined at S = 0 and S = 1; log: S exp(-+ z s); plain:
    S -+ z s S; the last two are kept within 0 and 1 and undefined at S = 0. s is the standard
    error of ln S.
    """
    z = z_of(level)
    with np.errstate(all="ignore"):
        error = np.sqrt(log_variance)
        if interval == "log-log":
            inside = (survival > 0) & (survival < 1)
            share = np.where(inside, survival, np.nan)
            power = np.exp(-z * error / np.log(share))
            return share**power, share ** (1 / power)
        share = np.where(survival > 0, survival, np.nan)
        if interval == "log":
            low, high = share * np.exp(-z * error), share * np.exp(z * error)
        else:
            low, high = share - z * error * share, share + z * error * share
        return np.clip(low, 0.0, 1.0), np.clip(high, 0.0, 1.0)


def z_of(level: float) -> float:
    """Normal quantile that leaves half of 1 - level above it."""
    return float(special.ndtri((1 + level) / 2))
