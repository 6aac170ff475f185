"""One table as it is released: its numbers after suppression, rounding and totals, with markers."""

from __future__ import annotations

import dataclasses

import pandas as pd

from audit.disclosure.controlled import ControlledTable
from audit.disclosure.curves import coarse_curves
from audit.disclosure.derived import (
    Numbers,
    released_average,
    released_rate,
    released_share,
)
from audit.disclosure.exact import REASONS, empty_marker
from audit.disclosure.round import to_base
from audit.disclosure.rows import Row
from audit.disclosure.settings import ControlSettings
from audit.disclosure.suppress import few
from audit.disclosure.totals import ReleasedCounts
from audit.disclosure.work import Work

HIDDEN, ROUNDS_TO_ZERO = "[c]", "[k]"
#: one text for every hidden cell: which were hidden first would tell that the others are not small
HIDDEN_REASON = "hidden to protect people"
LOW_REASON = "not none, but rounds to zero"
_COUNTED = ("count", "share", "rate")


def released_table(
    work: Work, counts: ReleasedCounts, settings: ControlSettings
) -> ControlledTable:
    """The table of a work with the released counts of its release."""
    maker = _Maker(work, counts, settings)
    found = [maker.numbers(row) for row in work.rows]
    markers = [maker.marker(row, one) for row, one in zip(work.rows, found, strict=True)]
    found = [
        _without(one) if mark == ROUNDS_TO_ZERO else one
        for one, mark in zip(found, markers, strict=True)
    ]
    first = sum(bool(rule) for rule in work.rules)
    return ControlledTable(
        table=work.table,
        level="external",
        frame=_frame(work, found, markers),
        hidden=(first, markers.count(HIDDEN) - first),
        rebuilt=frozenset(maker.rebuilt()),
        curve_step=settings.curve_step if maker.curves else None,
    )


class _Maker:
    """Makes the rows of one table; keeps what rows of one cell need of one another."""

    def __init__(self, work: Work, counts: ReleasedCounts, settings: ControlSettings) -> None:
        self.work, self.counts, self.settings = work, counts, settings
        self.curves = coarse_curves(work.rows, step=settings.curve_step)
        self.spreads = {
            (row.cell, row.unit): released_average(row, None, None, settings).value
            for row in work.rows
            if row.statistic == "sd" and not work.hides(row.position)
        }

    def numbers(self, row: Row) -> Numbers:
        """What a row shows."""
        if self.work.hides(row.position):
            return Numbers(denominator=self.units_of_hidden(row))
        if row.statistic == "curve":
            at_risk, *others = self.curves[row.position]
            return Numbers(None, at_risk, *others)
        if row.statistic not in _COUNTED:
            spread = self.spreads.get((row.cell, row.unit))
            return released_average(row, self.units_of(row), spread, self.settings)
        if row.numerator is None:
            return Numbers(denominator=self.units_of(row))
        if row.statistic == "count":
            count = self.numerator_of(row)
            return Numbers(count, self.units_of(row), count)
        return self.ratio(row)

    def units_of(self, row: Row) -> int | None:
        """The released units of a row; None where they are of too few people, or hidden."""
        if row.position in self.work.bare or row.units is None:
            return None
        if few(row.people, self.settings.threshold, self.settings):
            return None
        return self.counts.behind(row)

    def units_of_hidden(self, row: Row) -> int | None:
        """Units behind a hidden number are shown like any others, but for those of a curve and
        those that are the hidden number itself."""
        if row.statistic == "curve" or row.units == row.numerator:
            return None
        return self.units_of(row)

    def ratio(self, row: Row) -> Numbers:
        numerator, units = self.parts(row)
        if row.statistic == "rate" and (units is not None or row.units is None):
            return released_rate(row, numerator, units, self.settings)
        if units is None:
            return Numbers()
        if row.value is None or not units:
            return Numbers(denominator=units)
        return released_share(row, numerator, units, self.settings)

    def parts(self, row: Row) -> tuple[int, int | None]:
        """Numerator and units of a share or a rate, as the counts of the release have them.

        Both are rounded by themselves where a total built up from rounded cells came out below its
        part, or on it without being all of it.
        """
        numerator, units = self.numerator_of(row), self.units_of(row)
        if self.own_rounding(row):
            base = self.settings.base
            return to_base(row.numerator or 0, base), to_base(row.denominator or 0, base)
        return numerator, units

    def numerator_of(self, row: Row) -> int:
        """As the count of the same cell where the release has one, else rounded by itself."""
        id_ = row.numerator_id()
        known = self.counts.of(id_) if id_ is not None and self.counts.has(id_) else None
        return to_base(row.numerator or 0, self.settings.base) if known is None else known

    def own_rounding(self, row: Row) -> bool:
        """Whether the released counts of a share do not go together."""
        units = self.units_of(row)
        if row.statistic != "share" or row.numerator is None or units is None:
            return False
        part, whole = self.numerator_of(row), row.numerator == row.denominator
        return part > units or (part == units) != whole

    def marker(self, row: Row, found: Numbers) -> str:
        if self.work.hides(row.position):
            return HIDDEN
        missing = empty_marker(row)
        if missing:
            return missing
        if row.statistic in _COUNTED and row.numerator and found.numerator == 0:
            return ROUNDS_TO_ZERO
        return HIDDEN if found.value is None else ""

    def rebuilt(self) -> list[tuple[int, str]]:
        """Which released numbers are sums of rounded cells."""
        found = []
        for row in self.work.rows:
            if self.own_rounding(row):
                continue
            if row.statistic in _COUNTED and self.counts.is_sum(row.numerator_id()):
                found.append((row.position, "numerator"))
            if self.counts.is_sum(self.counts.denominator_id(row)):
                found.append((row.position, "denominator"))
        return found


