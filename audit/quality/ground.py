"""What every look at data quality stands on: the rows of the source at the cut-off, and the
questions about them."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

import pandas as pd

from audit.cohort import Cohort
from audit.estimates.estimate import Estimate
from audit.estimates.proportions import proportion
from audit.intake.judge import MISSING
from schemas import TABLES

#: rules by which a value is missing, not wrong
ABSENT = (MISSING, "row_without_")
#: why a line of a file is no row of a table
UNREAD = "more_cells_than_headings"
ESTIMATE_COLUMNS = ["value", "low", "high", "level", "method", "note"]


@dataclasses.dataclass(frozen=True)
class Ground:
    """The source at the cut-off, of one centre when the cohort is.

    cohort: usable rows. frames: table -> all rows there at the cut-off, those kept out included,
    cells as typed. queries: the questions about these rows, about whole columns and files, and
    about rows that could not be read as rows. lost: (table, column) -> rows whose cell was lost to
    an error; a cell that is only missing is not among them.
    """

    cohort: Cohort
    frames: Mapping[str, pd.DataFrame]
    queries: pd.DataFrame
    lost: Mapping[tuple[str, str], frozenset[int]]

    def is_lost(self, table: str, column: str, rows: pd.DataFrame) -> pd.Series:
        """True for rows of a table whose cell in the column was lost to an error."""
        return rows["row"].isin(self.lost.get((table, column), frozenset()))

    def is_emptied(self, table: str, column: str, rows: pd.DataFrame) -> pd.Series:
        """True for rows whose cell is empty only because its fact came after the cut-off."""
        return rows["row"].isin(self.cohort.emptied.get((table, column), frozenset()))


def ground_of(cohort: Cohort) -> Ground:
    """The ground of a cohort. A cohort put together by hand has its usable rows only."""
    frames = _of_centre(dict(cohort.at_cutoff) or dict(cohort.tables), cohort.centre)
    queries = _about(cohort, frames)
    return Ground(cohort, frames, queries, _lost_cells(queries))


def _of_centre(frames: dict[str, pd.DataFrame], centre: str | None) -> dict[str, pd.DataFrame]:
    if centre is None:
        return frames
    cases = frames["cases"].loc[frames["cases"]["centre"] == centre]
    mine = {}
    for name, frame in frames.items():
        if name == "patients":
            keep = frame["patient_id"].isin(cases["patient_id"])
        elif "case_id" in TABLES[name].columns:
            keep = frame["case_id"].isin(cases["case_id"])
        elif "centre" in TABLES[name].columns:
            keep = frame["centre"] == centre
        else:
            keep = pd.Series(True, frame.index)
        mine[name] = frame.loc[keep]
    return mine


def _about(cohort: Cohort, frames: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    queries = cohort.queries
    unread = cohort.kept_out.loc[cohort.kept_out["reason"] == UNREAD]
    keep = queries["row"].astype(str) == ""
    for table, frame in frames.items():
        known = set(frame["row"])
        if cohort.centre is None:
            known |= set(unread.loc[unread["table"] == table, "row"])
        keep |= (queries["table"] == table) & queries["row"].isin(known)
    return queries.loc[keep].reset_index(drop=True)


def _lost_cells(queries: pd.DataFrame) -> dict[tuple[str, str], frozenset[int]]:
    absent = queries["rule"].str.startswith(ABSENT)
    wrong = queries.loc[(queries["severity"] == "error") & ~absent & (queries["column"] != "")]
    return {
        (str(table), str(column)): frozenset(part["row"])
        for (table, column), part in wrong.groupby(["table", "column"])
    }


def usable_rows(ground: Ground, table: str) -> pd.DataFrame:
    """The usable rows of a table; of the patients those with a usable case."""
    rows = ground.cohort.tables[table]
    if table == "patients":
        return rows.loc[rows["patient_id"].isin(ground.cohort.cases["patient_id"])]
    return rows


def with_case_columns(ground: Ground, table: str) -> pd.DataFrame:
    """The usable rows of a table, with the columns of their case where a state asks for them."""
    rows, columns = usable_rows(ground, table), TABLES[table].columns
    states = {(column.metadata or {})["expected"] for column in columns.values()}
    if table == "cases" or "case_id" not in columns or states <= {"always", "optional"}:
        return rows
    cases = ground.cohort.cases.set_index("case_id")
    new = [name for name in TABLES["cases"].columns if name not in rows and name in cases]
    return rows.join(cases[new], on="case_id")


def share(events: int, n: int, *, level: float, none: str) -> Estimate:
    """events / n with Wilson's interval (see `audit.estimates.proportions`); `none`: why there is
    nothing to estimate when n is 0."""
    if n:
        return proportion(events, n, level=level, unit="share")
    return dataclasses.replace(proportion(0, 0, level=level, unit="share"), note=none)


def estimate_cells(estimate: Estimate) -> dict[str, object]:
    """An estimate as cells of a table (`ESTIMATE_COLUMNS`); missing limits are NaN."""
    nan = float("nan")
    return {
        "value": nan if estimate.value is None else estimate.value,
        "low": nan if estimate.low is None else estimate.low,
        "high": nan if estimate.high is None else estimate.high,
        "level": estimate.level,
        "method": estimate.method,
        "note": estimate.note,
    }
