"""The interval that a published value allows, and the reason where it allows none."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

from audit.estimates.averages import t_multiplier
from audit.estimates.estimate import LEVEL, Estimate
from audit.estimates.proportions import proportion
from audit.estimates.rates import rate
from audit.intake.published_value import PublishedValue

PER = 100.0
RATE_UNIT = "events per 100 cases"
NO_N = "n of this group is not given"
NO_SPREAD = "no SD, count or interval is printed"
NO_INTERVAL = {
    "range": "only a range is printed: it widens with n and says nothing of the doubt in the value",
    "quartiles": "only quartiles are printed: they show how cases spread, not the doubt in the "
    "median",
}


def published_estimate(value: PublishedValue, *, times: float = 1.0, unit: str = "") -> Estimate:
    """A published value as an estimate, its interval made from what is printed or left out.

    times, unit: factor into our unit and its name. A 95 % interval is taken as printed. A share
    gets Wilson's interval and a rate per 100 cases the exact Poisson interval, from events and n;
    where only the figure is printed, from the whole count that gives it, and where several counts
    give it, from the lower limit of the lowest to the upper limit of the highest. A mean with SD
    and n gets mean plus and minus t x SD / sqrt(n) on n - 1 degrees of freedom (Student 1908,
    Biometrika 6:1-25). A range or quartiles give none: `note` says so. All take cases as
    independent, for nothing else is known of them. missing is 0 where it is not said.
    """
    about: dict[str, Any] = {"n": value.n or 0, "missing": value.missing or 0, "unit": unit}
    if value.events is not None or _is_counted(value):
        return _counted(value, about)
    centre = float(value.value) * times if value.value is not None else math.nan
    name = value.statistic.replace("_", " ") or "value"
    if value.interval_kind == "ci95" and value.low is not None and value.high is not None:
        about |= {"low": value.low * times, "high": value.high * times}
        return Estimate(value=centre, method=f"{name}, 95% interval as printed", **about)
    n = value.n or 0
    if value.statistic == "mean" and value.sd is not None and n > 1:
        half = t_multiplier(n - 1, LEVEL) * value.sd * times / math.sqrt(n)
        method = "mean, t interval from the printed SD and n"
        return Estimate(value=centre, low=centre - half, high=centre + half, method=method, **about)
    note = f"no interval can be made: {_why_none(value)}"
    return Estimate(value=centre, method=f"{name} as printed, no interval", note=note, **about)


def _is_counted(value: PublishedValue) -> bool:
    """True for a share or rate that rests on a whole number of events and has no printed limits."""
    of_cases = value.statistic == "proportion" or value.unit == RATE_UNIT
    return value.statistic in _OF_COUNTS and of_cases and value.interval_kind != "ci95"


def _counted(value: PublishedValue, about: dict[str, Any]) -> Estimate:
    """A share or a rate, from its events or from the counts behind the printed figure."""
    estimate = _OF_COUNTS[value.statistic]
    if value.events is not None and value.n:
        return estimate(value.events, value.n, about)
    kind = _NAMES[value.statistic]
    printed = float(value.value or 0.0) / (PER if value.unit == "%" else 1.0)
    plain = {"value": printed, "method": f"{kind} as printed, no interval", **about}
    if not value.n:
        return Estimate(**plain, note=f"no interval can be made: {NO_N}")
    found = _fitting(value)
    if not found:
        why = f"no whole count of {value.n} gives the printed {kind}"
        return Estimate(**plain, note=f"no interval can be made: {why}")
    lowest, highest = (estimate(count, value.n, about) for count in (found[0], found[-1]))
    if len(found) == 1:
        note = f"count solved from the printed {kind}: {found[0]} of {value.n}"
        return dataclasses.replace(lowest, note=note)
    note = f"{found[0]} to {found[-1]} of {value.n} give the printed {kind}; limits for all of them"
    about = {**about, "low": lowest.low, "high": highest.high, "method": lowest.method}
    return Estimate(value=printed, note=note, **about)


def _wilson(events: int, n: int, about: dict[str, Any]) -> Estimate:
    return proportion(events, n, missing=about["missing"], unit=about["unit"])


def _poisson(events: int, n: int, about: dict[str, Any]) -> Estimate:
    return rate(events, n, per=PER, **about)


_OF_COUNTS = {"proportion": _wilson, "rate": _poisson}
_NAMES = {"proportion": "share", "rate": "rate"}


def events_behind(value: PublishedValue) -> int | None:
    """The events of a share or a rate: as given, else the one count that gives the printed figure;
    None where neither tells."""
    if value.events is not None or not _is_counted(value) or not value.n:
        return value.events
    found = _fitting(value)
    return found[0] if len(found) == 1 else None


def _fitting(value: PublishedValue) -> range:
    """The counts of n that give a printed share or rate."""
    hundredths = value.statistic == "rate" or value.unit == "%"
    share = float(value.value or 0.0) / (PER if hundredths else 1.0)
    decimals = value.decimals + (2 if hundredths else 0)
    found = counts_behind(share, int(value.n or 0), decimals=decimals, parts=value.sum_of or 1)
    most = int(value.n or 0) + 1 if value.statistic == "proportion" else found.stop
    return range(found.start, min(found.stop, most))


def counts_behind(share: float, n: int, *, decimals: int, parts: int = 1) -> range:
    """The whole counts of n that round half up to a share printed with so many decimals.

    Where none does, those that give it when cut (Brown and Heathers 2017, Soc Psychol Personal Sci
    8:363-369 on granularity; papers round and cut). parts: of how many such figures `share` is the
    sum, each of them rounded. A rate above one event a case is a share above 1.
    """
    scale = 10**decimals
    wanted = round(share * scale)

    def first(times: int, halves: int) -> int:
        # the smallest k with k * scale / n >= times + halves / 2, in whole numbers
        return max(0, -(-n * (2 * times + halves) // (2 * scale)))

    rounded = range(first(wanted, -parts), first(wanted, parts))
    return rounded or range(first(wanted, 0), first(wanted, 2 * parts))


def _why_none(value: PublishedValue) -> str:
    if value.sd is not None and value.statistic != "mean":
        return "an SD gives no interval of this statistic"
    if value.sd is not None:
        return NO_N if not value.n else "one case has no spread"
    if value.interval_kind in NO_INTERVAL:
        return NO_INTERVAL[value.interval_kind]
    return NO_SPREAD
