"""The files of a data-quality run."""

from __future__ import annotations

import pathlib
from collections.abc import Mapping

import pandas as pd

from audit.cohort import Cohort
from audit.intake.register import Register
from audit.release.csv_files import write_csv
from audit.release.run_record import run_record, write_record


def save_quality(
    cohort: Cohort,
    frames: Mapping[str, pd.DataFrame],
    folder: str | pathlib.Path | None,
    *,
    parameters: dict[str, object],
    register: Register | None = None,
) -> None:
    """Write a data-quality run into an existing folder; nothing when it is None.

    queries.csv, cohort_flow.csv, rows_kept_out.csv (no values), one CSV a frame under its name,
    and run.json.
    """
    if folder is None:
        return
    home = pathlib.Path(folder)
    tables = {
        "queries": cohort.queries,
        "cohort_flow": cohort.flow,
        "rows_kept_out": cohort.kept_out.drop(columns="patient_id"),
        **frames,
    }
    for name, frame in tables.items():
        write_csv(frame, home / f"{name}.csv")
    write_record(run_record(cohort, parameters, register=register), home / "run.json")
