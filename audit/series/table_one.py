"""Table 1: who the patients were and what was known at surgery, by group; no test, no p value.

Standardised differences say how unlike two groups are without growing with their size (Austin
2009, Stat Med 28:3083-3107; categories: Yang and Dalton 2012, SAS Global Forum, paper 335).
"""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd

from audit.estimates.balance import (
    standardised_difference,
    standardised_difference_categories,
    standardised_difference_yes_no,
)
from audit.results.baseline import CATEGORY, NUMBER, YES_NO
from audit.results.groups import ALL, Window, slices
from audit.series.baseline_facts import (
    OF_EPISODES,
    PATIENT,
    baseline_facts,
    expected_in,
    fact,
    kind_of,
    unit_of,
)
from audit.series.case_series import CaseSeries
from audit.series.units import counts_of, limb_of

GROUP_COLUMNS = ["group_by", "group", "patients", "limbs", "cases"]
ROW_COLUMNS = [
    "fact",
    "kind",
    "each",
    "level",
    "group_by",
    "group",
    "n",
    "missing",
    "count",
    "mean",
    "sd",
    "median",
    "q1",
    "q3",
]
DIFFERENCE_COLUMNS = [
    "fact",
    "first",
    "second",
    "first_n",
    "second_n",
    "missing",
    "value",
    "low",
    "high",
    "level",
    "method",
    "note",
]
_COMPARE = {
    NUMBER: standardised_difference,
    YES_NO: standardised_difference_yes_no,
    CATEGORY: standardised_difference_categories,
}


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class TableOne:
    """groups: patients, limbs and cases of all and of every group (`GROUP_COLUMNS`). rows: one row
    a fact, level and group (`ROW_COLUMNS`): numbers have mean, sd, median, quartiles; yes/no
    facts count, level ""; a category one row a level. differences: one row a fact and pair of
    groups, first minus second (`DIFFERENCE_COLUMNS`). in_several: patients with cases in more than
    one group. nowhere: facts without a single value."""

    groups: pd.DataFrame
    rows: pd.DataFrame
    differences: pd.DataFrame
    in_several: int
    nowhere: tuple[str, ...]


def table_one(
    series: CaseSeries, columns: Sequence[str] | None = None, *, group_by: str | None = None
) -> TableOne:
    """Table 1 of a series: the facts in `columns`, then those on episodes, for all and by group.

    columns, group_by: default those of the plan; group_by holds columns of `cases` joined by "+".
    A fact of the patient (sex, aetiology, age) counts each patient of a group once, at the first
    of the patient's cases in it; others count cases. A fact that can be expected in some cases
    only (growth plates: under 18 years) is taken among those and the cases that have it all the
    same. sd: n - 1 below; quartiles: linear interpolation. Raises ValueError for a name that is no
    fact known at surgery.
    """
    wanted = series.plan.table_one if columns is None else columns
    by = series.plan.group_by if group_by is None else group_by
    names = [*dict.fromkeys((*wanted, *OF_EPISODES))]
    facts = baseline_facts(series, names)
    parts = _parts(series, facts, by)
    tables = {name: [(part, _inside(part, name)) for part in parts] for name in names}
    rows = [row for name in names for row in _rows(name, tables[name])]
    pairs = [row for name in names for row in _differences(name, tables[name])]
    several = _label(series, by).groupby(series.cases["patient_id"]).nunique()
    return TableOne(
        groups=pd.DataFrame([_sizes(part) for part in parts], columns=GROUP_COLUMNS),
        rows=pd.DataFrame(rows, columns=ROW_COLUMNS),
        differences=pd.DataFrame(pairs, columns=DIFFERENCE_COLUMNS),
        in_several=int((several > 1).sum()),
        nowhere=tuple(name for name in names if facts[name].isna().all()),
    )


@dataclasses.dataclass(frozen=True, eq=False)
class _Part:
    group_by: str
    group: str
    rows: pd.DataFrame


