"""The aggregate of a controlled release: only what its tables show, as ranges.

Nothing exact goes in. What the release says of a number is taken from the same equations by which
it is attacked (`audit.disclosure.equations`), without who stands behind it: a hidden cell is one or
more, whatever its reason. So the ranges tell no more than the printed tables do.
"""

from __future__ import annotations

import dataclasses
import decimal
import math
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from audit.disclosure.control import control
from audit.disclosure.controlled import ControlledTable
from audit.disclosure.equations import release_of
from audit.disclosure.settings import ControlSettings
from audit.disclosure.solve import UNBOUNDED, tightened
from audit.intake.aggregate_form import CELL_KEYS, COLUMNS, HIDDEN, Aggregate, empty_table
from audit.measures.limbs import BY_LIMB
from audit.pooling.bounds import UNKNOWN, Range
from audit.pooling.build import centres_of, window_of
from audit.pooling.definitions import definitions_of
from audit.results.groups import ALL
from audit.run import AuditRun
from audit.summaries.build import summary_tables
from audit.summaries.table import SummaryTable

#: statistic of a summary table -> statistic of results.csv; others have no pooled answer
STATISTICS = {
    "count": "count",
    "share": "proportion",
    "mean": "mean",
    "sd": "sd",
    "median": "median",
    "rate": "rate",
}
COUNTED = ("count", "proportion", "rate")
#: significant digits of a time that a rate is over, and of an average whose unit has no step
DIGITS = 2
#: table -> measure of results.csv, where the table has no dimension that names it
MEASURE_OF_TABLE = {
    "knee-flexion-kept-by-limb": BY_LIMB,
    "event-rates-by-device-class": "complications_per_100_case_months",
}
#: how a table begins, kind of event -> measure of its rate or share
MEASURE_OF_KIND = {
    ("events", "complication"): "complications_per_100_cases",
    ("events", "unplanned_operation"): "unplanned_operations_per_100_cases",
    ("event-cases", "complication"): "cases_with_complication",
    ("event-cases", "unplanned_operation"): "cases_with_unplanned_operation",
    ("event-patients", "complication"): "patients_with_complication",
}
#: tables whose shares say how units are spread over categories
DESCRIBE = ("cohort-", "patients-")
RATES_BY_KIND = "complications_per_100_cases"
NOTES = (
    "Ranges from a controlled release: counts are rounded, small ones hidden. No exact number.",
    "A pooled answer from them is a range, without sampling doubt.",
)


def released_aggregate(
    controlled: Sequence[ControlledTable],
    run: AuditRun,
    *,
    settings: ControlSettings,
    period: str,
    centre: str | None = None,
) -> Aggregate:
    """What the external tables of one release say, to be pooled with other centres.

    run: gives centre, cut-off and definitions only. period: the window of the tables, such as
    year_to:2026Q3. Quartiles and curves are left out: no summary of them can be pooled. Raises
    ValueError for tables of another level, UnusableInput as `build.aggregate`.
    """
    other = sorted({one.level for one in controlled} - {"external"})
    if other or not controlled:
        raise ValueError(f"level must be external, got {', '.join(other) or 'no tables'}")
    window_of(run, period)
    ranges = _known_ranges(controlled, settings)
    rows = [row for at, one in enumerate(controlled) for row in _cells(at, one, ranges, settings)]
    cells = pd.DataFrame(rows, columns=COLUMNS["cells"]).drop_duplicates(CELL_KEYS)
    return Aggregate(
        centres=centres_of(run.cohort, centre),
        level="external",
        period=period,
        cutoff=run.cohort.cutoff.date().isoformat(),
        definitions=definitions_of(run.cohort),
        fewest_people=settings.threshold,
        tables={name: empty_table(name) for name in COLUMNS} | {"cells": cells},
        notes=NOTES,
    )


def controlled_aggregate(
    run: AuditRun, *, settings: ControlSettings, centre: str | None = None
) -> Aggregate:
    """The rolling year of a run through disclosure control, as `released_aggregate`."""
    controlled = control(summary_tables(run, period="year_to"), settings, level="external")
    period = f"year_to:{run.quarter}"
    return released_aggregate(controlled, run, settings=settings, period=period, centre=centre)


def _known_ranges(
    controlled: Sequence[ControlledTable], settings: ControlSettings
) -> Mapping[tuple[int, int, str], Range]:
    """(table, row, numerator or denominator) -> what the release says of it."""
    release = release_of([_nameless(one) for one in controlled], settings)
    low, high = tightened(release.equations())
    numbers = release.numbers
    return {
        (int(table), int(row), str(quantity)): Range(
            max(float(low[at]), 0.0), float(high[at]) if high[at] < UNBOUNDED / 2 else math.inf
        )
        for table, row, quantity, at in zip(
            numbers["table"],
            numbers["row"],
            numbers["quantity"],
            numbers["variable"],
            strict=True,
        )
    }


