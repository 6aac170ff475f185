"""The demo tables, or any other folder of CSV files, written into databases and a workbook.

Nothing here uses the kit's own reading or writing; only the kinds of the columns are the contract's.
"""

from __future__ import annotations

import csv
import datetime
import pathlib
import sqlite3

import openpyxl
import psycopg
from psycopg import sql

from schemas import TABLES

#: kind of a contract column -> type in PostgreSQL
POSTGRESQL_TYPES = {
    "identifier": "varchar(40)",
    "code": "varchar(40)",
    "text": "text",
    "number": "numeric(8, 3)",
    "whole": "smallint",
    "day": "date",
    "moment": "timestamp",
}
#: kind -> type in SQLite: dates are ISO texts there (sqlite.org, Datatypes In SQLite, section 2.2)
SQLITE_TYPES = {"number": "real", "whole": "integer", "day": "date", "moment": "datetime"}
ENUMS = {"sex": ("female", "male", "other", "unknown"), "side": ("left", "right")}
Rows = tuple[list[str], list[list[str]]]


def tables_of(folder: pathlib.Path) -> dict[str, Rows]:
    """Table -> (headings, rows) of a folder of CSV files."""
    out = {}
    for path in sorted(folder.glob("*.csv")):
        with path.open(encoding="utf-8", newline="") as lines:
            headings, *rows = csv.reader(lines)
        out[path.stem] = (headings, rows)
    return out


def kind(table: str, column: str) -> str:
    """Kind of a contract column; "truth" for a yes/no column."""
    metadata = TABLES[table].columns[column].metadata
    return "truth" if metadata["codes"] == "yes_no" else metadata["kind"]


def write_sqlite(tables: dict[str, Rows], path: pathlib.Path) -> str:
    """A SQLite file with declared types, numbers as REAL, truth values as 0 and 1; its URL."""
    numbers = ("number", "whole")
    with sqlite3.connect(path) as link:
        for table, (headings, rows) in tables.items():
            kinds = [kind(table, name) for name in headings]
            types = [{"truth": "boolean", **SQLITE_TYPES}.get(one, "text") for one in kinds]
            columns = ", ".join(f"{a} {b}" for a, b in zip(headings, types, strict=True))
            link.execute(f"create table {table} ({columns})")
            values = [
                [
                    None if not cell
                    else float(cell) if one in numbers
                    else int(cell == "yes") if one == "truth"
                    else cell
                    for cell, one in zip(row, kinds, strict=True)
                ]
                for row in rows
            ]  # fmt: skip
            marks = ", ".join("?" * len(headings))
            link.executemany(f"insert into {table} values ({marks})", values)
    link.close()
    return f"sqlite:///{path}"


def write_postgresql(tables: dict[str, Rows], url: str, *, typed: bool = True) -> None:
    """Tables in the default schema, by COPY: of proper types, or all of them text."""
    with psycopg.connect(url) as link:
        if typed:
            for name, codes in ENUMS.items():
                listed = sql.SQL(", ").join(map(sql.Literal, codes))
                link.execute(
                    sql.SQL("create type {} as enum ({})").format(sql.Identifier(name), listed)
                )
        for table, (headings, rows) in tables.items():
            types = [_postgresql_type(table, name) if typed else "text" for name in headings]
            columns = ", ".join(f"{a} {b}" for a, b in zip(headings, types, strict=True))
            link.execute(f"create table {table} ({columns})".encode())
            with link.cursor().copy(f"copy {table} from stdin".encode()) as copy:
                for row in rows:
                    copy.write_row([cell or None for cell in row])
            key = TABLES[table].metadata["key"]
            if typed and key and key in headings:
                link.execute(f"alter table {table} add primary key ({key})".encode())


def _postgresql_type(table: str, column: str) -> str:
    one = kind(table, column)
    if column in ENUMS:
        return column
    if one == "truth":
        return "boolean"
    # numbers come as decimals or as binary fractions
    return "double precision" if column.startswith("planned") else POSTGRESQL_TYPES[one]


def write_workbook(tables: dict[str, Rows], path: pathlib.Path) -> None:
    """A workbook with a sheet a table and typed cells: numbers, dates, date-times, texts."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for table, (headings, rows) in tables.items():
        sheet = book.create_sheet(table)
        sheet.append(headings)
        for row in rows:
            cells = zip(row, headings, strict=True)
            sheet.append([_cell(cell, kind(table, name)) for cell, name in cells])
    book.save(path)


def _cell(text: str, one: str) -> object:
    if not text:
        return None
    if one in ("number", "whole"):
        return float(text)
    if one == "day":
        return datetime.date.fromisoformat(text)
    return datetime.datetime.fromisoformat(text) if one == "moment" else text
