"""Re-audit: every difference from what was reported is explained, and by the right cause.

Expected counts follow from what each test itself changes; rates and shares are checked by hand
(events x 100 / cases). The check value of SHA-256 is the published example of FIPS 180-4 (1999's
FIPS 180-1 line of examples: the text "abc").
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import pathlib
import shutil

import pandas as pd
import pytest

import audit
import audit.measures
import audit.reaudit
from audit.errors import UnusableInput
from audit.intake import provenance
from audit.intake.archive import read_archive
from audit.intake.provenance import made_with
from audit.intake.register import read_register, register_from
from audit.measures import measure_cases
from audit.reaudit import CASE_COLUMNS, CELL_COLUMNS, case_record, reaudit
from audit.reaudit.recompute import main_results
from audit.release.run_files import save_reaudit, save_run
from audit.run import AuditRun
from audit.settings import Settings
from audit.standards import judge_standards
from audit.tables import reaudit as tables
from tests.conftest import DEMO

QUARTER, TODAY = "2023Q2", "2023Q3"
QUICK = Settings(resamples=100)
#: adult femoral nail cases of the demo data, long due at the cut-off; C012 ended 0.5 mm short
LATE, CORRECTED = "C009", "C012"
ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
FLAT = "complications_nail"
ADULT = "gain_within_tolerance_nail_adult"


#: a register of this test's own, so that the default one can change freely
REGISTER = """
version = "1"

[[criterion]]
id = "gain_within_tolerance_nail_adult"
words = "Nail lengthening in adults ends within 5 mm of the plan"
measure = "gain_within_tolerance"
index_date = "distraction_end_date"
statistic = "proportion"
device_class = ["lengthening_nail"]
age = "adult"
target = 0.95
direction = "at_least"
source = "a test"
target_level = "published"

[[criterion]]
id = "gain_within_tolerance_fixator"
words = "Lengthening with a fixator ends within 5 mm of the plan"
measure = "gain_within_tolerance"
index_date = "distraction_end_date"
statistic = "proportion"
device_class = ["circular_fixator", "monolateral_fixator"]
target = 0.90
direction = "at_least"
source = "a test"
target_level = "published"

[[criterion]]
id = "healing_index_femur_nail"
words = "Femoral nail lengthenings heal in 37 days per centimetre or less on average"
measure = "healing_index_days_per_cm"
index_date = "union_date"
statistic = "mean"
device_class = ["lengthening_nail"]
segment = ["femur"]
target = 37
direction = "at_most"
source = "a test"
target_level = "published"

[[criterion]]
id = "knee_flexion_kept_femur"
words = "After femoral lengthening 95 % or more of knee flexion is kept on average"
measure = "knee_flexion_retention_pct"
index_date = "union_date"
matures_after_days = 90
statistic = "mean"
segment = ["femur"]
target = 95
direction = "at_least"
source = "a test"
target_level = "published"

[[criterion]]
id = "full_weight_bearing_femur_nail"
words = "After femoral nail lengthening half bear full weight within 150 days"
measure = "time_to_full_weight_bearing"
statistic = "median_time"
device_class = ["lengthening_nail"]
segment = ["femur"]
target = 150
direction = "at_most"
source = "a test"
target_level = "published"

[[criterion]]
id = "complications_nail"
words = "Nail lengthenings have at most 34 complications per 100 cases"
measure = "complications_per_100_cases"
matures_after_days = 180
statistic = "rate"
device_class = ["lengthening_nail"]
target = 34
direction = "at_most"
source = "a test"
target_level = "published"
"""
OURS = register_from(REGISTER.encode(), name="ours.toml")


def frames_of(folder: pathlib.Path) -> dict[str, pd.DataFrame]:
    return {
        path.stem: pd.read_csv(path, dtype=str, keep_default_na=False)
        for path in sorted(folder.glob("*.csv"))
    }


def write(frames: dict[str, pd.DataFrame], folder: pathlib.Path) -> pathlib.Path:
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in frames.items():
        frame.to_csv(folder / f"{name}.csv", index=False, lineterminator="\n")
    return folder


@pytest.fixture(scope="module")
def frames() -> dict[str, pd.DataFrame]:
    """The demo tables with the cases operated in the first year and a half (for speed)."""
    out = frames_of(DEMO)
    cases = out["cases"]
    out["cases"] = cases.loc[cases["surgery_date"] < "2023-01-01"]
    kept = set(out["cases"]["case_id"])
    return {
        name: frame.loc[frame["case_id"].isin(kept)] if "case_id" in frame else frame
        for name, frame in out.items()
    }


def run_on(source, quarter=TODAY, *, register=None, settings=QUICK, centre=None) -> AuditRun:
    """A run as `run_audit` makes it, without the results that a re-audit does not need of it."""
    period = pd.Period(quarter, freq="Q")
    read = audit.read_source(source)
    cohort = audit.build_cohort(read, period.end_time.normalize(), settings=settings, centre=centre)
    return AuditRun(
        cohort,
        pd.DataFrame(),
        pd.DataFrame(),
        pd.DataFrame(),
        period,
        {"quarter": quarter},
        tables=read,
        register=register or OURS,
    )


def save_archive(source, folder: pathlib.Path, **options) -> pathlib.Path:
    """The folder of a run of `QUARTER`, with the main results only (for speed)."""
    run = run_on(source, QUARTER, **options)
    measured = measure_cases(run.cohort)
    whole = dataclasses.replace(
        run,
        measured=measured,
        results=main_results(run.cohort, measured, run.quarter),
        standards=judge_standards(run.cohort, measured, run.register.criteria, run.quarter),
    )
    folder.mkdir(parents=True)
    save_run(whole, folder)
    return folder


@pytest.fixture(scope="module")
def source(frames, tmp_path_factory) -> pathlib.Path:
    return write(frames, tmp_path_factory.mktemp("sources") / "then")


@pytest.fixture(scope="module")
def archived(source, tmp_path_factory) -> pathlib.Path:
    """A run folder as it is written today. Copy it before changing it."""
    return save_archive(source, tmp_path_factory.mktemp("archive") / QUARTER)


@pytest.fixture(scope="module")
def lean(archived, tmp_path_factory) -> pathlib.Path:
    """The same without results.csv: the standards only, for speed. Not to be changed either."""
    folder = shutil.copytree(archived, tmp_path_factory.mktemp("lean") / QUARTER)
    (folder / "results.csv").unlink()
    return folder


@pytest.fixture(scope="module")
def now(source) -> AuditRun:
    """Today's run on unchanged tables with the default register."""
    return run_on(source)


