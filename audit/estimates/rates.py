"""Events over exposure: one rate and the ratio of two, with exact Poisson intervals."""

from __future__ import annotations

import math
from typing import Any

from scipy import special, stats

from audit.estimates.comparison import Comparison
from audit.estimates.estimate import LEVEL, Estimate
from audit.estimates.inputs import check_amount, check_count, check_level
from audit.estimates.particulars import Particulars
from audit.estimates.proportions import exact_limits


def rate(
    events: Any,
    exposure: Any,
    *,
    per: float = 1.0,
    n: int | None = None,
    missing: int = 0,
    level: float = LEVEL,
    unit: str = "",
) -> Estimate:
    """Events per `per` units of exposure, with Garwood's exact Poisson interval.

    events: a whole number of 0 or more; exposure: a total of 0 or more (cases, case-months);
    n: cases observed (events, if not told); missing: cases left out. Exposure 0: not estimable.
    The interval takes events as independent; several events of one patient are not: see
    `clustered_rate`. Source: Garwood 1936, Biometrika 28:437-442.
    """
    check_level(level)
    count, time = check_count(events, name="events"), check_amount(exposure, name="exposure")
    factor = check_scale(per)
    used = count if n is None else check_count(n, name="n")
    method = "rate, exact Poisson (Garwood) interval"
    about = Particulars(method=method, n=used, missing=missing, level=level, unit=unit)
    if time == 0:
        return about.nothing("no exposure")
    scale = factor / time
    low, high = poisson_limits(count, level)
    return about.estimate(count * scale, low * scale, high * scale)


def rate_ratio(e1: Any, t1: Any, e2: Any, t2: Any, *, level: float = LEVEL) -> Estimate:
    """First rate over second, (e1/t1) / (e2/t2), with the conditional exact interval.

    e: whole numbers of events; t: exposures of 0 or more in one unit. Given e1 + e2, e1 is
    binomial; its Clopper-Pearson limits are turned into limits of the ratio. No event in the
    second group: value and upper limit are infinite and the lower limit says what is known. No
    event at all, or no exposure in a group: not estimable. `n` counts the events. Source:
    Przyborowski and Wilenski 1940, Biometrika 31:313-323.
    """
    return compare_rates(e1, t1, e2, t2, level=level).estimate


def compare_rates(e1: Any, t1: Any, e2: Any, t2: Any, *, level: float = LEVEL) -> Comparison:
    """`rate_ratio` with its exact conditional p values (the binomial test).

    The two-sided p value adds up all outcomes no more likely than the one seen; it is not twice
    the smaller tail. Without any event there is nothing to test: p is None.
    """
    check_level(level)
    x1, x2 = check_count(e1, name="e1"), check_count(e2, name="e2")
    time1, time2 = check_amount(t1, name="t1"), check_amount(t2, name="t2")
    method = "ratio of two rates, conditional exact interval"
    about = Particulars(method=method, n=x1 + x2, level=level)
    test = "conditional exact test of two Poisson rates (binomial)"
    if time1 == 0 or time2 == 0:
        reason = "no exposure in " + ("both groups" if time1 == time2 else "one group")
        return Comparison(estimate=about.nothing(reason), method=test, note=reason)
    if x1 + x2 == 0:
        reason = "no events in either group"
        return Comparison(estimate=about.nothing(reason), method=test, note=reason)
    share = time1 / (time1 + time2)
    tails = {
        side: float(stats.binomtest(x1, x1 + x2, share, alternative=side).pvalue)
        for side in ("two-sided", "greater", "less")
    }
    return Comparison(
        estimate=_ratio_estimate(about, (x1, x2), time2 / time1),
        method=test,
        statistic=float(x1),
        p_value=tails["two-sided"],
        p_greater=tails["greater"],
        p_less=tails["less"],
    )


def check_scale(per: Any) -> float:
    """The number of exposure units a rate is given for, or ValueError unless above 0."""
    if check_amount(per, name="per") == 0:
        raise ValueError("per must be above 0")
    return float(per)


def poisson_limits(events: int, level: float) -> tuple[float, float]:
    """Garwood's limits for the expected number of events; the lower is 0 at no events."""
    tail = (1 - level) / 2
    low = 0.0 if events == 0 else special.gammaincinv(events, tail)
    return float(low), float(special.gammaincinv(events + 1, 1 - tail))


def _ratio_estimate(about: Particulars, events: tuple[int, int], exposure: float) -> Estimate:
    x1, x2 = events
    low, high = (
        math.inf if share == 1 else share / (1 - share) * exposure
        for share in exact_limits(x1, x1 + x2, about.level)
    )
    if x2 == 0:
        return about.estimate(math.inf, low, high, note="no events in the second group")
    return about.estimate(x1 / x2 * exposure, low, high)
