"""A TOML file as its entries, with one clear message for whatever keeps it from being read."""

from __future__ import annotations

import pathlib
import tomllib
from collections.abc import Mapping
from typing import Any

from audit.errors import UnusableInput
from audit.plan.place import Path


def read_content(path: pathlib.Path, *, what: str) -> bytes:
    """The bytes of a file. what: before its name in the message, such as "The plan". Raises
    UnusableInput when it cannot be opened."""
    try:
        return path.read_bytes()
    except OSError:
        raise UnusableInput(f"{what} {path.name} cannot be opened: check the path.") from None


def toml_entries(content: bytes, *, label: str, form: str) -> tuple[str, dict[str, Any]]:
    """(the text without a byte-order mark, its entries).

    label: the file in a message, such as "The plan ours.toml"; form: what shows how it is done
    right. Raises UnusableInput for bytes that are not UTF-8 and for text that is not TOML.
    """
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise UnusableInput(f"{label} is not UTF-8 text (line {line}). Save it as UTF-8.") from None
    try:
        return text, tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        words = "it is nested too deeply" if isinstance(error, RecursionError) else str(error)
        raise UnusableInput(
            f"{label} is not valid TOML: {words}. Correct that place; {form}."
        ) from None


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
