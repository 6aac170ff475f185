"""Reads the plan of a case series (TOML)."""

from __future__ import annotations

import pathlib
import tomllib
from collections.abc import Mapping
from typing import Any

from audit.errors import UnusableInput
from audit.plan import SeriesPlan
from audit.plan.entries import plan_from
from audit.plan.place import Path

DEFAULT = pathlib.Path(__file__).resolve().parents[1] / "series_default.toml"


def read_series_plan(path: str | pathlib.Path | None = None) -> SeriesPlan:
    """The plan of a file, or the kit's own plan, in which every field of the study is empty.

    A department's own file replaces the kit's plan as a whole. Raises UnusableInput when the file
    cannot be read or an entry is wrong: file, line, field and what to do.
    """
    home = DEFAULT if path is None else pathlib.Path(path)
    try:
        content = home.read_bytes()
    except OSError:
        raise UnusableInput(f"The plan {home.name} cannot be opened: check the path.") from None
    return series_plan_from(content, name=home.name)


def series_plan_from(content: bytes, *, name: str) -> SeriesPlan:
    """The plan that a file called `name` holds. Raises UnusableInput as `read_series_plan`."""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise UnusableInput(
            f"The plan {name} is not UTF-8 text (line {line}). Save it as UTF-8."
        ) from None
    try:
        entries = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        words = "it is nested too deeply" if isinstance(error, RecursionError) else str(error)
        raise UnusableInput(
            f"The plan {name} is not valid TOML: {words}. Correct that place; the kit's own plan "
            "shows the form."
        ) from None
    return plan_from(
        entries, name=name, content=content, line_of=lambda path: entry_line(text, path)
    )


def entry_line(text: str, path: Path) -> int | None:
    """The line, from 1, on which the entry at `path` begins; of an entry that is not there, the
    line of the nearest table round it; None where that is the file itself.

    text: TOML that the standard library has read. An entry ends on the first line up to which the
    text is TOML that holds it, and begins after the last line before that up to which it is TOML.
    """
    lines = text.split("\n")
    while path:
        whole = 0
        for number in range(1, len(lines) + 1):
            try:
                entries = tomllib.loads("\n".join(lines[:number]))
            except tomllib.TOMLDecodeError:
                continue
            if _holds(entries, path):
                return whole + 1
            whole = number
        path = path[:-1]
    return None


def _holds(entries: Mapping[str, Any], path: Path) -> bool:
    inside: Any = entries
    for part in path:
        if isinstance(part, int):
            if not isinstance(inside, list) or part >= len(inside):
                return False
        elif not isinstance(inside, Mapping) or part not in inside:
            return False
        inside = inside[part]
    return True
