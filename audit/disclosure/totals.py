"""Released counts: rounded cells, totals built up again from them, one number for one thing."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence

from audit.disclosure.round import to_base
from audit.disclosure.rows import CellId, Row
from audit.disclosure.settings import ControlSettings
from audit.disclosure.work import Work, hidden_ids
from audit.summaries.table import ALL

#: the categories of one dimension of one table that a total is over
Breakdown = tuple[CellId, ...]


class ReleasedCounts:
    """The counts of one release after suppression, by which number they are.

    A cell is rounded. A total that no table has as a cell is the sum of its rounded categories, so
    that it tells nothing beyond them. Where it has several complete breakdowns, the one with the
    fewest categories is taken for the whole release, so that margins agree. Where every breakdown
    hides something, the total is rounded by itself: of one hidden category second cells protect
    what is left. Without second cells a total that hides one category is the sum of the others.
    """

    def __init__(self, works: Sequence[Work], settings: ControlSettings) -> None:
        self._settings = settings
        self._hidden = hidden_ids(works)
        self._cells, self._breakdowns = _structure(works)
        self._known: dict[CellId, int | None] = {}
        self._by_number: dict[tuple, list[CellId]] = defaultdict(list)
        for id_ in [*self._cells, *self._breakdowns]:
            self._by_number[_number(id_)].append(id_)

    def of(self, id_: CellId) -> int | None:
        """The released count, or None where it is hidden."""
        if id_ not in self._known:
            self._known[id_] = None if id_ in self._hidden else self._released(id_)
        return self._known[id_]

    def has(self, id_: CellId) -> bool:
        """Whether some table gives a number as a count."""
        return id_ in self._cells or id_ in self._breakdowns

    def is_sum(self, id_: CellId | None) -> bool:
        """Whether a released count is a sum of rounded cells."""
        if id_ is None or id_ in self._cells or id_ not in self._breakdowns or not id_[3]:
            return False
        return self._complete(id_) is not None or self._but_one(id_) is not None

    def denominator_id(self, row: Row) -> CellId | None:
        """Which count of the release a row is over: one with the same units and people, whose
        categories are among those of the row. None where no table gives it as a count."""
        if row.units is None or row.people is None:
            return None
        about = (row.table.population, row.table.period, row.units, row.people)
        found = [id_ for id_ in self._by_number.get(about, []) if id_[2] <= row.cell]
        hidden = [id_ for id_ in found if id_ in self._hidden]
        return max(hidden or found, key=_order, default=None)

    def behind(self, row: Row) -> int | None:
        """The released units of a row, or None where they are hidden as a count or not whole."""
        if row.units is None:
            return None
        id_ = self.denominator_id(row)
        return to_base(row.units, self._settings.base) if id_ is None else self.of(id_)

    def _released(self, id_: CellId) -> int:
        exact = to_base(id_[3], self._settings.base)
        if not self._breakdowns.get(id_) or id_ in self._cells or id_[3] == 0:
            return exact
        for total in (self._complete(id_), self._but_one(id_)):
            if total is not None:
                return total
        return exact

    def _but_one(self, id_: CellId) -> int | None:
        """Where no second cells are hidden: the largest sum of shown categories among breakdowns
        that hide a single one."""
        if self._settings.complementary:
            return None
        sums = []
        for children in self._breakdowns[id_]:
            parts = [self.of(child) for child in children]
            if parts.count(None) == 1 and len(parts) > 1:
                sums.append(sum(part for part in parts if part is not None))
        return max(sums, default=None)

    def _complete(self, id_: CellId) -> int | None:
        """The sum of the best breakdown of which nothing is hidden."""
        for children in self._breakdowns[id_]:
            parts = [self.of(child) for child in children]
            if None not in parts:
                return sum(part for part in parts if part is not None)
        return None


def _structure(
    works: Sequence[Work],
) -> tuple[set[CellId], dict[CellId, list[Breakdown]]]:
    """Cells that some table does not break down, and the breakdowns of the others, best first."""
    cells: set[CellId] = set()
    breakdowns: dict[CellId, set[Breakdown]] = defaultdict(set)
    for work in works:
        counts = [row for row in work.rows if row.statistic == "count"]
        lookup = _children(counts, work.table.additive)
        for row in counts:
            id_ = row.numerator_id()
            if id_ is None:
                continue
            found = list(_breakdowns_of(row, lookup, work.table.additive))
            breakdowns[id_].update(found)
            if not found:
                cells.add(id_)
    ordered = {
        id_: sorted(found, key=lambda one: (len(one), sorted(map(_order, one))))
        for id_, found in breakdowns.items()
        if found
    }
    return cells, ordered


def _children(counts: Iterable[Row], additive: tuple[str, ...]) -> dict[tuple, list[Row]]:
    """(dimension, unit, the other categories) -> the rows with a category of the dimension."""
    found: dict[tuple, list[Row]] = defaultdict(list)
    for row in counts:
        for name in additive:
            if row.dims[name] != ALL:
                found[_place(row, name)].append(row)
    return found


def _place(row: Row, name: str) -> tuple:
    others = frozenset(pair for pair in row.dims.items() if pair[0] != name)
    return name, row.unit, others


def _breakdowns_of(
    row: Row, lookup: dict[tuple, list[Row]], additive: tuple[str, ...]
) -> Iterable[Breakdown]:
    for name in additive:
        if row.dims[name] != ALL:
            continue
        children = lookup.get(_place(row, name), [])
        if not children:
            continue
        ids = [child.numerator_id() for child in children]
        if any(id_ is None for id_ in ids):
            continue
        if sum(id_[3] for id_ in ids if id_) != row.numerator:
            raise ValueError(
                f"summary table {row.table.name}: the counts over {name} do not add up to its "
                f"row {ALL!r}"
            )
        yield tuple(id_ for id_ in ids if id_)


def _number(id_: CellId) -> tuple:
    return id_[0], id_[1], id_[3], id_[4]


def _order(id_: CellId) -> tuple:
    return len(id_[2]), sorted(id_[2]), id_[3], id_[4]
