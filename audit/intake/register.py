"""Reads a register of criteria (TOML)."""

from __future__ import annotations

import pathlib
import tomllib
from typing import Any

from audit.criteria import Criterion, criteria_from
from audit.errors import UnusableInput

DEFAULT = pathlib.Path(__file__).resolve().parents[1] / "standards_default.toml"


def read_criteria(path: str | pathlib.Path | None = None) -> tuple[Criterion, ...]:
    """The criteria of a register file, or of the kit's default register.

    Raises UnusableInput when the file cannot be read or an entry is wrong (with the line or the
    criterion).
    """
    home = DEFAULT if path is None else pathlib.Path(path)
    return criteria_from(_toml(home), name=home.name)


def _toml(path: pathlib.Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError:
        raise UnusableInput(f"The register {path.name} cannot be opened: check the path.") from None
    except UnicodeDecodeError:
        raise UnusableInput(f"The register {path.name} is not UTF-8 text.") from None
    except tomllib.TOMLDecodeError as error:
        raise UnusableInput(f"The register {path.name} is not valid TOML: {error}.") from None
