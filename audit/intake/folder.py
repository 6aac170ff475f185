"""A folder of CSV files as a source. Files are opened read-only and nothing is written beside."""

from __future__ import annotations

import difflib
import hashlib
import pathlib

from audit.errors import UnusableInput
from audit.intake.csv_text import read_grid
from audit.intake.grid import Grid, Opened
from audit.intake.tables import InputFile
from schemas import REQUIRED_TABLES, TABLES


def open_folder(folder: pathlib.Path) -> Opened:
    """All case tables of a folder as they stand (`cases.csv`, `patients.csv`, ...).

    Raises UnusableInput when a required table is missing or a file cannot be read.
    """
    paths = _table_paths(folder)
    grids: dict[str, Grid] = {}
    inputs = []
    for table, path in paths.items():
        content = _content(path)
        grids[table] = read_grid(content, name=path.name)
        digest = hashlib.sha256(content).hexdigest()
        inputs.append(InputFile(table, path.name, digest, len(grids[table].frame)))
    return Opened(grids, tuple(inputs), tuple(_strays(folder, paths)))


def _table_paths(folder: pathlib.Path) -> dict[str, pathlib.Path]:
    try:
        files = sorted(path for path in folder.iterdir() if path.is_file())
    except OSError:
        raise UnusableInput("The source folder cannot be opened: check the permissions.") from None
    paths = {}
    for path in files:
        table = path.stem.lower()
        if path.suffix.lower() == ".csv" and table in TABLES:
            if table in paths:
                raise UnusableInput(f"There are two files for table {table}: keep one of them.")
            paths[table] = path
    for table in REQUIRED_TABLES:
        if table not in paths:
            shown = ", ".join(path.name for path in files[:12]) or "no file"
            raise UnusableInput(
                f"The source has no {table}.csv. Required: "
                + " and ".join(f"{name}.csv" for name in REQUIRED_TABLES)
                + f"; found: {shown}."
            )
    return {table: paths[table] for table in TABLES if table in paths}


def _content(path: pathlib.Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError:
        raise UnusableInput(f"{path.name} cannot be opened: check the permissions.") from None


def _strays(folder: pathlib.Path, paths: dict[str, pathlib.Path]) -> list[tuple[str, str]]:
    """CSV files whose name nearly is a table's: (file name, table it may be)."""
    found = []
    for path in sorted(folder.glob("*.csv")):
        if path in paths.values():
            continue
        absent = [table for table in TABLES if table not in paths]
        near = difflib.get_close_matches(path.stem.lower(), absent, n=1, cutoff=0.75)
        if near:
            found.append((path.name, near[0]))
    return found