@pytest.fixture
def archive(lean, tmp_path) -> pathlib.Path:
    """A copy of the run folder that a test may damage."""
    return pathlib.Path(shutil.copytree(lean, tmp_path / "archive" / QUARTER))


def changed(frames, tmp_path, change) -> pathlib.Path:
    """A source with changed tables: `change` is called with copies of them."""
    copies = {name: frame.copy() for name, frame in frames.items()}
    change(copies)
    return write(copies, tmp_path / "now")


def add_complication(tables_, case_id: str, day: str = "2022-02-10") -> None:
    events = tables_["complications"]
    row = events.iloc[0].to_dict() | {
        "complication_id": f"late-{case_id}",
        "case_id": case_id,
        "occurred_on": day,
        "resolved_on": day,
    }
    tables_["complications"] = pd.concat([events, pd.DataFrame([row])], ignore_index=True)


def correct(tables_, case_id: str, column: str, value: str) -> None:
    chosen = tables_["cases"]["case_id"] == case_id
    assert chosen.sum() == 1
    tables_["cases"].loc[chosen, column] = value


def late_and_corrected(tables_) -> None:
    add_complication(tables_, LATE)
    correct(tables_, CORRECTED, "achieved_gain_mm", "52")


def compared(now: AuditRun, folder: pathlib.Path) -> audit.reaudit.Reaudit:
    found = reaudit(now, read_archive(folder))
    check_explained(found)
    return found


def check_explained(found) -> None:
    """What must hold of every re-audit: no difference without an explanation, and no other."""
    cells = found.cells
    assert list(cells.columns) == CELL_COLUMNS
    assert list(found.cases.columns) == CASE_COLUMNS
    assert cells["explanation"].astype(str).str.len().gt(0).all()
    for row in cells.to_dict("records"):
        values = [row[name] for name in ("reported", "same_definition", "today")]
        numbers = [value for value in values if isinstance(value, float)]
        same = len({str(value) for value in values}) == 1 or (
            len(numbers) == 3 and max(numbers) == pytest.approx(min(numbers), rel=1e-9, abs=1e-12)
        )
        known = row["same_definition"] is not None
        if known:
            assert (row["causes"] == "unchanged") == same, row


def cell(found, item: str, column: str, window: str = "all") -> pd.Series:
    rows = found.cells.loc[
        (found.cells["table"] == "standards")
        & (found.cells["item"] == item)
        & (found.cells["column"] == column)
        & (found.cells["window"] == window)
    ]
    assert len(rows) == 1
    return rows.iloc[0]


def causes(found, table: str = "standards") -> set[str]:
    named = found.cells.loc[found.cells["table"] == table, "causes"].str.split(" + ", regex=False)
    return set(named.explode()) - {"unchanged"}


@pytest.fixture
def other_code(monkeypatch):
    """The kit's code counts as changed since the archive was written."""
    other = dataclasses.replace(made_with(), code="0" * 64)
    monkeypatch.setattr(audit.reaudit, "made_with", lambda: other)


@pytest.fixture
def other_measure(monkeypatch):
    """A measure that counts one complication more in some cases."""

    def use(*case_ids: str) -> None:
        before = audit.measures.complication_measures

        def more(cohort):
            out = before(cohort)
            out.loc[out.index.isin(case_ids), "complication_events"] += 1
            return out

        monkeypatch.setattr(audit.measures, "complication_measures", more)

    return use


# --- what a run keeps


def test_a_run_keeps_its_register_byte_for_byte(archived):
    content = (archived / "criteria.toml").read_bytes()
    assert content == REGISTER.encode()
    entry = json.loads((archived / "run.json").read_text())["criteria"]
    assert entry["sha256"] == hashlib.sha256(content).hexdigest()
    assert (entry["version"], entry["name"]) == ("1", "ours.toml")


def test_the_register_that_is_read_is_the_file_itself():
    register = read_register()
    assert register.content == provenance.DEFAULT.read_bytes()
    assert register.sha256 == hashlib.sha256(register.content).hexdigest()
    assert (register.name, register.version is not None) == ("standards_default.toml", True)


