"""What must hold for any source at all: nothing crashes, nothing gets lost, every fault is asked
about once. Sources are drawn by hypothesis: demo rows in which cells were replaced at random.

The draws are derandomised, so the suite is stable; `tests.benchmarks.fuzz_intake` is the long run.
"""

from __future__ import annotations

import csv
import dataclasses
import datetime
import functools
import warnings
from collections.abc import Mapping

import numpy as np
import pandas as pd
import pandera.errors
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

import audit
from audit.errors import UnusableInput
from audit.intake import tables_from_opened
from audit.intake.csv_text import read_grid
from audit.intake.grid import CellRemark, Grid, Opened
from audit.intake.judge import breaks
from audit.intake.queries import as_text
from audit.results import result_table
from audit.settings import Settings
from schemas import REQUIRED_TABLES, TABLES, vocabulary
from tests.conftest import DEMO
from tests.invariants import mutations
from tests.invariants.bookkeeping import faults_of, unsound_measures

READ_ON = datetime.date(2026, 12, 31)
#: identical rows: the first one is used, so which one it is hangs on the order
FIRST_IS_USED = {"repeated_row"}
#: warnings that speak of the first, last or neighbouring row of a case: where several rows bear the
#: same day (or moment), the order in the file decides which one that is
TOLD_BY_PLACE = {
    "ages_disagree",
    "axis_moved_far_laterally",
    "below_full_after_full_weight_bearing",
    "cortices_fell",
    "day_total_over_1_5_mm",
    "flexion_lost_in_distraction",
    "gain_differs_from_film",
    "gap_in_sessions",
    "load_jumps_to_full",
    "many_sessions_a_day",
    "same_day_examinations_differ",
    "session_after_distraction",
    "session_before_distraction",
    "session_logged_twice",
}


def often(examples: int, *, shrink: bool = False):
    """Settings of a property: the same draws every time, no deadline on a busy machine. Shrinking
    is for cheap properties only: a failing source is as small as a few patients already."""
    return settings(
        max_examples=examples,
        phases=[Phase.explicit, Phase.generate, *([Phase.shrink] if shrink else [])],
        derandomize=True,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
    )


@functools.cache
def demo_sheets() -> dict[str, mutations.Sheet]:
    sheets = mutations.sheets_of(DEMO)
    return {table: sheets[table] for table in TABLES if table in sheets}


ODD = (
    *mutations.ODD_TEXTS, *mutations.FORMULAS, *mutations.HUGE, *mutations.FAR_DAYS,
    *mutations.FALSE_DAYS, *mutations.SENTINELS, *mutations.MISSING_WORDS,
    *mutations.SPREADSHEET_ERRORS, "", "  ", "1677-09-21 00:13", "2262-04-11 23:47", "2024-06-30 24:00",
    "2024-06-30 08:15:59", "2024-06-30T08:15",
)  # fmt: skip


def likely_text(kind: str, codes: str, draw: np.random.Generator) -> str:
    """A text that a column of this kind may hold: mostly readable, not always possible."""
    if kind in ("day", "moment"):
        day = pd.Timestamp("2019-01-01") + pd.Timedelta(days=int(draw.integers(0, 3300)))
        return day.strftime("%Y-%m-%d" if kind == "day" else "%Y-%m-%d %H:%M")
    if kind in ("number", "whole"):
        return str(
            draw.choice((str(int(draw.integers(-5, 200))), repr(round(draw.random() * 90, 2))))
        )
    if codes:
        return str(draw.choice(vocabulary.codes(codes)))
    return str(draw.choice(("C001", "P001", "north", "x", "A1")))


@dataclasses.dataclass(frozen=True)
class Recipe:
    """How to spoil a few demo patients: a failing one is printed whole.

    share: of cells that are replaced; odd: share of those by texts that fit nowhere. planted:
    (table, row, column, text), counted round. without: tables left out.
    """

    seed: int
    patients: int
    share: float
    odd: float
    planted: tuple[tuple[int, int, int, str], ...]
    without: frozenset[str]

    def frames(self) -> dict[str, pd.DataFrame]:
        """Frames of text cells."""
        rng = np.random.default_rng(self.seed)
        sheets = mutations.some_patients(demo_sheets(), rng, patients=self.patients)
        frames = {table: sheet.frame() for table, sheet in sheets.items()}
        for table, frame in frames.items():
            for name, column in TABLES[table].columns.items():
                for row in np.flatnonzero(rng.random(len(frame)) < self.share):
                    frame.loc[row, name] = self._text(column.metadata, rng)
        for place, row, column, text in self.planted:
            frame = frames[sorted(frames)[place % len(frames)]]
            if len(frame):
                frame.iloc[row % len(frame), column % len(frame.columns)] = text
        return {table: frame for table, frame in frames.items() if table not in self.without}

    def _text(self, facts: Mapping, rng: np.random.Generator) -> str:
        if rng.random() < self.odd:
            return str(rng.choice(ODD))
        return likely_text(facts["kind"], facts["codes"], rng)


