"""What a planted fault is, the kinds of cases it can go to, and how it is put into the tables.

There is no chance in it: a fault goes to the next case of its kind that has no fault yet.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections.abc import Callable, Mapping

import pandas as pd

Made = Callable[[pd.Series, pd.Series], str]
Cell = str | Made
Choice = Callable[[pd.Series, pd.DataFrame], pd.Series]
MILESTONES = (
    "distraction_start_date",
    "distraction_end_date",
    "achieved_gain_mm",
    "union_date",
    "full_weight_bearing_date",
)
OVER = "lengthening_over_nail"


@dataclasses.dataclass(frozen=True, kw_only=True)
class Fault:
    """One fault. A cell is a text, or is made from (the case, the row that is changed).

    kind: kind of case it goes to (see `kinds`), or "" for a row of a table without cases. choose:
    True for rows of the case that will do. copied: the row is added at the end as a changed copy.
    whole_column: the question is about the column, so it has no row and no case.
    """

    rule: str
    table: str
    column: str
    what: str
    cells: Mapping[str, Cell]
    severity: str = "error"
    kind: str = "whole"
    choose: Choice | None = None
    copied: bool = False
    whole_column: bool = False


def day(column: str, plus: int) -> Made:
    """The day of a column of the case, and so many days after."""
    return lambda case, row: (
        dt.date.fromisoformat(case[column]) + dt.timedelta(days=plus)
    ).isoformat()


def number(column: str, *, times: float = 1.0, plus: float = 0.0) -> Made:
    """A number of the case, multiplied, then added to."""
    return lambda case, row: f"{float(case[column]) * times + plus:.1f}"


def moment(column: str, plus: int) -> Made:
    """Eight in the morning, so many days after a day of the case."""
    return lambda case, row: day(column, plus)(case, row) + " 08:00"


def copied(column: str) -> Made:
    """The cell of the case as it is."""
    return lambda case, row: case[column]


def kinds(tables: Mapping[str, pd.DataFrame]) -> dict[str, pd.Series]:
    """True for the cases of each kind; but for "second" and "dead" on a bone treated once."""
    cases = tables["cases"]
    device, status = cases["device_class"], cases["outcome_status"]
    once = ~cases.duplicated(["patient_id", "side", "segment"], keep=False)
    logged = cases["case_id"].isin(tables["distraction_sessions"]["case_id"])
    done = once & ~cases[list(MILESTONES)].isin([""]).any(axis=1) & status.eq("completed")
    whole, nail = done & ~logged, device.eq("lengthening_nail")
    frame = device.isin(["circular_fixator", "monolateral_fixator"])
    stopped = once & status.isin(["stopped_early"])
    waiting = once & status.eq("in_treatment")
    loads, films = tables["weight_bearing"], tables["radiographs"]
    free = loads["case_id"][loads["load"].eq("full") & loads["aid"].eq("none")]
    bridged = films["case_id"][films["cortices_bridged"].isin(["3", "4"])]
    patients = tables["patients"]
    tall = patients["patient_id"][
        ~patients["aetiology"].isin(["short_stature", "skeletal_dysplasia"])
    ]
    unequal = cases["patient_id"].isin(tall)
    return {
        "any": once,
        "whole": whole,
        "assessed": whole & cases["case_id"].isin(free),
        "filmed": whole & cases["case_id"].isin(bridged),
        "old": whole & cases["surgery_date"].lt("2022-07-01"),
        "unequal": whole & unequal & ~cases["patient_id"].duplicated(keep=False),
        "nail": whole & nail,
        "stroke": whole & nail & cases["device_stroke_mm"].ne(""),
        "bone": whole & cases["segment_length_before_mm"].ne(""),
        "final": whole & cases["final_gain_mm"].ne(""),
        "adult": whole & pd.to_numeric(cases["age_at_surgery_years"]).gt(25),
        "frame": whole & frame & cases["fixator_removal_date"].ne(""),
        "over_nail": once & device.eq(OVER) & cases["fixator_removal_date"].ne(""),
        "logged": done & nail & logged,
        "dead": status.eq("died"),
        "stopped": stopped & cases["union_date"].ne(""),
        "lengthening": waiting & cases["distraction_end_date"].eq(""),
        "waiting": waiting & cases["distraction_end_date"].ne(""),
        "second": cases["patient_id"].duplicated(keep="first"),
    }


class Workshop:
    """Tables while faults are put in, and what was put in."""

    def __init__(self, tables: Mapping[str, pd.DataFrame]) -> None:
        self.tables = {name: table.reset_index(drop=True) for name, table in tables.items()}
        self.kinds = kinds(self.tables)
        self.used: set[str] = set()
        self.planted: list[tuple[str, ...]] = []

    def put(self, fault: Fault) -> None:
        """Put one fault in. Raises ValueError when no case of its kind is left that will do."""
        case, place = self._place(fault)
        table = self.tables[fault.table]
        cells = {
            column: cell if isinstance(cell, str) else cell(case, table.iloc[place])
            for column, cell in fault.cells.items()
        }
        if fault.copied:
            added = table.loc[[place]].assign(**cells)
            table = pd.concat([table, added], ignore_index=True)
            place = len(table) - 1
        else:
            table = table.copy()
            table.loc[place, list(cells)] = list(cells.values())
        self.tables[fault.table] = table
        row, case_id = str(place + 2), str(table.loc[place].get("case_id", ""))
        where = ("", "") if fault.whole_column else (row, case_id)
        self.planted.append(
            (fault.table, *where, fault.column, fault.rule, fault.severity, fault.what)
        )

    def _place(self, fault: Fault) -> tuple[pd.Series, int]:
        table = self.tables[fault.table]
        if not fault.kind:
            return pd.Series(dtype=object), self._row(fault, pd.Series(dtype=object), table)
        cases = self.tables["cases"]
        wanted = self.kinds[fault.kind].reindex(cases.index, fill_value=False)
        for _, case in cases[wanted & ~cases["case_id"].isin(self.used)].iterrows():
            key = "patient_id" if fault.table == "patients" else "case_id"
            place = self._row(fault, case, table[table[key] == case[key]])
            if place >= 0:
                self.used.add(case["case_id"])
                return case, place
        raise ValueError(f"no case of kind {fault.kind!r} is left for rule {fault.rule!r}")

    def _row(self, fault: Fault, case: pd.Series, rows: pd.DataFrame) -> int:
        """Index of the first row that will do, -1 where there is none."""
        if fault.choose is not None:
            rows = rows[fault.choose(case, rows)]
        return int(rows.index[0]) if len(rows) else -1