def _parts(series: CaseSeries, facts: pd.DataFrame, group_by: str) -> list[_Part]:
    """The whole and every group, with the facts of their cases; first surgery first."""
    cohort = series.run.cohort
    keys = cohort.cases[["case_id", "patient_id", "surgery_date", *group_by.split("+")]]
    limb = limb_of(cohort.cases, gap_days=cohort.settings.episode_gap_days).rename("limb")
    among = pd.DataFrame({f"among_{name}": expected_in(cohort, name) for name in facts})
    table = pd.concat([keys, limb, facts.rename(columns=_column), among], axis=1)
    table = table.sort_values(["surgery_date", "case_id"], kind="stable")
    whole = (Window(ALL),)
    return [
        _Part(part.group_by, part.group, part.rows)
        for part in slices(table, whole, [(), tuple(group_by.split("+"))])
    ]


def _column(name: str) -> str:
    """The column of a fact in a part, apart from the columns that groups are made of."""
    return f"fact_{name}"


def _label(series: CaseSeries, group_by: str) -> pd.Series:
    codes = series.cases[group_by.split("+")].astype(object)
    return codes.where(codes.notna(), "").agg("+".join, axis=1).rename("label")


def _sizes(part: _Part) -> dict[str, object]:
    counts = counts_of(part.rows)
    return {
        "group_by": part.group_by,
        "group": part.group,
        "patients": counts.patients,
        "limbs": counts.limbs,
        "cases": counts.cases,
    }


def _inside(part: _Part, name: str) -> pd.Series:
    """The values of a fact in a group, missing ones included, one a patient or case."""
    rows = part.rows
    rows = rows.loc[rows[f"among_{name}"] | rows[_column(name)].notna()]
    if unit_of(name) == PATIENT:
        rows = rows.drop_duplicates("patient_id")
    return rows[_column(name)]


def _rows(name: str, parts: list[tuple[_Part, pd.Series]]) -> Iterator[dict[str, object]]:
    kind = kind_of(name)
    for part, values in parts:
        known = values.dropna()
        row: dict[str, object] = {
            "fact": name,
            "kind": kind,
            "each": unit_of(name),
            "level": "",
            "group_by": part.group_by,
            "group": part.group,
            "n": len(known),
            "missing": len(values) - len(known),
        }
        if kind == NUMBER:
            yield row | _numbers(known)
        elif kind == YES_NO:
            yield row | {"count": int(known.sum())}
        else:
            for level in _levels(name, parts):
                yield row | {"level": level, "count": int((known == level).sum())}


def _numbers(known: pd.Series) -> dict[str, float]:
    if known.empty:
        return {}
    q1, middle, q3 = np.quantile(known.to_numpy(dtype=float), [0.25, 0.5, 0.75])
    return {
        "mean": float(known.mean()),
        "sd": float(known.std(ddof=1)) if len(known) > 1 else np.nan,
        "median": float(middle),
        "q1": float(q1),
        "q3": float(q3),
    }


def _levels(name: str, parts: list[tuple[_Part, pd.Series]]) -> list[str]:
    """Levels that occur, in the order of the code list, then of the alphabet."""
    present = {level for _, values in parts for level in values.dropna()}
    listed = [code for code in fact(name).codes if code in present]
    return [*listed, *sorted(present - set(listed))]


def _differences(name: str, parts: list[tuple[_Part, pd.Series]]) -> Iterator[dict[str, object]]:
    groups = [(part.group, values) for part, values in parts if part.group_by != ALL]
    for (one, first), (two, second) in itertools.combinations(groups, 2):
        found = _COMPARE[kind_of(name)](first, second)
        yield {
            "fact": name,
            "first": one,
            "second": two,
            "first_n": int(first.notna().sum()),
            "second_n": int(second.notna().sum()),
            "missing": found.missing,
            "value": found.value,
            "low": found.low,
            "high": found.high,
            "level": found.level,
            "method": found.method,
            "note": found.note,
        }
