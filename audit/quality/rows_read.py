"""What was read: rows used and rows set aside, table by table, with the reasons."""

from __future__ import annotations

import pandas as pd

from audit.cohort import Cohort
from schemas import REQUIRED_TABLES


def rows_read(cohort: Cohort) -> pd.DataFrame:
    """One row a table: table, given, required, read, used, kept_out, later, other_centre.

    read = used + kept_out + later + other_centre.
    """
    rows = cohort.rows.assign(
        given=cohort.rows["table"].isin(cohort.given),
        required=cohort.rows["table"].isin(REQUIRED_TABLES),
    )
    order = ["table", "given", "required", "read", "used", "kept_out", "later", "other_centre"]
    return rows[order].reset_index(drop=True)


def kept_out_reasons(cohort: Cohort) -> pd.DataFrame:
    """Rows kept out by table and reason, most first: table, reason, rows, cases (known case ids).

    Over the whole source: rows of other centres are among them.
    """
    columns = ["table", "reason", "rows", "cases"]
    if cohort.kept_out.empty:
        return pd.DataFrame(columns=columns)
    ids = cohort.kept_out["case_id"].replace("", pd.NA)
    groups = cohort.kept_out.assign(case_id=ids).groupby(["table", "reason"])
    found = groups.agg(rows=("row", "size"), cases=("case_id", "nunique")).reset_index()
    order = ["rows", "table", "reason"]
    return found.sort_values(order, ascending=[False, True, True]).reset_index(drop=True)[columns]
