"""What sums to what in the tables of a release, and what cannot exceed what."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Hashable, Sequence
from itertools import pairwise

import numpy as np
import pandas as pd

from audit.disclosure.controlled import ControlledTable
from audit.disclosure.facts_known import QUANTITIES, SECOND_CELL, is_few
from audit.disclosure.same_numbers import TINY, cell_keys
from audit.disclosure.settings import ControlSettings
from audit.disclosure.solve import UNBOUNDED
from audit.disclosure.suppress import REMAINDER

Place = tuple[int, int]
#: what is counted, each at most as many as the next: a patient has one case or more
NESTED = ("patients", "cases", "events")


class Rows:
    """Equations as they are found, low <= sum of factor x number <= high; each is kept once."""

    def __init__(self) -> None:
        self.kept: dict[tuple[tuple[tuple[int, float], ...], float, float], None] = {}

    def add(self, factors: dict[int, float], low: float, high: float) -> None:
        """factors: position of a number -> its factor."""
        terms = tuple(sorted((place, factor) for place, factor in factors.items() if factor))
        if len(terms) > 1:
            self.kept[(terms, low, high)] = None

    def below(self, small: int, large: int, true: np.ndarray) -> None:
        """One number is at most another, unless the exact ones say otherwise."""
        if small != large and not true[small] > true[large] + TINY:
            self.add({small: 1.0, large: -1.0}, -np.inf, 0.0)


def order_rows(
    numbers: pd.DataFrame,
    both: pd.DataFrame,
    *,
    true: np.ndarray,
    tables: Sequence[ControlledTable],
    rows: Rows,
) -> None:
    """Adds: a numerator of a share or count is at most its denominator; those at risk never become
    more again; patients with an event are at most the cases with one, and those the events.

    both: `with_both` of the numbers."""
    for small, large in zip(both["numerator"], both["denominator"], strict=True):
        rows.below(small, large, true)
    curves = numbers.loc[(numbers["kind"] == "curve") & (numbers["quantity"] == "denominator")]
    series: dict[Hashable, list[tuple[float, int]]] = defaultdict(list)
    for table, cell, place in zip(curves["table"], curves["cell"], curves["variable"], strict=True):
        for name, word in cell:
            if word.isdigit():
                rest = tuple(part for part in cell if part[0] != name)
                series[(table, name, rest)].append((float(word), place))
    for points in series.values():
        for (_, earlier), (_, later) in pairwise(sorted(points)):
            rows.below(later, earlier, true)
    _nested_rows(numbers, true, tables, rows)


def _nested_rows(
    numbers: pd.DataFrame, true: np.ndarray, tables: Sequence[ControlledTable], rows: Rows
) -> None:
    counts = numbers.loc[(numbers["kind"] == "count") & (numbers["quantity"] == "numerator")]
    found: dict[Hashable, dict[str, int]] = defaultdict(dict)
    for table, cell, place in zip(counts["table"], counts["cell"], counts["variable"], strict=True):
        facts = tables[table].table
        found[(facts.population, facts.period, frozenset(cell))][facts.counted] = place
    for places in found.values():
        held = [places[counted] for counted in NESTED if counted in places]
        for small, large in pairwise(held):
            rows.below(small, large, true)


def with_both(numbers: pd.DataFrame, tables: Sequence[ControlledTable]) -> pd.DataFrame:
    """One row a row of counts or shares, not of events: the columns of its numerator, and the
    positions of both its `QUANTITIES`."""
    events = [at for at, one in enumerate(tables) if "event" in one.table.counted]
    rows = numbers.loc[
        numbers["kind"].isin(["count", "share"])
        & ~numbers["table"].isin(events)
        & ~numbers["unit"].str.contains("event")
    ]
    sides = [
        rows.loc[rows["quantity"] == quantity].set_index(["table", "row"])
        for quantity in QUANTITIES
    ]
    both = sides[0].join(sides[1][["variable"]], rsuffix="_of", how="inner")
    names = dict(zip(("variable", "variable_of"), QUANTITIES, strict=True))
    return both.rename(columns=names).reset_index()


def complements(
    both: pd.DataFrame,
    tables: Sequence[ControlledTable],
    settings: ControlSettings,
    *,
    first: int,
    rows: Rows,
) -> list[tuple[int, int, int, float, float, bool]]:
    """Adds denominator - numerator of each hidden numerator of `with_both` as a number of its own,
    from position `first`; gives (table, row, position, least, most, sensitive).

    Where it is of few people they are at least one, and of patients fewer than the threshold.
    """
    found: dict[Place, tuple[int, int, int, float, float, bool]] = {}
    for row in both.loc[both["hidden"] & (both["numerator"] != both["denominator"])].itertuples():
        pair = (row.denominator, row.numerator)
        if pair in found:
            continue
        few = is_few(row.outside, settings.threshold, settings) or row.reason == REMAINDER
        least = 1.0 if few and settings.zeros == "show" else 0.0
        patients = few and tables[row.table].table.counted == "patients"
        most = settings.threshold - 1.0 if patients else UNBOUNDED
        place = first + len(found)
        rows.add({row.denominator: 1.0, row.numerator: -1.0, place: -1.0}, 0.0, 0.0)
        sensitive = few or (math.isnan(row.outside) and not row.reason.startswith(SECOND_CELL))
        found[pair] = (row.table, row.row, place, least, most, sensitive)
    return [*found.values()]


def sum_rows(
    numbers: pd.DataFrame, tables: Sequence[ControlledTable], true: np.ndarray, rows: Rows
) -> tuple[dict[int, list[list[int]]], list[Place]]:
    """Adds what sums to what. Gives for each total its complete lists of categories, and (table,
    row) of each whole whose categories leave a rest; rests are numbers after all others."""
    everywhere = dict(zip(cell_keys(numbers, tables), numbers.index, strict=True))
    breakdowns: dict[int, list[list[int]]] = defaultdict(list)
    rests: list[Place] = []
    variable = numbers["variable"].to_numpy()
    for (table, kind, quantity), part in numbers.groupby(["table", "kind", "quantity"]):
        facts = tables[table].table
        own = dict(zip(part["cell"], part.index, strict=True))
        key = (facts.population, facts.period, facts.counted, kind, quantity)
        is_count = kind == "count" and quantity == "numerator"
        for name, base, members in _families(own):
            at = own.get(base, everywhere.get((*key, frozenset(base))))
            if at is None:
                continue
            whole, parts = int(variable[at]), [int(variable[member]) for member in members]
            relation = _relation(true[whole], true[parts], sums=is_count and base in own)
            if name in facts.additive and relation == "sum":
                rows.add(_eq(parts, whole, {}), 0.0, 0.0)
                if is_count:
                    breakdowns[whole].append(parts)
            elif name in facts.additive and relation == "rest" and is_count:
                rows.add(_eq(parts, whole, {true.size + len(rests): -1.0}), 0.0, 0.0)
                rests.append((int(numbers.loc[at, "table"]), int(numbers.loc[at, "row"])))
            else:
                for one in parts:
                    rows.below(one, whole, true)
    return dict(breakdowns), rests


def _families(own: dict[tuple, int]) -> list[tuple[str, tuple, list[int]]]:
    """(dimension, cell without it, rows of its categories) for each cell of a table."""
    found: dict[tuple[str, tuple], list[int]] = defaultdict(list)
    for cell, at in own.items():
        for part in cell:
            found[(part[0], tuple(other for other in cell if other != part))].append(at)
    return [(name, base, members) for (name, base), members in found.items()]


def _relation(whole: float, parts: np.ndarray, *, sums: bool) -> str:
    """How the parts stand to the whole: "sum", "rest" (some are not listed) or "none"."""
    total = parts.sum()
    if math.isnan(whole) or math.isnan(total):
        return "sum" if sums else "rest"
    if abs(total - whole) < 1e-6:
        return "sum"
    return "rest" if total < whole else "none"


def _minus(parts: list[int]) -> dict[int, float]:
    factors: dict[int, float] = defaultdict(float)
    for part in parts:
        factors[part] -= 1.0
    return dict(factors)


def _eq(parts, whole, more):
    f = defaultdict(float)
    for p in parts:
        f[p] -= 1.0
    f[whole] += 1.0
    for k, v in more.items():
        f[k] += v
    return {k: v for k, v in f.items() if v}