def test_a_run_records_the_fingerprint_of_the_code_and_of_its_files(archived):
    record = json.loads((archived / "run.json").read_text())
    assert record["code"] == provenance.code_fingerprint()
    assert len(record["code"]) == 64
    assert set(record["files"]) >= {"standards.csv", "results.csv", "case_record.csv"}
    assert read_archive(archived).runs[0].edited == ()
    assert record["settings"]["tolerance_mm"] == 5.0


def test_a_content_hash_is_sha_256_of_the_text_with_plain_line_ends():
    assert provenance.content_hash(b"abc") == ABC
    assert provenance.content_hash(b"a\r\nb\r\n") == provenance.content_hash(b"a\nb\n")


def code_folder(home: pathlib.Path, **files: bytes) -> pathlib.Path:
    (home / "deep").mkdir(parents=True)
    for name, content in files.items():
        (home / name.replace("__", "/").replace("_dot_", ".")).write_bytes(content)
    return home


def test_the_fingerprint_is_the_same_on_every_machine(tmp_path):
    files = {"one_dot_py": b"x = 1\n", "deep__two_dot_toml": b"y = 2\n"}
    here = code_folder(tmp_path / "here" / "kit", **files)
    there = code_folder(tmp_path / "there" / "kit", deep__two_dot_toml=b"y = 2\r\n")
    (there / "one.py").write_bytes(b"x = 1\r\n")
    (there / "deep" / "two.pyc").write_bytes(b"compiled")
    (there / "notes.txt").write_bytes(b"no code")
    assert provenance.fingerprint([here]) == provenance.fingerprint([there])


@pytest.mark.parametrize(
    "files",
    [
        {"one_dot_py": b"x = 2\n", "deep__two_dot_toml": b"y = 2\n"},
        {"other_dot_py": b"x = 1\n", "deep__two_dot_toml": b"y = 2\n"},
        {"one_dot_py": b"x = 1\ny = 2\n", "deep__two_dot_toml": b""},
        {"one_dot_py": b"x = 1\n"},
    ],
    ids=["content", "name", "moved between files", "file gone"],
)
def test_the_fingerprint_changes_with_the_code(tmp_path, files):
    here = code_folder(tmp_path / "a" / "kit", one_dot_py=b"x = 1\n", deep__two_dot_toml=b"y = 2\n")
    other = code_folder(tmp_path / "b" / "kit", **files)
    assert provenance.fingerprint([here]) != provenance.fingerprint([other])


def test_the_default_register_is_no_part_of_the_code(tmp_path, monkeypatch):
    home = code_folder(tmp_path / "kit", one_dot_py=b"x = 1\n")
    before = provenance.fingerprint([home])
    register = home / "register.toml"
    monkeypatch.setattr(provenance, "DEFAULT", register.resolve())
    register.write_bytes(b"target = 1\n")
    assert provenance.fingerprint([home]) == before


def record_of(frames) -> pd.DataFrame:
    read = audit.tables_from_frames(frames)
    return case_record(audit.build_cohort(read, "2023-06-30"), read).set_index("case_id")


def test_digests_know_only_what_was_recorded_up_to_the_cut_off(frames):
    before = record_of(frames)
    shuffled = {name: frame.sample(frac=1, random_state=5) for name, frame in frames.items()}
    pd.testing.assert_frame_equal(record_of(shuffled), before)
    later = {name: frame.copy() for name, frame in frames.items()}
    add_complication(later, LATE, day="2023-07-01")
    pd.testing.assert_frame_equal(record_of(later), before)
    add_complication(later, CORRECTED, day="2023-06-30")
    facts = [name for name in before if name.startswith("facts_")]
    after = record_of(later)
    moved = (after[facts] != before[facts]).stack()
    assert list(moved.index[moved]) == [(CORRECTED, "facts_complications")]


def test_a_case_that_is_kept_out_still_has_its_digests(frames):
    doubled = {name: frame.copy() for name, frame in frames.items()}
    correct(doubled, LATE, "patient_id", "nobody")
    read = audit.tables_from_frames(doubled)
    cohort = audit.build_cohort(read, "2023-06-30")
    assert LATE not in set(cohort.cases["case_id"])
    row = case_record(cohort, read).set_index("case_id").loc[LATE]
    assert len(row["facts_cases"]) == 16
    assert pd.isna(row["age_at_surgery_years"])


# --- causes


def test_nothing_changed(now, archived):
    found = compared(now, archived)
    assert set(found.cells["causes"]) == {"unchanged"}
    assert found.cases.empty
    assert len(found.cells.loc[found.cells["table"] == "standards"]) > 100
    assert len(found.cells.loc[found.cells["table"] == "results"]) > 1500
    assert (found.runs[["tables", "code", "libraries", "definitions"]] == "the same").all(axis=None)
    assert "0 of 18 verdicts differ" in tables.summary_words(found)


def test_rows_added_since_the_cut_off_change_nothing(frames, lean, tmp_path):
    def later(tables_):
        add_complication(tables_, LATE, day="2023-07-01")

    found = compared(run_on(changed(frames, tmp_path, later)), lean)
    assert found.runs["tables"].item() == "changed"
    assert set(found.cells["causes"]) == {"unchanged"}


