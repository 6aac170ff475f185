"""By what a table is split: the categories in order, and the coarser ones that stand for them."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator

import pandas as pd

from audit.summaries.facts import Facts, band_names, coarser_bands
from audit.summaries.table import ALL, SummaryTable
from schemas import vocabulary
from schemas.leaving import COARSER, NOT_RECORDED

AGE_BAND = "age_band"


@dataclasses.dataclass(frozen=True, eq=False)
class Grouping:
    """codes: the category of each unit. order: all categories, in order. coarser: category ->
    coarser category, or empty where there is none."""

    dimension: str
    codes: pd.Series
    order: tuple[str, ...]
    coarser: dict[str, str]

    def merged(self) -> Grouping:
        """The same units in the coarser categories."""
        if not self.coarser:
            return self
        order = tuple(dict.fromkeys(self.coarser[code] for code in self.order))
        return Grouping(self.dimension, self.codes.map(self.coarser), order, {})

    def groups(self) -> Iterator[tuple[str, pd.Series]]:
        """All units, then every category, those without a unit included: (category, True for its
        units). Which categories a table has does not depend on who is in it."""
        yield ALL, pd.Series(True, index=self.codes.index)
        for code in self.order:
            yield code, self.codes == code

    def groups_that_occur(self) -> Iterator[tuple[str, pd.Series]]:
        """The same without the categories that have no unit."""
        for code, inside in self.groups():
            if code == ALL or inside.any():
                yield code, inside


def by_codes(units: pd.DataFrame, dimension: str) -> Grouping:
    """Units by a column of codes."""
    order = (*vocabulary.codes(dimension), "mixed", NOT_RECORDED)
    if not (units[dimension] == "mixed").any():
        order = tuple(code for code in order if code != "mixed")
    declared = COARSER.get(dimension, {})
    return Grouping(dimension, units[dimension], order, {code: declared[code] for code in order})


def by_age(facts: Facts, units: pd.DataFrame) -> Grouping:
    """Units by age band."""
    order = (*band_names(facts.choices.age_bands), NOT_RECORDED)
    return Grouping(AGE_BAND, units[AGE_BAND], order, coarser_bands(facts.choices))


def with_merged(make: Callable[..., SummaryTable], *groupings: Grouping) -> SummaryTable:
    """The table that `make` gives of the groupings, with its declared merging beside it."""
    table = make(*groupings)
    declared = {one.dimension: one.coarser for one in groupings if one.coarser}
    if not declared:
        return table
    merged = make(*(one.merged() for one in groupings))
    return dataclasses.replace(table, coarser=declared, merged=merged)
