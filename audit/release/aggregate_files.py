"""An aggregate as a folder of files: a record in JSON and a CSV a table."""

from __future__ import annotations

import hashlib
import json
import pathlib

import pandas as pd

from audit.errors import UnusableInput
from audit.intake.aggregate import FORM, RECORD
from audit.intake.aggregate_form import COLUMNS, FORM_VERSION, WHOLE, Aggregate
from audit.release.csv_files import write_csv
from audit.release.folder import staged_folder

#: folders for what was controlled; an exact aggregate has no place in them
CONTROLLED = ("paper", "external")


def save_aggregate(aggregate: Aggregate, folder: str | pathlib.Path) -> tuple[str, ...]:
    """Write an aggregate into a new or empty folder; gives the names of its files.

    aggregate-LEVEL.json names centres, period, cut-off, definitions, and each table's file with its
    SHA-256; TABLE-LEVEL.csv are the tables that have rows. Nothing in them depends on the time of
    writing. Raises UnusableInput for a folder that holds files, and for an exact aggregate in a
    folder for controlled releases.
    """
    out = pathlib.Path(folder)
    if aggregate.level == "internal" and {*out.resolve().parts} & {*CONTROLLED}:
        raise UnusableInput(
            f"An exact aggregate is not for a folder {' or '.join(CONTROLLED)}: make it from the "
            "controlled tables, or choose another folder."
        )
    with staged_folder(out) as stage:
        files = {}
        for table in COLUMNS:
            frame = aggregate.tables[table]
            if len(frame):
                name = f"{table}-{aggregate.level}.csv"
                write_csv(_as_written(frame[COLUMNS[table]]), stage / name)
                digest = hashlib.sha256((stage / name).read_bytes()).hexdigest()
                files[table] = {"name": name, "sha256": digest}
        record = RECORD.format(level=aggregate.level)
        text = json.dumps(_record(aggregate, files), indent=2, ensure_ascii=False)
        (stage / record).write_text(text + "\n", encoding="utf-8", newline="\n")
    return (record, *(entry["name"] for entry in files.values()))


def _as_written(frame: pd.DataFrame) -> pd.DataFrame:
    whole = [column for column in frame.columns if column in WHOLE]
    return frame.assign(**{column: frame[column].astype("Int64") for column in whole})


def _record(aggregate: Aggregate, files: dict[str, dict[str, str]]) -> dict[str, object]:
    return {
        "form": FORM,
        "version": FORM_VERSION,
        "centres": list(aggregate.centres),
        "level": aggregate.level,
        "period": aggregate.period,
        "cutoff": aggregate.cutoff,
        "fewest_people": aggregate.fewest_people,
        "notes": list(aggregate.notes),
        "definitions": dict(aggregate.definitions),
        "files": files,
    }