def test_late_data_are_counted_case_by_case(frames, archived, tmp_path):
    now = run_on(changed(frames, tmp_path, late_and_corrected))
    found = compared(now, archived)
    assert causes(found) == causes(found, "results") == {"late data"}
    rate = cell(found, FLAT, "value")
    assert rate["difference"] == pytest.approx(100 / cell(found, FLAT, "n")["reported"])
    assert rate["explanation"] == "late data: 1 case changed, table complications"
    assert rate["cases_late_data"] == 1
    assert cell(found, FLAT, "n")["causes"] == "unchanged"
    share = cell(found, ADULT, "value")
    assert share["difference"] == pytest.approx(-1 / cell(found, ADULT, "n")["reported"])
    assert share["explanation"] == "late data: 1 case changed, table cases"
    index = cell(found, "healing_index_femur_nail", "value")
    assert index["cases_late_data"] == 1
    unrelated = found.cells["item"].isin(["gain_within_tolerance_fixator"])
    assert set(found.cells.loc[unrelated, "causes"]) == {"unchanged"}
    listed = found.cases.loc[found.cases["item"] == FLAT]
    assert set(listed["case_id"]) == {LATE}
    assert set(listed["reported"]) == {"0"} and set(listed["now"]) == {"1"}
    # the recomputed numbers are those of an ordinary run on today's tables at the old cut-off
    fresh = run_on(tmp_path / "now", QUARTER)
    measured = measure_cases(fresh.cohort)
    fresh = judge_standards(fresh.cohort, measured, fresh.register.criteria, fresh.quarter)
    for row in fresh.loc[fresh["window"] == "all"].itertuples():
        assert cell(found, row.criterion, "n")["today"] == row.n


def test_new_and_gone_cases_are_late_data(frames, tmp_path, lean):
    def swap(tables_):
        tables_["cases"] = tables_["cases"].loc[tables_["cases"]["case_id"] != LATE]
        twin = tables_["cases"].loc[tables_["cases"]["case_id"] == CORRECTED].copy()
        other_side = twin["side"].map({"left": "right", "right": "left"})
        twin = twin.assign(case_id="C999", side=other_side)
        tables_["cases"] = pd.concat([tables_["cases"], twin], ignore_index=True)

    found = compared(run_on(changed(frames, tmp_path, swap)), lean)
    index = cell(found, "healing_index_femur_nail", "value")
    assert index["explanation"].startswith("late data: 2 cases (1 new, 1 gone)")
    assert cell(found, "healing_index_femur_nail", "n")["causes"] == "unchanged"
    listed = found.cases.loc[found.cases["item"] == "healing_index_femur_nail"]
    assert dict(zip(listed["case_id"], listed["change"], strict=True)) == {
        "C999": "new",
        LATE: "gone",
    }


def register_with(old: str, new: str):
    """Our register with one entry replaced."""
    assert REGISTER.count(old) == 1
    return register_from(REGISTER.replace(old, new).encode(), name="ours.toml")


@pytest.mark.parametrize(
    ("old", "new", "item", "column", "words"),
    [
        ("target = 34\n", "target = 10\n", FLAT, "verdict", "target 34 to 10"),
        ("target = 34\n", "target = 10\n", FLAT, "target", "target 34 to 10"),
        (
            "target = 34\n",
            'target = 34\nage = "child"\n',
            FLAT,
            "n",
            "age any to child",
        ),
        (
            'measure = "complications_per_100_cases"\nmatures_after_days = 180',
            'measure = "complications_per_100_cases"\nmatures_after_days = 400',
            FLAT,
            "not_yet_due",
            "matures_after_days 180 to 400",
        ),
        (
            'statistic = "mean"\nsegment = ["femur"]\ntarget = 95',
            'statistic = "median"\nsegment = ["femur", "tibia"]\ntarget = 95',
            "knee_flexion_kept_femur",
            "value",
            "statistic mean to median, segment femur to femur or tibia",
        ),
    ],
    ids=["verdict", "target", "population", "maturity", "statistic"],
)
def test_a_changed_definition_is_named_entry_by_entry(now, lean, old, new, item, column, words):
    found = compared(dataclasses.replace(now, register=register_with(old, new)), lean)
    row = cell(found, item, column)
    assert row["causes"] == "changed definition"
    assert row["explanation"] == f"changed definition: {words}"
    assert row["reported"] == row["same_definition"] != row["today"]
    assert causes(found) == {"changed definition"}
    assert set(found.cells.loc[found.cells["causes"] != "unchanged", "item"]) == {item}
    assert f"changed: {item}" in found.runs["definitions"].item()
    assert "without a new version" in found.runs["definitions"].item()


def test_a_new_version_of_the_register_is_shown_and_words_alone_change_nothing(now, lean):
    text = REGISTER.replace('version = "1"', 'version = "2"')
    text = text.replace("Nail lengthenings have at most", "Lengthenings with a nail have at most")
    register = register_from(text.encode(), name="ours.toml")
    found = compared(dataclasses.replace(now, register=register), lean)
    assert causes(found) == set()
    assert found.runs["register_then"].item() == "1"
    assert found.runs["register_today"].item() == "2"
    assert found.runs["definitions"].item() == "the same"


