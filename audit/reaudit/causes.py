"""Why a number differs from what was reported: by rule, never by guess.

Same tables: the code or the libraries changed. Same code and libraries: the data came late or were
corrected. Both changed: case by case, a case whose recorded facts are the same can differ only
through the code. Where the archive lacks what that needs, it is said that the two cannot be told
apart.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import pandas as pd

from audit.intake.archive import ArchivedRun
from audit.intake.provenance import MadeWith
from audit.intake.tables import InputFile
from audit.reaudit.cases import CHANGED, GONE, NEW, NOT_RECORDED, OTHER, OWN, SAME, cases_counted

UNCHANGED = "unchanged"
LATE = "late data"
DEFINITION = "changed definition"
CODE = "changed code"
LIBRARIES = "changed libraries"
EITHER = "late data or changed code"
EDITED = "archive changed afterwards"
NONE_FOUND = "no cause found"
ADDED = "new criterion"
DROPPED = "criterion dropped"
#: every cause, in the order in which tables show them
CAUSES = (LATE, DEFINITION, CODE, LIBRARIES, EITHER, ADDED, DROPPED, EDITED, NONE_FOUND)
#: libraries that draw and so change no number
DRAWING = ("matplotlib", "seaborn")
PROGRAM_TOO = "the code or libraries changed too, but no case shows it"
PROGRAM_OPEN = "what changed code or libraries add cannot be told from this archive"
NO_CASE = "no case behind it changed, so it is counted or estimated otherwise"


@dataclasses.dataclass(frozen=True)
class Cause:
    """One cause of a difference. words: for the report, without any case id. cases: how many
    cases changed through it (None: not known)."""

    code: str
    words: str
    cases: int | None = None


@dataclasses.dataclass(frozen=True)
class Evidence:
    """What changed between an archived run and now, beyond definitions (None: not recorded).

    libraries: those that changed, as `pandas 2.2.3 to 2.3.3`. edited: files of the archive that
    were changed after the run.
    """

    same_inputs: bool | None
    same_code: bool | None
    libraries: tuple[str, ...] | None
    edited: tuple[str, ...] = ()

    @property
    def same_program(self) -> bool:
        """The same code and the same libraries, both known."""
        return self.same_code is True and self.libraries == ()


def gather_evidence(
    archived: ArchivedRun, inputs: Sequence[InputFile], made_with: MadeWith
) -> Evidence:
    """The evidence of an archived run against today's inputs and program."""
    about = archived.about
    given = frozenset((item.table, item.sha256) for item in inputs)
    then, now = about.made_with, made_with
    code = None if then.code is None or now.code is None else then.code == now.code
    return Evidence(
        same_inputs=None if about.inputs is None or not given else about.inputs == given,
        same_code=code,
        libraries=_changed_libraries(then, now),
        edited=archived.edited,
    )


def _changed_libraries(then: MadeWith, now: MadeWith) -> tuple[str, ...] | None:
    if not then.packages:
        return None
    before = {"Python": then.python, **then.packages}
    after = {"Python": now.python, **now.packages}
    return tuple(
        f"{name} {before[name]} to {after[name]}"
        for name in before
        if name not in DRAWING
        and before[name] is not None
        and after.get(name) is not None
        and before[name] != after[name]
    )


def why(
    evidence: Evidence, found: pd.DataFrame | None, *, complete: bool, loose: bool = False
) -> list[Cause]:
    """The causes of a difference between what was reported and the same definitions today.

    found: the changed cases behind the number (columns of `cases.COLUMNS`), None where the
    archive does not hold its cases. complete: it holds the case record. loose: found are cases
    that changed in any way, so that late data among them need not be the cause. Never empty.
    """
    if evidence.same_inputs:
        causes = _program(evidence, found)
    elif evidence.same_program:
        causes = [_among(found) if loose and found is not None else _late(found)]
    elif found is None:
        causes = [_not_told_apart(None)]
    else:
        late = cases_counted(found, (OWN, OTHER)) if loose else {}
        by_case = _by_case(evidence, found, complete=complete)
        causes = [_not_told_apart(late)] if late else by_case
    if evidence.edited:
        words = f"archive changed after the run was written: {', '.join(evidence.edited)}"
        nobody = complete and found is not None and found.empty
        if evidence.same_program and (evidence.same_inputs or nobody):
            return [Cause(EDITED, words)]
        causes.append(Cause(EDITED, f"{words}; what that adds cannot be told apart"))
    return causes


