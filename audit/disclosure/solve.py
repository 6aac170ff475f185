"""How far whole numbers that nobody printed can still vary under linear equations."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from typing import Any

import numpy as np

#: stands for "no upper limit"; far above any count of a department
UNBOUNDED = 1e7
#: seconds for one extreme; after that the values found so far stand (they are attainable)
TIME_LIMIT = 5.0
_SLACK = 1e-6


class Contradiction(ValueError):
    """No set of counts fits everything that is stated."""


@dataclasses.dataclass(frozen=True, eq=False)
class Equations:
    """Numbers between low and high (whole where `whole`), and rows with
    row_low <= matrix @ numbers <= row_high. matrix: scipy sparse, one row an equation."""

    low: np.ndarray
    high: np.ndarray
    whole: np.ndarray
    matrix: Any
    row_low: np.ndarray
    row_high: np.ndarray


def tightened(equations: Equations, *, rounds: int = 60) -> tuple[np.ndarray, np.ndarray]:
    """Limits after each equation has been read for each of its numbers, until nothing moves.

    Never narrower than the truth allows; not always as narrow as `extremes`. Raises Contradiction.
    Source: bound propagation, Savelsbergh 1994, ORSA J Comput 6:445-454.
    """
    low, high = equations.low.astype(float), equations.high.astype(float)
    entries = equations.matrix.tocoo()
    for _ in range(rounds):
        before = (low.copy(), high.copy())
        _read_rows(equations, entries, low, high)
        if (low > high + _SLACK).any():
            raise Contradiction("the released numbers contradict one another")
        if np.array_equal(low, before[0]) and np.array_equal(high, before[1]):
            break
    return low, high


def _read_rows(equations: Equations, entries: Any, low: np.ndarray, high: np.ndarray) -> None:
    row, col, factor = entries.row, entries.col, entries.data
    least = np.where(factor > 0, factor * low[col], factor * high[col])
    most = np.where(factor > 0, factor * high[col], factor * low[col])
    rows = equations.matrix.shape[0]
    others_least = np.bincount(row, least, rows)[row] - least
    others_most = np.bincount(row, most, rows)[row] - most
    upper = (equations.row_high[row] - others_least) / factor
    lower = (equations.row_low[row] - others_most) / factor
    lower, upper = np.where(factor > 0, lower, upper), np.where(factor > 0, upper, lower)
    whole = equations.whole[col]
    np.minimum.at(high, col, np.where(whole, np.floor(upper + _SLACK), upper))
    np.maximum.at(low, col, np.where(whole, np.ceil(lower - _SLACK), lower))


def extremes(
    equations: Equations, targets: np.ndarray, *, enough: float = math.inf
) -> tuple[np.ndarray, np.ndarray]:
    """Smallest and largest value of each target (positions of numbers) that all equations allow.

    enough: a target is left alone as soon as two values so far apart are known to be possible; its
    range is then at least what is given.

    Exact for whole numbers: integer programs solved by branch and bound (HiGHS; Huangfu and Hall
    2018, Math Program Comput 10:119-142). Numbers that no equation ties together are solved apart.
    UNBOUNDED means that no upper limit follows. Where a program runs out of time the range found
    so far is given: every value in it is attainable. Raises Contradiction.
    """
    low, high = tightened(equations)
    least, most = low[targets].copy(), high[targets].copy()
    part_of = _parts(equations, high - low > _SLACK)
    for part in np.unique(part_of[targets]):
        inside = np.flatnonzero(part_of == part)
        wanted = np.flatnonzero(part_of[targets] == part)
        if part < 0:
            continue
        program = _Program.of(equations, inside, low, high)
        positions = np.searchsorted(inside, targets[wanted])
        least[wanted], most[wanted] = program.ranges(positions, enough)
    return least, most


def _parts(equations: Equations, free: np.ndarray) -> np.ndarray:
    """Number of the part that each free number belongs to; -1 for numbers already fixed."""
    from scipy.sparse import csr_matrix
    from scipy.sparse.csgraph import connected_components

    entries = equations.matrix.tocoo()
    kept = free[entries.col]
    count, rows = free.size, equations.matrix.shape[0]
    links = csr_matrix(
        (np.ones(kept.sum()), (entries.row[kept], entries.col[kept] + rows)),
        shape=(rows + count, rows + count),
    )
    _, label = connected_components(links, directed=False)
    return np.where(free, label[rows:], -1)


class _Program:
    """The integer program of one part, and the solutions already seen."""

    def __init__(self, constraints: list[Any], low: np.ndarray, high: np.ndarray, whole: Any):
        self.constraints, self.low, self.high = constraints, low, high
        self.whole = whole.astype(int)
        self.least = np.full(low.size, np.inf)
        self.most = np.full(low.size, -np.inf)

    @classmethod
    def of(cls, equations: Equations, inside: Any, low: Any, high: Any) -> _Program:
        from scipy.optimize import LinearConstraint

        matrix = equations.matrix
        rows = np.unique(matrix.tocsc()[:, inside].indices)
        fixed = matrix[rows] @ np.where(np.isin(np.arange(low.size), inside), 0.0, low)
        constraints = []
        if rows.size:
            held = (equations.row_low[rows] - fixed, equations.row_high[rows] - fixed)
            constraints = [LinearConstraint(matrix[rows][:, inside], *held)]
        return cls(constraints, low[inside], high[inside], equations.whole[inside])

    def ranges(self, positions: np.ndarray, enough: float) -> tuple[np.ndarray, np.ndarray]:
        if not self.constraints:
            return self.low[positions], self.high[positions]
        for signs in self._signs(positions.size):
            cost = np.zeros(self.low.size)
            cost[positions] = signs
            self._solve(cost)
            if (self._found(positions) >= enough).all():
                break
        for position in positions:
            one = np.zeros(self.low.size)
            one[position] = 1.0
            if self.least[position] > self.low[position] + _SLACK and self._few(position, enough):
                self._solve(one)
            if self.most[position] < self.high[position] - _SLACK and self._few(position, enough):
                self._solve(-one)
        return self.least[positions], self.most[positions]

    @staticmethod
    def _signs(count: int) -> Iterator[np.ndarray]:
        """Directions in which many targets are pushed at once: all up, all down, every other."""
        yield np.ones(count)
        yield -np.ones(count)
        if count > 2:
            other = np.where(np.arange(count) % 2, 1.0, -1.0)
            yield other
            yield -other

    def _found(self, positions: np.ndarray) -> np.ndarray:
        return self.most[positions] - self.least[positions]

    def _few(self, position: int, enough: float) -> bool:
        return bool(self.most[position] - self.least[position] < enough)

    def _solve(self, cost: np.ndarray) -> None:
        from scipy.optimize import Bounds, milp

        answer = milp(
            cost,
            integrality=self.whole,
            bounds=Bounds(self.low, self.high),
            constraints=self.constraints,
            options={"time_limit": TIME_LIMIT},
        )
        if answer.status == 2:
            raise Contradiction("the released numbers contradict one another")
        if answer.x is None:
            raise RuntimeError(f"the solver gave no answer: {answer.message}")
        values = np.where(self.whole == 1, np.round(answer.x), answer.x)
        self.least = np.minimum(self.least, values)
        self.most = np.maximum(self.most, values)