def test_a_changed_setting_changes_the_definition_of_what_uses_it_only(source, archived):
    now = run_on(source, settings=Settings(tolerance_mm=3.0, resamples=100))
    found = compared(now, archived)
    row = cell(found, ADULT, "value")
    assert row["explanation"] == "changed definition: setting tolerance_mm 5 to 3"
    assert causes(found) == causes(found, "results") == {"changed definition"}
    touched = found.cells.loc[found.cells["causes"] != "unchanged", "item"]
    assert all("gain_within_tolerance" in item for item in touched)


def test_register_and_settings_are_told_apart_where_both_changed(source, lean):
    today = run_on(
        source,
        register=register_with("target = 34\n", "target = 10\n"),
        settings=Settings(tolerance_mm=3.0, resamples=100),
    )
    found = compared(today, lean)
    assert cell(found, FLAT, "target")["explanation"] == "changed definition: target 34 to 10"
    words = "changed definition: setting tolerance_mm 5 to 3"
    assert cell(found, ADULT, "value")["explanation"] == words


def test_criteria_added_and_dropped_since_are_said(now, lean):
    register = register_with(f'id = "{FLAT}"', 'id = "our_own"')
    found = compared(dataclasses.replace(now, register=register), lean)
    assert causes(found) == {"new criterion", "criterion dropped"}
    assert cell(found, FLAT, "value")["causes"] == "criterion dropped"
    assert cell(found, FLAT, "value")["reported"] == cell(found, "our_own", "value")["today"]
    assert cell(found, "our_own", "value")["causes"] == "new criterion"
    assert found.runs["definitions"].item().startswith(f"new: our_own; dropped: {FLAT}")


def test_changed_code_on_the_same_tables(now, archived, other_measure, other_code):
    other_measure(LATE, CORRECTED)
    found = compared(now, archived)
    assert causes(found) == {"changed code"}
    row = cell(found, FLAT, "value")
    assert row["explanation"] == "changed code: 2 cases changed"
    assert row["cases_changed_code"] == 2
    assert found.runs["code"].item() == "changed"


def test_changed_libraries_are_named(now, lean, other_measure, monkeypatch):
    other_measure(LATE)
    packages = {**made_with().packages, "numpy": "9.9.9", "seaborn": "9.9.9"}
    other = dataclasses.replace(made_with(), packages=packages)
    monkeypatch.setattr(audit.reaudit, "made_with", lambda: other)
    found = compared(now, lean)
    words = f"changed libraries (numpy {made_with().packages['numpy']} to 9.9.9): 1 case changed"
    assert cell(found, FLAT, "value")["explanation"] == words
    assert causes(found) == {"changed libraries"}


def test_late_data_and_changed_code_are_told_apart_by_case(
    frames, lean, tmp_path, other_measure, other_code
):
    other_measure(CORRECTED)
    source = changed(frames, tmp_path, lambda tables_: add_complication(tables_, LATE))
    found = compared(run_on(source), lean)
    row = cell(found, FLAT, "value")
    assert row["causes"] == "late data + changed code"
    words = "late data: 1 case changed, table complications; changed code: 1 case changed"
    assert row["explanation"] == words
    assert (row["cases_late_data"], row["cases_changed_code"]) == (1, 1)
    assert row["difference"] == pytest.approx(200 / cell(found, FLAT, "n")["reported"])
    listed = found.cases.loc[(found.cases["item"] == FLAT) & (found.cases["window"] == "all")]
    by_case = dict(zip(listed["case_id"], listed["cause"], strict=True))
    assert by_case == {LATE: "late data", CORRECTED: "changed code"}


def test_an_estimate_that_changed_though_no_case_did_is_changed_code(
    frames, lean, tmp_path, other_code, monkeypatch
):
    """The measures are the same; only the estimator gives another number."""
    import audit.standards

    before = audit.standards.clustered_rate

    def other(*given, **named):
        found = before(*given, **named)
        return found if found.value is None else dataclasses.replace(found, value=found.value + 1)

    monkeypatch.setattr(audit.standards, "clustered_rate", other)
    source = changed(frames, tmp_path, lambda t: correct(t, "C003", "achieved_gain_mm", "49"))
    found = compared(run_on(source), lean)
    row = cell(found, FLAT, "value")
    assert row["causes"] == "changed code"
    assert "no case behind it changed" in row["explanation"]


EXCUSED = """
age = "adult"
target = 0.95
exceptions = [{ column = "outcome_status", is = ["stopped_early"], words = "stopped early" }]
"""


def test_a_fact_that_only_excuses_a_case_is_late_data_too(frames, tmp_path, other_code):
    """The measure of the case is the same; it no longer counts, because it is now excused."""
    register = register_with('\nage = "adult"\ntarget = 0.95\n', EXCUSED)

    def missed(tables_):
        correct(tables_, CORRECTED, "achieved_gain_mm", "52")

    def excused(tables_):
        missed(tables_)
        correct(tables_, CORRECTED, "outcome_status", "stopped_early")

    then = changed(frames, tmp_path / "then", missed)
    folder = save_archive(then, tmp_path / "archive", register=register)
    today = run_on(changed(frames, tmp_path, excused), register=register)
    found = compared(today, folder)
    row = cell(found, ADULT, "value")
    assert row["causes"] == "late data"
    assert row["explanation"].startswith("late data: 1 case changed, table cases")
    listed = found.cases.loc[(found.cases["item"] == ADULT) & (found.cases["window"] == "all")]
    state = listed.loc[listed["field"] == "state"].iloc[0]
    assert (state["case_id"], state["reported"], state["now"]) == (
        CORRECTED,
        "not met",
        "exception",
    )


