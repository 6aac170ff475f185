"""The manifest of a release: the SHA-256 (FIPS 180-4) of every file in its folder.

The file has the lines of the common checksum tools ("hash, two blanks, name"), so that whoever
receives the folder can verify it without this kit.
"""

from __future__ import annotations

import hashlib
import pathlib
import re

ENDING = ".sha256"
_LINE = re.compile(r"([0-9a-f]{64})  (\S.*)")


def manifest_name(level: str) -> str:
    """The file name of the manifest of a release level."""
    return f"manifest-{level}{ENDING}"


def write_manifest(folder: str | pathlib.Path, *, name: str = f"manifest{ENDING}") -> str:
    """Write the manifest of all files in a folder, sorted by name; returns its own SHA-256.

    An earlier manifest of this name is replaced and not listed.
    """
    home = pathlib.Path(folder)
    files = {path: digest for path, digest in _digests(home).items() if path != name}
    text = "".join(f"{digest}  {path}\n" for path, digest in files.items())
    (home / name).write_text(text, encoding="utf-8", newline="\n")
    return hashlib.sha256(text.encode()).hexdigest()


def manifest_problems(folder: str | pathlib.Path, *, name: str) -> list[str]:
    """What is wrong with the files of a folder: one sentence a file; none when all is as written.

    Found: no manifest, a line that is none, a file that is gone, changed, or not in the list.
    """
    home = pathlib.Path(folder)
    try:
        text = (home / name).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return [f"{name} is missing or cannot be read"]
    found = [_LINE.fullmatch(line) for line in text.splitlines()]
    problems = [
        f"{name} line {number} is not a hash and a file name"
        for number, match in enumerate(found, start=1)
        if match is None
    ]
    listed = {match[2]: match[1] for match in found if match}
    there = {path: digest for path, digest in _digests(home).items() if path != name}
    problems += [f"{path} is missing" for path in listed if path not in there]
    problems += [
        f"{path} has changed since it was written"
        for path, digest in there.items()
        if path in listed and listed[path] != digest
    ]
    problems += [f"{path} is not in {name}" for path in there if path not in listed]
    return problems


def _digests(home: pathlib.Path) -> dict[str, str]:
    """Path in the folder -> SHA-256 of its content, sorted by path."""
    files = {
        path.relative_to(home).as_posix(): path
        for path in home.rglob("*")
        if path.is_file() or path.is_symlink()
    }
    return {name: _digest(files[name]) for name in sorted(files)}


def _digest(path: pathlib.Path) -> str:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return "unreadable"
