"""The part of every case in every criterion, then and now.

What a case counts as depends on more than its measure: on accepted exceptions, on whether its
treatment goes on, on when it was last seen. So a run keeps the state of every unit, and a re-audit
compares the states themselves.
"""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from audit.cohort import Cohort
from audit.criteria import Criterion
from audit.reaudit.typed import differs, shown, typed_like
from audit.results.groups import Window
from audit.standards import case_states

#: a unit is known by its cases: episodes are numbered on when patients are added
UNIT = ["criterion", "case_ids"]
COMPARED = ("day", "value", "state", "excused", "patient_id")
UNIT_COLUMNS = [*UNIT, *COMPARED]


def unit_record(
    cohort: Cohort, measured: pd.DataFrame, criteria: Sequence[Criterion]
) -> pd.DataFrame:
    """One row a criterion and unit (case, or the cases of a walking episode joined by "+"):
    `UNIT_COLUMNS`. day: by which it belongs to a window; value: of the measure; state and excused
    as in `audit.standards.case_states`."""
    return case_states(cohort, measured, criteria)[UNIT_COLUMNS].reset_index(drop=True)


def changed_in(
    then: pd.DataFrame, now: pd.DataFrame, criterion: str, window: Window
) -> list[tuple[str, str, str, str]]:
    """(unit, what, as it was, as it is) for every unit that changed in a criterion and window.

    then: the record of an archive, all texts. A unit that only one of the two has counts with its
    state.
    """
    today = _units(now, criterion)
    before = typed_like(_units(then, criterion), today)
    inside = set(before.index[window.holds(pd.to_datetime(before["day"]))])
    inside |= set(today.index[window.holds(pd.to_datetime(today["day"]))])
    found: list[tuple[str, str, str, str]] = []
    for unit in sorted(inside - (set(before.index) & set(today.index))):
        one, two = (
            shown(table["state"].get(unit)) if unit in table.index else ""
            for table in (before, today)
        )
        found.append((unit, "state", one, two))
    shared = before.index.intersection(today.index)
    shared = shared[shared.isin(inside)]
    for name in COMPARED:
        one, two = before.loc[shared, name], today.loc[shared, name]
        for unit in shared[differs(one, two).to_numpy(dtype=bool)]:
            found.append((unit, name, shown(one[unit]), shown(two[unit])))
    return found


def _units(record: pd.DataFrame, criterion: str) -> pd.DataFrame:
    rows = record.loc[record["criterion"] == criterion]
    return rows.drop_duplicates("case_ids").set_index("case_ids")[list(COMPARED)]