def _nameless(one: ControlledTable) -> ControlledTable:
    """The table without the numbers of people behind its cells, which no reader of it has."""
    return dataclasses.replace(one, table=_without_people(one.table))


def _without_people(table: SummaryTable) -> SummaryTable:
    merged = None if table.merged is None else _without_people(table.merged)
    frame = table.frame.assign(people=np.nan, people_with=np.nan)
    return dataclasses.replace(table, frame=frame, merged=merged)


def _cells(
    at: int,
    one: ControlledTable,
    ranges: Mapping[tuple[int, int, str], Range],
    settings: ControlSettings,
) -> list[dict[str, object]]:
    found = []
    for place, row in enumerate(one.frame.to_dict("records")):
        statistic = STATISTICS.get(str(row["statistic"]))
        if statistic is None or row["marker"] in ("[x]", "[z]") or _is_whole(one.table, row):
            continue
        total = ranges.get((at, place, "numerator"), UNKNOWN)
        base = ranges.get((at, place, "denominator"), Range(0.0, math.inf))
        unit = str(row["unit"])
        if statistic == "rate" and not unit.endswith(" cases"):
            base = _rounded_time(row["denominator"])
        value = _value_range(statistic, row["value"], unit, settings)
        measure, group_by, group = _named(one.table, row, statistic)
        key = (measure, statistic, group_by, group, "" if statistic == "proportion" else unit)
        reason = str(row["reason"]) if row["marker"] == HIDDEN else ""
        sides = {"total": total, "base": base, "value": value}
        found.append(
            dict(zip(CELL_KEYS, key, strict=True))
            | {f"{name}_low": _end(side.low) for name, side in sides.items()}
            | {f"{name}_high": _end(side.high) for name, side in sides.items()}
            | {"marker": row["marker"] if row["marker"] == HIDDEN else "", "reason": reason}
        )
    return found


def _is_whole(table: SummaryTable, row: Mapping) -> bool:
    """A share of all units in all units, which tells nothing."""
    describes = table.name.startswith(DESCRIBE) or "recorded" in table.dimensions
    over_all = all(row[name] == ALL for name in table.additive)
    return row["statistic"] == "share" and describes and over_all


def _end(number: float) -> float:
    return number if math.isfinite(number) else math.nan


def _value_range(statistic: str, value: float, unit: str, settings: ControlSettings) -> Range:
    """What a released value says beyond its counts: an average was rounded to its step; a share or
    a rate was made from the rounded counts and says nothing more."""
    if statistic == "proportion":
        return Range(0.0, 1.0)
    if statistic in COUNTED:
        return Range(0.0, math.inf)
    if pd.isna(value):
        return Range(0.0, math.inf) if statistic == "sd" else UNKNOWN
    step = settings.precision.get(unit)
    half = _half_digit(value) if step is None else step / 2
    return Range(value - half, value + half)


def _rounded_time(value: float) -> Range:
    if pd.isna(value):
        return Range(0.0, math.inf)
    half = _half_digit(value)
    return Range(max(value - half, 0.0), value + half)


def _half_digit(value: float) -> float:
    """Half a unit of the last significant digit shown."""
    if value == 0:
        return 0.0
    place = decimal.Decimal(repr(float(value))).adjusted() - DIGITS + 1
    return float(decimal.Decimal(1).scaleb(place)) / 2


def _named(table: SummaryTable, row: Mapping, statistic: str) -> tuple[str, str, str]:
    """(measure, group_by, group) as results.csv names them, else the table's own name."""
    names = [name for name in table.dimensions if name not in table.tied]
    dims = {name: str(row[name]) for name in names}
    measure = MEASURE_OF_TABLE.get(table.name, table.name)
    start = table.name.partition("-by-")[0]
    if table.name == "outcomes-recorded" or "criterion" in dims:
        subject = "measure" if "measure" in dims else "criterion"
        measure = f"{table.name} {dims.pop(subject)}"
    elif "measure" in dims:
        measure = dims.pop("measure")
    elif "kind" in dims:
        kind = dims.pop("kind")
        measure = MEASURE_OF_KIND.get((start, kind), f"{table.name} {kind}")
    elif start == "events" and statistic == "rate":
        measure = RATES_BY_KIND
    kept = {name: word for name, word in dims.items() if word != ALL}
    if not kept:
        return measure, ALL, ALL
    return measure, "+".join(kept), "+".join(kept.values())
