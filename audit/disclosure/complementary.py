"""Second cells: what else must be hidden so that no hidden cell can be worked out."""

from __future__ import annotations

import dataclasses
from collections import Counter
from collections.abc import Collection, Sequence

import numpy as np
import pandas as pd
from scipy.sparse.csgraph import connected_components

from audit.disclosure.attack import is_open, least_left, targets_of
from audit.disclosure.cheapest import cheapest_cells
from audit.disclosure.controlled import ControlledTable
from audit.disclosure.equations import Release, release_of
from audit.disclosure.facts_known import CONFIDENTIAL, SECOND_CELL
from audit.disclosure.means import attack_means
from audit.disclosure.settings import ControlSettings
from audit.disclosure.solve import extremes

NUMBERS = ["numerator", "denominator", "value", "low", "high"]
_TRIES = 3


def complement(
    released: Sequence[ControlledTable], settings: ControlSettings
) -> tuple[ControlledTable, ...]:
    """The tables with second cells hidden until `attack` leaves every hidden cell protected.

    Hidden rows get the marker [c] and the reason `SECOND_CELL`; where a hidden number is only the
    denominator of a count or an average, the denominator goes and the rest stays. Tables in which
    nothing more is hidden are returned as they are. Zeros and what a recorded decision shows are
    never second cells.

    Loss is the sum of the printed counts that are hidden. For one hidden cell the loss is smallest
    among its nearer equations (`cheapest_cells`); all at once would be NP-hard (Kelly, Golden and
    Assad 1992, Networks 22:397-417), so they are served one after another, fewest values left
    first, and at the end second cells that are not needed are shown again, dearest first. The sum
    is small, not always smallest. What no second cell can protect stays as it is, and `attack` says
    so.
    """
    tables = tuple(released)
    release = release_of(tables, settings)
    search = _Search(release)
    chosen = _enough(search)
    if chosen:
        tables = _hide(tables, release, _needed(search, chosen))
        release = release_of(tables, settings)
    return _hide_means(tables, release)


class _Search:
    """What there is to protect, and what may be hidden for it at what loss."""

    def __init__(self, release: Release) -> None:
        self.release, self.settings = release, release.settings
        targets = targets_of(release)
        self.targets = targets.loc[targets["sensitive"] & ~targets["shown"] & ~targets["decided"]]
        self.places = self.targets["variable"].to_numpy(dtype=int)
        self.loss = _losses(release)
        self.part = connected_components(release.joined, directed=False)[1]

    def open_targets(self, second: set[int], within: Collection[int] | None = None) -> pd.DataFrame:
        """Targets that are not protected when `second` are hidden, fewest values left first.

        within: only targets that equations tie to these numbers; None: all."""
        parts = self.part if within is None else self.part[sorted(within)]
        targets = self.targets.loc[np.isin(self.part[self.places], parts)]
        places, where = np.unique(targets["variable"].to_numpy(dtype=int), return_inverse=True)
        if not places.size:
            return targets.assign(left=0.0)
        low, high = extremes(
            self.release.equations(second), places, enough=least_left(self.settings) - 1
        )
        found = targets.assign(low=low[where], high=high[where])
        found = found.loc[is_open(found, self.settings)]
        return found.assign(left=found["high"] - found["low"]).sort_values("left", kind="stable")


def _losses(release: Release) -> dict[int, float]:
    """Number -> sum of what is printed with it, for numbers that may be hidden."""
    numbers, settings = release.numbers, release.settings
    counts = numbers["kind"].ne("curve") & numbers["whole"]
    may = counts & ~numbers["hidden"] & (numbers["value"] > 0) & ~numbers["decided"]
    may &= ~((numbers["high"] < settings.threshold) & ~numbers["rebuilt"])
    never = {*numbers.loc[numbers["value"].notna() & ~may, "variable"]}
    rows = numbers.loc[may & ~numbers["variable"].isin(never)]
    losses = rows.groupby("variable")["value"].sum()
    return {int(place): float(loss) for place, loss in losses.items()}


