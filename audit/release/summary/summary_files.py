"""The one way into internal/, paper/ and external/: nothing is written that was not controlled."""

from __future__ import annotations

import pathlib
from collections.abc import Sequence

from audit.disclosure.controlled import ControlledTable
from audit.errors import UnusableInput
from audit.release.folder import staged_folder
from audit.release.summary.csv_tables import csv_bytes
from audit.release.summary.data_package import FILE, json_bytes, package, resource
from audit.release.summary.facts import ReleaseFacts, check_facts
from audit.release.summary.flags import flags_to_decide
from audit.release.summary.front_sheets import contents_sheet, cover_sheet, notes_sheet
from audit.release.summary.gate import check_release
from audit.release.summary.manifest import manifest_name, write_manifest
from audit.release.summary.names import slug
from audit.release.summary.notes import note_ids
from audit.release.summary.release_note import release_note
from audit.release.summary.sheet import ReleasedSheet
from audit.release.summary.sign_off import blank_sign_off, sign_off_name
from audit.release.summary.table_sheets import table_sheets
from audit.release.summary.verify import SIGNED
from audit.release.summary.workbook import workbook_bytes


def save_release(
    controlled: Sequence[ControlledTable],
    folder: str | pathlib.Path | None,
    *,
    level: str,
    facts: ReleaseFacts,
) -> pathlib.Path | None:
    """Write a release into `folder`/`level`; returns that folder, None when `folder` is None.

    Every table of the release at once, each controlled for this level. Written: the workbook; a
    CSV and a JSON file each for cover, contents, notes and every table; datapackage.json; the
    release note; the manifest. Beside the folder, for levels that leave the department, the empty
    sign-off. Every file name ends in the level but that which the standard fixes. Written whole or
    not at all; equal content gives equal bytes.

    UnusableInput when a fact of the cover is missing, or a release of this level (or its sign-off)
    is there already: a release is never overwritten. ValueError as `gate.check_release`.
    """
    check_facts(facts, level=level)
    check_release(controlled, level=level, settings=facts.settings)
    if folder is None:
        return None
    home = pathlib.Path(folder)
    form = home / sign_off_name(level)
    if form.exists():
        raise UnusableInput(
            f"{form.name} is there already, and it belongs to an earlier release: choose a new "
            "folder."
        )
    files = release_files(controlled, facts, level=level)
    with staged_folder(home / level) as stage:
        for name, content in files.items():
            (stage / name).write_bytes(content)
        digest = write_manifest(stage, name=manifest_name(level))
    if level in SIGNED:
        text = blank_sign_off(digest, level=level, flags=flags_to_decide(controlled))
        form.write_text(text, encoding="utf-8", newline="\n")
    return home / level


def release_files(
    controlled: Sequence[ControlledTable], facts: ReleaseFacts, *, level: str
) -> dict[str, bytes]:
    """File name -> content of a release, without manifest and sign-off."""
    ids = note_ids(controlled)
    tables = table_sheets(controlled, level=level, ids=ids)
    sheets: list[ReleasedSheet] = [
        cover_sheet(facts, level=level),
        contents_sheet(controlled, tables, ids=ids, level=level),
        notes_sheet(controlled, ids=ids, level=level),
        *tables,
    ]
    files: dict[str, bytes] = {}
    resources = []
    for sheet in sheets:
        content = csv_bytes(sheet)
        described = resource(sheet, content, level=level)
        resources.append(described)
        files[f"{sheet.stem}.csv"] = content
        files[f"{sheet.stem}.json"] = json_bytes(described)
    files[FILE] = json_bytes(
        package(resources, facts, level=level, decisions=flags_to_decide(controlled))
    )
    name = f"summary-tables-{slug(facts.period)}-{level}.xlsx"
    files[name] = workbook_bytes(sheets, facts, level=level)
    note = release_note(controlled, tables, facts, level=level)
    files[f"release-note-{level}.txt"] = note.encode()
    return files
