"""Two releases side by side: does the difference give away the few who came or left in between?"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np
import pandas as pd

from audit.disclosure.controlled import ControlledTable
from audit.disclosure.equations import Release, release_of
from audit.disclosure.facts_known import Cell
from audit.disclosure.settings import ControlSettings
from audit.disclosure.solve import UNBOUNDED, tightened

COLUMNS = [
    "table",
    "cell",
    "statistic",
    "quantity",
    "period_before",
    "period_now",
    "low",
    "high",
    "pinned",
    "flagged",
    "note",
]
SAME_CELL = "same cell in both releases"
MERGED = "categories of the earlier release added up to the coarser one of now"
SPLIT = "categories of now added up to the coarser one of the earlier release"
FROM_NONE = "none in one of the releases: the difference is the cell of the other"
#: where a number stands in a release: table, kind, quantity, cell
Key = tuple[str, str, str, frozenset]
#: smallest, largest, period of the table
Limits = tuple[float, float, str]
#: dimension -> (category -> coarser category)
Merging = dict[str, dict[str, str]]


def compare_releases(
    previous: Sequence[ControlledTable], now: Sequence[ControlledTable], settings: ControlSettings
) -> pd.DataFrame:
    """What the difference of two releases says of those who came or left: `COLUMNS`, one row a
    number that stands in both.

    Matched are tables of one name (of one name and period where a release holds several of it), in
    them the same cell and statistic; categories that were merged in one release are added up in the
    other. low, high: smallest and largest difference now - before that both releases together
    allow, from the limits of each number in its own release (rounding, markers, sums; a limit that
    only whole-number search would find is not used). pinned: one difference is left. flagged: the
    difference is surely not none, and surely fewer than the threshold in number, so it speaks of
    few people; averages are flagged through the n that they rest on. Where a cell is none in one
    release its difference is the cell of the other, which `attack` judges. Without rounding every
    small change is flagged; rounded to 5, a step of a printed count may be 1 to 9 people, which a
    threshold of 8 lets pass.

    Both releases must be made under the same settings. Periods that move (rolling quarters) lose
    people as well as gain them; the comparison assumes the worst, that nobody left.
    """
    before, after = _limits_of(previous, settings), _limits_of(now, settings)
    old, new = _mergings(previous), _mergings(now)
    merged = {name: old[name] for name in old if old[name] and new.get(name) == {}}
    split = {name: new[name] for name in new if new[name] and old.get(name) == {}}
    rows = []
    for key, one in after.items():
        if key[0] in split:
            continue
        other = _summed(key, before, merged.get(key[0], {}))
        if other is not None:
            note = SAME_CELL if key[0] not in merged else MERGED
            rows.append((*_named(key), *_difference(other, one, note)))
    for key, one in before.items():
        other = _summed(key, after, split[key[0]]) if key[0] in split else None
        if other is not None:
            rows.append((*_named(key), *_difference(one, other, SPLIT)))
    found = pd.DataFrame(rows, columns=[name for name in COLUMNS if name not in _JUDGED])
    return _judged(found, settings)


_JUDGED = ("pinned", "flagged")


def _judged(found: pd.DataFrame, settings: ControlSettings) -> pd.DataFrame:
    low, high = found["low"].astype(float), found["high"].astype(float)
    some = (low >= 1) | (high <= -1)
    few = np.maximum(low.abs(), high.abs()) < settings.threshold
    alone = found["note"] == FROM_NONE
    found = found.assign(pinned=(low == high), flagged=some & few & ~alone)
    return found.assign(low=low.mask(low <= -UNBOUNDED / 2), high=high.mask(high >= UNBOUNDED / 2))[
        COLUMNS
    ]


def _limits_of(released: Sequence[ControlledTable], settings: ControlSettings) -> dict[Key, Limits]:
    """Key -> limits of the number, and the period of its table."""
    tables = tuple(released)
    release: Release = release_of(tables, settings)
    low, high = tightened(release.equations())
    names = _names(tables)
    numbers = release.numbers.loc[release.numbers["whole"]]
    return {
        (names[table], kind, quantity, frozenset(cell)): (
            float(low[place]),
            float(high[place]),
            tables[table].table.period,
        )
        for table, kind, quantity, cell, place in numbers[
            ["table", "kind", "quantity", "cell", "variable"]
        ].itertuples(index=False)
    }


def _names(tables: Sequence[ControlledTable]) -> list[str]:
    """Name of each table, with its period where the name alone does not tell it."""
    names = [one.table.name for one in tables]
    return [
        name if names.count(name) == 1 else f"{name} {one.table.period}"
        for name, one in zip(names, tables, strict=True)
    ]


def _mergings(tables: Sequence[ControlledTable]) -> dict[str, Merging]:
    """Name of each table -> its declared merging; empty where it is merged or declares none."""
    names = _names(tables)
    return {name: dict(one.table.coarser) for name, one in zip(names, tables, strict=True)}


def _summed(key: Key, numbers: dict[Key, Limits], merging: Merging) -> Limits | None:
    """Limits of a cell in another release: its own, or the sum of its finer cells there.

    A category without a row has no units. None where the cell is not there, or cannot be added up
    (denominators of counts and shares can be those of all categories)."""
    name, kind, quantity, cell = key
    choices = [
        [(dimension, fine) for fine, coarse in merging[dimension].items() if coarse == word]
        if dimension in merging
        else [(dimension, word)]
        for dimension, word in sorted(cell)
    ]
    keys = [(name, kind, quantity, frozenset(parts)) for parts in itertools.product(*choices)]
    found = [numbers[one] for one in keys if one in numbers]
    adds_up = kind == "average" or quantity == "numerator"
    if not found or (len(keys) > 1 and not adds_up):
        return None
    low, high = math.fsum(part[0] for part in found), math.fsum(part[1] for part in found)
    return low, min(high, UNBOUNDED), found[0][2]


def _difference(old: Limits, new: Limits, note: str) -> tuple[str, str, float, float, str]:
    none = old[1] == 0 or new[1] == 0
    return old[2], new[2], new[0] - old[1], new[1] - old[0], FROM_NONE if none else note


def _named(key: Key) -> tuple[str, str, str, str]:
    name, kind, quantity, cell = key
    words: Cell = tuple(sorted(cell))
    return name, "; ".join(f"{a}={b}" for a, b in words) or "all", kind, quantity
