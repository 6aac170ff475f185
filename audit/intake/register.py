"""Reads a register of criteria (TOML)."""

from __future__ import annotations

import dataclasses
import datetime
import hashlib
import pathlib
import tomllib
from typing import Any

from audit.criteria import Criterion, criteria_from
from audit.errors import UnusableInput
from audit.intake.register_lines import entry_lines

DEFAULT = pathlib.Path(__file__).resolve().parents[1] / "standards_default.toml"


@dataclasses.dataclass(frozen=True)
class Register:
    """A register as it was read. name: of its file. version: as written in it, None where it has
    none. sha256: of the file. content: the file itself, so that a run can keep a true copy."""

    name: str
    version: str | None
    sha256: str
    content: bytes
    criteria: tuple[Criterion, ...]


def read_criteria(path: str | pathlib.Path | None = None) -> tuple[Criterion, ...]:
    """The criteria of a register file, or of the kit's default register.

    A department's own file replaces the default register as a whole: the two are never mixed.
    Raises UnusableInput when the file cannot be read or an entry is wrong, with the line.
    """
    return read_register(path).criteria


def read_register(path: str | pathlib.Path | None = None) -> Register:
    """The whole register, with its version and hash. Raises UnusableInput as `read_criteria`."""
    home = DEFAULT if path is None else pathlib.Path(path)
    try:
        content = home.read_bytes()
    except OSError:
        raise UnusableInput(f"The register {home.name} cannot be opened: check the path.") from None
    return register_from(content, name=home.name)


def register_from(content: bytes, *, name: str) -> Register:
    """The register that a file called `name` holds. Raises UnusableInput as `read_criteria`."""
    text = _text(content, name)
    try:
        entries = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise UnusableInput(
            f"The register {name} is not valid TOML: {_first_words(error)}. Correct that place; "
            "the kit's own register shows the form."
        ) from None
    lines = entry_lines(text)
    return Register(
        name=name,
        version=_version(entries, name, lines.get((0, "version", None))),
        sha256=hashlib.sha256(content).hexdigest(),
        content=content,
        criteria=criteria_from(
            entries,
            name=name,
            line_of=lambda number, key, item: lines.get(
                (number, key, item), lines.get((number, key, None), lines.get((number, None, None)))
            ),
        ),
    )


def _text(content: bytes, name: str) -> str:
    """The text without a byte-order mark."""
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise UnusableInput(
            f"The register {name} is not UTF-8 text (line {line}). Save it as UTF-8."
        ) from None


def _first_words(error: Exception) -> str:
    return "it is nested too deeply" if isinstance(error, RecursionError) else str(error)


def _version(entries: dict[str, Any], name: str, line: int | None) -> str | None:
    version = entries.get("version")
    if version is None:
        return None
    plain = isinstance(version, str | int | float | datetime.date) and str(version).strip()
    if not plain or isinstance(version, bool):
        where = name if line is None else f"{name}, line {line}"
        raise UnusableInput(f'{where}: version must be a text, for example version = "2026-11".')
    return str(version).strip()
