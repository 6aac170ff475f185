"""A PostgreSQL database as a source, against a real server: types, rights, one moment, refusals."""

from __future__ import annotations

import gc
import itertools
import os
import pathlib

import pandas as pd
import psycopg
import pytest
import sqlalchemy as sa

import audit
from audit.commands import main
from audit.errors import UnusableInput
from audit.intake import open_source
from audit.intake.database.link import parse_url, read_only
from audit.report import make_report
from tests.conftest import DEMO
from tests.integration.postgresql import Server, running_server
from tests.integration.writing import tables_of, write_postgresql, write_sqlite

#: SQLAlchemy does not close the cursor of a connection that is gone, and the driver remarks on it
UNCLOSED = pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
COUNTER = itertools.count()
SMALL = """
create table patients (patient_id varchar(9) primary key, sex text, aetiology text);
insert into patients values ('P1', 'female', 'congenital'), ('P2', 'male', null);
create table cases (
    case_id varchar(9) primary key, patient_id varchar(9), segment char(12), device_class text,
    age_at_surgery_years double precision, surgery_date date, planned_gain_mm numeric(6, 2),
    last_follow_up_date timestamp, outcome_status text);
insert into cases values
    ('C1', 'P1', 'femur', 'lengthening_nail', 20, '2025-01-10', 38.50, '2025-10-10', 'in_treatment');
"""


@pytest.fixture(scope="module")
def fresh(server):
    """Makes a new database, runs a script in it, and gives its name."""

    def make(script: str = "", *, options: str = "") -> str:
        name = f"audit_{next(COUNTER)}"
        with psycopg.connect(server.url("postgres"), autocommit=True) as link:
            link.execute(f"create database {name} {options}".encode())
        if script:
            with psycopg.connect(server.url(name)) as link:
                link.execute(script.encode())
        return name

    return make


@pytest.fixture(scope="module")
def small(fresh) -> str:
    """A database that no test changes."""
    return fresh(SMALL)


@pytest.fixture(scope="module")
def typed(server, fresh) -> str:
    """The demo tables with proper types."""
    name = fresh()
    write_postgresql(tables_of(DEMO), server.url(name))
    return name


def refused(url: str) -> str:
    with pytest.raises(UnusableInput) as caught:
        open_source(url)
    assert caught.value.__context__ is None
    return str(caught.value)


def reading(server: Server, name: str):
    return read_only(parse_url(server.url(name))[0])


@pytest.fixture
def on_statement():
    """Calls a function once, right before the first statement that holds a text is sent."""
    hooks: list[object] = []

    def install(text: str, action) -> None:
        waiting = [action]

        def listen(link, cursor, statement, *_):
            if waiting and text in statement:
                waiting.pop()()

        sa.event.listen(sa.Engine, "before_cursor_execute", listen)
        hooks.append(listen)

    yield install
    for listen in hooks:
        sa.event.remove(sa.Engine, "before_cursor_execute", listen)


# ------------------------------------------------------------------ values


def test_typed_tables_hold_what_the_files_hold(server, typed):
    found, expected = audit.read_source(server.url(typed)), audit.read_source(DEMO)
    for name, frame in expected.items():
        columns = [column for column in frame if column != "row"]
        pd.testing.assert_frame_equal(
            found[name].sort_values(columns)[columns].reset_index(drop=True),
            frame.sort_values(columns)[columns].reset_index(drop=True),
        )
    assert set(found.queries["rule"]) == set(expected.queries["rule"])
    changes = set(found.cleaning["change"])
    assert changes == {"true and false written as yes and no"}


def test_hashes_are_those_of_texts_and_of_another_engine(server, typed, fresh, tmp_path):
    plain = fresh()
    write_postgresql(tables_of(DEMO), server.url(plain), typed=False)
    sqlite = write_sqlite(tables_of(DEMO), tmp_path / "demo.db")
    hashes = [
        {one.table: one.sha256 for one in open_source(url).inputs}
        for url in (server.url(typed), server.url(plain), sqlite, server.url(typed))
    ]
    assert len(hashes[0]) == len(tables_of(DEMO))
    assert hashes[0] == hashes[1] == hashes[2] == hashes[3]


def test_padding_of_char_columns_is_taken_off_and_logged(server, small):
    tables = audit.read_source(server.url(small))
    assert tables["cases"]["segment"].tolist() == ["femur"]
    assert tables["cases"]["planned_gain_mm"].tolist() == [38.5]
    assert tables["cases"]["last_follow_up_date"].tolist() == [pd.Timestamp("2025-10-10")]
    assert tables.cleaning[["column", "change", "cells"]].values.tolist() == [
        ["segment", "blanks around the value removed", 1]
    ]
    assert tables.queries.empty


