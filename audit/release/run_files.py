"""The files of one run (contract section 3)."""

from __future__ import annotations

import csv
import pathlib
from typing import Any

import pandas as pd

from audit.cohort import Cohort
from audit.release.csv_files import write_csv
from audit.release.html import figures_in, tables_in
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


def save_page(page: str, path: pathlib.Path) -> None:
    """Write an HTML page."""
    path.write_text(page, encoding="utf-8", newline="\n")


def save_shown(notebook: Any, folder: pathlib.Path) -> None:
    """Write the figures (PNG) and tables (CSV) that an executed notebook shows."""
    (folder / "figures").mkdir()
    for figure in figures_in(notebook):
        (folder / "figures" / f"{figure.name}.png").write_bytes(figure.png)
    (folder / "tables").mkdir()
    for table in tables_in(notebook):
        write_csv(table.frame, folder / "tables" / f"{table.name}.csv")


def count_queries(folder: pathlib.Path) -> int:
    """How many data queries a run has written."""
    with (folder / "queries.csv").open(encoding="utf-8", newline="") as lines:
        return sum(1 for _ in csv.reader(lines)) - 1
