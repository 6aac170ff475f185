"""run.json: what was run, on what, with what, so that every number can be traced."""

from __future__ import annotations

import datetime
import json
import pathlib
import subprocess

from audit.cohort import Cohort
from audit.intake.archive_record import KIT
from audit.intake.provenance import made_with
from audit.intake.register import Register


def run_record(
    cohort: Cohort, parameters: dict[str, object], *, register: Register | None = None
) -> dict[str, object]:
    """The record of a run as plain values (see contract section 3).

    criteria: name, version and SHA-256 of the register, where the run judged by one. code: the
    fingerprint of the kit's own code (`audit.intake.provenance`).
    """
    made = made_with()
    return {
        "kit": KIT,
        "version": made.version,
        "parameters": parameters,
        "cutoff": cohort.cutoff.date().isoformat(),
        "centre": cohort.centre,
        "settings": {
            name: list(value) if isinstance(value, tuple) else value
            for name, value in vars(cohort.settings).items()
        },
        "criteria": _register_entry(register),
        "inputs": [
            {"table": item.table, "name": item.name, "sha256": item.sha256, "rows": item.rows}
            for item in cohort.inputs
        ],
        "rows": cohort.rows.to_dict(orient="records"),
        "cleaning": cohort.cleaning.to_dict(orient="records"),
        "code": made.code,
        "python": made.python,
        "packages": dict(made.packages),
        "commit": _commit(),
        "time": datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
    }


def write_record(record: dict[str, object], path: pathlib.Path) -> None:
    """Write the record as indented JSON."""
    text = json.dumps(record, indent=2, ensure_ascii=False, default=str)
    path.write_text(text + "\n", encoding="utf-8")


def _register_entry(register: Register | None) -> dict[str, object]:
    if register is None:
        return {}
    return {"name": register.name, "version": register.version, "sha256": register.sha256}


def _commit() -> str | None:
    """The commit of the kit's own checkout, if it runs from one."""
    home = pathlib.Path(__file__).resolve().parents[2]
    if not (home / ".git").exists():
        return None
    try:
        done = subprocess.run(
            ["git", "-C", str(home), "rev-parse", "HEAD"],
            capture_output=True,
            text=True,
            timeout=10,
            check=True,
        )
    except (OSError, subprocess.SubprocessError):
        return None
    return done.stdout.strip()
