"""One set of tables by every way in: files, workbook, SQLite and PostgreSQL give the same bytes.

Each way stores the demo tables as it does best (texts; typed cells; ISO texts, binary fractions
and truth values as numbers; proper database types), and all but the files hold the rows in another
order. To keep the runs short the cut-off is an early one: what lies after it is read, and wound
back. Only `row`, which means something else in each, may differ in queries.csv.
"""

from __future__ import annotations

import csv
import io
import json
import pathlib
import random

import pytest

from audit.commands import main
from tests.conftest import DEMO
from tests.integration.writing import (
    Rows,
    tables_of,
    write_postgresql,
    write_sqlite,
    write_workbook,
)

CUTOFF = "2023-06-30"
SAME = ("results.csv", "standards.csv", "cases_measured.csv", "cohort_flow.csv")


@pytest.fixture(scope="module")
def tables() -> dict[str, Rows]:
    return tables_of(DEMO)


@pytest.fixture(scope="module")
def shuffled(tables) -> dict[str, Rows]:
    """The same rows in another order, as a database may give them."""
    draw = random.Random(7)
    return {
        name: (headings, draw.sample(rows, len(rows))) for name, (headings, rows) in tables.items()
    }


def measured(source: str, out: pathlib.Path) -> dict[str, bytes]:
    """The files of the `measure` command."""
    assert main(["measure", source, str(out), "--cutoff", CUTOFF]) in (0, 1)
    return {path.name: path.read_bytes() for path in out.iterdir()}


@pytest.fixture(scope="module")
def from_files(tmp_path_factory) -> dict[str, bytes]:
    return measured(str(DEMO), tmp_path_factory.mktemp("files") / "out")


def assert_same(found: dict[str, bytes], expected: dict[str, bytes]) -> None:
    for name in SAME:
        assert found[name] == expected[name], name
    assert questions(found) == questions(expected)


def questions(files: dict[str, bytes]) -> list[list[str]]:
    """The lines of queries.csv in one order, without the number of the row."""
    lines = csv.reader(io.StringIO(files["queries.csv"].decode(), newline=""))
    return sorted(cells[:1] + cells[2:] for cells in lines)


def test_the_files_give_numbers_to_compare(from_files):
    lines = from_files["results.csv"].decode().splitlines()
    assert len(lines) > 500
    assert len(from_files["cases_measured.csv"].splitlines()) > 40


def test_sqlite(shuffled, from_files, tmp_path):
    url = write_sqlite(shuffled, tmp_path / "demo.db")
    found = measured(url, tmp_path / "out")
    assert_same(found, from_files)
    record = json.loads(found["run.json"])
    assert record["parameters"]["source"] == "sqlite database demo.db"
    assert str(tmp_path) not in found["run.json"].decode()


def test_postgresql(server, shuffled, from_files, tmp_path):
    write_postgresql(shuffled, server.url("postgres"))
    found = measured(server.url("postgres"), tmp_path / "out")
    assert_same(found, from_files)
    assert server.password not in found["run.json"].decode()


def test_workbook(shuffled, from_files, tmp_path):
    path = tmp_path / "demo.xlsx"
    write_workbook(shuffled, path)
    assert_same(measured(str(path), tmp_path / "out"), from_files)