places = st.integers(0, 200)
recipes = st.builds(
    Recipe,
    seed=st.integers(0, 2**32 - 1),
    patients=st.integers(1, 2),
    share=st.sampled_from((0.0, 0.01, 0.05, 0.3, 1.0)),
    odd=st.sampled_from((0.0, 0.2, 1.0)),
    planted=st.lists(st.tuples(places, places, places, st.text(max_size=40)), max_size=6).map(
        tuple
    ),
    without=st.frozensets(st.sampled_from(sorted(set(TABLES) - set(REQUIRED_TABLES))), max_size=3),
)
cutoffs = st.one_of(
    st.none(), st.dates(datetime.date(2020, 1, 1), datetime.date(2027, 1, 1)).map(str)
)


def read_and_build(frames, cutoff=None):
    """(tables, cohort), or None where the source is refused: the only way out there may be."""
    try:
        tables = audit.tables_from_frames(frames)
        return tables, audit.build_cohort(tables, cutoff, read_on=READ_ON)
    except UnusableInput:
        return None


def numbered(frames):
    return {table: frame.assign(row=range(2, len(frame) + 2)) for table, frame in frames.items()}


@often(20)
@given(recipes, cutoffs)
def test_no_crash_no_row_lost_and_every_lost_value_asked_about_once(recipe, cutoff):
    """Properties 1, 2, 3 and 9: exactly what `bookkeeping` says, for any cells and any cut-off.

    Rows: read = used + set aside + later + other centre; each row set aside is listed once with a
    reason. Questions: a cell has at most one error question; a cell with text whose value is
    missing in a row that is used has one, unless the cut-off emptied it; an error question leaves
    its cell empty or its row unused. No day in a usable table is after the cut-off.
    """
    frames = recipe.frames()
    before = {table: frame.copy() for table, frame in frames.items()}
    found = read_and_build(frames, cutoff)
    for table, frame in frames.items():
        pd.testing.assert_frame_equal(frame, before[table])
    if found is None:
        return
    tables, cohort = found
    assert faults_of(cohort, tables, numbered(frames)) == []
    read = cohort.rows.set_index("table")["read"]
    assert {table: int(read[table]) for table in frames} == {
        table: len(frame) for table, frame in frames.items()
    }
    assert unsound_measures(audit.measure_cases(cohort)) == []


def written(cohort) -> dict[str, pd.DataFrame]:
    """The usable tables as text cells, with the rows' own numbers."""
    frames = {}
    for table, frame in cohort.tables.items():
        texts = {
            name: as_text(frame[name], timed=column.metadata["kind"] == "moment")
            for name, column in TABLES[table].columns.items()
        }
        frames[table] = pd.DataFrame({"row": frame["row"], **texts})
    return frames


@often(8)
@given(recipes)
def test_usable_tables_written_and_read_again_raise_no_error(recipe):
    """Property 4, with two exceptions that follow from what an error does: a second reading may ask
    for a required cell that the first has emptied, and may find rows repeated that only an emptied
    cell told apart. All other values come back as they were."""
    found = read_and_build(recipe.frames())
    if found is None:
        return
    _, first = found
    again = read_and_build(written(first), first.cutoff)
    assert again is not None
    _, second = again
    errors = second.queries.loc[second.queries["severity"] == "error"]
    asks_again = errors["rule"].str.fullmatch("missing_required|row_without_.*")
    assert set(errors.loc[~asks_again, "rule"]) <= FIRST_IS_USED
    for query in errors.loc[asks_again].to_dict("records"):
        usable = first.tables[query["table"]].set_index("row")
        assert pd.isna(usable.loc[query["row"], query["column"]])
    for table, frame in second.tables.items():
        kept = first.tables[table]
        kept = kept.loc[kept["row"].isin(frame["row"])].reset_index(drop=True)
        names = list(TABLES[table].columns)
        pd.testing.assert_frame_equal(frame[names], kept[names], check_dtype=False)


