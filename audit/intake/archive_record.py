"""What the run.json of an earlier run says, whatever version of the kit wrote it."""

from __future__ import annotations

import dataclasses
import json
import pathlib
from collections.abc import Mapping
from typing import Any

import pandas as pd

from audit.errors import UnusableInput
from audit.intake.provenance import MadeWith
from audit.periods import parse_day, parse_quarter
from audit.settings import Settings

KIT = "lengthening-audit"
RECORD = "run.json"


@dataclasses.dataclass(frozen=True, kw_only=True)
class RunRecord:
    """Entries of a run.json; what an older kit did not record is None or empty.

    settings: of then; setting_notes: what could not be taken over. inputs: (table, SHA-256) of
    what was read. register_name: of the register's file. files: name -> hash as written.
    """

    quarter: pd.Period
    cutoff: pd.Timestamp
    centre: str | None
    time: str | None
    settings: Settings
    setting_notes: tuple[str, ...]
    register_name: str | None
    made_with: MadeWith
    inputs: frozenset[tuple[str, str]] | None
    files: Mapping[str, str]


def damaged(run: str, what: str) -> UnusableInput:
    """The refusal of a damaged run."""
    return UnusableInput(
        f"The earlier run {run} is damaged: {what}. Take it out of the folder, or put a whole "
        "copy in its place."
    )


def content_of(path: pathlib.Path) -> bytes:
    """The bytes of a file of a run. Raises UnusableInput when it cannot be opened."""
    try:
        return path.read_bytes()
    except OSError:
        raise damaged(path.parent.name, f"{path.name} cannot be opened") from None


def read_record(home: pathlib.Path) -> RunRecord | str:
    """The record of the run in a folder, or words for one that reports no results.

    Raises UnusableInput when run.json is there but cannot be understood.
    """
    name = home.name
    record = _parsed(home)
    if record.get("kit") != KIT:
        return f"{name} was not written by this kit"
    parameters = _mapping(record, "parameters", name)
    if parameters.get("command") == "check" or "quarter" not in parameters:
        return f"{name} holds a check of the data, not a report"
    settings, notes = _settings(_mapping(record, "settings", name), name)
    return RunRecord(
        quarter=_quarter(parameters, name),
        cutoff=_cutoff(record, name),
        centre=_text(record.get("centre")),
        time=_text(record.get("time")),
        settings=settings,
        setting_notes=notes,
        register_name=_text(_mapping(record, "criteria", name).get("name")),
        made_with=MadeWith(
            version=_text(record.get("version")),
            code=_text(record.get("code")),
            python=_text(record.get("python")),
            packages=_texts(record, "packages", name),
        ),
        inputs=_inputs(record, name),
        files=_texts(record, "files", name),
    )


def _parsed(home: pathlib.Path) -> dict[str, Any]:
    try:
        record = json.loads(content_of(home / RECORD).decode("utf-8"))
    except (ValueError, RecursionError):
        raise damaged(home.name, f"{RECORD} is not readable as JSON") from None
    if not isinstance(record, dict):
        raise damaged(home.name, f"{RECORD} holds no record")
    return record


def _mapping(record: Mapping[str, Any], key: str, name: str) -> dict[str, Any]:
    found = record.get(key, {})
    if not isinstance(found, dict):
        raise damaged(name, f"the entry {key!r} of {RECORD} is not understood")
    return found


def _texts(record: Mapping[str, Any], key: str, name: str) -> dict[str, str]:
    found = _mapping(record, key, name)
    return {key: str(value) for key, value in found.items() if value is not None}


def _text(value: Any) -> str | None:
    return None if value is None or value == "" else str(value)


def _quarter(parameters: Mapping[str, Any], name: str) -> pd.Period:
    try:
        return parse_quarter(str(parameters["quarter"]))
    except UnusableInput:
        raise damaged(name, f"{RECORD} names no quarter like 2026Q3") from None


def _cutoff(record: Mapping[str, Any], name: str) -> pd.Timestamp:
    try:
        return parse_day(str(record.get("cutoff")), option="cutoff")
    except UnusableInput:
        raise damaged(name, f"{RECORD} names no cut-off day") from None


def _settings(given: Mapping[str, Any], name: str) -> tuple[Settings, tuple[str, ...]]:
    """(settings of then, notes on those that only one of the two kits knows)."""
    known = {field.name: field.default for field in dataclasses.fields(Settings)}
    notes = [f"the setting {key} is no longer known" for key in given if key not in known]
    notes += [f"the setting {key} was not recorded" for key in known if key not in given]
    taken: dict[str, Any] = {}
    for key in known.keys() & given.keys():
        value = tuple(given[key]) if isinstance(given[key], list) else given[key]
        if not _alike(value, known[key]):
            raise damaged(name, f"the setting {key!r} in {RECORD} is not understood")
        taken[key] = value
    return Settings(**taken), tuple(notes)


def _alike(value: Any, default: Any) -> bool:
    """Whether a value is of the kind of a default: numbers, texts, yes/no, or several of them."""
    if isinstance(default, tuple):
        return isinstance(value, tuple) and all(_alike(one, default[0]) for one in value)
    if isinstance(default, bool) or isinstance(value, bool):
        return isinstance(default, bool) and isinstance(value, bool)
    if isinstance(default, int | float):
        return isinstance(value, int | float)
    return default is None or value is None or isinstance(value, type(default))


def _inputs(record: Mapping[str, Any], name: str) -> frozenset[tuple[str, str]] | None:
    listed = record.get("inputs")
    if not listed:
        return None
    try:
        return frozenset((str(item["table"]), str(item["sha256"])) for item in listed)
    except (TypeError, KeyError):
        raise damaged(name, f"the inputs in {RECORD} are not understood") from None
