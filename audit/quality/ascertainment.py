"""Case ascertainment: cases in the audit against operations in the theatre list.

Cases in the audit / cases in an independent source, with its interval, and the cases of the audit
that the source does not hold (standards 1.5, item 1, after validation studies of Danish
registries). Counts are compared, not cases: a case missing here can hide behind one too many, so
the share is the highest that the counts allow.
"""

from __future__ import annotations

import dataclasses
from typing import Any

import pandas as pd

from audit.estimates.estimate import Estimate
from audit.quality.ground import ESTIMATE_COLUMNS, Ground, estimate_cells, share

ALL = "all"
NO_TABLE = "not assessed: the source has no theatre list (theatre_counts)"
NO_COUNT = "not assessed: no usable count of a quarter that is over"
NOT_SPLIT = "not assessed: the theatre list is not split by centre"
COLUMNS = [
    "quarter",
    "operations",
    "rows_in_file",
    "cases",
    "found",
    "more",
    "not_compared",
    *ESTIMATE_COLUMNS,
]


def ascertainment_table(ground: Ground) -> pd.DataFrame:
    """One row a quarter, then `all`: `COLUMNS`.

    operations: in the theatre list; rows_in_file: rows of the cases table operated here in the
    quarter, those kept out included; cases: the usable ones among them. found: cases up to the
    number of operations, quarter by quarter and centre by centre; more: cases beyond it, which the
    list does not hold. not_compared: usable cases of quarters or centres without a count. value:
    found / operations with Wilson's interval; no value where the audit holds more cases than the
    list, which is no ascertainment above 100 %. Cases taken over in mid-treatment were operated
    elsewhere and are left out.
    """
    level = ground.cohort.settings.level
    reason = _not_assessed(ground)
    cells = _cells(ground)
    rows = []
    for quarter, part in cells.groupby("quarter"):
        rows.append(_line(str(quarter), part, level))
    if reason:
        empty = share(0, 0, level=level, none=reason)
        rows = [row | estimate_cells(empty) for row in rows]
        counts = _sums(cells)
        rows.append({"quarter": ALL} | counts | estimate_cells(empty))
    else:
        rows.append(_whole(cells, level))
    table = pd.DataFrame(rows, columns=COLUMNS)
    return table.assign(operations=table["operations"].astype(float))


def _not_assessed(ground: Ground) -> str:
    cohort = ground.cohort
    if "theatre_counts" not in cohort.given:
        return NO_TABLE
    if len(cohort.tables["theatre_counts"]):
        return ""
    split = ground.cohort.at_cutoff.get("theatre_counts", pd.DataFrame({"centre": []}))["centre"]
    return NOT_SPLIT if cohort.centre is not None and split.isna().any() else NO_COUNT


def _cells(ground: Ground) -> pd.DataFrame:
    """One row a quarter and centre (empty: the whole service): quarter, centre, operations
    (missing without a count), rows_in_file, cases."""
    counts = ground.cohort.tables["theatre_counts"].assign(
        centre=lambda rows: rows["centre"].fillna("")
    )
    counts = counts[["quarter", "centre", "operations"]].dropna(subset=["operations"])
    by_centre = set(counts.loc[counts["centre"] != "", "quarter"])
    whole = set(counts.loc[counts["centre"] == "", "quarter"])
    elsewhere = _taken_over(ground.frames["cases"])
    sizes = {
        name: _operated(cases, elsewhere, by_centre, whole)
        for name, cases in (
            ("rows_in_file", ground.frames["cases"]),
            ("cases", ground.cohort.cases),
        )
    }
    table = counts.set_index(["quarter", "centre"])
    for name, size in sizes.items():
        table = table.join(size.rename(name), how="outer")
    filled = table[list(sizes)].fillna(0).astype(int)
    return table.assign(**filled).reset_index().sort_values(["quarter", "centre"])


def _taken_over(cases: pd.DataFrame) -> set[int]:
    """Rows of cases that arrived after their surgery, as they stand in the file: a day of arrival
    that was lost to an error still says that the case came from elsewhere."""
    return set(cases.loc[cases["arrival_date"] > cases["surgery_date"], "row"])


def _operated(
    cases: pd.DataFrame, elsewhere: set[int], by_centre: set[str], whole: set[str]
) -> pd.Series:
    """Cases operated under this service, by quarter of surgery and centre as the list has them."""
    cases = cases.loc[~cases["row"].isin(elsewhere) & cases["surgery_date"].notna()]
    quarter = cases["surgery_date"].dt.to_period("Q").astype(str)
    centre = cases["centre"].fillna("").where(~quarter.isin(whole), "")
    centre = centre.where(quarter.isin(by_centre) | quarter.isin(whole), "")
    index = pd.MultiIndex.from_arrays([quarter, centre], names=["quarter", "centre"])
    return pd.Series(1, index=index).groupby(level=[0, 1]).sum()


def _sums(cells: pd.DataFrame) -> dict[str, Any]:
    """Counts over the cells that have a count, and the cases of those that have none."""
    counted = cells.loc[cells["operations"].notna()]
    found = counted[["cases", "operations"]].min(axis=1).sum()
    return {
        "operations": counted["operations"].sum() if len(counted) else float("nan"),
        "rows_in_file": int(counted["rows_in_file"].sum()),
        "cases": int(counted["cases"].sum()),
        "found": int(found),
        "more": int((counted["cases"] - counted["operations"]).clip(lower=0).sum()),
        "not_compared": int(cells.loc[cells["operations"].isna(), "cases"].sum()),
    }


def _line(quarter: str, cells: pd.DataFrame, level: float) -> dict[str, object]:
    counts = _sums(cells)
    return {"quarter": quarter} | counts | estimate_cells(_estimate(counts, level))


def _estimate(counts: dict[str, Any], level: float) -> Estimate:
    if pd.isna(counts["operations"]):
        return share(0, 0, level=level, none="not assessed: the quarter was not counted")
    operations = int(counts["operations"])
    if counts["more"]:
        words = "1 case" if counts["more"] == 1 else f"{counts['more']} cases"
        reason = f"{words} in the audit not found in the theatre list: no share can be given"
        return dataclasses.replace(share(0, 0, level=level, none=reason), n=operations)
    return share(counts["found"], operations, level=level, none="no operation in the theatre list")


def _whole(cells: pd.DataFrame, level: float) -> dict[str, object]:
    """All quarters that were counted. A case too many in one quarter fills no gap in another."""
    counts = _sums(cells)
    estimate = share(
        int(counts["found"]),
        int(counts["operations"]),
        level=level,
        none="no operation in the theatre list",
    )
    if counts["more"]:
        words = f"not counted as found: {counts['more']} in the audit beyond a quarter's list"
        estimate = dataclasses.replace(estimate, note=words)
    return {"quarter": ALL} | counts | estimate_cells(estimate)
