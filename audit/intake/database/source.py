"""A database as a source: read in one transaction that cannot write, contract tables only.

A database has no lines: `row` is the place of a row, from 1, when the table is put in order of its
primary key; where it has none, in order of its contract columns as the contract lists them, which
begins with the key.
"""

from __future__ import annotations

import csv
import dataclasses
import difflib
import hashlib
import io
import warnings
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import sqlalchemy as sa

from audit.errors import UnusableInput
from audit.intake.database.cells import TIME, TRUTH, ColumnTexts
from audit.intake.database.link import parse_url, read_only
from audit.intake.database.words import SCHEMA, refused_plainly
from audit.intake.grid import Grid, Opened
from audit.intake.identity.headings import refuse_identifying_headings
from audit.intake.ordering import order_of
from audit.intake.parse import tidy_headings
from audit.intake.tables import InputFile, kind_of
from schemas import REQUIRED_TABLES, TABLES

if TYPE_CHECKING:
    from sqlalchemy.engine import Connection

NOUN = "database table"
#: rows fetched, or hashed, at once
_CHUNK = 20_000
_ROW = ("unknown_column", "The column row is not in the contract; it was not read.")
#: types by which no engine, or not every one, can sort
_UNSORTABLE = (sa.types.JSON, sa.types.NullType)


@dataclasses.dataclass(frozen=True)
class _Plan:
    """What to read of one table.

    table: its name in the contract. place: its name in the database, and the schema. headings: its
    columns. columns: contract column -> its name in the database. declared: column -> what
    `ColumnTexts` calls so. sorted_by: the columns that give the rows their numbers.
    """

    table: str
    place: tuple[str, str | None]
    headings: list[str]
    columns: dict[str, str]
    declared: dict[str, str]
    sorted_by: list[str]
    remarks: tuple[tuple[str, str], ...]


def open_database(url: str) -> Opened:
    """The case tables of a database, read in one read-only transaction.

    url: an SQLAlchemy URL, such as `sqlite:///audit.db` or `postgresql://user@server/database`;
    `?audit_schema=NAME` chooses a schema other than the default one. Tables and views are known
    by the contract's names, capitals forgiven; nothing else is looked into. The headings of all of
    them are judged before a single cell is selected, and a column that is not in the contract is
    named in a question and its cells are never read (they are empty in the grid). A number, day or
    truth value becomes the text that a CSV file would hold; of a moment with a time zone the clock
    time that the database shows is taken, with a question. NULL is an empty cell. The hash of a
    table is that of its contract columns, so the same rows in another engine have the same.

    Raises UnusableInput, in words that hold no part of the URL, when the database cannot be
    reached or read, a required table is missing, or a heading is refused (see `tidy_headings`).
    """
    return refused_plainly(lambda: _open(url))


def _open(url: str) -> Opened:
    parsed, schema = parse_url(url)
    grids, inputs = {}, []
    with read_only(parsed) as link:
        names = _names(link, schema)
        chosen = _chosen(names)
        types = {table: _types(link, name, schema) for table, name in chosen.items()}
        refuse_identifying_headings(types)
        plans = [_plan(link, table, (name, schema), types[table]) for table, name in chosen.items()]
        for plan in plans:
            grid = _read_plainly(link, plan)
            grids[plan.table] = grid
            digest = table_hash(grid.frame, plan.columns)
            inputs.append(InputFile(plan.table, plan.place[0], digest, len(grid.frame)))
    return Opened(grids, tuple(inputs), tuple(_strays(names, chosen)), NOUN)


def _names(link: Connection, schema: str | None) -> list[str]:
    """Tables and views of the schema, in order of name."""
    catalogue: Any = sa.inspect(link)
    found = {*catalogue.get_table_names(schema), *catalogue.get_view_names(schema)}
    if link.dialect.name == "postgresql":
        found.update(catalogue.get_materialized_view_names(schema))
        found.update(catalogue.get_foreign_table_names(schema))
    return sorted(found)


def _chosen(names: list[str]) -> dict[str, str]:
    """Contract table -> its name in the database, in the order of the contract."""
    chosen: dict[str, str] = {}
    for name in names:
        table = name.lower()
        if table in TABLES:
            if table in chosen:
                raise UnusableInput(
                    f"The database has two tables for {table}: {chosen[table]} and {name}. Keep "
                    "one of them, or choose a schema that holds one."
                )
            chosen[table] = name
    for table in REQUIRED_TABLES:
        if table not in chosen:
            rest = f" and {len(names) - 12} more" if len(names) > 12 else ""
            shown = ", ".join(names[:12]) + rest if names else "no table"
            raise UnusableInput(
                f"The database has no table {table}. Required: {' and '.join(REQUIRED_TABLES)}; "
                f"found: {shown}. If they stand in another schema, add {SCHEMA}=NAME to the URL."
            )
    return {table: chosen[table] for table in TABLES if table in chosen}


def _strays(names: list[str], chosen: dict[str, str]) -> list[tuple[str, str]]:
    absent = [table for table in TABLES if table not in chosen]
    found = []
    for name in names:
        near = difflib.get_close_matches(name.lower(), absent, n=1, cutoff=0.75)
        if near and name not in chosen.values():
            found.append((name, near[0]))
    return found