def test_late_data_definition_and_code_can_hold_at_once(
    frames, lean, tmp_path, other_measure, other_code
):
    other_measure(CORRECTED)
    source = changed(frames, tmp_path, lambda tables_: add_complication(tables_, LATE))
    register = register_with("target = 34\n", 'target = 34\nsegment = ["femur"]\n')
    row = cell(compared(run_on(source, register=register), lean), FLAT, "value")
    assert row["causes"] == "late data + changed code + changed definition"
    assert row["explanation"].endswith("changed definition: segment every one to femur")


def test_causes_that_cancel_out_are_still_both_named(frames, lean, tmp_path):
    """One event more, and a definition that leaves n alone: reported and today can be equal."""

    def change(tables_):
        correct(tables_, CORRECTED, "achieved_gain_mm", "52")

    now = run_on(
        changed(frames, tmp_path, change), settings=Settings(tolerance_mm=8.0, resamples=100)
    )
    row = cell(compared(now, lean), ADULT, "value")
    assert row["same_definition"] < row["reported"]
    assert row["today"] > row["same_definition"]
    assert row["causes"] == "late data + changed definition"


def test_one_person_learning_to_walk_is_explained_by_their_cases(frames, archived, tmp_path):
    def change(tables_):
        correct(tables_, LATE, "full_weight_bearing_date", "2022-04-30")

    found = compared(run_on(changed(frames, tmp_path, change)), archived)
    rows = found.cells.loc[found.cells["item"].isin(["full_weight_bearing_femur_nail"])]
    touched = found.cells.loc[found.cells["causes"] != "unchanged"]
    assert set(rows["causes"]) <= {"unchanged", "late data"}
    assert touched["explanation"].str.startswith("late data: 1 case changed, table cases").all()
    assert touched["item"].isin(["time_to_full_weight_bearing"]).any()


# --- archives of older kits, damaged and foreign ones


def without(folder: pathlib.Path, *files: str, entries: tuple[str, ...] = ()) -> None:
    for name in files:
        (folder / name).unlink()
    path = folder / "run.json"
    record = json.loads(path.read_text())
    for entry in entries:
        del record[entry]
    path.write_text(json.dumps(record))


OLD_FILES = ("criteria.toml", "case_record.csv", "criterion_cases.csv")
OLD = {"entries": ("code", "criteria", "files")}


def test_an_old_archive_without_changes(now, archive):
    without(archive, *OLD_FILES, **OLD)
    found = compared(now, archive)
    assert set(found.cells["causes"]) == {"unchanged"}
    assert found.runs["code"].item() == "not recorded"
    assert "the register of then was not kept" in found.runs["definitions"].item()
    assert found.runs["remarks"].item().endswith("criterion_cases.csv was not kept")
    shown = tables.runs_table(found).frame
    assert shown["Register then, today"].item().startswith("not recorded, ")


def test_an_old_archive_tells_apart_what_its_measured_cases_allow(frames, archive, tmp_path):
    without(archive, *OLD_FILES, **OLD)
    found = compared(run_on(changed(frames, tmp_path, late_and_corrected)), archive)
    corrected = cell(found, ADULT, "value")  # the gain stands in cases_measured.csv
    assert corrected["causes"] == "late data"
    assert "cannot be told from this archive" in corrected["explanation"]
    event = cell(found, FLAT, "value")  # a complication does not
    assert event["causes"] == "late data or changed code"
    assert event["explanation"].endswith("cannot tell them apart for 1 case changed")
    assert event["cases_not_told_apart"] == 1


def test_an_archive_without_cases_cannot_tell_apart(frames, archive, tmp_path):
    without(archive, "cases_measured.csv", *OLD_FILES, **OLD)
    found = compared(run_on(changed(frames, tmp_path, late_and_corrected)), archive)
    assert causes(found) == {"late data or changed code"}
    row = cell(found, FLAT, "value")
    assert row["explanation"] == "late data or changed code: the archive cannot tell them apart"


def test_an_old_archive_whose_standards_say_that_the_target_changed(now, archive):
    without(archive, "criteria.toml", **OLD)
    register = register_with("target = 34\n", "target = 10\n")
    found = compared(dataclasses.replace(now, register=register), archive)
    row = cell(found, FLAT, "verdict")
    assert row["same_definition"] is None
    assert row["causes"] == "changed definition + late data or changed code"
    assert row["explanation"].startswith("changed definition: target 34.0 to 10; ")
    assert cell(found, FLAT, "n")["causes"] == "unchanged"


def edit_cell(folder: pathlib.Path, item: str, column: str, value: str) -> None:
    path = folder / "standards.csv"
    frame = pd.read_csv(path, dtype=str, keep_default_na=False)
    frame.loc[(frame["criterion"] == item) & (frame["window"] == "all"), column] = value
    frame.to_csv(path, index=False, lineterminator="\n")


