"""run.json: what was run, on what, with what, so that every number can be traced."""

from __future__ import annotations

import datetime
import importlib.metadata
import json
import pathlib
import platform
import subprocess

from audit.cohort import Cohort

PACKAGES = ("pandas", "numpy", "scipy", "lifelines", "pandera", "seaborn", "matplotlib")


def run_record(cohort: Cohort, parameters: dict[str, object]) -> dict[str, object]:
    """The record of a run as plain values (see contract section 3)."""
    return {
        "kit": "lengthening-audit",
        "version": _version("lengthening-audit"),
        "parameters": parameters,
        "cutoff": cohort.cutoff.date().isoformat(),
        "centre": cohort.centre,
        "settings": {
            name: list(value) if isinstance(value, tuple) else value
            for name, value in vars(cohort.settings).items()
        },
        "inputs": [
            {"table": item.table, "name": item.name, "sha256": item.sha256, "rows": item.rows}
            for item in cohort.inputs
        ],
        "rows": cohort.rows.to_dict(orient="records"),
        "cleaning": cohort.cleaning.to_dict(orient="records"),
        "python": platform.python_version(),
        "packages": {name: _version(name) for name in PACKAGES},
        "commit": _commit(),
        "time": datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
    }


def write_record(record: dict[str, object], path: pathlib.Path) -> None:
    """Write the record as indented JSON."""
    text = json.dumps(record, indent=2, ensure_ascii=False, default=str)
    path.write_text(text + "\n", encoding="utf-8")


def _version(name: str) -> str | None:
    try:
        return importlib.metadata.version(name)
    except importlib.metadata.PackageNotFoundError:
        return None


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
