"""How complete the data are: items and key sets that can be expected by now."""

from __future__ import annotations

import pandas as pd

from audit.quality import DEFAULTS
from audit.quality.completeness import (
    COMPLETE,
    INVALID,
    KEY_SETS,
    MISSING,
    complete_cases,
    item_states,
)
from audit.quality.ground import ground_of
from audit.summaries.cohort_tables import about
from audit.summaries.facts import Facts, numbered
from audit.summaries.rows import Rows, behind, count_row, share_row, summary_frame
from audit.summaries.table import SummaryTable
from schemas import TABLES
from schemas.leaving import NEVER, how_it_leaves

EXPECTED = (
    "Counted are cases in which the item can be expected by the cut-off; a value that was lost to "
    "an error is not complete. An item that no case can be expected to have yet is not available."
)


def quality_tables(facts: Facts) -> list[SummaryTable]:
    """Cases complete in every item that can be expected by now, item by item and by key set."""
    cohort = facts.run.cohort
    states = item_states(ground_of(cohort), DEFAULTS)
    cases = cohort.cases.set_index("case_id")
    cases = cases.loc[facts.window.holds(cases["surgery_date"])]
    states = states.loc[cases.index]
    person = numbered(cases["patient_id"], facts.people)
    shown = [name for name in states if _may_be_named(str(name))]
    items = {str(name): _complete(states[name]) for name in shown}
    sets = {
        name.split(":")[0]: complete_cases(states, of).rename(None) for name, of in KEY_SETS.items()
    }
    return [
        _table(facts, items, person, name="data-complete-by-item", dimension="item"),
        _table(facts, sets, person, name="data-complete-by-key-set", dimension="key_set"),
    ]


def _may_be_named(item: str) -> bool:
    """Neither a column that never leaves, nor an optional one, which is never a gap, nor a required
    one, without which no row is used; facts of other tables have names of their own."""
    column = TABLES["cases"].columns.get(item)
    if column is None:
        return True
    optional = column.metadata["expected"] == "optional"
    return not optional and not column.required and how_it_leaves("cases", item) != NEVER


def _complete(found: pd.Series) -> pd.Series:
    """Whether an item is complete; missing where it cannot be expected."""
    expected = found.isin([COMPLETE, INVALID, MISSING])
    return (found == COMPLETE).astype("boolean").where(expected)


def _table(
    facts: Facts, answers: dict[str, pd.Series], person: pd.Series, *, name: str, dimension: str
) -> SummaryTable:
    rows: Rows = []
    for item, yes in answers.items():
        key = {dimension: item}
        some = yes.fillna(False).astype(bool)
        rows.append(count_row(key, behind(person[some], person[yes.notna()]), unit="cases"))
        rows.append(share_row(key, yes, person, settings=facts.run.cohort.settings))
    words = tuple(f"{whole.split(':')[0]}: {', '.join(of)}." for whole, of in KEY_SETS.items())
    return SummaryTable(
        name=name,
        counted="cases",
        dimensions=(dimension,),
        frame=summary_frame((dimension,), rows),
        notes=(EXPECTED, *(words if dimension == "key_set" else ())),
        **about(facts, f"Complete data by {dimension.replace('_', ' ')}"),
    )
