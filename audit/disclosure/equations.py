"""The equations of a release: what every number is known to lie between, and what sums to what."""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Collection, Iterable
from typing import Any

import numpy as np
import pandas as pd

from audit.disclosure.controlled import ControlledTable
from audit.disclosure.facts_known import known_numbers, shown_limits
from audit.disclosure.round import to_base
from audit.disclosure.same_numbers import same_numbers
from audit.disclosure.settings import ControlSettings
from audit.disclosure.solve import UNBOUNDED, Contradiction, Equations
from audit.disclosure.sums import Rows, complements, order_rows, sum_rows, with_both

#: quantities that are printed nowhere but follow from what is
COMPLEMENT, REST = "complement", "rest"


@dataclasses.dataclass(frozen=True, eq=False)
class Release:
    """numbers: `known_numbers` with `variable`, the position of its number in `equations`.

    variables: one row a number: low, high (known from what is printed), value (as printed, missing
    where hidden everywhere), rebuilt, whole, true. breakdowns: position -> lists of
    positions, the complete lists of categories that sum to it. others: numbers that follow from
    others: quantity `COMPLEMENT` (units without the attribute) or `REST` (units in no category
    listed), with table, row, variable and whether it is sensitive. base: the equations without the
    limits of the numbers.
    """

    numbers: pd.DataFrame
    variables: pd.DataFrame
    breakdowns: dict[int, list[list[int]]]
    others: pd.DataFrame
    base: Equations
    settings: ControlSettings

    def own_rounding(self, place: int) -> tuple[float, float]:
        """Limits of a total that was the sum of its printed categories, once one of them is hidden:
        it is then rounded by itself, or stays as it is printed."""
        one = self.variables.iloc[place]
        if np.isnan(one["true"]):
            return float(one["low"]), float(one["high"])
        value = to_base(int(one["true"]), self.settings.base)
        return shown_limits(value, self.settings, above=self.settings.threshold)

    @functools.cached_property
    def joined(self) -> Any:
        """Sparse matrix: which numbers stand in one equation."""
        matrix = (self.base.matrix != 0).astype(int)
        return (matrix.T @ matrix).tocsr()

    @functools.cached_property
    def exact(self) -> np.ndarray:
        """The exact numbers, with complements and rests worked out; missing where not known."""
        exact = np.full(self.base.low.size, np.nan)
        exact[: len(self.variables)] = self.variables["true"]
        for _, place in self.others[["row", "variable"]].itertuples(index=False):
            row = self.base.matrix.tocsc()[:, [place]].indices[0]
            entries = self.base.matrix[[row]].tocoo()
            known = entries.col != place
            factor = entries.data[~known][0]
            exact[place] = -(entries.data[known] @ exact[entries.col[known]]) / factor
        return exact

    def equations(self, second: Collection[int] = ()) -> Equations:
        """The equations when the numbers `second` are hidden too, to protect others."""
        low, high = _limits(self, second)
        return dataclasses.replace(
            self.base,
            low=np.concatenate([low, self.others["least"].to_numpy(dtype=float)]),
            high=np.concatenate([high, self.others["most"].to_numpy(dtype=float)]),
        )


def release_of(released: Iterable[ControlledTable], settings: ControlSettings) -> Release:
    """The equations of all tables of one release together.

    Categories of an additive dimension sum to the row over all; where some are not listed, the rest
    is a number of its own. Where a table still holds its exact numbers an equation is used only if
    they obey it: an outsider is taken to know what sums to what, and no equation is false. A
    rebuilt total says nothing beyond its printed categories.
    """
    tables = tuple(released)
    numbers = known_numbers(tables, settings)
    numbers = _rebuilt_alike(numbers.assign(variable=same_numbers(numbers, tables)))
    variables = numbers.groupby("variable").agg(
        low=("low", "max"),
        high=("high", "min"),
        whole=("whole", "all"),
        value=("value", "first"),
        rebuilt=("rebuilt", "any"),
        true=("true", "first"),
    )
    rows = Rows()
    true, both = variables["true"].to_numpy(), with_both(numbers, tables)
    order_rows(numbers, both, true=true, tables=tables, rows=rows)
    breakdowns, rests = sum_rows(numbers, tables, true, rows)
    left = [(*where, len(variables) + at, 0.0, UNBOUNDED, True) for at, where in enumerate(rests)]
    first = len(variables) + len(rests)
    left += complements(both, tables, settings, first=first, rows=rows)
    columns = ["table", "row", "variable", "least", "most", "sensitive"]
    others = pd.DataFrame(left, columns=columns).astype({"variable": int, "sensitive": bool})
    others = others.assign(quantity=[REST] * len(rests) + [COMPLEMENT] * (len(left) - len(rests)))
    whole = np.concatenate([variables["whole"], np.ones(len(others), dtype=bool)])
    base = equations_of(np.zeros(whole.size), np.zeros(whole.size), whole.astype(bool), rows)
    return Release(numbers, variables, breakdowns, others, base, settings)


