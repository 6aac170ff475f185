"""Judges typed tables against the contracts and the rules: gathers every question at once.

The pandera contracts are the only place where limits and code lists stand. pandera itself spreads
a failing row over every column and puts cell values into its errors, so the checks are read from
the contract and applied here column by column; a test holds both to the same set of failures.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable

import numpy as np
import pandas as pd
import pandera.pandas as pa

from audit.intake.near_codes import id_hints, nearest_code
from audit.intake.queries import join_queries, queries_for
from audit.intake.tables import KEPT_OUT, kept_out_rows
from schemas import TABLES, rules, vocabulary
from schemas.rules import Evidence, Rule

MISSING = "missing_required"
CASE_NOT_USED = "case_not_used"
FUTURE = "date_in_future"
#: rules on ids that a table lacks -> that table
ORPHANS = {"unknown_patient": "patients", "unknown_case": "cases"}


@dataclasses.dataclass(frozen=True)
class Judged:
    """Tables in which every value may be used, the questions, and the rows kept out."""

    frames: dict[str, pd.DataFrame]
    queries: pd.DataFrame
    kept_out: pd.DataFrame


class _Bench:
    """The tables while they are judged: private to one call, so nothing of the caller changes."""

    def __init__(
        self,
        frames: dict[str, pd.DataFrame],
        latest_day: pd.Timestamp,
        asked: dict[tuple[str, str], set[int]],
    ) -> None:
        self.frames = {name: frame.copy() for name, frame in frames.items()}
        self.latest_day = latest_day
        self.asked = asked
        self.queries: list[pd.DataFrame] = []
        self.kept_out: list[pd.DataFrame] = []
        self.case_ids = set(frames["cases"]["case_id"].dropna())

    @property
    def evidence(self) -> Evidence:
        return Evidence(self.frames, self.latest_day)

    def ask(self, failed: np.ndarray, *, table: str, column: str, words: dict[str, str]) -> None:
        """Raise the question where it has not been raised: a cell that lost its value to an error
        is not asked for again as missing."""
        if not failed.any():
            return
        frame = self.frames[table]
        if words["severity"] == "error":
            asked = self.asked.setdefault((table, column), set())
            failed = failed & ~frame["row"].isin(asked).to_numpy()
            asked.update(frame.loc[failed, "row"])
        part = queries_for(frame, pd.Series(failed), table=table, column=column, words=words)
        self.queries.append(part)

    def set_aside(self, failed: np.ndarray, *, table: str, column: str) -> None:
        if failed.any():
            frame = self.frames[table]
            frame[column] = frame[column].mask(failed)

    def keep_out(self, failed: np.ndarray, *, table: str, reason: str) -> None:
        if failed.any():
            frame = self.frames[table]
            self.kept_out.append(kept_out_rows(table, frame.loc[failed], reason))
            self.frames[table] = frame.loc[~failed].reset_index(drop=True)


def set_future_aside(
    frames: dict[str, pd.DataFrame], latest_day: pd.Timestamp
) -> tuple[dict[str, pd.DataFrame], pd.DataFrame]:
    """(tables without dates after `latest_day`, the questions about them).

    To be done before tables are wound back, which would empty such a date without a word. Rows
    stay: one that lost its own day is kept out later, for that reason.
    """
    bench = _Bench(frames, latest_day, {})
    for rule in rules.VALUE_RULES:
        if rule.id != FUTURE or bench.frames[rule.table].empty:
            continue
        failed = np.asarray(rule.fails(bench.evidence), dtype=bool)
        words = {"rule": rule.id, "severity": rule.severity, "message": rule.message}
        bench.ask(failed, table=rule.table, column=rule.column, words=words)
        bench.set_aside(failed, table=rule.table, column=rule.column)
    return bench.frames, join_queries(bench.queries)


def judge(
    frames: dict[str, pd.DataFrame],
    *,
    latest_day: pd.Timestamp,
    already_asked: pd.DataFrame | None = None,
    excused: Iterable[int] = (),
    unreadable: pd.DataFrame | None = None,
) -> Judged:
    """Apply all contracts and rules.

    frames: table -> typed DataFrame as in `Tables.frames`; not changed. latest_day: no fact may
    be later. already_asked: queries raised while reading; a cell that is an error there is not
    asked for again as missing. excused: rows of `cases` whose last follow-up was wound back and is
    rightly empty. unreadable: rows that could not be read as rows (columns of KEPT_OUT): rows of
    such a case go out with it, unasked. An error takes its value (or row) out before the next rule
    looks, so every unusable value is asked about once; warnings look last, at what remains.
    """
    bench = _Bench(frames, latest_day, _asked_cells(already_asked))
    if unreadable is not None:
        lost = unreadable.loc[unreadable["table"] == "cases", "case_id"]
        bench.case_ids.update(set(lost.dropna()) - {""})
    for table in TABLES:
        _judge_columns(bench, table, set(excused))
    _judge_keys(bench)
    for rule in rules.VALUE_RULES:
        if rule.severity == "error":
            _apply(bench, rule)
    _ask_unusual(bench)
    for rule in rules.VALUE_RULES:
        if rule.severity == "warning":
            _apply(bench, rule)
    kept = [part for part in bench.kept_out if not part.empty]
    kept_out = pd.concat(kept, ignore_index=True) if kept else pd.DataFrame(columns=KEPT_OUT)
    return Judged(bench.frames, join_queries(bench.queries), kept_out)


def _asked_cells(queries: pd.DataFrame | None) -> dict[tuple[str, str], set[int]]:
    cells: dict[tuple[str, str], set[int]] = {}
    if queries is not None:
        errors = queries.loc[queries["severity"] == "error"]
        for table, column, row in zip(
            errors["table"], errors["column"], errors["row"], strict=True
        ):
            cells.setdefault((table, column), set()).add(row)
    return cells


def _judge_columns(bench: _Bench, table: str, excused: set[int]) -> None:
    essential = rules.ESSENTIAL.get(table, ())
    for name, column in TABLES[table].columns.items():
        if column.required and name not in essential:
            frame = bench.frames[table]
            excuse = excused if (table, name) == ("cases", "last_follow_up_date") else set()
            failed = (frame[name].isna() & ~frame["row"].isin(excuse)).to_numpy()
            bench.ask(failed, table=table, column=name, words=_missing_words(name))
        for check in column.checks:
            if not check.raise_warning:
                _judge_check(bench, table, name, check)


def _missing_words(name: str) -> dict[str, str]:
    message = f"Fill in {name}: every row needs it. Measures that use it leave this row out."
    return {"rule": MISSING, "severity": "error", "message": message}


def _judge_check(bench: _Bench, table: str, name: str, check: pa.Check) -> None:
    values = bench.frames[table][name]
    failed = breaks(check, values)
    if not failed.any():
        return
    severity = "warning" if check.raise_warning else "error"
    message = _check_words(table, name, check)
    words = {"rule": str(check.name), "severity": severity, "message": message}
    if check.name == "not_in_code_list":
        codes = TABLES[table].columns[name].metadata["codes"]
        hints = {text: nearest_code(codes, str(text)) for text in pd.unique(values[failed])}
        said = values.map(hints).to_numpy()
        for hint in dict.fromkeys(hints.values()):
            part = words | {"message": words["message"] + hint}
            bench.ask(failed & (said == hint), table=table, column=name, words=part)
    else:
        bench.ask(failed, table=table, column=name, words=words)
    if severity == "error":
        bench.set_aside(failed, table=table, column=name)


def breaks(check: pa.Check, values: pd.Series) -> np.ndarray:
    """True where a value is given and fails a contract check (`isin` or `in_range`)."""
    statistics = check.statistics or {}
    if "allowed_values" in statistics:
        return (values.notna() & ~values.isin(statistics["allowed_values"])).to_numpy()
    numbers = values.to_numpy(dtype=float)
    with np.errstate(invalid="ignore"):
        return (numbers < statistics["min_value"]) | (numbers > statistics["max_value"])


def _check_words(table: str, name: str, check: pa.Check) -> str:
    metadata = TABLES[table].columns[name].metadata
    if check.name == "not_in_code_list":
        return f"Write one of: {', '.join(vocabulary.codes(metadata['codes']))}."
    statistics = check.statistics or {}
    low, high = statistics["min_value"], statistics["max_value"]
    span = f"{low:g} to {high:g} {metadata['unit']}".strip()
    if check.name == "out_of_range":
        return f"Correct the value: only {span} is possible; leave the cell empty if unknown."
    return f"Check the value: {span} is usual. Leave it if it is right."


def _judge_keys(bench: _Bench) -> None:
    """Key rules in order; rows of a case that is not used go out with it, unasked."""
    children_done = False
    for rule in rules.KEY_RULES:
        if rule.table in rules.CHILD_TABLES and rule.id == "unknown_case" and not children_done:
            _drop_children(bench)
            children_done = True
        _apply(bench, rule)


def _drop_children(bench: _Bench) -> None:
    unused = bench.case_ids - set(bench.frames["cases"]["case_id"])
    for table in rules.CHILD_TABLES:
        failed = bench.frames[table]["case_id"].isin(unused).to_numpy()
        bench.keep_out(failed, table=table, reason=CASE_NOT_USED)


def _apply(bench: _Bench, rule: Rule) -> None:
    if bench.frames[rule.table].empty:
        return
    failed = np.asarray(rule.fails(bench.evidence), dtype=bool)
    words = {"rule": rule.id, "severity": rule.severity, "message": rule.message}
    if rule.file_level:
        if failed.any():
            part = queries_for(
                bench.frames[rule.table].head(1).assign(row="", case_id="", **{rule.column: ""}),
                pd.Series([True]),
                table=rule.table,
                column=rule.column,
                words=words,
            )
            bench.queries.append(part)
        return
    for part, said in _with_hints(bench, rule, failed, words):
        bench.ask(part, table=rule.table, column=rule.column, words=said)
    if rule.severity != "error":
        return
    if rule.keeps_out == rules.ROW:
        bench.keep_out(failed, table=rule.table, reason=rule.id)
        if rule.table == "cases":
            _drop_children(bench)
    else:
        bench.set_aside(failed, table=rule.table, column=rule.column)


def _with_hints(
    bench: _Bench, rule: Rule, failed: np.ndarray, words: dict[str, str]
) -> Iterable[tuple[np.ndarray, dict[str, str]]]:
    """The failed rows by what is said of them: an id that another table writes otherwise gets a
    hint."""
    if rule.id not in ORPHANS or not failed.any():
        return [(failed, words)]
    home = ORPHANS[rule.id]
    ids = bench.frames[rule.table][rule.column]
    said = np.full(len(failed), "", dtype=object)
    said[failed] = id_hints(ids[failed], bench.frames[home][rule.column], home=home)
    return [
        (failed & (said == hint), words | {"message": words["message"] + str(hint)})
        for hint in pd.unique(said[failed])
    ]


def _ask_unusual(bench: _Bench) -> None:
    for table, contract in TABLES.items():
        for name, column in contract.columns.items():
            for check in column.checks:
                if check.raise_warning:
                    _judge_check(bench, table, name, check)