#: control characters other than tab and line ends make a file "not text", and it is refused
letters = st.one_of(
    st.sampled_from(",;|\t\"\n\r '="), st.characters(exclude_categories=["Cs", "Cc"])
)
cells = st.text(letters, max_size=12)


@often(250, shrink=True)
@given(
    st.lists(st.lists(cells, min_size=3, max_size=3), min_size=1, max_size=6),
    st.sampled_from(sorted(",;\t|")),
    st.sampled_from((csv.QUOTE_MINIMAL, csv.QUOTE_ALL)),
    st.sampled_from(("\n", "\r\n")),
    st.booleans(),
)
def test_csv_text_is_read_to_the_same_cells_and_lines(rows, delimiter, quoting, newline, bom):
    """Property 5, against the csv module of the standard library as the writer (RFC 4180). `row`
    is the line on which the row begins: lines are counted in the text before it."""
    sheet = mutations.Sheet(["one", "two", "three"], rows)
    if any("\r" in cell for row in rows for cell in row):
        quoting = csv.QUOTE_ALL  # the writer leaves a lone CR bare, which RFC 4180 forbids
    content = mutations.csv_bytes(sheet, delimiter=delimiter, newline=newline, quoting=quoting)
    grid = read_grid(content, name="t.csv") if not bom else read_grid(
        b"\xef\xbb\xbf" + content, name="t.csv"
    )  # fmt: skip
    given_rows = [(line, row) for line, row in zip(lines_of(sheet, newline), rows, strict=True)
                  if any(cell.strip() for cell in row)]  # fmt: skip
    assert grid.frame["row"].tolist() == [line for line, _ in given_rows]
    read = grid.frame[["one", "two", "three"]].to_numpy().tolist()
    assert read == [row for _, row in given_rows]


def lines_of(sheet: mutations.Sheet, newline: str) -> list[int]:
    """The physical line on which each row begins: CR LF, LF and CR each end one line."""
    found, line = [], 2
    for row in sheet.rows:
        found.append(line)
        inner = "\0".join(row).replace("\r\n", "\n").replace("\r", "\n")
        line += 1 + inner.count("\n")
    return found


def pandera_failures(table: str, frame: pd.DataFrame) -> set[tuple[str, str, int]]:
    """(column, check, row) of every check that pandera itself reports."""
    schema = TABLES[table]
    with warnings.catch_warnings(record=True):
        warnings.simplefilter("always")
        try:
            schema.validate(frame, lazy=True)
        except pandera.errors.SchemaErrors as errors:
            cases = errors.failure_cases.dropna(subset=["check_number", "index"])
            return {
                (name, str(schema.columns[name].checks[int(number)].name), int(row))
                for name, number, row in cases[["column", "check_number", "index"]].to_numpy()
            }
    return set()


def own_failures(table: str, frame: pd.DataFrame) -> set[tuple[str, str, int]]:
    """The same from the kit's own judge."""
    return {
        (name, str(check.name), int(row))
        for name, column in TABLES[table].columns.items()
        for check in column.checks
        if not check.raise_warning
        for row in np.flatnonzero(breaks(check, frame[name]))
    }


@pytest.mark.parametrize("table", sorted(TABLES))
@often(4)
@given(seed=st.integers(0, 2**32 - 1), rows=st.integers(1, 25))
def test_contract_checks_fail_where_pandera_says(table, seed, rows):
    """Property 6: the judge applies the contract's checks itself; pandera 0.35 is the reference."""
    rng = np.random.default_rng(seed)
    columns = {}
    for name, column in TABLES[table].columns.items():
        kind, codes, limits = (column.metadata[key] for key in ("kind", "codes", "limits"))
        if kind in ("day", "moment"):
            columns[name] = pd.Series(pd.Timestamp("2024-02-03"), index=range(rows))
        elif kind in ("number", "whole"):
            edges = [x for x in (limits.low, limits.high) if x is not None] or [0.0]
            near = [edge + step for edge in edges for step in (-1, -1e-9, 0, 1e-9, 1)]
            columns[name] = pd.Series(rng.choice([*near, np.nan, 1e308, -1e308, -0.0], rows))
        else:
            known = [*vocabulary.codes(codes)] if codes else ["a"]
            texts = [*known, known[0].upper(), known[0] + " ", "", None, "é", "1"]
            columns[name] = pd.Series(rng.choice(np.array(texts, dtype=object), rows), dtype=object)
    frame = pd.DataFrame(columns)
    assert own_failures(table, frame) == pandera_failures(table, frame)