def _rebuilt_alike(numbers: pd.DataFrame) -> pd.DataFrame:
    """A number printed like a rebuilt one, in another place, says as little: they look the same."""
    made = numbers.loc[numbers["rebuilt"], ["variable", "value"]]
    alike = pd.MultiIndex.from_frame(numbers[["variable", "value"]]).isin(
        pd.MultiIndex.from_frame(made)
    )
    return numbers.assign(
        rebuilt=alike,
        low=numbers["low"].mask(alike, 0.0),
        high=numbers["high"].mask(alike, UNBOUNDED),
    )


def with_rows(
    equations: Equations, more: Iterable[tuple[dict[int, float], float, float]]
) -> Equations:
    """The equations with further rows: (position -> factor, low, high)."""
    from scipy.sparse import vstack

    rows = Rows()
    for factors, low, high in more:
        rows.add(factors, low, high)
    added = equations_of(equations.low, equations.high, equations.whole, rows)
    return dataclasses.replace(
        equations,
        matrix=vstack([equations.matrix, added.matrix]).tocsr(),
        row_low=np.concatenate([equations.row_low, added.row_low]),
        row_high=np.concatenate([equations.row_high, added.row_high]),
    )


def equations_of(low: np.ndarray, high: np.ndarray, whole: np.ndarray, rows: Rows) -> Equations:
    """Numbers and rows in the form of `solve`."""
    from scipy.sparse import csr_matrix

    entries = [
        (at, place, factor) for at, (terms, _, _) in enumerate(rows.kept) for place, factor in terms
    ]
    at, place, factor = np.array(entries, dtype=float).reshape(-1, 3).T
    matrix = csr_matrix((factor, (at.astype(int), place.astype(int))), (len(rows.kept), low.size))
    row_low = np.array([row[1] for row in rows.kept], dtype=float)
    row_high = np.array([row[2] for row in rows.kept], dtype=float)
    return Equations(low, high, whole, matrix, row_low, row_high)


def _limits(release: Release, second: Collection[int]) -> tuple[np.ndarray, np.ndarray]:
    """Limits of each number when `second` are hidden besides."""
    variables, settings = release.variables, release.settings
    low = variables["low"].to_numpy(dtype=float).copy()
    high = variables["high"].to_numpy(dtype=float).copy()
    for place in second:
        low[place], high[place] = float(settings.threshold), UNBOUNDED
    before = variables["value"].isna().to_numpy()
    hidden = before.copy()
    hidden[list(second)] = True
    for place, lists in release.breakdowns.items():
        complete = [parts for parts in lists if not hidden[parts].any()]
        if hidden[place]:
            continue
        if np.isnan(variables["true"].iloc[place]):
            if _is_sum(place, complete, release):
                low[place], high[place] = 0.0, UNBOUNDED
        elif (
            variables["rebuilt"].iloc[place]
            and not complete
            and any(not before[parts].any() for parts in lists)
        ):
            least, most = release.own_rounding(place)
            low[place], high[place] = max(low[place], least), min(high[place], most)
    if (low > high + 1e-9).any():
        raise Contradiction("two released numbers of one cell contradict one another")
    return low, high


def _is_sum(place: int, lists: list[list[int]], release: Release) -> bool:
    """Whether a total of tables without exact numbers is the sum of its printed categories."""
    value = release.variables["value"].to_numpy(dtype=float)
    return any(abs(value[parts].sum() - value[place]) < 1e-6 for parts in lists)
