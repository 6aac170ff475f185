"""The files of several centres pooled."""

from __future__ import annotations

import datetime
import pathlib
from collections.abc import Mapping, Sequence

import pandas as pd

from audit.intake.aggregate_form import Aggregate
from audit.intake.archive_record import KIT
from audit.intake.provenance import made_with
from audit.release.csv_files import write_csv
from audit.release.run_record import write_record


def save_pooled(
    tables: Mapping[str, pd.DataFrame], aggregates: Sequence[Aggregate], folder: pathlib.Path
) -> None:
    """Write tables (file name -> table) and run.json into an existing folder.

    run.json names the centres, their level and cut-off, and the period they share.
    """
    for name, table in tables.items():
        write_csv(table, folder / name)
    made = made_with()
    record: dict[str, object] = {
        "kit": KIT,
        "version": made.version,
        "pooled": [
            {"centres": list(one.centres), "level": one.level, "cutoff": one.cutoff}
            for one in aggregates
        ],
        "period": aggregates[0].period,
        "definitions": dict(aggregates[0].definitions),
        "code": made.code,
        "packages": dict(made.packages),
        "time": datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
    }
    write_record(record, folder / "run.json")
