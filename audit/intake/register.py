"""Reads a register of criteria (TOML)."""

from __future__ import annotations

import dataclasses
import datetime
import hashlib
import pathlib
from typing import Any

from audit.criteria import Criterion, criteria_from
from audit.errors import UnusableInput
from audit.intake.register_lines import entry_lines
from audit.intake.toml_text import read_content, toml_entries

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
    return register_from(read_content(home, what="The register"), name=home.name)


def register_from(content: bytes, *, name: str) -> Register:
    """The register that a file called `name` holds. Raises UnusableInput as `read_criteria`."""
    text, entries = toml_entries(
        content, label=f"The register {name}", form="the kit's own register shows the form"
    )
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


def _version(entries: dict[str, Any], name: str, line: int | None) -> str | None:
    version = entries.get("version")
    if version is None:
        return None
    plain = isinstance(version, str | int | float | datetime.date) and str(version).strip()
    if not plain or isinstance(version, bool):
        where = name if line is None else f"{name}, line {line}"
        raise UnusableInput(f'{where}: version must be a text, for example version = "2026-11".')
    return str(version).strip()