def fingerprint(cohort):
    """What does not hang on the order: usable rows, questions and flow, by each row's own number."""
    tables = {
        table: frame.sort_values("row").set_index("row")[list(TABLES[table].columns)]
        for table, frame in cohort.tables.items()
    }
    names = ["table", "row", "column", "rule", "severity", "value", "message"]
    queries = cohort.queries.loc[~cohort.queries["rule"].isin(TOLD_BY_PLACE), names]
    return tables, queries.astype(str).sort_values(names).reset_index(drop=True), cohort.flow


@often(6)
@given(recipes, st.integers(0, 2**31))
def test_order_of_rows_does_not_matter(recipe, seed):
    """Property 7: rows shuffled (each keeps its own number) give the same usable rows, flow and
    questions. Not compared: of rows that repeat one another cell for cell, which one is used; and
    the warnings of `TOLD_BY_PLACE`. No error hangs on the order."""
    frames = numbered(recipe.frames())
    one = read_and_build(frames)
    shuffled = {
        table: frame.sample(frac=1, random_state=seed).reset_index(drop=True)
        for table, frame in frames.items()
    }
    two = read_and_build(shuffled)
    assert (one is None) == (two is None)
    if one is None or two is None or FIRST_IS_USED & set(one[1].queries["rule"]):
        return
    told = one[1].queries.loc[one[1].queries["rule"].isin(TOLD_BY_PLACE), "severity"]
    assert set(told) <= {"warning"}
    (tables_1, queries_1, flow_1), (tables_2, queries_2, flow_2) = map(
        fingerprint, (one[1], two[1])
    )
    for table, frame in tables_1.items():
        pd.testing.assert_frame_equal(frame, tables_2[table])
    pd.testing.assert_frame_equal(flow_1, flow_2)
    pd.testing.assert_frame_equal(queries_1, queries_2)


@pytest.mark.parametrize("seed", [3])
def test_results_of_what_survives_say_why_they_are_missing(seed):
    """Property 8 for result tables: never a crash, no value without a note why."""
    rng = np.random.default_rng(seed)
    sheets = mutations.some_patients(demo_sheets(), rng, patients=2)
    for change in ("blank_cells", "days_moved", "tenfold", "status_changed", "swap_columns"):
        mutations.CHANGES[change](rng, sheets["cases"])
    frames = {table: sheet.frame() for table, sheet in sheets.items()}
    cohort = audit.build_cohort(
        audit.tables_from_frames(frames), "2024-03-31", settings=Settings(resamples=50)
    )
    measures = audit.measure_cases(cohort)
    assert unsound_measures(measures) == []
    results = result_table(cohort, measures)
    assert (results.loc[results["value"].isna(), "note"].str.len() > 0).all()
    assert not np.isinf(results["value"].astype(float)).any()


def few() -> dict[str, pd.DataFrame]:
    """Two sound patients as frames of text."""
    sheets = mutations.some_patients(demo_sheets(), np.random.default_rng(2), patients=2)
    return {table: sheet.frame() for table, sheet in sheets.items()}


def test_a_remark_of_reading_does_not_hide_an_error_in_the_same_cell():
    frames = numbered(few())
    frames["cases"].loc[0, "planned_gain_mm"] = "3000"
    remark = CellRemark("planned_gain_mm", frozenset({2}), "seen_so", "warning", "Check it.")
    grids = {table: Grid(frame) for table, frame in frames.items()}
    grids["cases"] = Grid(frames["cases"], cell_remarks=(remark,))
    cohort = audit.build_cohort(tables_from_opened(Opened(grids, ())), read_on=READ_ON)
    asked = cohort.queries.loc[cohort.queries["column"] == "planned_gain_mm"]
    assert set(asked["rule"]) == {"seen_so", "out_of_range"}


def test_rows_of_a_case_whose_line_cannot_be_read_go_out_with_it_unasked():
    frames = numbered(few())
    grids = {table: Grid(frame) for table, frame in frames.items()}
    grids["cases"] = Grid(frames["cases"], too_wide=(2,))
    cohort = audit.build_cohort(tables_from_opened(Opened(grids, ())), read_on=READ_ON)
    assert "unknown_case" not in set(cohort.queries["rule"])
    assert "case_not_used" in set(cohort.kept_out["reason"])