def test_dates_without_end_numbers_that_are_none_and_other_values(server, fresh):
    name = fresh(
        SMALL
        + """
        create table radiographs (case_id uuid primary key, taken_on date, gain_mm numeric, mldfa_deg bytea,
            mpta_deg json, mechanical_axis_deviation_mm int[], cortices_bridged interval);
        insert into radiographs values
            ('00000000-0000-0000-0000-000000000002', 'infinity', 'NaN', '\\x00', '{"a": 1}', '{1}', '1 day'),
            ('00000000-0000-0000-0000-000000000001', '0044-03-15 BC', 7.10, null, '5', null, null);
        create table distraction_sessions (case_id text, started_at timestamp, delivered_mm real);
        insert into distraction_sessions values ('C1', '2025-01-15 07:40:05.25', 0.33),
            ('C1', '-infinity', 0.33), ('C1', '2025-01-16', 0.25);
        """
    )
    tables = audit.read_source(server.url(name))
    asked = tables.queries.set_index(["table", "row", "column"])["rule"].to_dict()
    films = {key[1:]: rule for key, rule in asked.items() if key[0] == "radiographs"}
    assert sorted(films.values()) == ["not_a_date"] * 2 + ["not_a_number"] + ["not_plain_value"] * 4
    values = tables.queries.loc[tables.queries["rule"] == "not_a_date", "value"]
    assert set(values) == {"infinity", "0044-03-15 BC"}
    assert tables["radiographs"]["gain_mm"].dropna().tolist() == [7.1]
    assert tables["radiographs"]["mpta_deg"].dropna().tolist() == [5.0]
    sessions = tables["distraction_sessions"].dropna(subset=["started_at"])
    assert sessions["started_at"].tolist() == [
        pd.Timestamp("2025-01-15 07:40:05"),
        pd.Timestamp("2025-01-16 00:00"),
    ]
    assert sessions["delivered_mm"].tolist() == [0.33, 0.25]
    assert "fraction of a second dropped" in set(tables.cleaning["change"])


def test_of_a_time_zone_the_clock_of_the_database_counts_and_is_asked_about(server, fresh):
    name = fresh(
        SMALL
        + """
        create table distraction_sessions (case_id text, started_at timestamptz, delivered_mm real);
        insert into distraction_sessions values ('C1', '2025-01-15 07:40+01', 0.33),
            ('C1', '2025-07-15 07:40+02', 0.33);
        """
    )
    with psycopg.connect(server.url(name)) as link:
        link.execute(f"alter database {name} set timezone to 'Europe/Rome'".encode())
    tables = audit.read_source(server.url(name))
    moments = tables["distraction_sessions"]["started_at"].tolist()
    assert moments == [pd.Timestamp("2025-01-15 07:40"), pd.Timestamp("2025-07-15 07:40")]
    query = tables.queries.iloc[0]
    assert (len(tables.queries), query["rule"]) == (1, "time_zone_not_used")
    assert "started_at" in query["message"]
    assert "Europe/Rome" in query["message"]


def test_a_database_without_an_encoding(server, fresh):
    options = "encoding 'SQL_ASCII' lc_collate 'C' lc_ctype 'C' template template0"
    name = fresh(SMALL, options=options)
    with psycopg.connect(server.url(name)) as link:
        link.execute("update patients set aetiology = convert_from('\\xc3a9', 'SQL_ASCII')")
    assert audit.read_source(server.url(name))["patients"]["aetiology"].iloc[0] == "é"
    with psycopg.connect(server.url(name)) as link:
        link.execute("update patients set aetiology = convert_from('\\xff', 'SQL_ASCII')")
    assert "it must be UTF-8" in refused(server.url(name))


# ------------------------------------------------------------------ names


def test_schemas_capitals_views_and_partitions(server, fresh):
    name = fresh(
        """
        create schema "Ward 7";
        set search_path to "Ward 7";
        """
        + SMALL
        + """
        alter table cases rename to kept;
        create materialized view "Cases" as select case_id as "Case ID", patient_id, segment,
            device_class, age_at_surgery_years, surgery_date, planned_gain_mm,
            last_follow_up_date, outcome_status from kept;
        create table radiographs (case_id text, taken_on date) partition by range (taken_on);
        create table films_2025 partition of radiographs
            for values from ('2025-01-01') to ('2026-01-01');
        insert into radiographs values ('C1', '2025-02-01');
        """
    )
    words = refused(server.url(name))
    assert "no table patients" in words
    assert "audit_schema=NAME" in words
    assert "no table patients" in refused(server.url(name) + "?audit_schema=nowhere")
    tables = audit.read_source(server.url(name) + "?audit_schema=Ward%207")
    assert tables["cases"]["case_id"].tolist() == ["C1"]
    assert len(tables["radiographs"]) == 1
    assert len(tables["patients"]) == 2


