"""Which released numbers are one and the same number of the same people."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Hashable, Sequence

import numpy as np
import pandas as pd

from audit.disclosure.controlled import ControlledTable

Pairs = list[tuple[int, int]]
#: kind and quantity
Side = tuple[str, str]
#: pairs of numbers of one cell that can be the same number, if they are so in every cell
SAME: tuple[tuple[Side, Side], ...] = (
    (("count", "numerator"), ("share", "numerator")),
    (("count", "denominator"), ("share", "denominator")),
    (("count", "numerator"), ("share", "denominator")),
    (("count", "numerator"), ("average", "denominator")),
    (("share", "denominator"), ("average", "denominator")),
    (("count", "numerator"), ("rate", "numerator")),
)
#: those of them that anybody takes to be the same, whether or not the exact numbers are there
EVIDENT = (SAME[0], SAME[1], SAME[3], SAME[5])
TINY = 1e-9


def same_numbers(numbers: pd.DataFrame, tables: Sequence[ControlledTable]) -> np.ndarray:
    """A number for each row of `known_numbers`; rows that print the same number share it.

    Same are: the same statistic of the same cell, population, period and unit in two tables; a
    count and the denominators that rest on it, in one table or across tables. Where the exact
    numbers are still there they must be equal (for denominators the people too).
    """
    from scipy.sparse import csr_matrix
    from scipy.sparse.csgraph import connected_components

    pairs = [
        *_same_across(numbers, tables),
        *_same_in_cell(numbers),
        *_same_as_count(numbers, tables),
    ]
    one, two = np.array(pairs, dtype=int).reshape(-1, 2).T
    links = csr_matrix((np.ones(one.size), (one, two)), shape=(len(numbers), len(numbers)))
    return connected_components(links, directed=False)[1]


def cell_keys(numbers: pd.DataFrame, tables: Sequence[ControlledTable]) -> list[Hashable]:
    """What each number counts, in whatever table it stands."""
    facts = [(one.table.population, one.table.period, one.table.counted) for one in tables]
    rows = numbers[["table", "kind", "quantity", "cell"]].itertuples(index=False)
    return [(*facts[row.table], row.kind, row.quantity, frozenset(row.cell)) for row in rows]


def _same_across(numbers: pd.DataFrame, tables: Sequence[ControlledTable]) -> Pairs:
    seen: dict[Hashable, list[int]] = defaultdict(list)
    for at, key in enumerate(cell_keys(numbers, tables)):
        seen[key].append(at)
    true, low, high = (numbers[name].to_numpy() for name in ("true", "low", "high"))

    def agree(a: int, b: int) -> bool:
        if math.isnan(true[a]) or math.isnan(true[b]):
            return bool(max(low[a], low[b]) <= min(high[a], high[b]))
        return abs(true[a] - true[b]) < TINY

    return [
        (places[0], other)
        for places in seen.values()
        for other in places[1:]
        if agree(places[0], other)
    ]


def _same_in_cell(numbers: pd.DataFrame) -> Pairs:
    true, value = numbers["true"].to_numpy(), numbers["value"].to_numpy()
    pairs: Pairs = []
    for _, rows in numbers.groupby("table"):
        first: dict[Side, dict[Hashable, int]] = defaultdict(dict)
        for at, kind, quantity, cell in zip(
            rows.index, rows["kind"], rows["quantity"], rows["cell"], strict=True
        ):
            first[(kind, quantity)].setdefault(cell, at)
        wanted = [*SAME]
        if ("average", "denominator") in first:
            wanted.append((("count", "numerator"), ("count", "denominator")))
        for one, two in wanted:
            common = [
                (first[one][cell], first[two][cell]) for cell in {*first[one]} & {*first[two]}
            ]
            evident = (one, two) in EVIDENT
            if _all_equal(common, true) or (evident and _all_equal_as_printed(common, true, value)):
                pairs += common
    return pairs


def _all_equal(pairs: Pairs, true: np.ndarray) -> bool:
    return all(abs(true[a] - true[b]) < TINY for a, b in pairs)


def _all_equal_as_printed(pairs: Pairs, true: np.ndarray, value: np.ndarray) -> bool:
    """The same without exact numbers: equal wherever both are printed, and once at least."""
    printed = [(a, b) for a, b in pairs if not math.isnan(value[a] + value[b])]
    unknown = all(math.isnan(true[a]) and math.isnan(true[b]) for a, b in pairs)
    return unknown and bool(printed) and all(value[a] == value[b] for a, b in printed)


def _same_as_count(numbers: pd.DataFrame, tables: Sequence[ControlledTable]) -> Pairs:
    """Denominators that are a count of the release: as many units and people, and about a cell that
    holds theirs."""
    known = numbers.loc[numbers["true"].notna() & numbers["people"].notna() & numbers["whole"]]
    facts = [(one.table.population, one.table.period) for one in tables]
    about = [
        (*facts[table], true, people)
        for table, true, people in zip(known["table"], known["true"], known["people"], strict=True)
    ]
    cells = [frozenset(cell) for cell in known["cell"]]
    counts: dict[Hashable, list[tuple[frozenset, int]]] = defaultdict(list)
    is_count = (known["kind"] == "count") & (known["quantity"] == "numerator")
    for key, cell, at, count in zip(about, cells, known.index, is_count, strict=True):
        if count:
            counts[key].append((cell, at))
    return [
        (at, other)
        for key, cell, at, quantity in zip(
            about, cells, known.index, known["quantity"], strict=True
        )
        if quantity == "denominator"
        for held, other in counts.get(key, [])
        if held <= cell
    ]
