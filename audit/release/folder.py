"""An output folder that is complete or not there."""

from __future__ import annotations

import contextlib
import pathlib
import shutil
import tempfile
from collections.abc import Iterator

from audit.errors import UnusableInput

#: the file by which a folder is known as an earlier run
RECORD = "run.json"


def refuse_occupied(out: pathlib.Path, *, replace: bool = False) -> None:
    """UnusableInput when `out` holds something that this run would overwrite.

    With `replace`, a folder that an earlier run wrote (it has run.json) may be replaced.
    """
    if not out.exists():
        return
    if not out.is_dir():
        raise UnusableInput(f"{out.name} is a file: give a folder for the output.")
    holds = any(out.iterdir())
    if holds and not (replace and (out / RECORD).is_file()):
        advice = (
            "add --replace to replace that run"
            if (out / RECORD).is_file()
            else "choose a new or empty folder"
        )
        raise UnusableInput(f"The folder {out.name} already holds files; {advice}.")


def own_folder(stage: pathlib.Path, name: str) -> pathlib.Path:
    """A new folder of that name inside the one that is being written."""
    home = stage / name
    home.mkdir()
    return home


@contextlib.contextmanager
def staged_folder(out: pathlib.Path, *, replace: bool = False) -> Iterator[pathlib.Path]:
    """A folder to write into, which becomes `out` only when the block ends without an error.

    Until then everything lies in a hidden neighbour of `out`; on any error, or Ctrl-C, that is
    removed and `out` is as it was. Raises UnusableInput as `refuse_occupied`.
    """
    refuse_occupied(out, replace=replace)
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        stage = pathlib.Path(tempfile.mkdtemp(prefix=f".{out.name}.part-", dir=out.parent))
    except OSError:
        raise UnusableInput(
            f"The folder for {out.name} cannot be written: check the path and the permissions."
        ) from None
    try:
        stage.chmod(0o755)
        yield stage
        if out.exists():
            shutil.rmtree(out)
        stage.rename(out)
    finally:
        shutil.rmtree(stage, ignore_errors=True)
