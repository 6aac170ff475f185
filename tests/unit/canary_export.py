"""A whole export of demo data in which everything that must not leave bears a mark of its own.

Names, numbers and addresses are invented; the telephone number is of a range kept for fiction.
"""

from __future__ import annotations

import dataclasses
import datetime
import functools
import pathlib
import tempfile
import zipfile

import pandas as pd

from audit.pages import summary_tables as page
from audit.run import AuditRun
from schemas import TABLES
from tests.conftest import DEMO

NAME, PHONE, MAIL = "Quillfeather", "01632 960123", "quill@example.org"
RECORD, SERIAL, HEADING = "RN-77120-QF", "SNZQ-998871", "zebrawood"
#: a day in the year before the operations that the external tables speak of
DAY = datetime.date(2025, 8, 17)
CASE, PATIENT, EVENT, SURGEON = "QFCASE", "QFPAT", "QFEVENT", "QFDOC"
TEXT = f"{NAME} tel {PHONE} {MAIL} {RECORD} {SERIAL} {DAY}"
CANARIES = (
    NAME, PHONE, PHONE.replace(" ", ""), MAIL, RECORD, SERIAL, HEADING, CASE, PATIENT, EVENT,
    SURGEON, DAY.isoformat(), DAY.strftime("%d.%m.%Y"), DAY.strftime("%d/%m/%Y"),
    DAY.strftime("%Y%m%d"),
)  # fmt: skip
#: only recent cases, so that the run is short; text columns that are read as codes stay as they are
SINCE = "2025-06-01"
CODES = {("cases", "centre"), ("theatre_counts", "quarter"), ("theatre_counts", "centre")}


@dataclasses.dataclass(frozen=True, eq=False)
class Exported:
    """folder: the output of the whole export. keep: holds the folder alive."""

    run: AuditRun
    export: page.Export
    folder: pathlib.Path
    keep: tempfile.TemporaryDirectory


@functools.cache
def exported() -> Exported:
    """The export, made once in a test run."""
    keep = tempfile.TemporaryDirectory()
    home = pathlib.Path(keep.name)
    source, folder = home / f"{NAME.lower()}_tables", home / "out"
    source.mkdir()
    folder.mkdir()
    for name, frame in planted().items():
        frame.to_csv(source / f"{name}.csv", index=False)
    run = page.start(str(source), quarter="2026Q3", cutoff=None, centre=None)
    export = page.prepare(run)
    page.save(export, str(folder), contact="audit office")
    return Exported(run, export, folder, keep)


def planted() -> dict[str, pd.DataFrame]:
    """The recent demo cases with a mark in every free text, id, code of a surgeon, in unknown
    columns, in the code of one centre, and an odd day wherever a day can be moved."""
    tables = {
        path.stem: pd.read_csv(path, dtype=str, keep_default_na=False)
        for path in sorted(DEMO.glob("*.csv"))
    }
    cases = tables["cases"]
    tables["cases"] = cases.loc[cases["surgery_date"] >= SINCE].reset_index(drop=True)
    for name in ("patients", *(one for one in tables if "case_id" in tables[one])):
        frame, key = tables[name], "patient_id" if name == "patients" else "case_id"
        kept = frame.loc[frame[key].isin(tables["cases"][key])]
        tables[name] = kept.reset_index(drop=True)
    return {name: _marked(name, frame) for name, frame in tables.items()}


def _marked(name: str, frame: pd.DataFrame) -> pd.DataFrame:
    out = frame.copy()
    prefixes = {"case_id": CASE, "patient_id": PATIENT, "complication_id": EVENT}
    for column, prefix in prefixes.items():
        if column in out:
            out[column] = prefix + out[column].str[1:]
    for column, contract in TABLES[name].columns.items():
        kind = contract.metadata["kind"]
        if kind == "text" and (name, column) not in CODES:
            out[column] = TEXT
    if name == "cases":
        out["surgeon"] = SURGEON + out.index.to_series().mod(3).astype(str)
        out["centre"] = out["centre"].mask(out.index.to_series().mod(9) == 0, f"{NAME} & Co")
        earliest = out["surgery_date"].idxmin()
        out.loc[earliest, "surgery_date"] = DAY.isoformat()
        out.loc[out.index[3:6], "arrival_date"] = DAY.isoformat()
    elif "taken_on" in out:
        out.loc[out.index[:5], "taken_on"] = DAY.isoformat()
    # one cell only: a whole column of such cells would be refused on the way in
    out[HEADING] = ""
    out.loc[out.index[:1], HEADING] = TEXT
    return out


def contents(folder: pathlib.Path) -> dict[str, bytes]:
    """Every file below a folder, and every member of files that are archives, by name."""
    found = {}
    for path in sorted(folder.rglob("*")):
        if not path.is_file():
            continue
        found[path.name] = path.read_bytes()
        if zipfile.is_zipfile(path):
            with zipfile.ZipFile(path) as archive:
                for member in archive.namelist():
                    found[f"{path.name}:{member}"] = archive.read(member)
    return found


def held(content: bytes) -> list[str]:
    """The marks that a content holds, as text in UTF-8 or UTF-16, in any case."""
    texts = [content.decode(code, errors="ignore").casefold() for code in ("utf-8", "utf-16-le")]
    return [one for one in CANARIES if any(one.casefold() in text for text in texts)]
