"""Which way in a source takes: a folder, a workbook or a database."""

from __future__ import annotations

import pathlib
import re
import urllib.parse

from audit.errors import UnusableInput
from audit.intake.folder import open_folder
from audit.intake.grid import Opened

URL = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*://")
WHAT_IT_MAY_BE = (
    "a folder that holds patients.csv and cases.csv, an .xlsx workbook with a sheet a table, or "
    "a database URL"
)


def open_source(source: str | pathlib.Path) -> Opened:
    """The tables of a source as they stand, read whole and read-only, nothing typed yet.

    Raises UnusableInput when the source does not exist or cannot be read as a table.
    """
    if is_url(source):
        from audit.intake.database import open_database

        return open_database(str(source))
    path = pathlib.Path(source)
    if not path.exists():
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


def source_name(source: str | pathlib.Path) -> str:
    """The name of a source that may stand in a report: no path, no user, no password."""
    if not is_url(source):
        return pathlib.Path(source).name
    parts = urllib.parse.urlsplit(str(source))
    return f"{parts.scheme.split('+')[0]} database {pathlib.PurePath(parts.path).name}".strip()


def absolute_source(source: str | pathlib.Path) -> str:
    """The source as a notebook that runs elsewhere finds it: an absolute path, or the URL."""
    return str(source) if is_url(source) else str(pathlib.Path(source).resolve())
