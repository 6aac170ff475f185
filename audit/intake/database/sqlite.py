"""A SQLite file opened for reading only, and left exactly as it was."""

from __future__ import annotations

import contextlib
import os
import pathlib
import sqlite3
from collections.abc import Iterator
from typing import TYPE_CHECKING

import sqlalchemy as sa
from sqlalchemy.pool import NullPool

from audit.errors import UnusableInput

if TYPE_CHECKING:
    from sqlalchemy.engine import Connection

SQLITE = ("sqlite", "sqlite+pysqlite")
#: how long to wait for another program to end its change
_LOCK_SECONDS = 30


def sqlite_file(url: sa.URL) -> pathlib.Path | None:
    """The file of a SQLite URL; None for another kind of database or one in memory."""
    if url.drivername not in SQLITE or not url.database or url.database == ":memory:":
        return None
    return pathlib.Path(url.database)


@contextlib.contextmanager
def sqlite_reader(url: sa.URL) -> Iterator[Connection]:
    """A connection to the file of a SQLite URL, inside one transaction that cannot write.

    The file is never created, and nothing is left beside it. Raises UnusableInput when there is
    no such file, or when it changed under the reader in a way that could not be kept apart.
    """
    path = _existing(url)
    # a read-only reader of a file in write-ahead mode leaves two files beside it, unless it is
    # told that nobody writes; whether somebody did is looked up afterwards
    still = _write_ahead(path) and not _log_of(path).exists()
    before = _state(path)
    address = f"{path.as_uri()}?mode=ro{'&immutable=1' if still else ''}"
    engine = sa.create_engine(
        "sqlite://",
        creator=lambda: _sqlite_connection(address),
        poolclass=NullPool,
        hide_parameters=True,
    )
    sa.event.listen(engine, "begin", lambda link: link.exec_driver_sql("BEGIN"))
    with engine.connect() as link:
        yield link
    if still and (_state(path) != before or _log_of(path).exists()):
        raise UnusableInput(
            f"Another program wrote to {path.name} while it was read. Close it, then try again."
        )


def _existing(url: sa.URL) -> pathlib.Path:
    if url.drivername not in SQLITE:
        raise UnusableInput("A SQLite database is opened with sqlite:///FILE, without a driver.")
    if url.query or url.host:
        raise UnusableInput(
            "A SQLite URL has three slashes, the file, and no options: sqlite:///audit.db."
        )
    path = sqlite_file(url)
    if path is None:
        raise UnusableInput("The SQLite URL names no file: write it like sqlite:///audit.db.")
    if not path.is_file():
        raise UnusableInput(
            f"The SQLite file {path.name} does not exist: check the path. Nothing was created."
        )
    return path.resolve()


def _sqlite_connection(address: str) -> sqlite3.Connection:
    # without an isolation level of its own the driver leaves BEGIN to us
    connection = sqlite3.connect(address, uri=True, isolation_level=None, timeout=_LOCK_SECONDS)
    connection.text_factory = _text_or_bytes
    connection.execute("PRAGMA query_only = ON")
    return connection


def _text_or_bytes(content: bytes) -> str | bytes:
    try:
        return content.decode()
    except UnicodeDecodeError:
        return content


def _write_ahead(path: pathlib.Path) -> bool:
    """Whether byte 18 of the header says so (sqlite.org, database file format, section 1.3.3)."""
    with path.open("rb") as content:
        return content.read(19)[18:] == b"\x02"


def _log_of(path: pathlib.Path) -> pathlib.Path:
    return path.with_name(path.name + "-wal")


def _state(path: pathlib.Path) -> tuple[int, int]:
    found = os.stat(path)
    return found.st_size, found.st_mtime_ns
