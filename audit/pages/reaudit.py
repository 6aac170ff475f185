"""Earlier quarters then and now, cell by cell."""

from __future__ import annotations

import pathlib

from audit.intake.archive import read_archive
from audit.notebook_display import show_text
from audit.pages.showing import show
from audit.reaudit import reaudit
from audit.release.run_files import save_reaudit
from audit.run import AuditRun
from audit.tables import reaudit as tables

NOTHING = "No earlier run was given to compare with (`--compare FOLDER`)."


def show_reaudit(
    run: AuditRun, compare_folder: str | pathlib.Path | None, *, out: str | None = None
) -> None:
    """Earlier runs in a folder beside today's tables and definitions; a sentence when it is None.

    out: also write reaudit.csv and reaudit_cases.csv into this folder. Raises UnusableInput when
    the folder holds no usable run.
    """
    if compare_folder is None:
        show_text(NOTHING)
        return
    found = reaudit(run, read_archive(compare_folder))
    show_text(tables.summary_words(found))
    show(tables.runs_table(found))
    show(tables.then_and_now_table(found))
    show(tables.other_windows_table(found))
    show(tables.causes_table(found))
    save_reaudit(found, out)
