"""What a run is made with: the kit's own code, Python and the libraries that give the numbers."""

from __future__ import annotations

import dataclasses
import functools
import hashlib
import importlib.metadata
import pathlib
import platform
from collections.abc import Iterable, Mapping

import schemas
from audit.intake.register import DEFAULT

PACKAGES = (
    "pandas",
    "numpy",
    "scipy",
    "lifelines",
    "pandera",
    "seaborn",
    "matplotlib",
    "sqlalchemy",
    "python-calamine",
)
CODE_ENDINGS = (".py", ".toml")


@dataclasses.dataclass(frozen=True)
class MadeWith:
    """version: of the kit. code: fingerprint of its code (see `fingerprint`). python, packages:
    versions. What an older kit did not record is None, or not in `packages`."""

    version: str | None
    code: str | None
    python: str | None
    packages: Mapping[str, str | None]


def made_with() -> MadeWith:
    """What this process computes with."""
    return MadeWith(
        version=_version("lengthening-audit"),
        code=code_fingerprint(),
        python=platform.python_version(),
        packages={name: _version(name) for name in PACKAGES},
    )


@functools.cache
def code_fingerprint() -> str | None:
    """The fingerprint of the code of `audit` and `schemas`; None when it cannot be read."""
    homes = (pathlib.Path(__file__).resolve().parents[1], pathlib.Path(schemas.__file__).parent)
    try:
        return fingerprint(homes)
    except OSError:
        return None


def fingerprint(homes: Iterable[pathlib.Path]) -> str:
    """SHA-256 over the names and contents of the .py and .toml files of some folders.

    The same on every machine: names are relative to the folder's parent and sorted, and line ends
    count as LF. The default register is left out: it holds definitions, which have a hash of
    their own, and a changed target must not look like changed code.
    """
    digest = hashlib.sha256()
    for home in sorted(homes, key=lambda path: path.name):
        files = [
            path
            for path in home.rglob("*")
            if path.suffix in CODE_ENDINGS and path.is_file() and path.resolve() != DEFAULT
        ]
        for path in sorted(files, key=lambda path: path.relative_to(home.parent).as_posix()):
            content = same_line_ends(path.read_bytes())
            name = path.relative_to(home.parent).as_posix()
            digest.update(f"{name}\n{len(content)}\n".encode())
            digest.update(content)
    return digest.hexdigest()


def same_line_ends(content: bytes) -> bytes:
    """The content with LF at the end of every line, as every machine may have stored it."""
    return content.replace(b"\r\n", b"\n")


def content_hash(content: bytes) -> str:
    """SHA-256 of a text file, whatever line ends it was stored with."""
    return hashlib.sha256(same_line_ends(content)).hexdigest()


def _version(name: str) -> str | None:
    try:
        return importlib.metadata.version(name)
    except importlib.metadata.PackageNotFoundError:
        return None
