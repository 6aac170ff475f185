"""What is certain of the numbers of one centre, cell by cell, exact or not."""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from audit.intake.aggregate_form import CELL_KEYS, HIDDEN, Aggregate
from audit.measures.complications import SPLITS
from audit.pooling.bounds import (
    UNKNOWN,
    Range,
    deviation_range,
    extreme_range,
    mean_range,
    rate_range,
    share_range,
    total_range,
)
from audit.pooling.exact import PER
from audit.results.groups import ALL
from schemas.leaving import COARSER

ABSENT = Range(0.0, 0.0)
ANY = Range(0.0, math.inf)
JOINED = "+"
FEW = "too few people"
#: kind of sums -> its statistics
STATISTICS_OF = {
    "share": ("proportion",),
    "rate": ("rate",),
    "mean": ("mean", "sd"),
    "ratio": ("ratio_of_totals",),
}
Key = tuple[str, ...]


@dataclasses.dataclass(frozen=True)
class Part:
    """What is certain of one centre's cell. total: units with the attribute, or events; base: units
    or exposure; value: of the statistic. hidden: why it is not exact, or empty."""

    centre: str
    total: Range
    base: Range
    value: Range
    hidden: str = ""


Cells = Mapping[Key, Part]


def range_of(statistic: str, parts: Sequence[Part], means: Sequence[Part] = ()) -> Range:
    """The range in which the pooled statistic lies; means: the parts of the mean, for sd."""
    bases = [part.base for part in parts]
    totals, values = [part.total for part in parts], [part.value for part in parts]
    if statistic == "count":
        return total_range(totals)
    if statistic == "proportion":
        return _within(share_range(totals, bases), _of_values(parts))
    if statistic == "rate":
        return _within(rate_range(totals, bases, per=PER), _of_values(parts))
    if statistic == "mean":
        return mean_range(values, bases)
    if statistic == "sd" and len(means) == len(parts):
        return deviation_range([part.value for part in means], values, bases)
    if statistic == "median":
        return extreme_range([part.value for part in parts if part.base.high > 0])
    return UNKNOWN


def parts_of_sums(rows: pd.DataFrame, kind: str) -> dict[str, list[Part]]:
    """statistic -> parts, of one key's rows of the table of sums (a row a centre)."""
    return {
        statistic: [_sums_part(row, kind, statistic) for row in rows.to_dict("records")]
        for statistic in STATISTICS_OF[kind]
    }


def part_of(aggregate: Aggregate, cells: Cells, key: Key) -> Part:
    """A centre's cell, listed or not.

    A merged category is put together from the categories that the centre lists. A category that it
    does not list has no units where its sums are exact; else it may stand in a merged one, and has
    as many as that, or as the row over all.
    """
    if key in cells:
        return cells[key]
    fine = [name for name in cells if name != key and _merged(name) == key]
    if fine:
        return _together(aggregate, cells, key, fine)
    if len(aggregate.tables["sums"]) and _is_listed(cells, key):
        return Part(aggregate.name, ABSENT, ABSENT, UNKNOWN)
    wider = [cells[name] for name in (_merged(key), (*key[:2], ALL, ALL, key[4])) if name in cells]
    most = min((part.total.high for part in wider), default=math.inf)
    size = min((part.base.high for part in wider), default=math.inf)
    why = "no row of this group, or merged into another"
    return Part(aggregate.name, Range(0.0, most), Range(0.0, size), UNKNOWN, why)


@functools.cache
def _merged(key: Key) -> Key:
    """The same cell in the declared coarser categories."""
    names, codes = key[2].split(JOINED), key[3].split(JOINED)
    words = [COARSER.get(name, {}).get(code, code) for name, code in zip(names, codes, strict=True)]
    return (*key[:3], JOINED.join(words), key[4])


def _is_listed(cells: Cells, key: Key) -> bool:
    """Whether the centre splits this measure so, and the group is one of the fine categories."""
    names, codes = key[2].split(JOINED), key[3].split(JOINED)
    known = all(code in COARSER.get(name, {}) for name, code in zip(names, codes, strict=True))
    return known and any(name[:3] == key[:3] for name in cells)


def _together(aggregate: Aggregate, cells: Cells, key: Key, fine: list[Key]) -> Part:
    """The part of a merged category. Kinds of an event have all cases below each of them."""
    parts = [cells[name] for name in fine]
    means = [cells[name] for name in ((k[0], "mean", *k[2:]) for k in fine) if name in cells]
    total, bases = total_range([part.total for part in parts]), [part.base for part in parts]
    hidden = "; ".join(sorted({part.hidden for part in parts if part.hidden}))
    if key[2] in SPLITS:
        free = Range(0.0, 1.0) if key[1] == "proportion" else ANY
        return Part(aggregate.name, total, bases[0], free, hidden)
    value = range_of(key[1], parts, means) if key[1] != "count" else ANY
    return Part(aggregate.name, total, total_range(bases), value, hidden)


def _of_values(parts: Sequence[Part]) -> Range:
    """A share or rate is a weighted mean of the centres' own."""
    return extreme_range([part.value for part in parts if part.base.high > 0])


def _within(one: Range, other: Range) -> Range:
    low, high = max(one.low, other.low), min(one.high, other.high)
    return Range(low, high) if low <= high else one


def cells_of(aggregate: Aggregate) -> dict[Key, Part]:
    """Cell (as `CELL_KEYS`) -> what is certain of it."""
    found: dict[Key, Part] = {}
    for row in aggregate.tables["cells"].to_dict("records"):
        total, base, value = (_read(row, name) for name in ("total", "base", "value"))
        why = str(row["reason"] or row["marker"] or "")
        key = tuple(str(row[name]) for name in CELL_KEYS)
        found[key] = Part(aggregate.name, total, base, value, why)
    for row in aggregate.tables["sums"].to_dict("records"):
        kind = str(row["kind"])
        for statistic in (*STATISTICS_OF[kind], *(("median",) if kind == "mean" else ())):
            unit = "" if statistic == "proportion" else row["unit"]
            key = tuple(map(str, (row["measure"], statistic, row["group_by"], row["group"], unit)))
            found[key] = _sums_part(row | {"centre": aggregate.name}, kind, statistic)
    return found


def _sums_part(row: dict, kind: str, statistic: str) -> Part:
    base, centre = float(row["base"]), str(row["centre"])
    bases = ANY if math.isnan(base) else Range(base, base)
    if row["marker"] != HIDDEN:
        total = float(row["total"])
        return Part(centre, Range(total, total), bases, _value(row, kind, statistic))
    if kind == "share":
        return Part(centre, Range(0.0, float(row["n"])), bases, Range(0.0, 1.0), FEW)
    return Part(centre, ANY if kind == "rate" else UNKNOWN, bases, UNKNOWN, FEW)


def _value(row: dict, kind: str, statistic: str) -> Range:
    base, n = float(row["base"]), int(row["n"])
    if statistic == "median":
        number = float(row["median"])
    elif statistic == "sd":
        number = math.sqrt(max(float(row["squares"]), 0.0) / (n - 1)) if n > 1 else 0.0
    else:
        scale = PER if kind == "rate" else 1.0
        number = scale * float(row["total"]) / base if base > 0 else math.nan
    return UNKNOWN if math.isnan(number) else Range(number, number)


def _read(row: dict, name: str) -> Range:
    low, high = float(row[f"{name}_low"]), float(row[f"{name}_high"])
    return Range(
        -math.inf if np.isnan(low) else low,
        math.inf if np.isnan(high) else high,
    )
