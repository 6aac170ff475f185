"""The quarterly report as a whole, on the demo data."""

from __future__ import annotations

import re
import shutil

import pandas as pd
import pytest

from audit.commands import main
from audit.errors import UnusableInput
from audit.report import Request, make_report
from tests.conftest import DEMO


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    """The report of 2026Q3, beside what was reported on 2026Q2, when the events of that spring
    had not been entered yet."""
    home = tmp_path_factory.mktemp("report")
    then = shutil.copytree(DEMO, home / "then")
    events = pd.read_csv(then / "complications.csv", dtype=str)
    early = events.loc[~events["occurred_on"].between("2026-03-01", "2026-06-30")]
    assert len(early) < len(events)
    early.to_csv(then / "complications.csv", index=False)
    main(["measure", str(then), str(home / "earlier" / "2026Q2"), "--quarter", "2026Q2"])
    out = home / "out"
    lines: list[str] = []
    request = Request(quarter="2026Q3", compare=str(home / "earlier"))
    asked = make_report("quarterly", DEMO, out, request=request, tell=lines.append)
    return out, asked, lines


def test_report_holds_page_figures_tables_and_the_files_of_the_run(report):
    out, asked, lines = report
    names = {path.name for path in out.iterdir()}
    assert names >= {"quarterly_audit.html", "results.csv", "queries.csv", "figures", "tables"}
    assert asked == len(pd.read_csv(out / "queries.csv"))
    assert len(list((out / "figures").glob("*.png"))) >= 5
    assert any(line.startswith("cell 1 of") for line in lines)


def test_page_is_whole_and_shows_no_code(report):
    page = (report[0] / "quarterly_audit.html").read_text(encoding="utf-8")
    assert "show_coverage" not in page
    assert "Traceback" not in page
    assert not re.search(r"""(src|href)=["'](https?:)?//""", page)
    assert page.count("<img") == page.count('alt="')
    for words in (
        "2026-09-30",
        "Patients",
        "Limbs",
        "never advice for one patient",
        "Cases to discuss",
    ):
        assert words in page


def test_earlier_quarters_stand_beside_todays_with_the_cause_of_each_difference(report):
    page = (report[0] / "quarterly_audit.html").read_text(encoding="utf-8")
    cells = pd.read_csv(report[0] / "reaudit.csv")
    assert set(cells["quarter"]) == {"2026Q2"}
    changed = cells.loc[cells["causes"] != "unchanged"]
    assert set(changed["item"]) >= {"complications_per_100_cases", "complications_nail"}
    assert changed["causes"].str.contains("late data").all()
    assert not pd.read_csv(report[0] / "reaudit_cases.csv").empty
    assert "late data" in page
    assert "--compare FOLDER" not in page


def test_the_page_begins_with_the_summary_and_charts_keep_their_points(report):
    page = (report[0] / "quarterly_audit.html").read_text(encoding="utf-8")
    headings = re.findall(r'<h2 id="section-[^"]*">([^<]*)</h2>', page)
    assert headings[:2] == ["The audit on one page", "Actions from earlier audits"]
    assert "page-end" in page
    points = pd.read_csv(report[0] / "chart_points.csv")
    standards = pd.read_csv(report[0] / "standards.csv")
    assert set(points["criterion"]) <= set(standards["criterion"])
    assert set(points["chart"]) <= {"P", "U", "I", "T", "G"}


def test_a_comparison_is_refused_before_a_kernel_starts(tmp_path):
    with pytest.raises(UnusableInput, match="--compare is an option of: report quarterly"):
        make_report("quality", DEMO, tmp_path / "out", request=Request(compare=str(tmp_path)))
    with pytest.raises(UnusableInput):
        make_report("quarterly", DEMO, tmp_path / "out", request=Request(compare=str(tmp_path)))
    assert not (tmp_path / "out").exists()


def test_report_and_measure_write_the_same_numbers(report, tmp_path):
    main(["measure", str(DEMO), str(tmp_path / "m"), "--quarter", "2026Q3"])
    for name in ("results.csv", "cases_measured.csv", "queries.csv", "standards.csv"):
        assert (report[0] / name).read_bytes() == (tmp_path / "m" / name).read_bytes()


def test_a_small_source_still_gives_an_honest_report(tmp_path, write_source):
    """One case, no optional table: nothing estimable is invented, nothing crashes."""
    folder = write_source(
        patients="patient_id sex\nP1 female",
        cases="case_id patient_id segment device_class age_at_surgery_years surgery_date "
        "planned_gain_mm last_follow_up_date outcome_status\n"
        "C1 P1 femur lengthening_nail 20 2025-01-10 38 2025-03-10 in_treatment",
    )
    assert make_report("quarterly", folder, tmp_path / "out") == 0
    page = (tmp_path / "out" / "quarterly_audit.html").read_text(encoding="utf-8")
    assert "not estimable" in page.lower()
    results = pd.read_csv(tmp_path / "out" / "results.csv")
    assert results.loc[results["measure"] == "complications_per_100_cases", "value"].isna().all()


def test_unusable_source_is_refused_before_a_kernel_starts(tmp_path):
    with pytest.raises(UnusableInput, match="does not exist"):
        make_report("quarterly", tmp_path / "nowhere", tmp_path / "out")
    with pytest.raises(UnusableInput, match="KIND must be one of"):
        make_report("yearly", DEMO, tmp_path / "out")
    assert not (tmp_path / "out").exists()
