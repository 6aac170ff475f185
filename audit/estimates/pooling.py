"""One answer from several imputed data sets (Rubin's rules)."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np

from audit.estimates.averages import t_multiplier
from audit.estimates.estimate import LEVEL, Estimate
from audit.estimates.inputs import as_numbers, check_level
from audit.estimates.particulars import Particulars


@dataclasses.dataclass(frozen=True, kw_only=True)
class Pooled:
    """A pooled estimate and the parts of its variance.

    within, between, total: variances; increase: (1 + 1/m) between / within; share_missing: part
    of the total variance due to missing data (lambda); fraction_missing: the same allowing for
    few imputations; degrees: of freedom of the t interval; degrees_1987: Rubin's large-sample ones.
    """

    estimate: Estimate
    within: float | None
    between: float | None
    total: float | None
    increase: float | None = None
    share_missing: float | None = None
    fraction_missing: float | None = None
    degrees: float | None = None
    degrees_1987: float | None = None


def pool_rubin(
    estimates: Any,
    standard_errors: Any,
    *,
    df_complete: float = math.inf,
    level: float = LEVEL,
    unit: str = "",
) -> Pooled:
    """Pools the estimates of m imputed data sets and their standard errors.

    Two columns of m numbers without gaps; df_complete: degrees of freedom that the complete data
    would have (n - 1 for a mean), infinite for large samples. t interval on the degrees of freedom
    of Barnard and Rubin 1999, Biometrika 86:948-955. `n` counts data sets. One data set: the value
    without limits, for the uncertainty of the imputation is not seen; none: not estimable. Source:
    Rubin 1987, Multiple Imputation for Nonresponse in Surveys.
    """
    check_level(level)
    values = as_numbers(estimates, name="estimates")
    errors = as_numbers(standard_errors, name="standard_errors")
    if values.size != errors.size or np.isnan(values).any() or np.isnan(errors).any():
        raise ValueError("estimates and standard_errors must be complete and of the same length")
    if (errors < 0).any():
        raise ValueError("standard_errors must be 0 or more")
    if not df_complete > 0:
        raise ValueError("df_complete must be above 0")
    method = "pooled over imputed data sets (Rubin), t interval"
    about = Particulars(method=method, n=int(values.size), level=level, unit=unit)
    if values.size < 2:
        return _unpooled(about, values.tolist())
    within, between = float((errors**2).mean()), float(values.var(ddof=1))
    return _pooled(about, float(values.mean()), (within, between), float(df_complete))


def _unpooled(about: Particulars, values: list[float]) -> Pooled:
    if values:
        estimate = about.estimate(values[0], note="one imputed data set only: no interval")
    else:
        estimate = about.nothing("no imputed data sets")
    return Pooled(estimate=estimate, within=None, between=None, total=None)


def _pooled(
    about: Particulars, centre: float, parts: tuple[float, float], df_complete: float
) -> Pooled:
    within, between = parts
    added = (1 + 1 / about.n) * between
    total = within + added
    share = added / total if total > 0 else 0.0
    increase = added / within if within > 0 else math.inf if added > 0 else 0.0
    old = (about.n - 1) / share**2 if share > 0 else math.inf
    degrees = _barnard_rubin(old, share, df_complete)
    half = t_multiplier(degrees, about.level) * math.sqrt(total)
    fraction = 1.0 if math.isinf(increase) else (increase + 2 / (degrees + 3)) / (1 + increase)
    return Pooled(
        estimate=about.estimate(centre, centre - half, centre + half),
        within=within,
        between=between,
        total=total,
        increase=increase,
        share_missing=share,
        fraction_missing=fraction,
        degrees=degrees,
        degrees_1987=old,
    )


def _barnard_rubin(old: float, share: float, df_complete: float) -> float:
    """old x observed / (old + observed), where either may be infinite."""
    if math.isinf(df_complete):
        return old
    observed = (df_complete + 1) / (df_complete + 3) * df_complete * (1 - share)
    if math.isinf(old):
        return observed
    return old * observed / (old + observed)