def test_names_that_try_to_be_statements_do_nothing(server, fresh):
    name = fresh(
        SMALL
        + """
        alter table cases add column "x""; drop table cases; --%s :p" text;
        create table "patients""; drop table patients; --" (a int);
        create table radiographs (case_id text, "Taken On" date);
        """
    )
    tables = audit.read_source(server.url(name))
    assert tables.queries["rule"].tolist() == ["unknown_column"]
    evil = sa.make_url(server.url(name)).update_query_dict(
        {"audit_schema": "public\"; drop table cases; --'"}
    )
    assert "no table patients" in refused(evil.render_as_string(hide_password=False))
    assert len(audit.read_source(server.url(name))["cases"]) == 1


def test_two_tables_that_differ_in_capitals_are_refused(server, fresh):
    name = fresh(SMALL + 'create table "CASES" (a int);')
    assert "two tables for cases: CASES and cases" in refused(server.url(name))


# ------------------------------------------------------------------ rights, and nothing written


def make_role(server: Server, database: str, rights: str) -> str:
    """A role with these rights on all tables; the URL that it signs in with."""
    role = f"role_{next(COUNTER)}"
    with psycopg.connect(server.url(database)) as link:
        link.execute(f"create role {role} login password 's3/cr:et@{role}'".encode())
        link.execute(f"grant {rights} on all tables in schema public to {role}".encode())
    return server.url(database, user=role, password=f"s3%2Fcr%3Aet%40{role}")


def test_a_role_that_may_only_select_is_enough(server, small):
    tables = audit.read_source(make_role(server, small, "select"))
    assert len(tables["patients"]) == 2


def test_a_role_without_the_right_is_told_of_the_table(server, small):
    url = make_role(server, small, "insert")
    assert refused(url).startswith("Table patients: The user has no right to read it")


def test_a_role_that_may_write_cannot_through_our_connection(server, fresh):
    name = fresh(SMALL + "create sequence counted;")
    url = make_role(server, name, "all")
    for statement in (
        "insert into patients values ('P3', 'male')",
        "update cases set case_id = 'X'",
        "delete from cases",
        "truncate cases",
        "create table mine (x int)",
        "drop table cases",
        "select setval('counted', 7)",
        "alter role current_user set timezone to 'UTC'",
    ):
        for one in (url, server.url(name)):
            with (
                read_only(parse_url(one)[0]) as link,
                pytest.raises(sa.exc.DBAPIError) as caught,
            ):
                link.exec_driver_sql(statement)
            # PostgreSQL manual, appendix A: read_only_sql_transaction, or no right at all
            assert caught.value.orig.sqlstate in ("25006", "42501")
    with reading(server, name) as link, pytest.raises(sa.exc.DBAPIError) as caught:
        link.exec_driver_sql("delete from cases")
    assert caught.value.orig.sqlstate == "25006"
    assert len(audit.read_source(url)["cases"]) == 1


def test_a_view_that_writes_when_it_is_read_is_refused(server, fresh):
    name = fresh(
        SMALL
        + """
        create table seen (n int);
        create function note() returns int language sql volatile as
            $$ insert into seen values (1) returning n $$;
        alter table patients rename to kept;
        create view patients as select kept.*, note() as noted from kept where note() = 1;
        """
    )
    assert refused(server.url(name)).startswith("Table patients: The database cannot be read.")
    with psycopg.connect(server.url(name)) as link:
        assert link.execute("select count(*) from seen").fetchone() == (0,)


def test_all_tables_show_one_moment(server, fresh, on_statement):
    name = fresh(SMALL)

    def write() -> None:
        with psycopg.connect(server.url(name)) as link:
            link.execute("insert into cases select 'C9', 'P9', 'tibia', device_class, 30, "
                         "surgery_date, 40, last_follow_up_date, outcome_status from cases")  # fmt: skip
            link.execute("insert into patients values ('P9', 'male')")

    on_statement("FROM cases", write)
    assert len(audit.read_source(server.url(name))["cases"]) == 1
    later = audit.read_source(server.url(name))
    assert (len(later["cases"]), len(later["patients"])) == (2, 3)


