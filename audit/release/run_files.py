"""The files of one run (contract section 3)."""

from __future__ import annotations

import pathlib

import pandas as pd

from audit.cohort import Cohort
from audit.release.csv_files import write_csv
from audit.release.run_record import run_record, write_record
from audit.run import AuditRun


def save_run(run: AuditRun, folder: str | pathlib.Path | None) -> None:
    """Write results.csv and its companions into an existing folder; nothing when it is None.

    results.csv, cases_measured.csv, queries.csv, cohort_flow.csv, rows_kept_out.csv (which rows
    are out of use and why; no values), standards.csv and run.json.
    """
    if folder is None:
        return
    home = pathlib.Path(folder)
    cohort = run.cohort
    tables: dict[str, pd.DataFrame] = {
        "results.csv": run.results,
        "cases_measured.csv": run.measured,
        "queries.csv": cohort.queries,
        "cohort_flow.csv": cohort.flow,
        "rows_kept_out.csv": cohort.kept_out.drop(columns="patient_id"),
        "standards.csv": run.standards,
    }
    for name, frame in tables.items():
        write_csv(frame, home / name)
    write_record(run_record(cohort, run.parameters), home / "run.json")


def save_check(cohort: Cohort, folder: pathlib.Path) -> None:
    """Write queries.csv, cohort_flow.csv, rows_kept_out.csv and run.json of a validation."""
    write_csv(cohort.queries, folder / "queries.csv")
    write_csv(cohort.flow, folder / "cohort_flow.csv")
    write_csv(cohort.kept_out.drop(columns="patient_id"), folder / "rows_kept_out.csv")
    record = run_record(cohort, {"command": "check"})
    write_record(record, folder / "run.json")
