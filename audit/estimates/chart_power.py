"""What a chart of quarters can show: the chance that one period signals a true change.

Exact chances, never the normal approximation: binomial for shares, Poisson for rates, of a count
above the upper 3-sigma limit of a chart that is centred at the base.
"""

from __future__ import annotations

import math

from scipy import stats

from audit.estimates.chart_limits import ChartPower, proportion_chart_power

__all__ = ["ChartPower", "proportion_chart_power", "rate_chart_power"]


def rate_chart_power(n: float, *, base: float, true: float) -> ChartPower:
    """Chance that a period of exposure `n` lies above the upper limit of a U chart at `base`.

    n: exposure of the period (cases, or any unit); base, true: events per unit of it. `high` of
    the result is a rate, `n` the exposure rounded. ValueError for an exposure or base of 0 or
    less, or a negative true rate.
    """
    if not (n > 0 and base > 0 and true >= 0):
        raise ValueError("power needs n and base above 0 and true of 0 or more")
    high = base + 3 * math.sqrt(base / n)
    at = math.floor(n * high + 1e-9) + 1
    return ChartPower(
        n=round(n),
        high=high,
        signal_at=at,
        false_signal=float(stats.poisson.sf(at - 1, n * base)),
        detect=float(stats.poisson.sf(at - 1, n * true)),
    )