def test_nothing_stays_behind_on_the_server(server, fresh):
    name = fresh(SMALL)
    with psycopg.connect(server.url(name), autocommit=True) as link:
        count = (
            "select count(*) from pg_stat_activity where datname = %s and pid <> pg_backend_pid()"
        )
        audit.read_source(server.url(name))
        for _ in range(50):
            left = link.execute(count, [name]).fetchone()
            if left == (0,):
                break
            link.execute("select pg_sleep(0.1)")
        assert left == (0,)


# ------------------------------------------------------------------ refusals


def test_wrong_names_and_passwords_are_refused_without_repeating_them(server, small, capsys):
    cases = {
        server.url(small, password="wr0ng-w0rd"): "check the user and the password",
        server.url(small, user="ghost"): "check the user and the password",
        server.url("no_such_database"): "no such database or user",
        server.url(small) + "?sslmode=require": "secure connection",
        server.url(small).replace(f":{server.password}", ""): "check the user and the password",
        server.url(small) + "?schema=x": "audit_schema=NAME",
    }
    for url, words in cases.items():
        told = refused(url)
        assert words in told
        assert main(["check", url]) == 2
        shown = capsys.readouterr()
        for text in (told, shown.out, shown.err):
            hidden = ("wr0ng", server.password, "ghost", "127.0.0.1", str(server.port), "keeper")
            assert not [word for word in hidden if word in text]


def test_a_locked_table_and_a_time_limit_are_refused(server, fresh, monkeypatch):
    name = fresh(SMALL)
    monkeypatch.setattr("audit.intake.database.link._LOCK_SECONDS", 1)
    with psycopg.connect(server.url(name)) as link:
        link.execute("lock table cases in access exclusive mode")
        words = refused(server.url(name))
        assert "Another program holds it locked" in words
        url = server.url(name) + "?options=-c%20statement_timeout%3D200"
        assert "after its own time limit" in refused(url)


@UNCLOSED
def test_a_connection_that_is_cut_while_reading_is_refused(server, fresh, on_statement):
    name = fresh(SMALL)

    def cut() -> None:
        with psycopg.connect(server.url("postgres"), autocommit=True) as link:
            link.execute(
                "select pg_terminate_backend(pid) from pg_stat_activity where datname = %s", [name]
            )

    on_statement("FROM cases", cut)
    words = refused(server.url(name))
    assert words.startswith("Table cases: The connection to the database was lost")
    gc.collect()


@UNCLOSED
def test_a_server_that_stops_is_refused(server, on_statement):
    with running_server() as own:
        with psycopg.connect(own.url("postgres")) as link:
            link.execute(SMALL.encode())
        on_statement("FROM cases", own.stop)
        words = refused(own.url("postgres"))
        assert "The connection to the database was lost" in words
        assert "cannot be reached" in refused(own.url("postgres"))
    gc.collect()


def test_the_drivers_own_password_file_and_environment_work(server, small, tmp_path, monkeypatch):
    url = server.url(small).replace(f":{server.password}", "")
    file = tmp_path / "passwords"
    file.write_text(f"127.0.0.1:{server.port}:*:keeper:{server.password}\n")
    file.chmod(0o600)
    monkeypatch.setenv("PGPASSFILE", str(file))
    assert len(audit.read_source(url)["patients"]) == 2
    monkeypatch.delenv("PGPASSFILE")
    monkeypatch.setenv("PGPASSWORD", server.password)
    assert len(audit.read_source(url)["patients"]) == 2


# ------------------------------------------------------------------ a report


def command_lines() -> bytes:
    """The command lines of all processes that can be seen (none where there is no /proc)."""
    found = []
    for entry in pathlib.Path("/proc").glob("[0-9]*/cmdline"):
        try:
            found.append(entry.read_bytes())
        except OSError:
            continue
    return b"\n".join(found)


def test_no_password_gets_into_a_report_or_a_command_line(server, small, tmp_path, monkeypatch):
    url = make_role(server, small, "select")
    secret = sa.make_url(url).password
    lines: list[bytes] = []
    monkeypatch.setenv("WARD_DATABASE", url)
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    out = tmp_path / "out"
    make_report("quarterly", "env:WARD_DATABASE", out, tell=lambda _: lines.append(command_lines()))
    assert len(lines) > 10
    files = [path for path in out.rglob("*") if path.is_file()]
    assert {"quarterly_audit.html", "results.csv", "run.json"} <= {path.name for path in files}
    written = b"\n".join(path.read_bytes() for path in files)
    assert f"postgresql database {small}".encode() in written
    for hidden in (url, secret, url.split("@")[0], "s3%2F", f"127.0.0.1:{server.port}"):
        assert hidden.encode() not in written
        assert not [line for line in lines if hidden.encode() in line]
    assert os.environ.get("LENGTHENING_AUDIT_SOURCE") is None
