"""A run narrowed to some of its cases, so that nothing of the others is in any of its numbers."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

import pandas as pd

from audit.cohort import Cohort
from audit.intake import Tables
from audit.measures import measure_cases
from audit.results import result_table
from audit.run import AuditRun
from audit.standards import judge_standards

#: counts of the whole service; they hold other cases by their nature
WHOLE_SERVICE = ("theatre_counts",)


def narrowed_run(run: AuditRun, case_ids: frozenset[str]) -> AuditRun:
    """The run as it would have been had the source held these cases only.

    Cohort, measures, results and verdicts are made anew from the narrowed tables, with the run's
    settings, cut-off and quarter. Episodes are numbered anew too: a bone of the same episode that
    was left out no longer delays its neighbour. theatre_counts is emptied, because it counts cases
    that were left out. The run that is given is not changed.
    """
    tables = None if run.tables is None else _source(run.tables, run.cohort, case_ids)
    cohort = narrowed_cohort(run.cohort, case_ids, source=tables)
    measured = measure_cases(cohort)
    criteria = () if run.register is None else run.register.criteria
    standards = judge_standards(cohort, measured, criteria, run.quarter)
    version = None if run.register is None else run.register.version
    return dataclasses.replace(
        run,
        cohort=cohort,
        measured=measured,
        results=result_table(cohort, measured, run.quarter),
        standards=standards.assign(register_version=version),
        tables=tables,
    )


def narrowed_cohort(
    cohort: Cohort, case_ids: frozenset[str], *, source: Mapping[str, pd.DataFrame] | None = None
) -> Cohort:
    """The cohort with these cases only: rows of every table, as used and as read, questions about
    them, rows kept out of use, and the counts of rows.

    source: the narrowed source, from which rows later than the cut-off are counted. Rows of tables
    that speak of no case (actions, service_events) stay.
    """
    patients = _patients(cohort.cases, case_ids)
    tables = _narrow_all(cohort.tables, case_ids, patients)
    at_cutoff = _narrow_all(cohort.at_cutoff, case_ids, patients)
    kept_out = cohort.kept_out.loc[
        cohort.kept_out["case_id"].isin(case_ids)
        | ((cohort.kept_out["table"] == "patients") & cohort.kept_out["patient_id"].isin(patients))
    ].reset_index(drop=True)
    present = at_cutoff or tables
    return dataclasses.replace(
        cohort,
        tables=tables,
        queries=_queries(cohort.queries, present, case_ids),
        flow=_flow(cohort, tables["cases"]),
        kept_out=kept_out,
        rows=_rows(tables, kept_out, source),
        given=cohort.given - set(WHOLE_SERVICE),
        at_cutoff=at_cutoff,
        emptied={
            (table, column): rows & frozenset(present[table]["row"])
            for (table, column), rows in cohort.emptied.items()
            if table in present
        },
    )


def _patients(cases: pd.DataFrame, case_ids: frozenset[str]) -> frozenset[str]:
    return frozenset(cases.loc[cases["case_id"].isin(case_ids), "patient_id"])


def _narrow_all(
    frames: Mapping[str, pd.DataFrame], case_ids: frozenset[str], patients: frozenset[str]
) -> dict[str, pd.DataFrame]:
    return {name: _narrow(name, frame, case_ids, patients) for name, frame in frames.items()}


def _narrow(
    name: str, frame: pd.DataFrame, case_ids: frozenset[str], patients: frozenset[str]
) -> pd.DataFrame:
    if name in WHOLE_SERVICE:
        keep = pd.Series(False, index=frame.index)
    elif "case_id" in frame:
        keep = frame["case_id"].isin(case_ids)
    elif "patient_id" in frame:
        keep = frame["patient_id"].isin(patients)
    else:
        keep = pd.Series(True, index=frame.index)
    return frame.loc[keep].reset_index(drop=True)


def _queries(
    queries: pd.DataFrame, present: Mapping[str, pd.DataFrame], case_ids: frozenset[str]
) -> pd.DataFrame:
    """Questions about rows that stay, about selected cases and about whole columns or files."""
    keep = (queries["row"].astype(str) == "") | queries["case_id"].isin(case_ids)
    for table, frame in present.items():
        keep |= (queries["table"] == table) & queries["row"].isin(frame["row"])
    other_case = queries["case_id"].notna() & ~queries["case_id"].isin({*case_ids, ""})
    return queries.loc[keep & ~other_case].reset_index(drop=True)


def _flow(cohort: Cohort, cases: pd.DataFrame) -> pd.DataFrame:
    """The steps of the cohort, then those not selected; all after the first add up to it."""
    before = cohort.flow.loc[cohort.flow["step"] != "in_cohort"]
    left, patients = len(cohort.cases) - len(cases), cohort.cases["patient_id"].nunique()
    gone = patients - cases["patient_id"].nunique()
    after = pd.DataFrame(
        [
            ("not_selected", "left out by the plan of the series", left, gone),
            ("in_cohort", "used", len(cases), cases["patient_id"].nunique()),
        ],
        columns=cohort.flow.columns,
    )
    return pd.concat([before, after], ignore_index=True)


def _rows(
    tables: Mapping[str, pd.DataFrame],
    kept_out: pd.DataFrame,
    source: Mapping[str, pd.DataFrame] | None,
) -> pd.DataFrame:
    lines = []
    for name, frame in tables.items():
        out = int((kept_out["table"] == name).sum())
        later = 0
        if source is not None:
            unread = 0 if not isinstance(source, Tables) else _count(source.kept_out, name)
            later = len(source[name]) + unread - len(frame) - out
        lines.append(
            {
                "table": name,
                "read": len(frame) + out + later,
                "used": len(frame),
                "later": later,
                "kept_out": out,
                "other_centre": 0,
            }
        )
    return pd.DataFrame(lines)


def _count(kept_out: pd.DataFrame, table: str) -> int:
    return int((kept_out["table"] == table).sum())


def _source(tables: Tables, cohort: Cohort, case_ids: frozenset[str]) -> Tables:
    patients = _patients(cohort.cases, case_ids)
    frames = _narrow_all(tables.frames, case_ids, patients)
    kept_out = tables.kept_out.loc[tables.kept_out["case_id"].isin(case_ids)]
    return dataclasses.replace(
        tables,
        frames=frames,
        queries=_queries(tables.queries, frames, case_ids),
        given=tables.given - set(WHOLE_SERVICE),
        kept_out=kept_out.reset_index(drop=True),
    )
