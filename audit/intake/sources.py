"""Which way in a source takes: a folder, a workbook or a database."""

from __future__ import annotations

import os
import pathlib
import re

from audit.errors import UnusableInput
from audit.intake.folder import open_folder
from audit.intake.grid import Opened

#: one letter before a colon is a drive
URL = re.compile(r"[A-Za-z][A-Za-z0-9+.-]+://")
NAMED = re.compile(r"env:([A-Za-z_][A-Za-z0-9_]*)")
WHAT_IT_MAY_BE = (
    "a folder that holds patients.csv and cases.csv, an .xlsx workbook with a sheet a table, or "
    "a database URL"
)


def open_source(source: str | pathlib.Path) -> Opened:
    """The tables of a source as they stand, read whole and read-only, nothing typed yet.

    source: a folder of CSV files, an `.xlsx` workbook, a database URL, or `env:NAME` for what the
    environment variable NAME holds. Raises UnusableInput when the source does not exist or cannot
    be read as a table.
    """
    source = looked_up(source)
    if is_url(source):
        from audit.intake.database import open_database

        return open_database(str(source))
    path = pathlib.Path(source)
    if not _exists(path):
        raise UnusableInput("The source does not exist: check the path that you typed.")
    if path.is_dir():
        return open_folder(path)
    from audit.intake.workbook import open_workbook

    if not path.is_file():
        raise UnusableInput(f"The source must be {WHAT_IT_MAY_BE}.")
    return open_workbook(path)


def is_url(source: str | pathlib.Path) -> bool:
    """Whether a source is a database URL such as `sqlite:///audit.db`."""
    return isinstance(source, str) and URL.match(source) is not None


def looked_up(source: str | pathlib.Path) -> str | pathlib.Path:
    """The source itself; of `env:NAME` what the environment variable NAME holds.

    So a URL with a password need not be typed where others can read it. Raises UnusableInput when
    there is no such variable.
    """
    name = NAMED.fullmatch(source) if isinstance(source, str) else None
    if name is None:
        return source
    held = os.environ.get(name[1])
    if not held:
        raise UnusableInput(
            f"The environment variable {name[1]} is not set: put the source into it, such as a "
            "database URL."
        )
    return held


def source_name(source: str | pathlib.Path) -> str:
    """The name of a source that may stand in a report: no path, no server, user or password."""
    source = looked_up(source)
    if not is_url(source):
        return pathlib.Path(source).name
    from audit.intake.database.link import database_name

    return database_name(str(source))


def absolute_source(source: str | pathlib.Path) -> str:
    """The source as a notebook that runs elsewhere finds it: an absolute path, or the URL (of a
    SQLite file with its absolute path). A URL can hold a password: see `is_url`."""
    source = looked_up(source)
    if not is_url(source):
        return str(pathlib.Path(source).resolve())
    from audit.intake.database.link import absolute_url

    return absolute_url(str(source))


def _exists(path: pathlib.Path) -> bool:
    try:
        return path.exists()
    except OSError:
        # a text too long for a path: the error would repeat it
        return False
