"""Winds tables back to a cut-off day: what is dated later has not happened yet."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd

from audit.intake.tables import KEPT_OUT, columns_of_kind, kept_out_rows
from schemas.rules import CHILD_TABLES
from schemas.theatre_counts import quarter_ends

#: the day that dates a whole row
ROW_DAY: dict[str, str] = {
    "radiographs": "taken_on",
    "joint_motion": "examined_on",
    "weight_bearing": "assessed_on",
    "complications": "occurred_on",
    "distraction_sessions": "started_at",
    "actions": "raised_on",
    "service_events": "happened_on",
}
#: tables in which a row can lose a cell to the cut-off and stay
CELLS_EMPTIED = ("cases", "complications", "actions")
#: days that plan ahead: they are no facts
PLANS = {("actions", "due_on")}


@dataclasses.dataclass(frozen=True)
class WoundBack:
    """frames: the tables as they stood. later: rows not there yet (columns of KEPT_OUT).
    follow_up_emptied: rows of `cases` whose last follow-up lies after the cut-off. emptied: (table,
    column) -> rows whose cell is empty only because its fact came after the cut-off."""

    frames: dict[str, pd.DataFrame]
    later: pd.DataFrame
    follow_up_emptied: tuple[int, ...]
    emptied: dict[tuple[str, str], frozenset[int]]


def dated_facts(frames: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Every dated fact of the source: `case_id` (missing where none is named) and `day`."""
    ids: list[np.ndarray] = [np.empty(0, dtype=object)]
    days: list[np.ndarray] = [np.empty(0, dtype="datetime64[D]")]
    for table, frame in frames.items():
        if frame.empty:
            continue
        case = np.full(len(frame), None, dtype=object)
        if "case_id" in frame:
            case = frame["case_id"].to_numpy(dtype=object)
        for column in columns_of_kind(table, "day", "moment"):
            if (table, column) not in PLANS:
                day = frame[column].to_numpy("datetime64[D]")
                known = ~np.isnat(day)
                ids.append(case[known])
                days.append(day[known])
    day = np.concatenate(days).astype("datetime64[ns]")
    return pd.DataFrame({"case_id": np.concatenate(ids), "day": day})


def latest_fact_by_case(frames: dict[str, pd.DataFrame]) -> pd.Series:
    """case_id -> latest dated fact of the case, over all tables."""
    clinical = {name: frame for name, frame in frames.items() if "case_id" in frame}
    return dated_facts(clinical).groupby("case_id")["day"].max()


def wind_back(frames: dict[str, pd.DataFrame], cutoff: pd.Timestamp) -> WoundBack:
    """The tables as they stood at the end of `cutoff`.

    A case operated later, or taken over later, is not there yet, nor are its rows. A later row of
    another table is not there yet; a later milestone is empty. The gain at the end of distraction
    is known once distraction has ended; the final gain once its film (the case's last one, else
    the last follow-up) is taken; an outcome once its day (else the last follow-up) has come:
    before that the case is in treatment. A count of the theatre list is there once its quarter is
    over. Undated cells stay. The frames are not changed.
    """
    out = {name: frame.copy() for name, frame in frames.items()}
    later = []
    cases = out["cases"]
    for column, reason in (
        ("surgery_date", "operated_after_cut_off"),
        ("arrival_date", "arrived_after_cut_off"),
    ):
        gone = cases[column] > cutoff
        later.append(kept_out_rows("cases", cases.loc[gone], reason))
        cases = cases.loc[~gone]
    absent = set(out["cases"]["case_id"].dropna()) - set(cases["case_id"].dropna())
    for table in ROW_DAY:
        out[table], gone_rows = _rows_by(out[table], table, cutoff, absent)
        later.append(gone_rows)
    out["theatre_counts"], running = _finished_quarters(out["theatre_counts"], cutoff)
    later.append(running)
    cases, emptied = _milestones(cases.reset_index(drop=True), frames["radiographs"], cutoff)
    out["cases"] = cases
    filled = [part for part in later if not part.empty]
    return WoundBack(
        out,
        pd.concat(filled, ignore_index=True) if filled else pd.DataFrame(columns=KEPT_OUT),
        emptied,
        _emptied_cells(frames, out),
    )


def _finished_quarters(
    counts: pd.DataFrame, cutoff: pd.Timestamp
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """(counts of quarters that are over by the cut-off, the rows of the others)."""
    running = quarter_ends(counts["quarter"]) > cutoff
    kept = counts.loc[~running].reset_index(drop=True)
    return kept, kept_out_rows("theatre_counts", counts.loc[running], "quarter_not_over")


def _emptied_cells(
    before: dict[str, pd.DataFrame], after: dict[str, pd.DataFrame]
) -> dict[tuple[str, str], frozenset[int]]:
    cells = {}
    for table in CELLS_EMPTIED:
        left = after[table]
        was = before[table].loc[before[table]["row"].isin(left["row"])]
        for column in left.columns:
            lost = was[column].notna().to_numpy() & left[column].isna().to_numpy()
            if lost.any():
                cells[table, str(column)] = frozenset(left.loc[lost, "row"])
    return cells


def _rows_by(
    frame: pd.DataFrame, table: str, cutoff: pd.Timestamp, absent: set
) -> tuple[pd.DataFrame, pd.DataFrame]:
    # compared with the day after: taking the time off the first day that pandas knows would wrap
    tomorrow = cutoff + pd.Timedelta(days=1)
    after = frame[ROW_DAY[table]] >= tomorrow
    orphaned = frame["case_id"].isin(absent) if table in CHILD_TABLES else after
    gone = after | orphaned
    kept = frame.loc[~gone].reset_index(drop=True)
    for column in columns_of_kind(table, "day", "moment"):
        if (table, column) not in PLANS:
            kept[column] = kept[column].mask(kept[column] >= tomorrow)
    if table == "complications":
        unknown = frame.loc[~gone, "resolved_on"].reset_index(drop=True) > cutoff
        kept["permanent"] = kept["permanent"].mask(unknown)
    return kept, kept_out_rows(table, frame.loc[gone], "after_cut_off")


def _milestones(
    cases: pd.DataFrame, films: pd.DataFrame, cutoff: pd.Timestamp
) -> tuple[pd.DataFrame, tuple[int, ...]]:
    seen = cases["last_follow_up_date"]
    last_film = cases["case_id"].map(films.groupby("case_id")["taken_on"].max())
    last_film = last_film.astype("datetime64[ns]").fillna(seen)
    outcome_day = cases["outcome_date"].fillna(seen)
    pending = (outcome_day > cutoff) & (cases["outcome_status"] != "in_treatment")
    emptied = tuple(cases.loc[seen > cutoff, "row"])
    cases["achieved_gain_mm"] = cases["achieved_gain_mm"].mask(
        cases["distraction_end_date"] > cutoff
    )
    cases["final_gain_mm"] = cases["final_gain_mm"].mask(last_film > cutoff)
    cases["outcome_status"] = cases["outcome_status"].mask(pending, "in_treatment")
    for column in columns_of_kind("cases", "day"):
        cases[column] = cases[column].mask(cases[column] > cutoff)
    return cases, emptied
