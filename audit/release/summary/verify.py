"""Whether a release may leave: every byte as it was checked, and signed by two people."""

from __future__ import annotations

import hashlib
import json
import pathlib

from audit.disclosure.controlled import LEVELS
from audit.release.summary.data_package import FILE
from audit.release.summary.manifest import manifest_name, manifest_problems
from audit.release.summary.sign_off import parse_sign_off, sign_off_name, sign_off_problems

#: levels that leave the department and so need two checkers
SIGNED = ("paper", "external")


def verify_release(folder: str | pathlib.Path) -> list[str]:
    """What keeps the releases in a folder from leaving, one sentence each; empty when nothing does.

    folder: the one that `save_release` was given, with internal/, paper/ or external/ in it. Every
    level that is there is verified: its files against its manifest, and for `SIGNED` levels the
    sign-off beside it: for these files, by two different people who both approve, with a recorded
    decision on each flag. No file is changed.
    """
    home = pathlib.Path(folder)
    levels = [level for level in LEVELS if (home / level).is_dir()]
    if not levels:
        return [f"there is no release: none of the folders {', '.join(LEVELS)} was found"]
    return [f"{level}: {words}" for level in levels for words in _level_problems(home, level)]


def _level_problems(home: pathlib.Path, level: str) -> list[str]:
    name = manifest_name(level)
    problems = manifest_problems(home / level, name=name)
    if level not in SIGNED:
        return problems
    path = home / sign_off_name(level)
    try:
        form = parse_sign_off(path.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError):
        return [*problems, f"{path.name} is missing or cannot be read: two checkers must sign"]
    if isinstance(form, str):
        return [*problems, form]
    flags = _flags(home / level / FILE)
    if flags is None:
        return [*problems, f"{FILE} cannot be read, so flags cannot be compared with decisions"]
    digest = _digest(home / level / name)
    return problems + sign_off_problems(form, level=level, manifest_sha256=digest, flags=flags)


def _flags(path: pathlib.Path) -> list[str] | None:
    """Ids of the decisions that a release waits for; None when the file is not understood."""
    try:
        package = json.loads(path.read_text(encoding="utf-8"))
        return [str(each["id"]) for each in package["decisions"]]
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None


def _digest(path: pathlib.Path) -> str:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return ""
