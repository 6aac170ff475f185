"""The cohort at a cut-off day: who is in, who is out and why.

The cut-off is absolute: no fact dated after it is used in any table, for any measure. Statuses,
milestones and follow-up are wound back to that day, before anything is judged, so a past quarter
can be replayed and gives what it would have given then.
"""

from __future__ import annotations

import dataclasses
import datetime
from collections.abc import Mapping

import pandas as pd

from audit.errors import UnusableInput
from audit.intake import InputFile, Tables, tables_from_frames
from audit.intake.judge import judge, set_future_aside
from audit.intake.ordering import in_order
from audit.intake.queries import join_queries
from audit.intake.tables import KEPT_OUT
from audit.settings import Settings
from audit.wind_back import dated_facts, latest_fact_by_case, wind_back
from schemas import TABLES

FLOW_COLUMNS = ["step", "reason", "cases", "patients"]
#: far from both ends of what a nanosecond clock can hold
CUTOFF_YEARS = range(1900, 2201)


@dataclasses.dataclass(frozen=True)
class Cohort:
    """Validated tables at a cut-off.

    tables: table name -> DataFrame of usable rows and values. `tables["cases"]` also has
    `follow_up_end` (day) and `entry_date` (arrival, else surgery). cutoff: last day used.
    queries: data queries (contract columns). flow: `step, reason, cases, patients`; the cases of
    all steps after the first add up to the first. kept_out: rows out of use, with the reason.
    rows: `table, read, used, later, kept_out` counts, which add up likewise. at_cutoff: the tables
    as they stood at the cut-off before anything was judged, kept-out rows and other centres
    included. emptied: (table, column) -> rows whose cell is empty only because of the cut-off.
    """

    tables: dict[str, pd.DataFrame]
    cutoff: pd.Timestamp
    queries: pd.DataFrame
    flow: pd.DataFrame
    kept_out: pd.DataFrame
    rows: pd.DataFrame
    cleaning: pd.DataFrame
    settings: Settings
    inputs: tuple[InputFile, ...] = ()
    given: frozenset[str] = frozenset()
    centre: str | None = None
    at_cutoff: Mapping[str, pd.DataFrame] = dataclasses.field(default_factory=dict)
    emptied: Mapping[tuple[str, str], frozenset[int]] = dataclasses.field(default_factory=dict)

    @property
    def cases(self) -> pd.DataFrame:
        """The usable cases, one row each."""
        return self.tables["cases"]


def build_cohort(
    tables: Tables | Mapping[str, pd.DataFrame],
    cutoff: str | datetime.date | pd.Timestamp | None = None,
    *,
    centre: str | None = None,
    settings: Settings | None = None,
    read_on: datetime.date | None = None,
) -> Cohort:
    """The cohort at `cutoff` (default: the last dated fact of the source).

    tables: from `read_source`, or a mapping of DataFrames. centre: keep the cases of one centre.
    read_on: the day of reading; a fact later than both it and the cut-off is an error. Raises
    UnusableInput when the cut-off is no day, when none is given and the source has no dated fact,
    or when no case is of the centre.
    """
    if not isinstance(tables, Tables):
        tables = tables_from_frames(tables)
    today = pd.Timestamp(read_on or datetime.date.today())
    day = _cutoff_day(tables, cutoff, today)
    present, future = set_future_aside(tables.frames, max(today, day))
    asked = join_queries([tables.queries, future])
    wound = wind_back(present, day)
    judged = judge(
        wound.frames,
        latest_day=max(today, day),
        already_asked=asked,
        excused=wound.follow_up_emptied,
        unreadable=tables.kept_out,
    )
    # sums and draws depend on the order of rows in their last digit, sources on nothing
    frames = {
        name: in_order(frame, list(TABLES[name].columns)) for name, frame in judged.frames.items()
    }
    kept_out = _joined([tables.kept_out, judged.kept_out])
    frames, other = _only_centre(frames, centre)
    frames["cases"] = _with_follow_up(frames)
    queries = join_queries([asked, judged.queries])
    return Cohort(
        tables=frames,
        cutoff=day,
        queries=_in_reading_order(queries),
        flow=_flow(tables, wound.later, kept_out, other, frames["cases"]),
        kept_out=kept_out,
        rows=_rows(tables, wound.later, kept_out, other, frames),
        cleaning=tables.cleaning,
        settings=settings or Settings(),
        inputs=tables.inputs,
        given=tables.given,
        centre=centre,
        at_cutoff=wound.frames,
        emptied=wound.emptied,
    )


def _cutoff_day(
    tables: Tables, cutoff: str | datetime.date | pd.Timestamp | None, today: pd.Timestamp
) -> pd.Timestamp:
    if cutoff is not None:
        return _given_day(cutoff)
    facts = dated_facts(tables.frames)
    facts = facts.loc[facts["day"] <= today, "day"]
    if facts.empty:
        raise UnusableInput(
            "The source holds no usable date, so there is no day to report up to. Check the date "
            "columns, or give --cutoff."
        )
    return facts.max()