def _enough(search: _Search) -> set[int]:
    """Second cells after which nothing is open, or nothing more can be done."""
    second: set[int] = set()
    tried: Counter[int] = Counter()
    values = least_left(search.settings)
    left = search.open_targets(second)
    while True:
        found = left.loc[~left["variable"].map(tried.__getitem__).ge(_TRIES)]
        if found.empty:
            return second
        place = int(found["variable"].iloc[0])
        # a part of the equations is looked at: a second try asks for more room
        wanted = values + tried[place] * values
        cells = cheapest_cells(
            search.release, place, second=second, losses=search.loss, values=wanted
        )
        tried[place] += 1
        second |= cells or set()
        here = search.part[left["variable"].to_numpy(dtype=int)] == search.part[place]
        left = pd.concat([left.loc[~here], search.open_targets(second, [place])])
        left = left.sort_values("left", kind="stable")


def _needed(search: _Search, second: set[int]) -> set[int]:
    """The same without cells that need not be hidden, dearest first."""
    still_open = {*search.open_targets(second, second)["variable"]}
    for cell in sorted(second, key=lambda one: (-search.loss[one], one)):
        fewer = second - {cell}
        if {*search.open_targets(fewer, [cell])["variable"]} <= still_open:
            second = fewer
    return second


def _hide(
    tables: tuple[ControlledTable, ...], release: Release, chosen: set[int]
) -> tuple[ControlledTable, ...]:
    """The tables without the chosen numbers, wherever they are printed."""
    numbers = release.numbers.loc[release.numbers["variable"].isin(chosen)]
    after = list(tables)
    for at, rows in numbers.groupby("table"):
        only_below = rows["kind"].isin(["count", "average"]) & rows["quantity"].eq("denominator")
        hidden = {*rows.loc[~only_below, "row"]}
        below = {*rows.loc[rows["quantity"].eq("denominator"), "row"]}
        after[int(at)] = _without(tables[int(at)], hidden, below)
    return tuple(after)


def _without(one: ControlledTable, hidden: set[int], below: set[int]) -> ControlledTable:
    """hidden: rows that lose their numbers, all but the denominator; below: rows that lose it."""
    frame = one.frame.copy()
    at = np.isin(np.arange(len(frame)), sorted(hidden))
    lost = np.isin(np.arange(len(frame)), sorted(below))
    new = at & ~frame["marker"].eq(CONFIDENTIAL).to_numpy()
    for name in NUMBERS:
        frame[name] = frame[name].mask(lost if name == "denominator" else at)
    frame["marker"] = frame["marker"].mask(new, CONFIDENTIAL)
    frame["reason"] = frame["reason"].mask(new, SECOND_CELL)
    for name in one.table.tied:
        frame[name] = frame[name].mask(new, CONFIDENTIAL)
    first, second = one.hidden
    return dataclasses.replace(one, frame=frame, hidden=(first, second + int(new.sum())))


def _hide_means(
    tables: tuple[ControlledTable, ...], release: Release
) -> tuple[ControlledTable, ...]:
    """Hides the mean of the smallest shown group where a hidden mean can be worked out."""
    while True:
        found = attack_means(release, tables, release.equations())
        found = found.loc[~found["protected"].astype(bool)]
        cell = _smallest_mean(found, tables)
        if cell is None:
            return tables
        table, row = cell
        after = list(tables)
        after[table] = _without(tables[table], {row}, set())
        tables = tuple(after)
        release = release_of(tables, release.settings)


def _smallest_mean(
    found: pd.DataFrame, tables: tuple[ControlledTable, ...]
) -> tuple[int, int] | None:
    """(table, row) of the shown mean with the smallest n beside the first open one."""
    for table, row in zip(found["table"], found["row"], strict=True):
        one = tables[table]
        frame = one.frame.reset_index(drop=True)
        beside = frame["statistic"].eq("mean") & frame["value"].notna()
        for name in (*one.table.dimensions, "unit"):
            if name not in (*one.table.additive, *one.table.tied):
                beside &= frame[name].eq(frame[name].iloc[row])
        if beside.any():
            size = frame.loc[beside, "denominator"].fillna(np.inf)
            return int(table), int(size.idxmin())
    return None
