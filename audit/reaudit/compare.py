"""One archived run beside its recomputation: every cell with its explanation."""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Mapping, Sequence

import pandas as pd

from audit.intake.archive import ArchivedRun
from audit.reaudit import causes as why_not
from audit.reaudit.cases import CaseChanges, Scope, scope_of
from audit.reaudit.causes import Cause, Evidence, cause_of_case, why
from audit.reaudit.cells import (
    DECIDED,
    RESULT_KEY,
    RESULT_VALUES,
    STANDARD_KEY,
    Row,
    Value,
    Versions,
    alike,
    compared_columns,
    differing,
    rows_by_key,
    versions,
    with_days,
)
from audit.reaudit.definitions import Definitions
from audit.reaudit.recompute import Recomputed
from audit.results.groups import Window, windows_for

STANDARDS, RESULTS = "standards", "results"
NO_REGISTER = (
    "the definitions of then were not kept, so what late data or changed code add cannot be told "
    "apart"
)


@dataclasses.dataclass(frozen=True)
class Comparison:
    """What one archived run is compared with."""

    archived: ArchivedRun
    found: Definitions
    now: Recomputed
    evidence: Evidence

    @functools.cached_property
    def cases(self) -> CaseChanges:
        """Its cases then and now."""
        return CaseChanges(self.archived, self.now)

    @functools.cached_property
    def windows(self) -> dict[str, Window]:
        """Its windows by name."""
        return {window.name: window for window in windows_for(self.archived.about.quarter)}


class Compared:
    """Gathers cells and cases of one comparison; `cell_rows` and `case_rows` hold them."""

    def __init__(self, comparison: Comparison) -> None:
        self.comparison = comparison
        self.cell_rows: list[dict[str, object]] = []
        self.case_rows: list[pd.DataFrame] = []
        self._found: dict[tuple[str, ...], pd.DataFrame] = {}
        self._causes: dict[tuple[str, ...], list[Cause]] = {}
        self._between = rows_by_key(comparison.now.standards_between, STANDARD_KEY)

    def add(self, row: Versions, table: str, only: Sequence[str] | None = None) -> None:
        """The cells of one row of a table, each with its causes."""
        columns = compared_columns(row, only)
        from_data = differing(row.reported, row.same, columns)
        from_definition = differing(row.same, row.today, columns)
        first = self._data_or_code(row, table, from_data) if from_data else []
        second = [self._definition(row, table)] if from_definition else []
        whole = self._whole_row(row, table)
        for name in columns:
            values = [None if one is None else one[name] for one in _three(row)]
            if values == [None, None, None]:
                continue
            found = [
                *(first if name in from_data else []),
                *(second if name in from_definition else []),
                *(whole if row.same is None or row.today is None or row.reported is None else []),
            ]
            if row.same is None and row.reported and row.today and alike(values[0], values[2]):
                found = []
            self.cell_rows.append(self._cell(row, table, name, values, found))

    def _cell(
        self, row: Versions, table: str, name: str, values: list[Value], found: list[Cause]
    ) -> dict[str, object]:
        reported, same, today = values
        numbers = isinstance(reported, float) and isinstance(today, float)
        item, statistic, day = _names(row, table)
        counts = {code: None for code in (why_not.LATE, why_not.CODE, why_not.EITHER)} | {
            cause.code: cause.cases for cause in found
        }
        return {
            "table": table,
            "item": item,
            "statistic": statistic,
            "day": day,
            "window": row.key[-1],
            "column": name,
            "reported": reported,
            "same_definition": same,
            "today": today,
            "difference": today - reported if numbers else None,  # type: ignore[operator]
            "causes": " + ".join(cause.code for cause in found) or why_not.UNCHANGED,
            "explanation": "; ".join(cause.words for cause in found) or why_not.UNCHANGED,
            "cases_late_data": counts[why_not.LATE],
            "cases_changed_code": counts.get(why_not.LIBRARIES) or counts[why_not.CODE],
            "cases_not_told_apart": counts[why_not.EITHER],
        }

    def _data_or_code(self, row: Versions, table: str, differs: list[str]) -> list[Cause]:
        about = self.comparison
        if not about.cases.known:
            return why(about.evidence, None, complete=False)
        key = (table, row.key[0], row.key[-1])
        if key not in self._found:
            self._found[key] = self._behind(row, table)
            self._keep_cases(row, table, self._found[key])
        found = self._found[key]
        loose = found.empty and not set(differs) & set(DECIDED)
        wide = (*key, str(loose))
        if wide not in self._causes:
            if loose:
                found = about.cases.behind(self._scope(row, table).widened())
            complete = about.cases.complete
            self._causes[wide] = why(about.evidence, found, complete=complete, loose=loose)
        return self._causes[wide]

    def _behind(self, row: Versions, table: str) -> pd.DataFrame:
        about = self.comparison
        if table == RESULTS:
            return about.cases.behind(self._scope(row, table))
        window = about.windows[row.key[-1]]
        return about.cases.behind_criterion(about.found.then[row.key[0]], window)

    def _scope(self, row: Versions, table: str) -> Scope:
        window = self.comparison.windows[row.key[-1]]
        if table == STANDARDS:
            return scope_of(self.comparison.found.then[row.key[0]], window)
        limbs = row.key[0].startswith("time_to_full_weight_bearing")
        return Scope(measure=row.key[0], window=window, whole_patients=limbs)

    def _keep_cases(self, row: Versions, table: str, found: pd.DataFrame) -> None:
        cause = [cause_of_case(self.comparison.evidence, facts) for facts in found["facts"]]
        kept = found.assign(table=table, item=row.key[0], window=row.key[-1], cause=cause)
        self.case_rows.append(kept)

    def _definition(self, row: Versions, table: str) -> Cause:
        """Two recomputations by one code from the same tables differ through definitions only:
        through the register, the settings, or both, as the version between them shows."""
        found = self.comparison.found
        entries = found.setting_changes()
        if table == STANDARDS:
            between = self._between.get(row.key)
            columns = compared_columns(row)
            by_register = bool(differing(row.same, between, columns))
            by_settings = bool(differing(between, row.today, columns))
            named = found.entry_changes(row.key[0])
            entries = (*(named if by_register else ()), *(entries if by_settings else ()))
        named_entries = ", ".join(entries) or "an entry that cannot be named"
        return Cause(why_not.DEFINITION, f"{why_not.DEFINITION}: {named_entries}")

    def _whole_row(self, row: Versions, table: str) -> list[Cause]:
        """Causes for a row that one of the versions does not have."""
        problem = self.comparison.now.problem
        if problem:
            return _not_recomputed(self.comparison.evidence, problem)
        return self._of_results(row) if table == RESULTS else self._of_standards(row)

    def _of_standards(self, row: Versions) -> list[Cause]:
        found, name = self.comparison.found, row.key[0]
        if row.today is None and name not in found.today:
            return [Cause(why_not.DROPPED, "criterion dropped: today's register does not hold it")]
        if row.reported is None and name not in found.then:
            return [Cause(why_not.ADDED, "new criterion: it was not judged then")]
        if row.reported is None or row.today is None:
            return [self._one_sided(row)]
        changed = (*found.entry_changes(name), *found.setting_changes())
        entries = ", ".join(changed) or "the register of then does not hold it"
        causes = [Cause(why_not.DEFINITION, f"{why_not.DEFINITION}: {entries}")]
        evidence = self.comparison.evidence
        if not (evidence.same_inputs and evidence.same_program):
            causes.append(Cause(why_not.EITHER, NO_REGISTER))
        return causes

    def _of_results(self, row: Versions) -> list[Cause]:
        if (row.same is None) != (row.today is None):
            return [self._definition(row, RESULTS)]
        return [self._one_sided(row)]

    def _one_sided(self, row: Versions) -> Cause:
        """The cause of a row that only the archive or only the recomputation has."""
        if row.reported is None and self.comparison.evidence.edited:
            return Cause(why_not.EDITED, "archive changed after the run was written: row missing")
        words = "was not given then" if row.reported is None else "is no longer given"
        return Cause(why_not.CODE, f"{why_not.CODE}: this row {words}")


