"""Winds tables back to a cut-off day: what is dated later has not happened yet."""

from __future__ import annotations

import dataclasses

import pandas as pd

from audit.intake.tables import KEPT_OUT, columns_of_kind, kept_out_rows
from schemas.rules import CHILD_TABLES

#: the day that dates a whole row
ROW_DAY: dict[str, str] = {
    "radiographs": "taken_on",
    "joint_motion": "examined_on",
    "weight_bearing": "assessed_on",
    "complications": "occurred_on",
    "distraction_sessions": "started_at",
    "actions": "raised_on",
}
#: days that plan ahead: they are no facts
PLANS = {("actions", "due_on")}


@dataclasses.dataclass(frozen=True)
class WoundBack:
    """frames: the tables as they stood. later: rows not there yet (columns of KEPT_OUT).
    follow_up_emptied: rows of `cases` whose last follow-up lies after the cut-off."""

    frames: dict[str, pd.DataFrame]
    later: pd.DataFrame
    follow_up_emptied: tuple[int, ...]


def dated_facts(frames: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Every dated fact of the source: `case_id` (missing for actions) and `day` (midnight)."""
    parts = []
    for table, frame in frames.items():
        for column in columns_of_kind(table, "day", "moment"):
            if (table, column) in PLANS or frame.empty:
                continue
            ids = frame["case_id"] if "case_id" in frame else pd.Series(None, frame.index, object)
            day = frame[column].dt.normalize()
            known = day.notna()
            parts.append(pd.DataFrame({"case_id": ids[known], "day": day[known]}))
    filled = [part for part in parts if not part.empty]
    if not filled:
        return pd.DataFrame({"case_id": [], "day": pd.Series(dtype="datetime64[ns]")})
    return pd.concat(filled, ignore_index=True)


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
    before that the case is in treatment. Undated cells stay. The frames are not changed.
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
    cases, emptied = _milestones(cases.reset_index(drop=True), frames["radiographs"], cutoff)
    out["cases"] = cases
    filled = [part for part in later if not part.empty]
    return WoundBack(
        out,
        pd.concat(filled, ignore_index=True) if filled else pd.DataFrame(columns=KEPT_OUT),
        emptied,
    )


def _rows_by(
    frame: pd.DataFrame, table: str, cutoff: pd.Timestamp, absent: set
) -> tuple[pd.DataFrame, pd.DataFrame]:
    after = frame[ROW_DAY[table]].dt.normalize() > cutoff
    orphaned = frame["case_id"].isin(absent) if table in CHILD_TABLES else after
    gone = after | orphaned
    kept = frame.loc[~gone].reset_index(drop=True)
    for column in columns_of_kind(table, "day", "moment"):
        if (table, column) not in PLANS:
            kept[column] = kept[column].mask(kept[column].dt.normalize() > cutoff)
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
