"""A newcomer's first hour: an empty entry workbook, three cases typed in, a check, a report."""

from __future__ import annotations

import datetime
import json

import openpyxl
import pandas as pd
import pytest

from audit.commands import main

DAY = datetime.date

PATIENTS = [
    {"patient_id": "007", "sex": "female", "aetiology": "congenital"},
    {"patient_id": "008", "sex": "male", "aetiology": "post_traumatic"},
]
#: 007 has both femora lengthened on one day; 008 is still in treatment
CASES = [
    {
        "case_id": "A1", "patient_id": "007", "side": "left", "segment": "femur",
        "device_class": "lengthening_nail", "nail_approach": "antegrade",
        "age_at_surgery_years": 16.5, "surgery_date": DAY(2025, 2, 3), "planned_gain_mm": 50,
        "segment_length_before_mm": 410, "counselled_full_weight_bearing_weeks": 22,
        "distraction_start_date": DAY(2025, 2, 10), "distraction_end_date": DAY(2025, 4, 3),
        "achieved_gain_mm": 50, "final_gain_mm": 49, "union_date": DAY(2025, 7, 21),
        "full_weight_bearing_date": DAY(2025, 7, 21), "last_follow_up_date": DAY(2025, 11, 3),
        "outcome_status": "completed", "outcome_date": DAY(2025, 11, 3),
    },
    {
        "case_id": "A2", "patient_id": "007", "side": "right", "segment": "femur",
        "device_class": "lengthening_nail", "nail_approach": "antegrade",
        "age_at_surgery_years": 16.5, "surgery_date": DAY(2025, 2, 3), "planned_gain_mm": 50,
        "segment_length_before_mm": 412, "counselled_full_weight_bearing_weeks": 22,
        "distraction_start_date": DAY(2025, 2, 10), "distraction_end_date": DAY(2025, 4, 3),
        "achieved_gain_mm": 48, "final_gain_mm": 48, "union_date": DAY(2025, 8, 18),
        "full_weight_bearing_date": DAY(2025, 8, 18), "last_follow_up_date": DAY(2025, 11, 3),
        "outcome_status": "completed", "outcome_date": DAY(2025, 11, 3),
    },
    {
        "case_id": "B1", "patient_id": "008", "side": "left", "segment": "tibia",
        "device_class": "circular_fixator", "age_at_surgery_years": 34,
        "surgery_date": DAY(2025, 9, 1), "planned_gain_mm": 40, "segment_length_before_mm": 350,
        "counselled_full_weight_bearing_weeks": 30, "distraction_start_date": DAY(2025, 9, 8),
        "last_follow_up_date": DAY(2025, 12, 1), "outcome_status": "in_treatment",
    },
]  # fmt: skip
KNEES = [
    {"case_id": case, "examined_on": day, "joint": "knee", "flexion_deg": flexion,
     "extension_deficit_deg": 0}
    for case, day, flexion in (
        ("A1", DAY(2025, 1, 28), 140), ("A1", DAY(2025, 4, 3), 85), ("A1", DAY(2025, 11, 3), 135),
        ("A2", DAY(2025, 1, 28), 140), ("A2", DAY(2025, 4, 3), 80), ("A2", DAY(2025, 11, 3), 138),
    )
]  # fmt: skip


def fill(path, **tables: list[dict]) -> None:
    """Types rows under the headings that the empty workbook has, as a person would."""
    book = openpyxl.load_workbook(path)
    for name, rows in tables.items():
        sheet = book[name]
        place = {cell.value: cell.column for cell in sheet[1] if cell.value}
        for number, row in enumerate(rows, start=2):
            for column, value in row.items():
                sheet.cell(row=number, column=place[column], value=value)
    book.save(path)


def test_three_cases_typed_into_the_empty_workbook_become_a_report(tmp_path, capsys):
    book = tmp_path / "our_cases.xlsx"
    assert main(["blank", str(book)]) == 0
    fill(book, patients=PATIENTS, cases=CASES, joint_motion=KNEES)
    asked = tmp_path / "asked"
    assert main(["check", str(book), "--out", str(asked)]) in (0, 1)
    queries = pd.read_csv(asked / "queries.csv")
    assert (queries["severity"] != "error").all()
    assert (asked / "queries.xlsx").is_file()

    out = tmp_path / "out"
    code = main(["report", "quarterly", str(book), str(out), "--quarter", "2025Q4"])
    assert code == (1 if len(queries) else 0)
    page = (out / "quarterly_audit.html").read_text(encoding="utf-8")
    assert "Quarterly audit" in page

    # worked by hand from the rows above
    measured = pd.read_csv(out / "cases_measured.csv", dtype={"patient_id": str})
    measured = measured.set_index("case_id")
    assert measured.loc["A1", "patient_id"] == "007"  # the zeros in front are kept
    assert measured.loc["A1", "healing_index_days_per_cm"] == pytest.approx(168 / 5.0)
    assert measured.loc["A2", "healing_index_days_per_cm"] == pytest.approx(196 / 4.8)
    assert measured.loc["A2", "gain_error_mm"] == -2
    assert measured.loc["A1", "knee_flexion_retention_pct"] == pytest.approx(100 * 135 / 140)
    assert pd.isna(measured.loc["B1", "healing_index_days_per_cm"])

    results = pd.read_csv(out / "results.csv", keep_default_na=False)
    walking = results[
        (results["measure"] == "time_to_full_weight_bearing")
        & (results["window"] == "all")
        & (results["group_by"] == "all")
    ]
    # one person with two femora learns to walk once: two walking episodes, not three
    assert set(walking["n"].astype(int)) == {2}
    record = json.loads((out / "run.json").read_text(encoding="utf-8"))
    assert record["parameters"]["source"] == "our_cases.xlsx"
    assert str(tmp_path) not in (out / "run.json").read_text(encoding="utf-8")
