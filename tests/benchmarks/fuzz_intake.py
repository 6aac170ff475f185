"""Spoils small copies of the demo tables at random and reads them: nothing may crash or get lost.

python -m tests.benchmarks.fuzz_intake --tables 20000 --seed 1 --workers 2

A source is a few patients of the demo tables (or of their faulty twin) with one to eight random
changes, each to a random table. It is read as a folder of CSV files, sometimes also from frames in
memory or as a workbook. A mutated table is one table of a source that received at least one
change. `--only N` runs source number N alone.
"""

from __future__ import annotations

import argparse
import collections
import dataclasses
import datetime
import multiprocessing
import pathlib
import re
import sys
import tempfile
import time
import traceback
import warnings
from collections.abc import Iterator

import numpy as np
import pandas as pd

import audit
from audit.errors import UnusableInput
from audit.intake import open_source, tables_from_opened
from audit.results import result_table
from audit.settings import Settings
from schemas import TABLES
from tests.invariants import mutations
from tests.invariants.bookkeeping import faults_of, unsound_measures

DEMO = pathlib.Path(__file__).resolve().parents[2] / "demo_data"
READ_ON = datetime.date(2026, 12, 31)
FRAMES_SHARE = 0.3
WORKBOOK_SHARE = 0.1
MEASURED_SHARE = 0.2
RESULTS_SHARE = 0.003
CUTOFF_SHARE = 0.3
BYTE_SHARE = 0.2
FATAL_SHARE = 0.03
#: marks of a machine in a message for people
MACHINE = re.compile(
    r"(/[a-z]+){2,}|\\\\|Traceback|File \"|0x[0-9a-f]{6,}|<class|dtype|object at", re.I
)


@dataclasses.dataclass(frozen=True)
class Step:
    """One change: number within the source, table, name, whether it is to bytes."""

    number: int
    table: str
    name: str
    bytewise: bool


@dataclasses.dataclass
class Report:
    """What came of one source."""

    number: int
    tables: int = 0
    seconds: float = 0.0
    refused: list[str] = dataclasses.field(default_factory=list)
    rules: collections.Counter = dataclasses.field(default_factory=collections.Counter)
    rows: collections.Counter = dataclasses.field(default_factory=collections.Counter)
    ways: collections.Counter = dataclasses.field(default_factory=collections.Counter)
    failures: list[str] = dataclasses.field(default_factory=list)
    steps: list[Step] = dataclasses.field(default_factory=list)


@dataclasses.dataclass
class Case:
    """A spoilt source in memory. files: table -> bytes. plain: no change to bytes was made."""

    sheets: dict[str, mutations.Sheet]
    files: dict[str, bytes]
    plain: bool
    mutated: int


def plan(seed: int, number: int) -> list[Step]:
    """The changes of one source."""
    draw = np.random.default_rng([seed, number])
    known = sorted(_BASES["tables"])
    wide = draw.random() < 0.8
    in_turn = draw.permutation(known) if wide else draw.choice(known, size=8)
    steps = []
    # the larger of two draws, for more tables a source: reading is what takes the time
    for place in range(int(draw.integers(1, 9, size=2).max())):
        table = str(in_turn[place % len(in_turn)])
        bytewise = draw.random() < BYTE_SHARE / 4
        names = list(mutations.BYTE_CHANGES if bytewise else mutations.CHANGES)
        if not bytewise:
            fatal = draw.random() < FATAL_SHARE
            names = [name for name in names if (name in mutations.FATAL) == fatal]
        steps.append(Step(place, table, str(draw.choice(names)), bytewise))
    return steps


def spoil(base: dict[str, mutations.Sheet], steps: list[Step], seed: int, number: int) -> Case:
    """The source after its changes; each change draws from its own generator, so that leaving one
    out leaves the others as they were."""
    draw = np.random.default_rng([seed, number, 99])
    sheets = mutations.some_patients(base, draw, patients=int(draw.integers(1, 5)))
    before = {table: sheet.copy() for table, sheet in sheets.items()}
    for step in steps:
        if not step.bytewise:
            own = np.random.default_rng([seed, number, step.number])
            mutations.CHANGES[step.name](own, sheets[step.table])
    files = {table: mutations.csv_bytes(sheet) for table, sheet in sheets.items()}
    changed = {table for table, sheet in sheets.items() if sheet != before[table]}
    for step in steps:
        if step.bytewise:
            own = np.random.default_rng([seed, number, step.number])
            content = mutations.BYTE_CHANGES[step.name](own, files[step.table])
            if content != files[step.table]:
                changed.add(step.table)
            files[step.table] = content
    return Case(sheets, files, not any(step.bytewise for step in steps), len(changed))


