"""The command line as a person meets it: exit codes, messages, files, nothing half-written."""

from __future__ import annotations

import csv
import json
import subprocess
import sys

import pandas as pd
import pytest

from audit.commands import main
from audit.release.csv_files import harmless
from audit.release.folder import staged_folder
from audit.results.rows import RESULT_COLUMNS
from tests.conftest import DEMO, ROOT

SECTION_3 = {
    "results.csv",
    "cases_measured.csv",
    "queries.csv",
    "cohort_flow.csv",
    "standards.csv",
    "run.json",
}


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """The output of one `measure` run on the demo data."""
    out = tmp_path_factory.mktemp("measure") / "out"
    assert main(["measure", str(DEMO), str(out), "--quarter", "2026Q3"]) == 1
    return out


def test_measure_writes_the_files_of_a_run(measured):
    assert {path.name for path in measured.iterdir()} >= SECTION_3
    results = pd.read_csv(measured / "results.csv")
    assert results.columns.tolist() == RESULT_COLUMNS
    assert set(results["window"]) == {"all", "quarter:2026Q3", "year_to:2026Q3"}
    assert set(results["group_by"]) >= {"all", "device_class", "segment", "device_class+segment"}


def test_every_measure_of_the_contract_is_there(measured):
    results = pd.read_csv(measured / "results.csv")
    expected = {
        "latency_days", "distraction_days", "distraction_index_mm_per_day",
        "healing_index_days_per_cm", "healing_index_months_per_cm", "maturation_index_days_per_cm",
        "external_fixation_index_days_per_cm", "weight_bearing_index_days_per_cm", "gain_error_mm",
        "gain_attainment_pct", "gain_accuracy_pct", "gain_within_tolerance", "length_lost_mm",
        "lengthening_pct", "knee_flexion_retention_pct", "knee_arc_retention_pct",
        "final_gain_error_mm", "complication_events", "unplanned_operations",
        "cases_with_complication", "cases_with_unplanned_operation", "complications_per_100_cases",
        "complications_per_100_case_months", "gain_agreement_mm", "time_to_full_weight_bearing",
        "time_to_full_weight_bearing_by_case", "time_to_union",
        "healing_index_censored_days_per_cm", "time_to_knee_recovery",
    }  # fmt: skip
    assert set(results["measure"]) >= expected
    for statistic in ("mean", "median", "proportion", "rate", "bias"):
        rows = results.loc[results["statistic"] == statistic]
        twins = results.loc[results["statistic"] == f"{statistic}_clustered"]
        assert len(rows) == len(twins)
        pd.testing.assert_series_equal(
            rows["value"].reset_index(drop=True), twins["value"].reset_index(drop=True)
        )
    waiting = results.loc[results["statistic"] == "not_reached_at", "note"]
    days = waiting.str.extract(r"at (\d+) days")[0].astype(int)
    assert set(days) == {90, 120, 180, 365}


def test_run_record_traces_inputs_and_versions(measured):
    record = json.loads((measured / "run.json").read_text())
    assert record["cutoff"] == "2026-09-30"
    assert {item["table"] for item in record["inputs"]} >= {"patients", "cases"}
    assert all(len(item["sha256"]) == 64 for item in record["inputs"])
    assert record["packages"]["pandas"]
    assert str(ROOT) not in (measured / "run.json").read_text()


def test_queries_have_the_contract_columns(measured):
    with (measured / "queries.csv").open(newline="") as lines:
        assert next(csv.reader(lines)) == [
            "table", "row", "case_id", "column", "value", "rule", "severity", "message",
        ]  # fmt: skip


def test_a_full_folder_is_not_overwritten(measured, capsys):
    before = {path.name: path.read_bytes() for path in measured.iterdir()}
    assert main(["measure", str(DEMO), str(measured)]) == 2
    assert "already holds files; add --replace" in capsys.readouterr().err
    assert {path.name: path.read_bytes() for path in measured.iterdir()} == before