def cause_of_case(evidence: Evidence, facts: str) -> str:
    """The cause by which one case changed, from the state of its facts."""
    program = LIBRARIES if evidence.same_code and evidence.libraries else CODE
    if evidence.same_inputs:
        return NONE_FOUND if evidence.same_program else program
    if evidence.same_program or facts in (OWN, OTHER):
        return LATE
    return program if facts == SAME else EITHER


def _program(evidence: Evidence, found: pd.DataFrame | None) -> list[Cause]:
    """Causes where the tables are the same."""
    if evidence.same_program:
        words = "same tables, same code and same libraries: compare the machines"
        return [Cause(NONE_FOUND, f"no cause found: {words}")]
    if found is None:
        return [_changed_program(evidence, None)]
    counts = cases_counted(found, (OWN, OTHER, SAME, NOT_RECORDED))
    return [_changed_program(evidence, counts)]


def _changed_program(evidence: Evidence, counts: dict[str, int] | None) -> Cause:
    libraries = ", ".join(evidence.libraries or ())
    only_libraries = evidence.same_code is True and bool(libraries)
    code = LIBRARIES if only_libraries else CODE
    words = f"changed libraries ({libraries})" if only_libraries else "changed code"
    if libraries and not only_libraries:
        words += f" or libraries ({libraries})"
    if evidence.same_code is None:
        words += ", as far as is known: the code of then was not recorded"
    if counts is None:
        return Cause(code, words)
    total = sum(counts.values())
    return Cause(code, f"{words}: {_cases_in_words(counts) if total else NO_CASE}", total)


def _late(found: pd.DataFrame | None) -> Cause:
    if found is None:
        return Cause(LATE, "late data: the archive holds no cases to count")
    counts = cases_counted(found, (OWN, OTHER, SAME, NOT_RECORDED))
    total = sum(counts.values())
    if not total:
        return Cause(LATE, "late data: the cases cannot be named from this archive")
    return Cause(LATE, f"late data: {_cases_in_words(counts)}{_tables_in_words(found)}", total)


def _among(found: pd.DataFrame) -> Cause:
    """Late data where it is not known which of the changed cases matter."""
    total = found["case_id"].nunique()
    if not total:
        return _late(found)
    noun = "case" if total == 1 else "cases"
    return Cause(LATE, f"late data among {total} {noun} whose facts changed")


def _not_told_apart(counts: dict[str, int] | None) -> Cause:
    words = f"{EITHER}: the archive cannot tell them apart"
    if counts is None:
        return Cause(EITHER, words)
    return Cause(EITHER, f"{words} for {_cases_in_words(counts)}", sum(counts.values()))


def _by_case(evidence: Evidence, found: pd.DataFrame, *, complete: bool) -> list[Cause]:
    """Causes where both the tables and the program changed, or may have."""
    if found.empty:
        return [_changed_program(evidence, {}) if complete else _not_told_apart(None)]
    causes = []
    late = found.loc[found["facts"].isin((OWN, OTHER))]
    if not late.empty:
        causes.append(_late(late))
    same = cases_counted(found, (SAME,))
    if same:
        causes.append(_changed_program(evidence, same))
    unknown = cases_counted(found, (NOT_RECORDED,))
    if unknown:
        causes.append(_not_told_apart(unknown))
    if not same and not unknown:
        words = f"{causes[0].words} ({PROGRAM_TOO if complete else PROGRAM_OPEN})"
        causes[0] = dataclasses.replace(causes[0], words=words)
    return causes


def _cases_in_words(counts: dict[str, int]) -> str:
    words = {NEW: "new", GONE: "gone", CHANGED: "changed"}
    total = sum(counts.values())
    noun = "case" if total == 1 else "cases"
    if len(counts) == 1:
        return f"{total} {noun} {words[next(iter(counts))]}"
    parts = ", ".join(f"{number} {words[change]}" for change, number in counts.items())
    return f"{total} {noun} ({parts})"


def _tables_in_words(found: pd.DataFrame) -> str:
    named = sorted({table for text in found["tables"] for table in text.split(", ") if table})
    noun = "table" if len(named) == 1 else "tables"
    return f", {noun} {', '.join(named)}" if named else ""