def _not_recomputed(evidence: Evidence, problem: str) -> list[Cause]:
    code = why_not.CODE if evidence.same_inputs else why_not.LATE
    return [Cause(code, f"{code}: nothing could be recomputed. {problem}")]


def _three(row: Versions) -> tuple[Row | None, Row | None, Row | None]:
    return row.reported, row.same, row.today


def _names(row: Versions, table: str) -> tuple[str, str, str]:
    """(criterion or measure, statistic, day) of a row."""
    if table == RESULTS:
        return row.key[0], row.key[1], row.key[2]
    held = next(one for one in _three(row) if one is not None)
    return row.key[0], str(held.get("statistic") or ""), ""


def compare(comparison: Comparison) -> Compared:
    """Every cell of the standards and of the main results, and the cases that changed."""
    found = Compared(comparison)
    archived, now = comparison.archived, comparison.now
    for row in versions(
        rows_by_key(archived.standards, STANDARD_KEY),
        rows_by_key(now.standards_then, STANDARD_KEY),
        rows_by_key(now.standards_today, STANDARD_KEY),
    ):
        found.add(row, STANDARDS)
    if archived.results is None or now.problem:
        return found
    same = rows_by_key(with_days(now.results_then), RESULT_KEY)
    today = rows_by_key(with_days(now.results_today), RESULT_KEY)
    reported = rows_by_key(with_days(archived.results), RESULT_KEY)
    for row in versions(_only_of(reported, same, today), same, today):
        found.add(row, RESULTS, RESULT_VALUES)
    return found


def _only_of(
    reported: Mapping[tuple[str, ...], Row], *others: Mapping[tuple[str, ...], Row]
) -> dict[tuple[str, ...], Row]:
    """The reported rows of measures that are recomputed at all."""
    measures = {key[0] for other in others for key in other}
    return {key: row for key, row in reported.items() if key[0] in measures}