def test_an_altered_cell_of_an_archive_is_reported_with_its_address(now, archive):
    edit_cell(archive, FLAT, "value", "12.5")
    found = compared(now, archive)
    moved = found.cells.loc[found.cells["causes"] != "unchanged"]
    assert len(moved) == 1
    row = moved.iloc[0]
    assert (row["item"], row["window"], row["column"]) == (FLAT, "all", "value")
    assert row["reported"] == 12.5
    assert row["causes"] == "archive changed afterwards"
    assert "standards.csv" in row["explanation"]


def test_an_altered_cell_of_an_archive_without_file_hashes_has_no_cause(now, archive):
    without(archive, entries=("files",))
    edit_cell(archive, FLAT, "value", "12.5")
    row = cell(compared(now, archive), FLAT, "value")
    assert row["causes"] == "no cause found"
    assert "same tables, same code and same libraries" in row["explanation"]


def test_other_line_ends_are_no_alteration(now, archive):
    for path in (*archive.glob("*.csv"), archive / "criteria.toml"):
        path.write_bytes(path.read_bytes().replace(b"\n", b"\r\n"))
    assert read_archive(archive).runs[0].edited == ()
    found = compared(now, archive)
    assert set(found.cells["causes"]) == {"unchanged"}


def test_a_register_that_today_s_kit_cannot_read_counts_as_not_kept(now, archive):
    (archive / "criteria.toml").write_text('version = "1"\n[[criterion]]\nid = "x"\n')
    found = compared(now, archive)
    assert "does not fit this kit" in found.runs["definitions"].item()
    assert causes(found) == set()


def test_a_centre_that_is_gone_is_said(frames, source, tmp_path):
    centre = frames["cases"]["centre"].iloc[0]
    folder = save_archive(source, tmp_path / "archive", centre=centre)
    record = pd.read_csv(folder / "case_record.csv", dtype=str)
    mine = frames["cases"].loc[frames["cases"]["centre"] == centre, "case_id"]
    assert set(record["case_id"]) <= set(mine)

    def rename(tables_):
        tables_["cases"]["centre"] = "elsewhere"

    found = reaudit(run_on(changed(frames, tmp_path, rename)), read_archive(folder))
    assert set(found.cells["causes"]) == {"late data"}
    assert found.cells["explanation"].str.contains("nothing could be recomputed").all()
    assert "Centres in the source" in found.runs["remarks"].item()


def test_of_two_runs_for_a_quarter_the_later_is_taken_and_it_is_said(now, archive):
    home = archive.parent
    shutil.copytree(archive, home / "again")
    record = json.loads((archive / "run.json").read_text())
    record["time"] = "2020-01-01T00:00:00+00:00"
    (archive / "run.json").write_text(json.dumps(record))
    (home / "letters").mkdir()
    (home / ".hidden").mkdir()
    found = read_archive(home)
    assert [run.name for run in found.runs] == ["again"]
    assert found.left_out == (
        "letters is no run",
        f"{QUARTER} is not the last run for {QUARTER}: again was made later",
    )
    notes = tables.runs_table(reaudit(now, found)).notes
    assert notes[0] == "Letters is no run."


def test_a_run_later_than_today_s_is_left_out(source, lean):
    found = reaudit(run_on(source, "2023Q1"), read_archive(lean))
    assert found.runs.empty and found.cells.empty
    assert found.left_out == (f"{QUARTER} is later than this run: its cut-off is 2023-06-30",)
    assert "No earlier run could be compared" in tables.summary_words(found)
    for table in (tables.runs_table, tables.causes_table, tables.then_and_now_table):
        assert table(found).frame.empty


DAMAGE = {
    "no json": lambda home: (home / "run.json").write_text("{"),
    "a list": lambda home: (home / "run.json").write_text("[]"),
    "no cut-off": lambda home: without(home, entries=("cutoff",)),
    "odd settings": lambda home: (home / "run.json").write_text(
        (home / "run.json").read_text().replace('"tolerance_mm": 5.0', '"tolerance_mm": "wide"')
    ),
    "odd inputs": lambda home: (home / "run.json").write_text(
        (home / "run.json").read_text().replace('"sha256"', '"md5"')
    ),
    "no standards": lambda home: (home / "standards.csv").unlink(),
    "empty table": lambda home: (home / "standards.csv").write_text(""),
    "no text": lambda home: (home / "results.csv").write_bytes(b"\xff\xfe\x00\x01\xff"),
    "no column": lambda home: (home / "standards.csv").write_text("criterion,window\na,all\n"),
    "row twice": lambda home: (home / "standards.csv").write_text(
        (home / "standards.csv").read_text()
        + (home / "standards.csv").read_text().splitlines()[1]
        + "\n"
    ),
}


@pytest.mark.parametrize("damage", DAMAGE.values(), ids=DAMAGE)
@pytest.mark.parametrize("several", [False, True], ids=["alone", "among others"])
def test_a_damaged_archive_is_refused_in_words(archive, damage, several):
    damage(archive)
    with pytest.raises(UnusableInput, match=f"earlier run {QUARTER} is damaged") as refusal:
        read_archive(archive.parent if several else archive)
    assert str(archive.parent) not in str(refusal.value)