def _without(numbers: Numbers) -> Numbers:
    return Numbers(denominator=numbers.denominator)


def _decides(work: Work) -> dict[frozenset, list[int]]:
    """Cell -> positions of the rows that its tied words speak of: those of an average or a rate,
    else of a share, else of a count."""
    found: dict[frozenset, tuple[int, list[int]]] = {}
    for row in work.rows:
        rank = {"count": 0, "share": 1}.get(row.statistic, 2)
        best, positions = found.get(row.cell, (-1, []))
        if rank > best:
            found[row.cell] = rank, [row.position]
        elif rank == best:
            positions.append(row.position)
    return {cell: positions for cell, (_, positions) in found.items()}


def _tied_hidden(work: Work, markers: list[str]) -> list[bool]:
    """Whether the tied words of each row go: where any row that they speak of is hidden."""
    decides = _decides(work)
    return [
        markers[row.position] == HIDDEN
        or any(markers[position] == HIDDEN for position in decides[row.cell])
        for row in work.rows
    ]


def _frame(work: Work, found: list[Numbers], markers: list[str]) -> pd.DataFrame:
    table = work.table
    frame = table.frame[[*table.dimensions, "statistic", "unit"]].reset_index(drop=True)
    hidden = pd.Series(_tied_hidden(work, markers), index=frame.index, dtype=bool)
    for name in table.tied:
        frame[name] = frame[name].astype("str").mask(hidden, HIDDEN)
    numbers = pd.DataFrame(
        [dataclasses.astuple(one) for one in found],
        columns=[field.name for field in dataclasses.fields(Numbers)],
        index=frame.index,
        dtype=float,
    )
    reasons = {**REASONS, HIDDEN: HIDDEN_REASON, ROUNDS_TO_ZERO: LOW_REASON}
    words = pd.DataFrame(
        {"marker": markers, "reason": [reasons.get(mark, "") for mark in markers]},
        index=frame.index,
        dtype="str",
    )
    return pd.concat([frame, numbers, words], axis=1)
