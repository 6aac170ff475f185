"""Sums that rest on too few people are hidden, with what would give them away by subtraction.

A sum over one patient is that patient's value, so an aggregate without this would hold rows of
patients. Groups add up to their margins (device classes to all, device class and segment to both),
which is a system of equations: a hidden group is safe only if the equations do not fix it and if
what is hidden in each rests on enough people together. Fewest people 3 is the usual least number
behind a total (Hundepool et al. 2012, Statistical Disclosure Control, chapter 4, from memory).
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.intake.aggregate_form import HIDDEN

FEWEST_PEOPLE = 3
ALL = "all"
JOINED = "+"
#: a projection this close to 1 means that the equations fix the cell
_FIXED = 1 - 1e-9


def hidden_rows(groups: pd.DataFrame, *, fewest_people: int) -> np.ndarray:
    """True for the rows to hide.

    groups: one measure's rows: group_by, group, people (0: nothing to protect). The second groups
    to hide are those with the fewest people that share an equation with one at risk.
    """
    people = groups["people"].to_numpy(dtype=int)
    hidden = (people > 0) & (people < fewest_people)
    if not hidden.any():
        return hidden
    equations = _equations(groups)
    while True:
        risky = _at_risk(equations, hidden, people, fewest_people)
        shown = risky.any(axis=0) & ~hidden & (people > 0) if risky.size else hidden & False
        if not shown.any():
            return hidden
        candidates = np.flatnonzero(shown)
        hidden[candidates[np.argmin(people[candidates])]] = True


def hide(
    table: pd.DataFrame, *, by: list[str], columns: list[str], fewest_people: int
) -> pd.DataFrame:
    """The table with `columns` emptied and marked where `hidden_rows` says so, within each `by`."""
    parts = []
    for _, rows in table.groupby(by, sort=False):
        mask = hidden_rows(rows, fewest_people=fewest_people)
        marked = rows.astype({name: float for name in columns})
        marked.loc[mask, columns] = np.nan
        marked.loc[mask, "marker"] = HIDDEN
        parts.append(marked)
    return pd.concat(parts) if parts else table


def _equations(groups: pd.DataFrame) -> np.ndarray:
    """One row an equation: +1 for the parts, -1 for their sum.

    Only groupings by facts of the case add up to other rows; an event's origin does not.
    """
    place = {
        (by, group): at
        for at, (by, group) in enumerate(zip(groups["group_by"], groups["group"], strict=True))
    }
    sums: dict[tuple[str, str, str], list[int]] = {}
    for (by, group), at in place.items():
        if by == ALL:
            continue
        sums.setdefault((by, ALL, ALL), []).append(at)
        names, codes = by.split(JOINED), group.split(JOINED)
        if len(names) > 1:
            for name, code in zip(names, codes, strict=True):
                sums.setdefault((by, name, code), []).append(at)
    rows = []
    for (_, name, code), parts in sums.items():
        if (name, code) in place:
            row = np.zeros(len(groups))
            row[parts] = 1.0
            row[place[name, code]] = -1.0
            rows.append(row)
    return np.array(rows).reshape(-1, len(groups))


def _at_risk(
    equations: np.ndarray, hidden: np.ndarray, people: np.ndarray, fewest: int
) -> np.ndarray:
    """The equations through which a hidden cell, or too few people together, could be found."""
    unknown = equations[:, hidden]
    touched = unknown.any(axis=1)
    if not touched.any():
        return equations[:0]
    fixed = np.diag(np.linalg.pinv(unknown) @ unknown) > _FIXED
    gives_away = (unknown[:, fixed] != 0).any(axis=1)
    # the sum of what is hidden among the parts follows where the margin is shown
    margin_shown = ~((equations == -1) & hidden).any(axis=1)
    together = ((equations == 1) & hidden) @ people
    return equations[touched & (gives_away | (margin_shown & (together < fewest)))]