def test_a_folder_of_someone_else_is_never_replaced(tmp_path, capsys):
    (tmp_path / "letter.txt").write_text("mine")
    assert main(["check", str(DEMO), "--out", str(tmp_path), "--replace"]) == 2
    assert "choose a new or empty folder" in capsys.readouterr().err
    assert (tmp_path / "letter.txt").read_text() == "mine"


def test_a_failing_run_leaves_nothing(tmp_path):
    out = tmp_path / "out"
    with pytest.raises(RuntimeError, match="stop"), staged_folder(out) as stage:
        (stage / "half.csv").write_text("half")
        raise RuntimeError("stop")
    assert list(tmp_path.iterdir()) == []


def test_check_exit_codes(tmp_path, capsys):
    assert main(["check", str(DEMO), "--out", str(tmp_path / "asked")]) == 1
    assert (tmp_path / "asked" / "queries.csv").exists()
    assert main(["check", str(tmp_path / "nowhere")]) == 2
    assert capsys.readouterr().err.strip().endswith("check the path that you typed.")
    clean = tmp_path / "clean"
    clean.mkdir()
    (clean / "patients.csv").write_text("patient_id,sex\nP1,female\n")
    (clean / "cases.csv").write_text(
        "case_id,patient_id,segment,device_class,age_at_surgery_years,surgery_date,"
        "planned_gain_mm,last_follow_up_date,outcome_status\n"
        "C1,P1,femur,lengthening_nail,20,2025-01-10,38,2025-03-10,in_treatment\n"
    )
    assert main(["check", str(clean)]) == 0


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--quarter", "2026-3"], "written like 2026Q3"),
        (["--cutoff", "30.9.2026"], "written as YYYY-MM-DD"),
        (["--centre", "west"], "Centres in the source: north, south"),
    ],
)
def test_wrong_options_are_refused_in_words(tmp_path, capsys, arguments, message):
    assert main(["measure", str(DEMO), str(tmp_path / "out"), *arguments]) == 2
    assert message in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_help_names_every_command():
    done = subprocess.run(
        [sys.executable, "-m", "audit", "--help"], capture_output=True, text=True, cwd=ROOT
    )
    assert done.returncode == 0
    for command in (
        "demo", "check", "blank", "measure", "report", "verify", "aggregate", "pool",
    ):  # fmt: skip
        assert command in done.stdout
    assert "never advice for one patient" in " ".join(done.stdout.split())


def test_blank_writes_a_workbook_once_and_says_what_to_do_next(tmp_path, capsys):
    file = tmp_path / "entry.xlsx"
    assert main(["blank", str(file)]) == 0
    told = capsys.readouterr()
    assert "begin with the sheet 'Read me'" in told.err
    assert f"lengthening-audit check {file} --out asked" in told.err
    before = file.read_bytes()
    assert before.startswith(b"PK")
    assert main(["blank", str(file)]) == 2
    assert "Refused: entry.xlsx is there already and may hold data" in capsys.readouterr().err
    assert file.read_bytes() == before
    assert main(["blank", str(tmp_path / "entry.csv")]) == 2
    assert "must end in .xlsx" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["entry.xlsx"]


def test_check_writes_the_questions_at_their_cells(tmp_path):
    out = tmp_path / "asked"
    assert main(["check", str(DEMO), "--out", str(out)]) == 1
    names = {path.name for path in out.iterdir()}
    assert names == {
        "queries.csv", "queries.xlsx", "cohort_flow.csv", "rows_kept_out.csv", "run.json",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("cell", "written"),
    [("=1+1", "'=1+1"), ("@x", "'@x"), ("-5", "-5"), ("+3.5", "+3.5"), ("-x", "'-x"), (7, 7)],
)
def test_no_cell_can_run_as_a_formula(cell, written):
    assert harmless(cell) == written