def _given_day(cutoff: str | datetime.date | pd.Timestamp) -> pd.Timestamp:
    try:
        day = pd.Timestamp(cutoff)
    except (ValueError, TypeError):
        day = pd.NaT
    if pd.isna(day) or day.year not in CUTOFF_YEARS:
        raise UnusableInput(
            f"The cut-off must be a day of the years {CUTOFF_YEARS[0]} to {CUTOFF_YEARS[-1]}, "
            "written as YYYY-MM-DD, for example 2026-09-30."
        )
    return day.tz_localize(None).normalize().as_unit("ns")


def _only_centre(
    frames: dict[str, pd.DataFrame], centre: str | None
) -> tuple[dict[str, pd.DataFrame], dict[str, pd.DataFrame]]:
    """(frames of one centre, rows of the others)."""
    if centre is None:
        return frames, {}
    cases = frames["cases"]
    if not (cases["centre"] == centre).any():
        known = ", ".join(sorted(cases["centre"].dropna().unique())) or "none"
        raise UnusableInput(
            f"No usable case is of centre {centre!r}. Centres in the source: {known}."
        )
    mine = set(cases.loc[cases["centre"] == centre, "case_id"])
    inside, outside = {}, {}
    for name, frame in frames.items():
        keep = pd.Series(True, frame.index)
        if "case_id" in frame:
            keep = frame["case_id"].isin(mine)
        elif "centre" in frame:
            # a count of the whole service cannot be held against one centre
            keep = frame["centre"] == centre
        inside[name] = frame.loc[keep].reset_index(drop=True)
        outside[name] = frame.loc[~keep]
    return inside, outside


def _with_follow_up(frames: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Cases with `follow_up_end` (last follow-up, else the case's latest dated fact) and
    `entry_date` (arrival, else surgery)."""
    cases = frames["cases"].copy()
    latest = cases["case_id"].map(latest_fact_by_case(frames)).astype("datetime64[ns]")
    cases["follow_up_end"] = cases["last_follow_up_date"].fillna(latest)
    cases["entry_date"] = cases["arrival_date"].fillna(cases["surgery_date"])
    return cases


def _joined(parts: list[pd.DataFrame]) -> pd.DataFrame:
    filled = [part for part in parts if not part.empty]
    return pd.concat(filled, ignore_index=True) if filled else pd.DataFrame(columns=KEPT_OUT)


def _in_reading_order(queries: pd.DataFrame) -> pd.DataFrame:
    place = pd.to_numeric(queries["row"], errors="coerce").fillna(0)
    ordered = queries.assign(_place=place).sort_values(
        ["table", "_place", "column", "rule"], kind="stable"
    )
    return ordered.drop(columns="_place").reset_index(drop=True)


def _flow(
    tables: Tables,
    later: pd.DataFrame,
    kept_out: pd.DataFrame,
    other: dict[str, pd.DataFrame],
    cases: pd.DataFrame,
) -> pd.DataFrame:
    early = tables.kept_out.loc[tables.kept_out["table"] == "cases"]
    everyone = pd.concat([tables["cases"]["patient_id"], early["patient_id"]]).replace("", pd.NA)
    lines = [("read", "rows of the cases table", len(everyone), everyone.nunique())]
    gone = later.loc[later["table"] == "cases"]
    lines += _reasons("not_there_yet", gone)
    lines += _reasons("kept_out", kept_out.loc[kept_out["table"] == "cases"])
    if other:
        away = other["cases"]
        lines.append(
            ("other_centre", "case of another centre", len(away), away["patient_id"].nunique())
        )
    lines.append(("in_cohort", "used", len(cases), cases["patient_id"].nunique()))
    return pd.DataFrame(lines, columns=FLOW_COLUMNS)


def _reasons(step: str, rows: pd.DataFrame) -> list[tuple[str, str, int, int]]:
    return [
        (step, str(reason), len(part), part["patient_id"].replace("", pd.NA).nunique())
        for reason, part in rows.groupby("reason", sort=True)
    ]


def _rows(
    tables: Tables,
    later: pd.DataFrame,
    kept_out: pd.DataFrame,
    other: dict[str, pd.DataFrame],
    frames: dict[str, pd.DataFrame],
) -> pd.DataFrame:
    lines = []
    for name, frame in frames.items():
        early = int((tables.kept_out["table"] == name).sum())
        lines.append(
            {
                "table": name,
                "read": len(tables[name]) + early,
                "used": len(frame),
                "later": int((later["table"] == name).sum()),
                "kept_out": int((kept_out["table"] == name).sum()),
                "other_centre": len(other[name]) if other else 0,
            }
        )
    return pd.DataFrame(lines)
