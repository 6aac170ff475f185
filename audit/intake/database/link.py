"""A database opened for reading only: its URL, its driver, and one transaction."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa
from sqlalchemy.pool import NullPool

from audit.errors import UnusableInput
from audit.intake.database.sqlite import sqlite_file, sqlite_reader
from audit.intake.database.words import SCHEMA, UNREADABLE_URL, refused_plainly

if TYPE_CHECKING:
    from sqlalchemy.engine import Connection, Engine

POSTGRESQL = ("postgresql", "postgres")
_CONNECT_SECONDS, _LOCK_SECONDS = 15, 30
_NAME = re.compile(r"[\w .-]{1,80}")


def parse_url(url: str) -> tuple[sa.URL, str | None]:
    """(the URL for the driver, the schema that it asks for).

    `postgresql://` and `postgres://` use psycopg. Raises UnusableInput when it is no URL.
    """
    parsed = refused_plainly(lambda: _made(url))
    schema = parsed.query.get(SCHEMA)
    parsed = parsed.difference_update_query([SCHEMA])
    if parsed.drivername in POSTGRESQL:
        parsed = parsed.set(drivername="postgresql+psycopg")
    if isinstance(schema, tuple):
        raise UnusableInput(f"The database URL names {SCHEMA} more than once.")
    return parsed, schema or None


def _made(url: str) -> sa.URL:
    try:
        return sa.make_url(url)
    except ValueError:
        # a port that is no number
        words = UNREADABLE_URL
    raise UnusableInput(words)


def database_name(url: str) -> str:
    """Kind and name of a database as a report may show them: "sqlite database audit.db".

    No folder, server, user or password; a name that is more than a name is left out.
    """
    parsed, _ = parse_url(url)
    path = sqlite_file(parsed)
    name = path.name if path is not None else parsed.database or ""
    shown = name if _NAME.fullmatch(name) else ""
    return f"{parsed.get_backend_name()} database {shown}".strip()


def absolute_url(url: str) -> str:
    """The URL with the absolute path of its file, where it is a SQLite file."""
    path = sqlite_file(parse_url(url)[0])
    if path is None:
        return url
    absolute = sa.make_url(url).set(database=str(path.resolve()))
    return absolute.render_as_string(hide_password=False)


@contextlib.contextmanager
def read_only(url: sa.URL) -> Iterator[Connection]:
    """A connection inside one transaction that cannot write; closing it rolls back.

    All tables read through it show one moment in SQLite and PostgreSQL; in other engines they do
    as far as their own default goes, and only the rollback keeps the data as they were.
    """
    if url.get_backend_name() == "sqlite":
        with sqlite_reader(url) as link:
            yield link
        return
    engine = _engine(url)
    try:
        with _server(engine) as link:
            yield link
    finally:
        engine.dispose()


def _engine(url: sa.URL) -> Engine:
    if url.get_dialect().is_async:
        raise UnusableInput("The driver in the database URL is asynchronous: leave it out.")
    if url.get_driver_name() != "psycopg":
        return sa.create_engine(url, poolclass=NullPool, hide_parameters=True)
    defaults: dict[str, Any] = {
        "connect_timeout": _CONNECT_SECONDS,
        "client_encoding": "utf8",
        # a pooler between here and the server may not keep prepared statements
        "prepare_threshold": None,
    }
    options = {name: value for name, value in defaults.items() if name not in url.query}
    engine = sa.create_engine(url, poolclass=NullPool, hide_parameters=True, connect_args=options)
    sa.event.listen(engine, "connect", _forgive_endless_dates)
    return engine


@contextlib.contextmanager
def _server(engine: Engine) -> Iterator[Connection]:
    with _connected(engine) as link:
        if engine.dialect.name == "postgresql":
            link = link.execution_options(
                isolation_level="REPEATABLE READ", postgresql_readonly=True
            )
            link.exec_driver_sql(f"SET LOCAL lock_timeout = '{_LOCK_SECONDS}s'")
        yield link


def _connected(engine: Engine) -> Connection:
    try:
        return engine.connect()
    except (TypeError, ValueError):
        # how some drivers answer to an option that they do not know
        words = UNREADABLE_URL
    raise UnusableInput(words)


def _forgive_endless_dates(connection: Any, _: object) -> None:
    """Dates that Python has no value for ("infinity", before Christ) come as texts, so that the
    cell is asked about instead of the whole table refused."""
    from psycopg import DataError
    from psycopg.adapt import Loader

    def lenient(usual: Any) -> type[Loader]:
        class Lenient(Loader):
            def __init__(self, oid: int, context: Any = None) -> None:
                super().__init__(oid, context)
                self._usual = usual(oid, context)

            def load(self, data: Any) -> Any:
                try:
                    return self._usual.load(data)
                except DataError:
                    return bytes(data).decode()

        return Lenient

    adapters = connection.adapters
    for name in ("date", "timestamp", "timestamptz"):
        oid = adapters.types[name].oid
        adapters.register_loader(oid, lenient(adapters.get_loader(oid, Loader.format)))
