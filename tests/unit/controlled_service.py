"""Exact summary tables of invented cases, counted here without the kit, for tests of control."""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.summaries.table import ALL, COLUMNS, SummaryTable

DEVICES = ("nail", "circular", "monolateral", "over_nail")
SEXES = ("female", "male")
COARSER = {"nail": "nail", "circular": "fixator", "monolateral": "fixator", "over_nail": "fixator"}
ABOUT = {"period": "2025 Q4 to 2026 Q3", "population": "invented cases"}


def cases(size: int, seed: int) -> pd.DataFrame:
    """Invented cases: person (some have several), device, sex of the person, gain, success."""
    random = np.random.default_rng(seed)
    people = max(1, int(size * random.uniform(0.6, 1)))
    sex = random.choice(SEXES, people, p=[0.4, 0.6])
    person = random.integers(0, people, size)
    return pd.DataFrame(
        {
            "person": person,
            "device": random.choice(DEVICES, size, p=random.dirichlet([3, 2, 1, 0.5])),
            "sex": sex[person],
            "gain": random.normal(45, 12, size).round(1),
            "success": random.random(size) < random.uniform(0.3, 0.97),
            "events": random.poisson(0.5, size),
        }
    )


def row(key: dict[str, str], statistic: str, **given: object) -> dict[str, object]:
    """One row of a summary table; what is not given is missing."""
    return {**key, **dict.fromkeys(COLUMNS, np.nan), "method": "", **given, "statistic": statistic}


def count(
    key: dict[str, str], units: int, of: int, *, people: int | None = None, among: int | None = None
) -> dict[str, object]:
    """A count; a person for each unit unless said."""
    return row(
        key,
        "count",
        unit="cases",
        numerator=units,
        denominator=of,
        people_with=units if people is None else people,
        people=of if among is None else among,
        value=units,
    )


def share(key: dict[str, str], units: int, of: int, **people: int) -> dict[str, object]:
    """A share with some interval; a person for each unit unless said."""
    value = units / of if of else np.nan
    limits = {"low": value, "high": value, "value": value}
    return count(key, units, of, **people) | {"statistic": "share", "unit": "share"} | limits


def average(
    key: dict[str, str],
    statistic: str,
    value: float,
    n: int,
    *,
    unit: str = "mm",
    people: int | None = None,
) -> dict[str, object]:
    """An average; a mean has some limits."""
    low, high = (value - 1, value + 1) if statistic == "mean" else (np.nan, np.nan)
    found = n if people is None else people
    return row(
        key, statistic, unit=unit, denominator=n, people=found, value=value, low=low, high=high
    )


def curve(key: dict[str, str], value: float, at_risk: int) -> dict[str, object]:
    """A curve point."""
    return row(key, "curve", unit="share", denominator=at_risk, people=at_risk, value=value)


def rate(
    key: dict[str, str], events: int, over: float, *, people: tuple[int, int], unit: str = "cases"
) -> dict[str, object]:
    """Events per 100 of something; people: with an event, in all."""
    value = 100 * events / over if over else np.nan
    return row(
        key,
        "rate",
        unit=f"events per 100 {unit}",
        numerator=events,
        denominator=over,
        people_with=people[0],
        people=people[1],
        value=value,
        low=value / 2,
        high=value * 2,
    )


def table(
    name: str, rows: list[dict[str, object]], dimensions: tuple[str, ...], **given: object
) -> SummaryTable:
    """A summary table of these rows."""
    facts = {**ABOUT, "title": name, "counted": "cases", **given}
    frame = pd.DataFrame(rows, columns=[*dimensions, *COLUMNS])
    return SummaryTable(name=name, dimensions=dimensions, frame=frame, **facts)  # type: ignore[arg-type]


def service(size: int, seed: int) -> tuple[SummaryTable, ...]:
    """Tables of one release: cases by device and sex, by both, outcomes and events by device."""
    known = cases(size, seed)
    merged = known.assign(device=known["device"].map(COARSER))
    device = by_groups(known, ("device",), name="by-device")
    fine, coarse = outcomes(known), outcomes(merged)
    return (
        SummaryTable(
            **{**device.__dict__, "coarser": {"device": COARSER},
               "merged": by_groups(merged, ("device",), name="by-device")}
        ),
        by_groups(known, ("sex",), name="by-sex"),
        by_groups(known, ("device", "sex"), name="by-device-and-sex"),
        SummaryTable(**{**fine.__dict__, "coarser": {"device": COARSER}, "merged": coarse}),
    )  # fmt: skip


def by_groups(known: pd.DataFrame, dimensions: tuple[str, ...], *, name: str) -> SummaryTable:
    """Counts and shares of all cases over every combination, with rows over all."""
    rows: list[dict[str, object]] = []
    for key, inside in groups(known, dimensions):
        people = {"people": inside["person"].nunique(), "among": known["person"].nunique()}
        rows.append(count(key, len(inside), len(known), **people))
        rows.append(share(key, len(inside), len(known), **people) | {"low": np.nan, "high": np.nan})
    return table(name, rows, dimensions, additive=dimensions)


def outcomes(known: pd.DataFrame) -> SummaryTable:
    """How many succeeded of each device, the mean gain and its standard deviation, events."""
    rows: list[dict[str, object]] = []
    for key, inside in groups(known, ("device",)):
        good, people = inside.loc[inside["success"]], inside["person"].nunique()
        behind = {"people": good["person"].nunique(), "among": people}
        rows.append(share(key, len(good), len(inside), **behind))
        if len(inside) > 1:
            rows.append(average(key, "mean", inside["gain"].mean(), len(inside), people=people))
            rows.append(average(key, "sd", inside["gain"].std(), len(inside), people=people))
        with_event = inside.loc[inside["events"] > 0, "person"].nunique()
        events = int(inside["events"].sum())
        rows.append(rate(key, events, len(inside), people=(with_event, people)))
    return table("outcomes", rows, ("device",), additive=("device",))


def groups(known: pd.DataFrame, dimensions: tuple[str, ...]):
    """(key, its cases) over every combination of categories and `ALL`."""
    keys: list[dict[str, str]] = [{}]
    for name in dimensions:
        keys = [
            {**key, name: word} for key in keys for word in (ALL, *sorted(known[name].unique()))
        ]
    for key in keys:
        inside = pd.Series(True, index=known.index)
        for name, word in key.items():
            inside &= (known[name] == word) | (word == ALL)
        yield key, known.loc[inside]