def contract_heading(heading: object) -> str:
    """A heading with capitals and blanks forgiven."""
    return str(heading).strip().lower().replace(" ", "_")


def given_cells(grids) -> dict[str, pd.DataFrame]:
    """Text cells by contract heading and row, for the check of lost values; a heading that does
    not stand for one column is left out."""
    found = {}
    for table, frame in grids.items():
        names = [contract_heading(name) for name in frame.columns]
        chosen = [
            place
            for place, name in enumerate(names)
            if (name in TABLES[table].columns or name == "row") and names.count(name) == 1
        ]
        part = frame.iloc[:, chosen].copy()
        part.columns = pd.Index([names[place] for place in chosen])
        found[table] = part
    return found


class Run:
    """One source read in one way after the other."""

    def __init__(self, seed: int, number: int, report: Report) -> None:
        self.draw = np.random.default_rng([seed, number, 77])
        self.report = report
        days = self.draw.integers(0, 1800)
        late = self.draw.random() < CUTOFF_SHARE
        self.cutoff = (
            str((pd.Timestamp("2021-06-01") + pd.Timedelta(days=int(days))).date())
            if late
            else None
        )
        self.centre = "north" if self.draw.random() < 0.1 else None
        self.measured = self.draw.random() < MEASURED_SHARE
        self.results = self.draw.random() < RESULTS_SHARE

    def way(self, name: str, opened, files: str) -> object | None:
        """Reads and judges; notes what does not hold. opened: function that gives an `Opened` (or
        `Tables`, with `given` None). files: text that no message may hold."""
        self.report.ways[name] += 1
        try:
            source, tables = opened()
            cohort = audit.build_cohort(
                tables,
                self.cutoff,
                centre=self.centre,
                read_on=READ_ON,
                settings=Settings(resamples=100),
            )
        except UnusableInput as error:
            self._refused(name, str(error), files)
            return None
        except Exception:  # noqa: BLE001 - whatever it is, it is the finding
            self.report.failures.append(f"{name}: {_last_lines()}")
            return None
        self._check(name, cohort, tables, source)
        return cohort

    def _refused(self, name: str, message: str, files: str) -> None:
        kind = re.sub(r"'[^']*'|\"[^\"]*\"", "'...'", message)
        kind = re.sub(r"(found|and|line|Centres in the source:) [^.]*", r"\1 ...", kind)
        for table in sorted(TABLES, key=len, reverse=True):
            kind = kind.replace(table, "T")
        self.report.refused.append(f"{kind[:90]}")
        if MACHINE.search(message) or files in message:
            self.report.failures.append(
                f"{name}: a message holds a mark of the machine: {message[:200]}"
            )
        if mutations.CANARY in message:
            self.report.failures.append(f"{name}: a message holds a cell: {message[:200]}")

    def _check(self, name: str, cohort, tables, source) -> None:
        report = self.report
        try:
            given = given_cells(source)
            found = faults_of(cohort, tables, given)
            for table, frame in source.items():
                read = int(cohort.rows.set_index("table").loc[table, "read"])
                if read != len(frame):
                    found.append(f"{table}: {len(frame)} rows in the source, {read} read")
            if self.measured:
                found += unsound_measures(audit.measure_cases(cohort))
            if self.results and len(cohort.cases):
                found += _unexplained(result_table(cohort, audit.measure_cases(cohort)))
        except Exception:  # noqa: BLE001 - whatever it is, it is the finding
            found = [_last_lines()]
        found += [
            f"a question holds a mark of the machine: {message[:200]}"
            for message in cohort.queries["message"].unique()
            if MACHINE.search(message)
        ]
        report.failures += [f"{name}: {text}" for text in dict.fromkeys(found)]
        report.rules.update(cohort.queries["rule"])
        for part in ("read", "used", "later", "kept_out", "other_centre"):
            report.rows[part] += int(cohort.rows[part].sum())


def _unexplained(results: pd.DataFrame) -> list[str]:
    bare = results["value"].isna() & (results["note"].fillna("") == "")
    return [
        f"result {name} is missing without a note" for name in results.loc[bare, "measure"].unique()
    ]


def _last_lines() -> str:
    kind, error, trace = sys.exc_info()
    frames = traceback.extract_tb(trace)
    ours = [one for one in frames if re.search(r"/(audit|schemas|tests)/", one.filename)][-3:]
    places = " > ".join(f"{pathlib.Path(one.filename).name}:{one.lineno}" for one in ours)
    return f"{kind.__name__ if kind else ''}: {str(error)[:160]} ({places})"


