"""Re-audit: earlier quarters computed again from today's tables, beside what was reported then.

The archived folders of earlier runs are read by `audit.intake.archive`. Three versions of every
number stand side by side: as reported, recomputed with the definitions of then, and recomputed
with today's. What lies between the first two is late data or changed code; between the last two, a
changed definition. Every difference ends with an explanation.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import pandas as pd

from audit.intake import Tables
from audit.intake.archive import Archive, ArchivedRun
from audit.intake.provenance import made_with
from audit.intake.register import Register
from audit.reaudit.causes import Evidence, gather_evidence
from audit.reaudit.compare import Comparison, compare
from audit.reaudit.definitions import Definitions, definitions
from audit.reaudit.recompute import Recomputed, recompute
from audit.reaudit.record import case_record
from audit.reaudit.units import unit_record
from audit.run import AuditRun

__all__ = ["CASE_COLUMNS", "CELL_COLUMNS", "Reaudit", "case_record", "reaudit", "unit_record"]

RUN = ["run", "quarter", "cutoff", "centre"]
CELL_COLUMNS = [
    *RUN,
    "table",
    "item",
    "statistic",
    "day",
    "window",
    "column",
    "reported",
    "same_definition",
    "today",
    "difference",
    "causes",
    "explanation",
    "cases_late_data",
    "cases_changed_code",
    "cases_not_told_apart",
]
CASE_COLUMNS = [
    *RUN,
    "table",
    "item",
    "window",
    "case_id",
    "cause",
    "change",
    "facts",
    "tables",
    "field",
    "reported",
    "now",
]
RUN_COLUMNS = [
    *RUN,
    "made_on",
    "register_then",
    "register_today",
    "definitions",
    "tables",
    "code",
    "libraries",
    "remarks",
]
#: versions of a standards table, in the order of time
REPORTED, SAME, TODAY = "reported", "same_definition", "today"


@dataclasses.dataclass(frozen=True)
class Reaudit:
    """Earlier runs then and now.

    runs: one row a run: `RUN`, made_on, and what changed since in words. cells: one row a number
    or verdict (`CELL_COLUMNS`); no case id in it. cases: one row a changed case, number and field
    (`CASE_COLUMNS`), for the department. standards: the standards tables in their versions
    (`version`: reported, same_definition, today). left_out: folders and runs that were not
    compared, with the reason.
    """

    runs: pd.DataFrame
    cells: pd.DataFrame
    cases: pd.DataFrame
    standards: pd.DataFrame
    left_out: tuple[str, ...]


def reaudit(run: AuditRun, archive: Archive) -> Reaudit:
    """Every archived run up to the cut-off of `run`, recomputed from its tables.

    Each at its own cut-off, quarter and centre: once with the register and settings archived with
    it, once with those of `run`. Raises ValueError when `run` does not hold its tables and its
    register (runs made by `run_audit` do).
    """
    if run.tables is None or run.register is None:
        raise ValueError("a re-audit needs the tables and the register of the run")
    early = [one for one in archive.runs if one.about.cutoff <= run.cohort.cutoff]
    late = [
        f"{one.name} is later than this run: its cut-off is {one.about.cutoff.date()}"
        for one in archive.runs
        if one.about.cutoff > run.cohort.cutoff
    ]
    parts = [_one(run, run.tables, run.register, one) for one in early]
    return Reaudit(
        runs=pd.DataFrame([part[0] for part in parts], columns=RUN_COLUMNS),
        cells=_joined([part[1] for part in parts], CELL_COLUMNS),
        cases=_joined([part[2] for part in parts], CASE_COLUMNS),
        standards=_joined([part[3] for part in parts], None),
        left_out=(*archive.left_out, *late),
    )


def _one(
    run: AuditRun, tables: Tables, register: Register, archived: ArchivedRun
) -> tuple[dict[str, object], pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """(line of the runs, cells, cases, standards) of one archived run."""
    found = definitions(archived, register.criteria, run.cohort.settings)
    now = recompute(tables, archived, found)
    evidence = gather_evidence(archived, run.cohort.inputs, made_with())
    compared = compare(Comparison(archived, found, now, evidence))
    about = archived.about
    names: dict[str, object] = {
        "run": archived.name,
        "quarter": str(about.quarter),
        "cutoff": about.cutoff.date().isoformat(),
        "centre": about.centre,
    }
    line = names | {
        "made_on": about.time,
        "register_then": archived.register.version if archived.register else None,
        "register_today": register.version,
        "definitions": _definition_words(found, archived, register.version),
        "tables": _same_words(evidence.same_inputs),
        "code": _same_words(evidence.same_code),
        "libraries": _library_words(evidence),
        "remarks": "; ".join(_remarks(archived, now)),
    }
    cells = pd.DataFrame(compared.cell_rows).assign(**names)
    cases = pd.concat(compared.case_rows).assign(**names) if compared.case_rows else pd.DataFrame()
    return line, cells, cases, _standards(archived, now).assign(**names)


def _standards(archived: ArchivedRun, now: Recomputed) -> pd.DataFrame:
    tables = {REPORTED: archived.standards, SAME: now.standards_then, TODAY: now.standards_today}
    parts = [frame.astype(object).assign(version=name) for name, frame in tables.items()]
    return _joined(parts, None)


def _joined(parts: Sequence[pd.DataFrame], columns: list[str] | None) -> pd.DataFrame:
    filled = [part.astype(object) for part in parts if not part.empty]
    out = pd.concat(filled, ignore_index=True) if filled else pd.DataFrame(columns=columns)
    return out if columns is None else out.reindex(columns=columns)


def _definition_words(found: Definitions, archived: ArchivedRun, today: str | None) -> str:
    """Which criteria are new, dropped or changed, and whether the register's version says so."""
    reported = set(archived.standards["criterion"])
    changed = [one for one in found.today if one in reported and found.entry_changes(one)]
    added = [one for one in found.today if one not in reported]
    dropped = sorted(reported - set(found.today))
    parts = [
        f"{word}: {', '.join(names)}"
        for word, names in (("changed", changed), ("new", added), ("dropped", dropped))
        if names
    ]
    parts += found.setting_changes()
    register = archived.register
    if parts and register is not None and register.version == today and (changed or dropped):
        parts.append("the register changed without a new version")
    if register is None:
        parts.append(f"{archived.register_note}; compared by the entries in standards.csv")
    return "; ".join(parts) or "the same"


def _same_words(same: bool | None) -> str:
    return "not recorded" if same is None else "the same" if same else "changed"


def _library_words(evidence: Evidence) -> str:
    if evidence.libraries is None:
        return "not recorded"
    return ", ".join(evidence.libraries) or "the same"


def _remarks(archived: ArchivedRun, now: Recomputed) -> list[str]:
    remarks = list(archived.about.setting_notes)
    if archived.edited:
        remarks.append(f"changed after the run was written: {', '.join(archived.edited)}")
    for name, table in (
        ("results.csv", archived.results),
        ("cases_measured.csv", archived.measured),
        ("case_record.csv", archived.record),
        ("criterion_cases.csv", archived.units),
    ):
        if table is None:
            remarks.append(f"{name} was not kept")
    return [*remarks, now.problem] if now.problem else remarks
