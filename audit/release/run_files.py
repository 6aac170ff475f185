"""The files of one run (contract section 3)."""

from __future__ import annotations

import csv
import pathlib
from typing import Any

import pandas as pd

from audit.checking import Checked
from audit.intake.archive import REGISTER
from audit.intake.archive_record import RECORD
from audit.intake.provenance import content_hash
from audit.reaudit import Reaudit, case_record, unit_record
from audit.release.csv_files import write_csv
from audit.release.html import figures_in, tables_in
from audit.release.run_record import run_record, write_record
from audit.run import AuditRun


def save_run(run: AuditRun, folder: str | pathlib.Path | None) -> None:
    """Write results.csv and its companions into an existing folder; nothing when it is None.

    results.csv, cases_measured.csv, queries.csv, cohort_flow.csv, rows_kept_out.csv (which rows
    are out of use and why; no values), standards.csv and run.json. For a later re-audit also
    criteria.toml (the register, byte for byte), case_record.csv (`audit.reaudit.record`),
    criterion_cases.csv (what each case counts as in each criterion, `audit.reaudit.units`), and in
    run.json the hash of every file written here.
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
    if run.tables is not None:
        tables["case_record.csv"] = case_record(cohort, run.tables)
    if run.register is not None:
        criteria = run.register.criteria
        tables["criterion_cases.csv"] = unit_record(cohort, run.measured, criteria)
    for name, frame in tables.items():
        write_csv(frame, home / name)
    written = list(tables)
    if run.register is not None:
        (home / REGISTER).write_bytes(run.register.content)
        written.append(REGISTER)
    record = run_record(cohort, run.parameters, register=run.register)
    record["files"] = {name: content_hash((home / name).read_bytes()) for name in written}
    write_record(record, home / RECORD)


def save_check(checked: Checked, folder: pathlib.Path) -> None:
    """Write queries.csv, queries.xlsx (each question at its cell), cohort_flow.csv,
    rows_kept_out.csv and run.json of a validation."""
    from audit.release.asked.workbook import query_workbook

    cohort = checked.cohort
    write_csv(cohort.queries, folder / "queries.csv")
    content = query_workbook(cohort, checked.opened, source=checked.source)
    (folder / "queries.xlsx").write_bytes(content)
    write_csv(cohort.flow, folder / "cohort_flow.csv")
    write_csv(cohort.kept_out.drop(columns="patient_id"), folder / "rows_kept_out.csv")
    record = run_record(cohort, {"command": "check"})
    write_record(record, folder / "run.json")


def save_reaudit(found: Reaudit, folder: str | pathlib.Path | None) -> None:
    """Write reaudit.csv and reaudit_cases.csv into an existing folder; nothing when it is None.

    reaudit.csv: one row a number, no case id. reaudit_cases.csv: the changed cases behind the
    numbers, with their ids, for the department only.
    """
    if folder is None:
        return
    write_csv(found.cells, pathlib.Path(folder) / "reaudit.csv")
    write_csv(found.cases, pathlib.Path(folder) / "reaudit_cases.csv")


def save_chart_points(points: pd.DataFrame, folder: str | pathlib.Path | None) -> None:
    """Write chart_points.csv (for the department only: a point can be one case) into an existing
    folder; nothing when it is None."""
    if folder is not None:
        write_csv(points, pathlib.Path(folder) / "chart_points.csv")


def save_page(page: str, path: pathlib.Path) -> None:
    """Write an HTML page."""
    path.write_text(page, encoding="utf-8", newline="\n")


def save_shown(notebook: Any, folder: pathlib.Path) -> None:
    """Write the figures (PNG) and tables (CSV) that an executed notebook shows."""
    (folder / "figures").mkdir(exist_ok=True)
    for figure in figures_in(notebook):
        (folder / "figures" / f"{figure.name}.png").write_bytes(figure.png)
    (folder / "tables").mkdir(exist_ok=True)
    for table in tables_in(notebook):
        write_csv(table.frame, folder / "tables" / f"{table.name}.csv")


def count_queries(folder: pathlib.Path) -> int:
    """How many data queries a run has written."""
    with (folder / "queries.csv").open(encoding="utf-8", newline="") as lines:
        return sum(1 for _ in csv.reader(lines)) - 1