def _folder_way(folder: pathlib.Path):
    opened = open_source(folder)
    return {name: grid.frame for name, grid in opened.grids.items()}, tables_from_opened(opened)


def _frames_way(sheets: dict[str, mutations.Sheet]):
    frames = {table: sheet.frame() for table, sheet in sheets.items()}
    given = {name: frame.copy() for name, frame in frames.items()}
    for frame in given.values():
        frame.insert(0, "row", range(2, len(frame) + 2), allow_duplicates=True)
    return given, audit.tables_from_frames(frames)


def _write_workbook(sheets: dict[str, mutations.Sheet], path: pathlib.Path) -> None:
    import xlsxwriter

    book = xlsxwriter.Workbook(str(path), {"strings_to_numbers": False, "strings_to_formulas": False,
                                           "strings_to_urls": False})  # fmt: skip
    for table, sheet in sheets.items():
        page = book.add_worksheet(table)
        for line, cells in enumerate([sheet.headings, *sheet.rows]):
            for place, cell in enumerate(cells):
                if cell:
                    page.write_string(line, place, cell[:32767])
    book.close()


def run_source(seed: int, number: int, steps: list[Step] | None = None) -> Report:
    """One source in all its ways."""
    started = time.perf_counter()
    report = Report(number)
    report.steps = plan(seed, number) if steps is None else steps
    draw = np.random.default_rng([seed, number, 55])
    base = _BASES["faulty" if draw.random() < 0.25 else "tables"]
    case = spoil(base, report.steps, seed, number)
    report.tables = case.mutated
    run = Run(seed, number, report)
    with tempfile.TemporaryDirectory() as home, warnings.catch_warnings():
        warnings.simplefilter("error")
        folder = pathlib.Path(home) / "source"
        folder.mkdir()
        for table, content in case.files.items():
            (folder / f"{table}.csv").write_bytes(content)
        by_folder = run.way("folder", lambda: _folder_way(folder), home)
        by_frames = None
        if draw.random() < FRAMES_SHARE:
            by_frames = run.way("frames", lambda: _frames_way(case.sheets), home)
        if case.plain and by_folder is not None and by_frames is not None:
            report.failures += _differences(case.sheets, by_folder, by_frames)
        if draw.random() < WORKBOOK_SHARE and _writable(case.sheets):
            path = pathlib.Path(home) / "source.xlsx"
            _write_workbook(case.sheets, path)
            run.way("workbook", lambda: _folder_way(path), home)
    report.seconds = time.perf_counter() - started
    return report


def _writable(sheets: dict[str, mutations.Sheet]) -> bool:
    """Whether a workbook can hold the texts at all (XML 1.0 has no control characters)."""
    return not any(
        re.search(r"[\x00-\x08\x0b-\x1f\ud800-\udfff\ufffe\uffff]", cell)
        for sheet in sheets.values()
        for cells in [sheet.headings, *sheet.rows]
        for cell in cells
    )


def _differences(sheets, by_folder, by_frames) -> list[str]:
    """Both ways must give the same, where each row is one line and as wide as the headings."""
    for sheet in sheets.values():
        cells = [cell for row in sheet.rows for cell in row]
        lines = any("\n" in cell or "\r" in cell for cell in [*sheet.headings, *cells])
        if lines or not sheet.even() or any(not any(c.strip() for c in row) for row in sheet.rows):
            return []
    found = []
    for table, frame in by_folder.tables.items():
        other = by_frames.tables[table]
        names = [name for name in TABLES[table].columns]
        if not frame[names].equals(other[names]):
            found.append(f"{table}: usable values differ between folder and frames")
    columns = ["table", "row", "column", "rule", "severity"]
    one, two = (
        set(map(tuple, cohort.queries.loc[cohort.queries["row"] != "", columns].to_numpy()))
        for cohort in (by_folder, by_frames)
    )
    return found + [
        f"question in one way only: {query[0]} {query[2:]}"
        for query in sorted(one ^ two, key=str)[:3]
    ]


_BASES: dict[str, dict[str, mutations.Sheet]] = {}


def _prepare() -> None:
    for name in ("tables", "faulty"):
        sheets = mutations.sheets_of(DEMO / name)
        _BASES[name] = {table: sheets[table] for table in TABLES if table in sheets}


def _work(task: tuple[int, int]) -> Report:
    return run_source(*task)