@pytest.mark.parametrize(
    ("record", "words"),
    [
        ({"kit": "other"}, "was not written by this kit"),
        ({"kit": "lengthening-audit", "parameters": {"command": "check"}}, "holds a check"),
    ],
)
def test_a_foreign_folder_is_refused_alone_and_left_out_among_others(archive, record, words):
    other = archive.parent / "other"
    other.mkdir()
    (other / "run.json").write_text(json.dumps(record))
    with pytest.raises(UnusableInput, match=words):
        read_archive(other)
    found = read_archive(archive.parent)
    assert [run.name for run in found.runs] == [QUARTER]
    assert words in found.left_out[0]


def test_a_folder_that_holds_no_run_is_refused(tmp_path):
    with pytest.raises(UnusableInput, match="does not exist"):
        read_archive(tmp_path / "nowhere")
    (tmp_path / "photos").mkdir()
    with pytest.raises(UnusableInput, match=r"holds no earlier run \(photos is no run\)"):
        read_archive(tmp_path)


def test_an_archive_is_never_written_to(now, archive):
    before = {path.name: path.read_bytes() for path in archive.iterdir()}
    compared(now, archive)
    assert {path.name: path.read_bytes() for path in archive.iterdir()} == before


def test_ids_that_spreadsheets_would_run_are_matched(frames, tmp_path):
    """A case id that is written with an apostrophe is the same case when it is read again."""

    def rename(tables_):
        for frame in tables_.values():
            if "case_id" in frame:
                frame["case_id"] = frame["case_id"].replace(LATE, "-C9/1")

    source = changed(frames, tmp_path, rename)
    folder = save_archive(source, tmp_path / "archive")
    assert "'-C9/1" in (folder / "cases_measured.csv").read_text()
    more = frames_of(source)
    add_complication(more, "-C9/1")
    found = compared(run_on(write(more, tmp_path / "later")), folder)
    assert cell(found, FLAT, "value")["explanation"].startswith("late data: 1 case changed")


# --- for people


def test_tables_for_people_hold_no_case_id_and_every_reason(frames, lean, tmp_path):
    now = run_on(
        changed(frames, tmp_path, late_and_corrected),
        TODAY,
        register=register_with("target = 34\n", "target = 30\n"),
    )
    found = compared(now, lean)
    ids = set(frames["cases"]["case_id"]) | set(frames["cases"]["patient_id"])
    shown = [
        tables.runs_table(found),
        tables.then_and_now_table(found),
        tables.other_windows_table(found),
        tables.causes_table(found),
    ]
    for table in shown:
        words = " ".join([*table.notes, table.caption, *table.frame.astype(str).to_numpy().ravel()])
        assert not [one for one in ids if one in words.split()]
        assert table.frame.notna().all(axis=None)
        assert not (table.frame == "").any(axis=None)
    side_by_side = tables.then_and_now_table(found).frame
    assert list(side_by_side) == [
        "Quarter",
        "Criterion",
        "Reported then",
        "Recomputed today",
        "Why",
    ]
    assert len(side_by_side) == 6
    other = tables.other_windows_table(found).frame
    reasons = other.loc[other["Criterion"].str.startswith("Nail lengthenings have"), "Why"]
    assert reasons.str.contains("target 34 to 30").all()
    assert reasons.str.contains("late data: 1 case changed").any()
    counts = tables.cause_counts(found.cells)
    words = tables.summary_words(found)
    assert f"{counts['late data']} through late data" in words
    assert f"{counts['changed definition']} through changed definition" in words
    assert not [one for one in ids if one in words]


def test_the_page_shows_and_writes_what_was_found(frames, lean, tmp_path, monkeypatch):
    from audit.pages import reaudit as page

    shown = []
    monkeypatch.setattr(page, "show", lambda table: shown.append(table.name))
    monkeypatch.setattr(page, "show_text", shown.append)
    now = run_on(changed(frames, tmp_path, late_and_corrected))
    page.show_reaudit(now, None)
    assert shown == [page.NOTHING]
    out = tmp_path / "out"
    out.mkdir()
    page.show_reaudit(now, lean, out=str(out))
    assert shown[2:] == [
        "reaudit_runs",
        "reaudit_standards",
        "reaudit_other_windows",
        "reaudit_causes",
    ]
    written = pd.read_csv(out / "reaudit.csv", dtype=str, keep_default_na=False)
    assert list(written) == CELL_COLUMNS
    assert (written["explanation"] != "").all()
    assert LATE not in (out / "reaudit.csv").read_text()
    listed = pd.read_csv(out / "reaudit_cases.csv", dtype=str)
    assert list(listed) == CASE_COLUMNS
    assert set(listed["case_id"]) == {LATE, CORRECTED}
    assert set(listed["cause"]) == {"late data"}


def test_nothing_is_written_without_a_folder(now, lean):
    save_reaudit(reaudit(now, read_archive(lean)), None)


def test_a_run_without_its_tables_is_a_mistake_of_the_caller(now, lean):
    bare = dataclasses.replace(now, tables=None)
    with pytest.raises(ValueError, match="needs the tables"):
        reaudit(bare, read_archive(lean))


def test_a_whole_run_compares_with_itself(demo_run, tmp_path):
    """The results of an ordinary run, with every group and sensitivity row in them."""
    save_run(demo_run, tmp_path)
    found = compared(demo_run, tmp_path)
    assert set(found.cells["causes"]) == {"unchanged"}
    main = found.cells.loc[found.cells["table"] == "results"]
    assert main["item"].nunique() >= 30