def test_frames_of_any_dtype_are_read_like_their_texts():
    plain = audit.tables_from_frames(few())
    kinds = {"number": "Float64", "whole": "Int64", "code": "category", "text": "string"}
    typed = {}
    for table, frame in plain.frames.items():
        typed[table] = frame.assign(
            **{
                name: frame[name].astype(kinds.get(column.metadata["kind"], frame[name].dtype))
                for name, column in TABLES[table].columns.items()
            }
        )
    again = audit.tables_from_frames(typed)
    assert again.queries.empty
    for table, frame in plain.frames.items():
        pd.testing.assert_frame_equal(again[table], frame)


def test_moments_in_frames_keep_their_seconds_and_their_midnight():
    frames = few()
    moments = pd.to_datetime(pd.Series(["2024-03-01 00:00:00", "2024-03-01 08:15:59"]))
    frames["distraction_sessions"] = pd.DataFrame(
        {"case_id": "C1", "started_at": moments, "delivered_mm": 0.25}
    )
    read = audit.tables_from_frames(frames)["distraction_sessions"]
    assert read["started_at"].tolist() == moments.tolist()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"surgeries": pd.DataFrame()}, "Tables must be of patients"),
        (
            {"actions": pd.DataFrame([["A", "B"]], columns=["action_id", "action_id"])},
            "stands more than once",
        ),
        ({"actions": pd.DataFrame({"row": [2, 2], "action_id": ["A", "B"]})}, "number the rows"),
        ({"actions": pd.DataFrame({"row": ["a"], "action_id": ["A"]})}, "number the rows"),
    ],
)
def test_frames_that_are_no_tables_are_refused(change, words):
    with pytest.raises(UnusableInput, match=words):
        audit.tables_from_frames({**few(), **change})


@pytest.mark.parametrize("cutoff", ["soon", "9999-12-31", "2262-04-11", "0001-01-01", pd.NaT])
def test_a_cut_off_that_is_no_day_of_our_time_is_refused(cutoff):
    with pytest.raises(UnusableInput, match="cut-off must be a day"):
        audit.build_cohort(audit.tables_from_frames(few()), cutoff)


def test_the_first_day_of_the_clock_is_long_ago_and_not_later_than_the_cut_off():
    """Nanoseconds begin at 1677-09-21 00:12:43 (numpy, datetime64): its midnight wraps round."""
    frames = few()
    frames["distraction_sessions"] = pd.DataFrame(
        {"case_id": frames["cases"]["case_id"].iloc[:1], "started_at": "1677-09-21 00:13",
         "delivered_mm": "0.25"}
    )  # fmt: skip
    cohort = audit.build_cohort(audit.tables_from_frames(frames), "2026-09-30", read_on=READ_ON)
    out = cohort.kept_out.loc[cohort.kept_out["table"] == "distraction_sessions"]
    assert out["reason"].tolist() == ["date_before_1980"]


def test_a_column_called_row_in_a_file_is_asked_about_and_not_used():
    grid = read_grid(b"action_id,row,raised_on\nA1,77,2024-01-01\n", name="actions.csv")
    assert grid.frame["row"].tolist() == [2]
    assert [rule for rule, _ in grid.remarks] == ["unknown_column"]


def test_a_gain_is_judged_after_the_union_date_that_would_excuse_it():
    """In treatment without an end of distraction, a union date far too late is set aside, and the
    interim gain with it: else a second reading would find what the first had passed."""
    frames = few()
    row = frames["cases"].index[0]
    frames["cases"].loc[row, ["distraction_end_date", "outcome_date", "final_gain_mm"]] = ""
    frames["cases"].loc[row, "outcome_status"] = "in_treatment"
    frames["cases"].loc[row, ["achieved_gain_mm", "surgery_date"]] = ["10", "2021-07-01"]
    frames["cases"].loc[row, "union_date"] = "2026-07-01"
    cohort = audit.build_cohort(audit.tables_from_frames(frames), read_on=READ_ON)
    rules = set(cohort.queries.loc[cohort.queries["row"] == 2, "rule"])
    assert {"healing_index_impossible", "gain_while_in_distraction"} <= rules
