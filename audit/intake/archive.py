"""Reads the folders that earlier runs left behind, and writes nothing in them.

An archive of an older kit lacks what that kit did not record; such an entry is None, never a
guess. What is damaged is refused in words, so that no quarter is lost in silence.
"""

from __future__ import annotations

import dataclasses
import io
import pathlib

import pandas as pd

from audit.errors import UnusableInput
from audit.intake.archive_record import RECORD, RunRecord, content_of, damaged, read_record
from audit.intake.provenance import content_hash
from audit.intake.register import Register, register_from

#: columns without which a table of an archive cannot be compared
NEEDED: dict[str, tuple[str, ...]] = {
    "standards.csv": ("criterion", "window", "n", "value", "verdict"),
    "results.csv": ("measure", "statistic", "window", "group_by", "group", "n", "value", "note"),
    "cases_measured.csv": ("case_id", "patient_id"),
    "case_record.csv": ("case_id", "patient_id"),
    "criterion_cases.csv": ("criterion", "case_ids", "day", "value", "state", "excused"),
}
#: what names a row of a table once
KEYS: dict[str, list[str]] = {
    "standards.csv": ["criterion", "window"],
    "cases_measured.csv": ["case_id"],
    "case_record.csv": ["case_id"],
    "criterion_cases.csv": ["criterion", "case_ids"],
}
REGISTER = "criteria.toml"
#: what the release puts an apostrophe before (see `audit.release.csv_files`)
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


@dataclasses.dataclass(frozen=True, kw_only=True)
class ArchivedRun:
    """One earlier run, as it was reported.

    name: of its folder. about: what its run.json says. register: of then, with register_note
    where there is none. standards, results, measured, record, units: its tables, every cell a
    text, missing = "" (None: the run has no such file). edited: files changed after the run.
    """

    name: str
    about: RunRecord
    register: Register | None
    register_note: str
    standards: pd.DataFrame
    results: pd.DataFrame | None
    measured: pd.DataFrame | None
    record: pd.DataFrame | None
    units: pd.DataFrame | None
    edited: tuple[str, ...]


@dataclasses.dataclass(frozen=True)
class Archive:
    """runs: one a quarter and centre, oldest first. left_out: folders that were not taken, each
    with the reason in words."""

    runs: tuple[ArchivedRun, ...]
    left_out: tuple[str, ...]


def read_archive(folder: str | pathlib.Path) -> Archive:
    """The earlier runs in a folder: the folder itself is one, or it holds several.

    Of two runs for one quarter and centre the later one is taken. Raises UnusableInput when the
    folder holds no run of this kit, or when a run in it is damaged.
    """
    home = pathlib.Path(folder)
    if not home.is_dir():
        raise UnusableInput("The folder to compare with does not exist: check the path.")
    if (home / RECORD).is_file():
        run = _read_run(home.resolve())
        if isinstance(run, str):
            raise UnusableInput(f"The folder to compare with cannot be used: {run}.")
        return Archive((run,), ())
    found: list[ArchivedRun] = []
    left_out: list[str] = []
    for place in _folders(home):
        run = _read_run(place)
        if isinstance(run, str):
            left_out.append(run)
        else:
            found.append(run)
    if not found:
        why = f" ({'; '.join(left_out[:5])})" if left_out else ""
        raise UnusableInput(
            f"The folder {home.resolve().name} holds no earlier run{why}: give the folder of a "
            f"run, in which {RECORD} stands, or a folder that holds such folders."
        )
    newest, older = _newest(found)
    return Archive(tuple(newest), (*left_out, *older))


def _folders(home: pathlib.Path) -> list[pathlib.Path]:
    try:
        inside = sorted(home.iterdir())
    except OSError:
        raise UnusableInput(
            "The folder to compare with cannot be opened: check the permissions."
        ) from None
    return [place for place in inside if place.is_dir() and not place.name.startswith(".")]


def _newest(found: list[ArchivedRun]) -> tuple[list[ArchivedRun], list[str]]:
    """(the latest run of every quarter and centre, oldest quarter first; words for the others)."""
    order = sorted(
        found,
        key=lambda run: (run.about.quarter, run.about.centre or "", _moment(run), run.name),
    )
    taken: dict[tuple[pd.Period, str | None], ArchivedRun] = {}
    words = []
    for run in order:
        key = (run.about.quarter, run.about.centre)
        if key in taken:
            words.append(
                f"{taken[key].name} is not the last run for {run.about.quarter}: "
                f"{run.name} was made later"
            )
        taken[key] = run
    return list(taken.values()), words


def _moment(run: ArchivedRun) -> pd.Timestamp:
    moment = pd.to_datetime(run.about.time or "", utc=True, errors="coerce")
    return pd.Timestamp(0, tz="UTC") if pd.isna(moment) else moment


def _read_run(home: pathlib.Path) -> ArchivedRun | str:
    """The run in a folder, or words for a folder that holds no results to compare."""
    if not (home / RECORD).is_file():
        return f"{home.name} is no run"
    about = read_record(home)
    if isinstance(about, str):
        return about
    register, register_note = _register(home, about)
    files = {file: _table(home, file) for file in NEEDED}
    standards = files["standards.csv"]
    if standards is None:
        raise damaged(home.name, "standards.csv is missing")
    return ArchivedRun(
        name=home.name,
        about=about,
        register=register,
        register_note=register_note,
        standards=standards,
        results=files["results.csv"],
        measured=files["cases_measured.csv"],
        record=files["case_record.csv"],
        units=files["criterion_cases.csv"],
        edited=_edited(home, about),
    )


def _register(home: pathlib.Path, about: RunRecord) -> tuple[Register | None, str]:
    path = home / REGISTER
    if not path.is_file():
        return None, "the register of then was not kept"
    try:
        return register_from(content_of(path), name=about.register_name or path.name), ""
    except UnusableInput as problem:
        return None, f"the register of then does not fit this kit: {problem}"


def _table(home: pathlib.Path, file: str) -> pd.DataFrame | None:
    """A table of a run with every cell as text; None when the run has no such file."""
    path = home / file
    if not path.is_file():
        return None
    try:
        frame = pd.read_csv(
            io.BytesIO(content_of(path)),
            dtype=str,
            keep_default_na=False,
            index_col=False,
            encoding="utf-8-sig",
        )
    except ValueError:
        raise damaged(home.name, f"{file} is not a readable table") from None
    for column in NEEDED[file]:
        if column not in frame:
            raise damaged(home.name, f"{file} has no column {column}")
    if file in KEYS and frame.duplicated(KEYS[file]).any():
        raise damaged(home.name, f"{file} holds one {' and '.join(KEYS[file])} twice")
    # a line that is shorter than the headings leaves cells without even an empty text
    return frame.fillna("").apply(lambda column: column.map(_as_it_was))


def _as_it_was(text: str) -> str:
    """The text without the apostrophe that keeps spreadsheets from running it."""
    guarded = text.startswith("'") and text[1:].startswith(FORMULA_STARTS)
    return text[1:] if guarded else text


def _edited(home: pathlib.Path, about: RunRecord) -> tuple[str, ...]:
    """Files whose content is no longer what the run wrote (line ends aside)."""
    inside = {file: home / file for file in about.files if pathlib.PurePath(file).name == file}
    return tuple(
        file
        for file, path in inside.items()
        if path.is_file() and content_hash(content_of(path)) != about.files[file]
    )