def reports(seed: int, workers: int, first: int) -> Iterator[Report]:
    """Sources first, first + 1, ... without end, in order."""
    tasks = ((seed, number) for number in range(first, 10**9))
    if workers == 1:
        yield from map(_work, tasks)
        return
    with multiprocessing.get_context("fork").Pool(workers) as pool:
        while True:
            batch = [next(tasks) for _ in range(40 * workers)]
            yield from pool.imap(_work, batch, chunksize=10)


def shrink(report: Report, seed: int) -> list[Step]:
    """The fewest changes that still fail in the same way."""
    steps, wanted = report.steps, _kind(report.failures[0])
    for step in list(steps):
        fewer = [one for one in steps if one is not step]
        again = run_source(seed, report.number, fewer)
        if any(_kind(text) == wanted for text in again.failures):
            steps = fewer
    return steps


def _kind(failure: str) -> str:
    return re.sub(r"\d+", "0", failure)[:60]


@dataclasses.dataclass
class Totals:
    """Sums over all sources."""

    sources: int = 0
    tables: int = 0
    refused: collections.Counter = dataclasses.field(default_factory=collections.Counter)
    rules: collections.Counter = dataclasses.field(default_factory=collections.Counter)
    rows: collections.Counter = dataclasses.field(default_factory=collections.Counter)
    ways: collections.Counter = dataclasses.field(default_factory=collections.Counter)
    slowest: tuple[float, int] = (0.0, 0)
    failed: dict[str, Report] = dataclasses.field(default_factory=dict)
    failing: int = 0

    def add(self, report: Report) -> None:
        self.sources += 1
        self.tables += report.tables
        self.refused.update(report.refused)
        self.rules.update(report.rules)
        self.rows.update(report.rows)
        self.ways.update(report.ways)
        self.slowest = max(self.slowest, (report.seconds, report.number))
        self.failing += bool(report.failures)
        for text in report.failures:
            if self.failed.setdefault(_kind(text), report) is report:
                _say(f"    source {report.number}: {text}")

    def lines(self, seed: int, seconds: float) -> list[str]:
        rows = self.rows
        parts = rows["used"] + rows["later"] + rows["kept_out"] + rows["other_centre"]
        out = [
            f"tables mutated {self.tables}, sources {self.sources}, readings "
            + ", ".join(f"{name} {n}" for name, n in sorted(self.ways.items()))
            + f"; seed {seed}; {seconds:.0f} s; slowest source {self.slowest[1]} with {self.slowest[0]:.1f} s",
            f"rows read {rows['read']}, used {rows['used']}, set aside {rows['kept_out']}, later than "
            f"the cut-off {rows['later']}, other centre {rows['other_centre']}: sum {parts}",
            f"refused {sum(self.refused.values())} readings:",
            *(f"  {n:6d}  {kind}" for kind, n in self.refused.most_common(25)),
            f"questions {sum(self.rules.values())}, of {len(self.rules)} rules; most often:",
            *(f"  {n:6d}  {rule}" for rule, n in self.rules.most_common(20)),
            f"sources with a failure: {self.failing}",
        ]
        return out


def main(arguments: list[str]) -> int:
    """0 when all held, 1 when something did not."""
    parser = argparse.ArgumentParser(description="Read randomly spoilt sources.")
    parser.add_argument("--tables", type=int, default=20000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--first", type=int, default=1, help="number of the first source")
    parser.add_argument("--only", type=int, help="number of the only source")
    chosen = parser.parse_args(arguments)
    _prepare()
    totals, started = Totals(), time.perf_counter()
    found = (
        [run_source(chosen.seed, chosen.only)]
        if chosen.only
        else reports(chosen.seed, chosen.workers, chosen.first)
    )
    for report in found:
        totals.add(report)
        if totals.tables >= chosen.tables or len(totals.failed) >= 40:
            break
        if totals.sources % 400 == 0:
            seconds = time.perf_counter() - started
            _say(f"... {totals.tables} tables, {seconds:.0f} s, failing {totals.failing}")
    for line in totals.lines(chosen.seed, time.perf_counter() - started):
        _say(line)
    for report in totals.failed.values():
        _say(f"FAILED seed {chosen.seed} source {report.number}: {report.failures[0]}")
        for text in report.failures[1:6]:
            _say(f"    also: {text}")
        needed = [f"{step.name}({step.table})" for step in shrink(report, chosen.seed)]
        _say(f"    changes needed: {', '.join(needed)}")
        _say(
            f"    python -m tests.benchmarks.fuzz_intake --seed {chosen.seed} --only {report.number}"
        )
    return 1 if totals.failed else 0


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