def _types(link: Connection, name: str, schema: str | None) -> dict[str, Any]:
    """Column -> its type, from the catalogue, in the order of the table."""
    with warnings.catch_warnings():
        # a column of a type that SQLAlchemy has no name for
        warnings.simplefilter("ignore", sa.exc.SAWarning)
        return {str(c["name"]): c["type"] for c in sa.inspect(link).get_columns(name, schema)}


def _plan(
    link: Connection, table: str, place: tuple[str, str | None], types: dict[str, Any]
) -> _Plan:
    """What to read of a table. Raises UnusableInput as `tidy_headings`."""
    headings = [heading for heading in types if heading not in ("", "row")]
    tidied, _ = tidy_headings(table, pd.DataFrame(columns=["row", *headings]))
    named = dict(zip(tidied.columns[1:], headings, strict=True))
    columns = {column: named[column] for column in TABLES[table].columns if column in named}
    sqlite = link.dialect.name == "sqlite"
    sortable = [
        heading
        for heading in columns.values()
        if sqlite or not isinstance(types[heading], _UNSORTABLE)
    ]
    key = sa.inspect(link).get_pk_constraint(*place).get("constrained_columns") or []
    return _Plan(
        table=table,
        place=place,
        headings=headings,
        columns=columns,
        # SQLite has no types of its own for these (sqlite.org, datatypes, sections 2.1 and 2.2)
        declared={heading: _declared(types[heading]) if sqlite else "" for heading in headings},
        sorted_by=list(key) or sortable,
        remarks=(_ROW,) if "row" in types else (),
    )


def _declared(kind: Any) -> str:
    if isinstance(kind, sa.types.Boolean):
        return TRUTH
    return TIME if isinstance(kind, sa.types.Date | sa.types.DateTime) else ""


def _read_plainly(link: Connection, plan: _Plan) -> Grid:
    return refused_plainly(lambda: _read(link, plan), about=f"Table {plan.table}: ")


def _read(link: Connection, plan: _Plan) -> Grid:
    """The grid of one table: the contract's cells as texts, those of other columns empty."""
    contract = TABLES[plan.table].columns
    readers = [
        ColumnTexts(
            heading,
            kind=kind_of(plan.table, column),
            codes=contract[column].metadata["codes"],
            declared=plan.declared[heading],
        )
        for column, heading in plan.columns.items()
    ]
    chunks: list[list[np.ndarray]] = [[] for _ in readers]
    count = 0
    with link.execute(_statement(plan), execution_options={"yield_per": _CHUNK}) as result:
        for rows in result.partitions():
            for reader, held, values in zip(readers, chunks, zip(*rows, strict=True), strict=True):
                held.append(np.array(reader.texts(values, first_row=count + 1), dtype=object))
            count += len(rows)
    unread = set(plan.headings) - set(plan.columns.values())
    cells: dict[str, Any] = {name: np.full(count, np.nan, dtype=object) for name in unread}
    cells["row"] = np.arange(1, count + 1)
    for reader, held in zip(readers, chunks, strict=True):
        cells[reader.heading] = np.concatenate(held) if held else np.empty(0, dtype=object)
        held.clear()
    return Grid(
        frame=pd.DataFrame(cells, columns=["row", *plan.headings], copy=False),
        remarks=(*plan.remarks, *_zone_remarks(readers)),
        cell_remarks=tuple(remark for reader in readers for remark in reader.remarks),
        changes=tuple(change for reader in readers for change in reader.changes),
    )


def _statement(plan: _Plan) -> sa.Select[Any]:
    """Names are quoted by SQLAlchemy. No column has a type here, so values come as the driver
    gives them."""
    name, schema = plan.place
    named = dict.fromkeys([*plan.columns.values(), *plan.sorted_by])
    source = sa.table(name, *map(sa.column, named), schema=schema)
    chosen = [source.c[heading] for heading in plan.columns.values()]
    return sa.select(*chosen).order_by(*(source.c[heading] for heading in plan.sorted_by))


def _zone_remarks(readers: Iterable[ColumnTexts]) -> Iterable[tuple[str, str]]:
    for reader in readers:
        if reader.zones:
            zones = ", ".join(sorted(reader.zones)[:3])
            yield (
                "time_zone_not_used",
                f"The column {reader.heading} holds moments with a time zone; the clock time was "
                f"taken as the database shows it ({zones}). Check that this is the clock of the "
                "place of treatment, or store moments without a time zone.",
            )


def table_hash(frame: pd.DataFrame, columns: dict[str, str]) -> str:
    """SHA-256 of the table as CSV text: contract headings, rows in one order, LF, UTF-8.

    frame: cells as texts. columns: contract column -> heading in the frame. The order is that of
    the code points of all contract columns in turn, so it depends on no engine.
    """
    headings = list(columns.values())
    order = order_of(frame, headings)
    cells = [frame[heading].to_numpy() for heading in headings]
    digest = hashlib.sha256(_csv([list(columns)]))
    for start in range(0, len(frame), _CHUNK):
        some = slice(start, start + _CHUNK)
        place = some if order is None else order[some]
        digest.update(_csv(zip(*(values[place] for values in cells), strict=True)))
    return digest.hexdigest()


def _csv(rows: Iterable[Iterable[str]]) -> bytes:
    text = io.StringIO(newline="")
    csv.writer(text, lineterminator="\n").writerows(rows)
    return text.getvalue().encode()
