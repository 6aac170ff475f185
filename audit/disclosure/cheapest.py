"""The cheapest cells to hide so that one hidden number can no longer be worked out."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

import numpy as np

from audit.disclosure.equations import Release

#: numbers at most so many equations away may be hidden or may move
REACH = 3
#: seconds for one program; the best cells found by then are taken
TIME_LIMIT = 10.0


@dataclasses.dataclass(frozen=True, eq=False)
class _Program:
    """Columns: two tables that both agree with the release (one and two), then which cells are
    hidden, then which rebuilt totals are no longer sums. near: their numbers. cells, totals: places
    in near."""

    release: Release
    near: np.ndarray
    cells: np.ndarray
    totals: np.ndarray
    low: np.ndarray
    high: np.ndarray
    cap: float

    @property
    def width(self) -> int:
        return 2 * self.near.size + self.cells.size + self.totals.size


def cheapest_cells(
    release: Release, place: int, *, second: set[int], losses: Mapping[int, float], values: int
) -> set[int] | None:
    """Cells of smallest total loss that leave at least so many values for the number at `place`.

    second: cells hidden already. losses: number -> loss, for the numbers that may be hidden. None
    where nothing within `REACH` equations protects it, or none was found in time.

    An integer program: two sets of counts that both agree with all that stays printed must differ
    at `place` by values - 1, where a hidden cell may be anything from the threshold up. A rebuilt
    total stops being a sum when one of its cells is hidden. Source: Fischetti and Salazar 2000, J
    Am Stat Assoc 95:916-928 (model); one hidden cell after another: Kelly, Golden and Assad 1992,
    Networks 22:397-417.
    """
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import vstack

    program = _program(release, place, second, losses)
    blocks = [_agreement(program, 0), _agreement(program, 1), _no_sums(program)]
    blocks += [_hiding(program, 0), _hiding(program, 1)]
    blocks.append(_apart(program, place, values))
    cost = np.zeros(program.width)
    chosen = slice(2 * program.near.size, 2 * program.near.size + program.cells.size)
    cost[chosen] = [losses[int(one)] for one in program.near[program.cells]]
    answer = milp(
        cost,
        integrality=np.ones(program.width),
        bounds=Bounds(*_column_limits(program)),
        constraints=LinearConstraint(
            vstack([block[0] for block in blocks]).tocsr(),
            np.concatenate([block[1] for block in blocks]),
            np.concatenate([block[2] for block in blocks]),
        ),
        options={"time_limit": TIME_LIMIT},
    )
    if answer.x is None:
        return None
    return {int(one) for one in program.near[program.cells[answer.x[chosen] > 0.5]]}


def _program(
    release: Release, place: int, second: set[int], losses: Mapping[int, float]
) -> _Program:
    equations = release.equations(second)
    near = _near(release, place)
    printed = np.nan_to_num(release.variables["value"].to_numpy(dtype=float))
    cap = float(2 * printed.max(initial=0) + 100)
    cells = np.flatnonzero([int(one) in losses and int(one) not in second for one in near])
    sums = [
        at
        for at, one in enumerate(near)
        if int(one) in release.breakdowns
        and int(one) not in second
        and equations.high[one] > cap
        and not np.isnan(release.variables["value"].iloc[one])
    ]
    return _Program(
        release,
        near,
        cells,
        np.array(sums, dtype=int),
        np.minimum(equations.low[near], cap),
        np.minimum(equations.high[near], cap),
        cap,
    )


def _near(release: Release, place: int) -> np.ndarray:
    """Numbers within `REACH` equations; all of its part where the exact numbers are not known."""
    joined = release.joined
    reached, edge = {place}, {place}
    known = np.isfinite(release.variables["true"].to_numpy(dtype=float)).all()
    rounds = REACH if known else joined.shape[0]
    for _ in range(rounds):
        edge = {int(one) for at in edge for one in joined[at].indices} - reached
        if not edge:
            break
        reached |= edge
    return np.array(sorted(reached))


def _agreement(program: _Program, copy: int) -> tuple:
    """The equations of the release; numbers far away are held at their exact value."""
    from scipy.sparse import csr_matrix, hstack

    base, near = program.release.base, program.near
    rows = np.unique(base.matrix.tocsc()[:, near].indices)
    part = base.matrix[rows]
    far = np.ones(base.low.size, dtype=bool)
    far[near] = False
    held = np.zeros(rows.size)
    if far.any():
        held = part @ np.where(far, program.release.exact, 0.0)
    size = near.size
    left = csr_matrix((rows.size, size * copy))
    right = csr_matrix((rows.size, program.width - size * (copy + 1)))
    whole = hstack([left, part[:, near], right]).tocsr()
    return whole, base.row_low[rows] - held, base.row_high[rows] - held


def _hiding(program: _Program, copy: int) -> tuple:
    """A number keeps its limits unless it is hidden; a total that is no longer a sum has those of
    its rounding."""
    first = copy * program.near.size
    entries: list[tuple[int, int, float]] = []
    low: list[float] = []
    high: list[float] = []
    column = {int(cell): 2 * program.near.size + at for at, cell in enumerate(program.cells)}
    for cell, place in column.items():
        if cell in program.totals:
            continue
        least = min(program.low[cell], float(program.release.settings.threshold))
        entries += [(len(low), first + cell, 1.0), (len(low), place, program.low[cell] - least)]
        entries += [(len(low) + 1, first + cell, 1.0)]
        entries += [(len(low) + 1, place, program.high[cell] - program.cap)]
        low += [program.low[cell], -np.inf]
        high += [np.inf, program.high[cell]]
    for at, cell in enumerate(program.totals):
        sum_no_more = 2 * program.near.size + program.cells.size + at
        least, most = program.release.own_rounding(int(program.near[cell]))
        hidden = column.get(int(cell))
        entries += [(len(low), first + cell, 1.0), (len(low), sum_no_more, -least)]
        entries += [
            (len(low) + 1, first + cell, 1.0),
            (len(low) + 1, sum_no_more, program.cap - most),
        ]
        if hidden is not None:
            entries += [(len(low), hidden, least), (len(low) + 1, hidden, most - program.cap)]
        low += [0.0, -np.inf]
        high += [np.inf, program.cap]
    return _rows(program, entries, low, high)


def _no_sums(program: _Program) -> tuple:
    """A total is no longer a sum as soon as one of its categories is hidden."""
    where = {int(one): at for at, one in enumerate(program.near)}
    column = {int(cell): 2 * program.near.size + at for at, cell in enumerate(program.cells)}
    entries: list[tuple[int, int, float]] = []
    for at, cell in enumerate(program.totals):
        total = 2 * program.near.size + program.cells.size + at
        lists = program.release.breakdowns[int(program.near[cell])]
        for part in {part for parts in lists for part in parts}:
            if where.get(part) in column:
                row = len(entries) // 2
                entries += [(row, total, 1.0), (row, column[where[part]], -1.0)]
    count = len(entries) // 2
    return _rows(program, entries, [0.0] * count, [np.inf] * count)


def _apart(program: _Program, place: int, values: int) -> tuple:
    at = int(np.searchsorted(program.near, place))
    entries = [(0, at, -1.0), (0, program.near.size + at, 1.0)]
    return _rows(program, entries, [values - 1.0], [np.inf])


def _column_limits(program: _Program) -> tuple[np.ndarray, np.ndarray]:
    low, high = program.low.copy(), program.high.copy()
    low[program.cells] = np.minimum(low[program.cells], program.release.settings.threshold)
    high[program.cells] = program.cap
    ends = np.zeros(program.cells.size + program.totals.size)
    return np.concatenate([low, low, ends]), np.concatenate([high, high, ends + 1.0])


def _rows(program: _Program, entries: list, low: list[float], high: list[float]) -> tuple:
    from scipy.sparse import csr_matrix

    row, column, factor = np.array(entries, dtype=float).reshape(-1, 3).T
    shape = (len(low), program.width)
    matrix = csr_matrix((factor, (row.astype(int), column.astype(int))), shape)
    return matrix, np.array(low, dtype=float), np.array(high, dtype=float)
