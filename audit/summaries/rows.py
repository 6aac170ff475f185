"""Rows of a summary table: a count, a share, averages, a rate, with the people behind each."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterable, Mapping
from typing import Any

import pandas as pd

from audit.estimates import averages
from audit.estimates.clusters import (
    clustered_mean,
    clustered_median,
    clustered_proportion,
    clustered_rate,
)
from audit.estimates.estimate import Estimate
from audit.settings import Settings
from audit.summaries.table import COLUMNS

Row = dict[str, object]
Rows = list[Row]
Key = Mapping[str, str]
SHARE = "share"
#: how many patients an interval rests on, in the name of its method: a number that must not leave
_PATIENTS = re.compile(r" \(\d+ clusters\)|\d+ (?=clusters)")
_NUMBERS = ("numerator", "denominator", "people_with", "people", "value", "low", "high")


@dataclasses.dataclass(frozen=True)
class Behind:
    """What stands behind a number: units and distinct people, with the attribute and in all."""

    numerator: float | None
    denominator: float
    people_with: float | None
    people: float


def summary_frame(dimensions: tuple[str, ...], rows: Iterable[Row]) -> pd.DataFrame:
    """The rows as a frame: dimensions, then `COLUMNS`; numbers are floats, missing is NaN."""
    frame = pd.DataFrame(list(rows), columns=[*dimensions, *COLUMNS])
    return frame.astype(dict.fromkeys(_NUMBERS, float))


def behind(some: pd.Series, everybody: pd.Series) -> Behind:
    """some, everybody: the person of each unit with the attribute, and of each unit in all."""
    return Behind(len(some), len(everybody), some.nunique(), everybody.nunique())


def nothing_known(everybody: pd.Series) -> Behind:
    """Behind a count for which there is nothing to count in, which is not zero."""
    return Behind(None, len(everybody), None, everybody.nunique())


def rests_on(person: pd.Series) -> Behind:
    """Behind an average: no numerator, only the units and people that it rests on."""
    return Behind(None, len(person), None, person.nunique())


def count_row(key: Key, found: Behind, *, unit: str) -> Row:
    """A count of units; missing where nothing is known."""
    return _row(key, "count", found, _plain(found.numerator, unit=unit, method="count"))


def part_row(key: Key, found: Behind) -> Row:
    """Share of all units that are in a category; it describes them, so it has no interval."""
    value = None
    if found.denominator and found.numerator is not None:
        value = found.numerator / found.denominator
    return _row(key, SHARE, found, _plain(value, unit=SHARE, method="share, no interval"))


def share_row(key: Key, yes: pd.Series, person: pd.Series, *, settings: Settings) -> Row:
    """Share of yes among the known answers, its interval taken over patients."""
    known, answers = yes.notna(), yes.astype("boolean")
    estimate = clustered_proportion(
        answers.astype(object), person, level=settings.level, unit=SHARE
    )
    found = behind(person[answers.fillna(False).astype(bool)], person[known])
    if len(yes) and not known.any():
        found = nothing_known(person)
    return _row(key, SHARE, found, estimate)


def average_rows(
    key: Key, values: pd.Series, person: pd.Series, *, settings: Settings, unit: str
) -> Rows:
    """Mean, standard deviation, median and quartiles of the values that there are.

    Intervals of mean and median are taken over patients; quartiles by linear interpolation.
    """
    # all of them, for draws depend on the order in which people are met
    values = values.astype(float)
    rest = person[values.notna()]
    plain: dict[str, Any] = {"level": settings.level, "unit": unit}
    sampling: dict[str, Any] = {"resamples": settings.resamples, "seed": settings.seed}
    found = {
        "mean": clustered_mean(values, person, **plain),
        "sd": averages.standard_deviation(values, **plain),
        "median": clustered_median(values, person, **plain, **sampling),
        "q1": averages.quantile(values, q=0.25, **plain),
        "q3": averages.quantile(values, q=0.75, **plain),
    }
    return [estimate_row(key, name, rest, estimate) for name, estimate in found.items()]


def rate_row(key: Key, table: pd.DataFrame, *, settings: Settings, below: str) -> Row:
    """Events per 100 of exposure, its interval taken over patients.

    table: person, events and exposure of each unit. below: what the exposure counts.
    """
    known = table.loc[table["events"].notna() & table["exposure"].notna()]
    estimate = clustered_rate(
        known["events"],
        known["exposure"],
        known["person"],
        per=100,
        level=settings.level,
        unit=f"events per 100 {below}",
    )
    found = Behind(
        float(known["events"].sum()) if len(known) else None,
        float(known["exposure"].sum()),
        known.loc[known["events"] > 0, "person"].nunique() if len(known) else None,
        known["person"].nunique(),
    )
    return _row(key, "rate", found, estimate)


def estimate_row(key: Key, statistic: str, person: pd.Series, estimate: Estimate) -> Row:
    """An average or a curve point that rests on the units of these people."""
    return _row(key, statistic, rests_on(person), estimate)


def _plain(value: float | None, *, unit: str, method: str) -> Estimate:
    return Estimate(value=value, unit=unit, method=method, note="nothing to count in")


def _row(key: Key, statistic: str, found: Behind, estimate: Estimate) -> Row:
    return {
        **key,
        "statistic": statistic,
        "unit": estimate.unit,
        **dataclasses.asdict(found),
        "value": estimate.value,
        "low": estimate.low,
        "high": estimate.high,
        "method": _PATIENTS.sub("", estimate.method),
    }
