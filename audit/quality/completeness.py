"""Completeness: what is there of what can be expected by now, item by item and for key sets.

Over the cases (or rows) in which an item could be expected at the cut-off, and for named key sets:
the way national audits define it (standards 1.5, item 3). A value lost to an error is neither
complete nor missing: it is counted as invalid.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator

import pandas as pd

from audit.quality.choices import QualityChoices
from audit.quality.facts import facts
from audit.quality.ground import (
    ESTIMATE_COLUMNS,
    Ground,
    estimate_cells,
    share,
    usable_rows,
    with_case_columns,
)
from schemas import TABLES
from schemas.expected import state
from schemas.rules import ESSENTIAL

COMPLETE, INVALID, MISSING = "complete", "invalid", "missing"
COUNTS = ["expected", COMPLETE, INVALID, MISSING]
COLUMNS = [
    "table",
    "item",
    "title",
    "expected_in",
    "source",
    "counts",
    *COUNTS,
    *ESTIMATE_COLUMNS,
]
MISSING_COLUMNS = ["table", "row", "case_id", "item", "title", "state", "expected_in"]
#: the values without which the main measures cannot be formed: local choice
CORE = (
    "side",
    "planned_gain_mm",
    "distraction_start_date",
    "distraction_end_date",
    "achieved_gain_mm",
    "union_date",
    "full_weight_bearing_date",
    "last_follow_up_date",
    "outcome_status",
    "outcome_date",
)
#: key set -> its items; a question of the audit each, all local choice
KEY_SETS: dict[str, tuple[str, ...]] = {
    "Core: main measures can be formed": CORE,
    "Who and what": (
        "side",
        "segment",
        "device_class",
        "nail_approach",
        "age_at_surgery_years",
        "physes_open",
    ),
    "Length": (
        "planned_gain_mm",
        "distraction_start_date",
        "distraction_end_date",
        "achieved_gain_mm",
        "final_gain_mm",
        "films_in_distraction",
    ),
    "Bone": ("distraction_end_date", "achieved_gain_mm", "union_date", "fixator_removal_date"),
    "Knee": ("baseline_knee", "knee_after_surgery"),
    "Walking": (
        "counselled_full_weight_bearing_weeks",
        "full_weight_bearing_date",
        "loads_after_surgery",
    ),
    "Outcome": ("last_follow_up_date", "outcome_status", "outcome_date", "recent_contact"),
}


def item_states(ground: Ground, choices: QualityChoices) -> pd.DataFrame:
    """How every item of every usable case stands: one row a case (index case_id), a column an item.

    complete, invalid or missing; missing (NaN) where the item cannot be expected yet, or where the
    source has no table that could hold it.
    """
    cohort = ground.cohort
    cases = cohort.cases.set_index("case_id", drop=False)
    columns = {
        name: column_states(ground, "cases", name, cases).rename(name)
        for name in TABLES["cases"].columns
        if name not in ESSENTIAL["cases"]
    }
    for fact in facts(choices):
        expected = fact.expected(cohort, choices).fillna(False).astype(bool)
        if fact.table not in cohort.given:
            expected &= False
        found = fact.found(cohort, choices).fillna(False).astype(bool)
        words = pd.Series(MISSING, index=cases.index, dtype=object).mask(found, COMPLETE)
        columns[fact.name] = words.where(expected).rename(fact.name)
    return pd.concat(columns.values(), axis=1)


def column_states(ground: Ground, table: str, column: str, rows: pd.DataFrame) -> pd.Series:
    """complete, invalid or missing for each row in which the column can be expected, else NaN.

    rows: usable rows of the table, with the columns of their case where its states ask for them.
    """
    when = state(TABLES[table].columns[column].metadata["expected"])
    expected = when.holds(rows, ground.cohort.cutoff).fillna(False).astype(bool)
    expected &= ~ground.is_emptied(table, column, rows)
    words = pd.Series(MISSING, index=rows.index, dtype=object)
    words = words.mask(ground.is_lost(table, column, rows), INVALID)
    return words.mask(rows[column].notna(), COMPLETE).where(expected)


@dataclasses.dataclass(frozen=True, eq=False)
class Item:
    """An item that can be expected: where it stands, its words, the rows it speaks of and how it
    stands in each of them."""

    table: str
    name: str
    title: str
    words: str
    source: str
    rows: pd.DataFrame
    found: pd.Series


def expected_items(ground: Ground, states: pd.DataFrame, choices: QualityChoices) -> Iterator[Item]:
    """Every item that can be expected: columns in the order of the contract, after those of a table
    its facts. states: from `item_states`."""
    cases = ground.cohort.cases.set_index("case_id", drop=False)
    for table, contract in TABLES.items():
        held = cases if table == "cases" else with_case_columns(ground, table)
        for name, column in contract.columns.items():
            when = state(column.metadata["expected"])
            if name in ESSENTIAL[table] or when.name == "optional":
                continue
            found = states[name] if table == "cases" else column_states(ground, table, name, held)
            title = column.metadata["title"]
            yield Item(table, name, title, when.words, when.source, held, found)
        for fact in facts(choices):
            if fact.table == table:
                found = states[fact.name]
                yield Item(table, fact.name, fact.title, fact.words, fact.source, cases, found)


def completeness_table(ground: Ground, items: Iterable[Item]) -> pd.DataFrame:
    """One row an item that can be expected: `COLUMNS`.

    expected = complete + invalid + missing; value: complete / expected with Wilson's interval.
    counts: what is counted. Columns without which a row is kept out are left out: a row is there
    or not. Items of a table that the source does not have are not assessed.
    """
    rows = [_item_row(ground, item) for item in items]
    return pd.DataFrame(rows, columns=COLUMNS)


def _item_row(ground: Ground, item: Item) -> dict[str, object]:
    numbers = {name: int((item.found == name).sum()) for name in (COMPLETE, INVALID, MISSING)}
    expected = sum(numbers.values())
    given = item.table in ground.cohort.given
    none = "none can be expected yet" if given else f"the source has no table {item.table}"
    level = ground.cohort.settings.level
    estimate = share(numbers[COMPLETE], expected, level=level, none=none)
    named = {
        "table": item.table,
        "item": item.name,
        "title": item.title,
        "expected_in": item.words,
        "source": item.source,
        "counts": _noun(item),
        "expected": expected,
    }
    return named | numbers | estimate_cells(estimate)


def _noun(item: Item) -> str:
    whole = item.found.index.name == "case_id" or item.table == "patients"
    return ("patients" if item.table == "patients" else "cases") if whole else "rows"


def missing_items(items: Iterable[Item]) -> pd.DataFrame:
    """Every item that could be expected and is missing or invalid, for whoever fills it in:
    `MISSING_COLUMNS`. row: line of the file; empty for a fact that has no row yet."""
    parts = []
    for item in items:
        lacking = item.found.isin([MISSING, INVALID]).to_numpy()
        rows = item.rows.loc[lacking]
        fact = item.name not in TABLES[item.table].columns
        parts.append(
            pd.DataFrame(
                {
                    "table": item.table,
                    "row": "" if fact else rows["row"].astype(object),
                    "case_id": rows.get("case_id", ""),
                    "item": item.name,
                    "title": item.title,
                    "state": item.found.loc[lacking].to_numpy(),
                    "expected_in": item.words,
                },
                index=rows.index,
            )
        )
    filled = [part for part in parts if len(part)]
    if not filled:
        return pd.DataFrame(columns=MISSING_COLUMNS)
    return pd.concat(filled, ignore_index=True)[MISSING_COLUMNS]


def optional_table(ground: Ground) -> pd.DataFrame:
    """Optional columns, listed apart: table, item, title, rows, filled, invalid.

    They are never a gap. Tables that the source does not have are left out.
    """
    rows = []
    for table, contract in TABLES.items():
        held = usable_rows(ground, table)
        for name, column in contract.columns.items():
            if column.metadata["expected"] != "optional" or table not in ground.cohort.given:
                continue
            filled = held[name].notna()
            lost = int((ground.is_lost(table, name, held) & ~filled).sum())
            rows.append((table, name, column.metadata["title"], len(held), int(filled.sum()), lost))
    return pd.DataFrame(rows, columns=["table", "item", "title", "rows", "filled", "invalid"])


def key_set_table(ground: Ground, states: pd.DataFrame, choices: QualityChoices) -> pd.DataFrame:
    """One row a key set: cells expected, complete, invalid and missing; cases with an item
    expected, cases complete in all of them, and their share with Wilson's interval. absent: tables
    that could hold one of its items and that the source does not have."""
    rows = []
    for name, items in KEY_SETS.items():
        found = states[list(items)]
        cells = {word: int((found == word).sum().sum()) for word in (COMPLETE, INVALID, MISSING)}
        whole = complete_cases(states, items)
        absent = _absent_tables(ground, items, choices)
        none = f"the source has no table {absent}" if absent else "none can be expected yet"
        level = ground.cohort.settings.level
        estimate = share(int(whole.sum()), int(whole.notna().sum()), level=level, none=none)
        rows.append(
            {"key_set": name, "items": len(items), "absent": absent}
            | {"expected": sum(cells.values())}
            | cells
            | {"cases": int(whole.notna().sum()), "complete_cases": int(whole.sum())}
            | estimate_cells(estimate)
        )
    return pd.DataFrame(rows)


def _absent_tables(ground: Ground, items: tuple[str, ...], choices: QualityChoices) -> str:
    homes = {fact.table for fact in facts(choices) if fact.name in items}
    return ", ".join(sorted(homes - ground.cohort.given))


def complete_cases(states: pd.DataFrame, items: tuple[str, ...]) -> pd.Series:
    """Whether a case is complete in all items of a set that it can be expected to have; missing
    where it can be expected to have none (index case_id, boolean)."""
    found = states[list(items)]
    expected = found.notna().any(axis=1)
    whole = ~found.isin([INVALID, MISSING]).any(axis=1)
    return whole.astype("boolean").where(expected)
