"""The data-quality notebook's tables, figure and checks, for people.

Six headings, accuracy "needs source check" unless a source was checked: standards 1.5, item 2; not
assessed instead of 100 %: item 1. Half-up rounding and n/N with each share: `audit.wording`.
"""

from __future__ import annotations

import dataclasses

import pandas as pd
import pytest

from audit import figures
from audit.pages import quality as page
from audit.quality.trend import COMPLETE, ERRORS
from audit.tables import quality as tables
from audit.tables import quality_detail as detail
from audit.tables import quality_fitness as fitness
from tests.conftest import DEMO
from tests.unit.quality_cohort import CASES, CUTOFF, PATIENTS
from tests.unit.quality_cohort import TABLES as SIX

SETTINGS = {"quarter": None, "cutoff": CUTOFF, "centre": None}


@pytest.fixture
def six_run(write_source):
    return page.start(str(write_source(**SIX)), **SETTINGS)


@pytest.fixture
def bare_run(write_source):
    return page.start(str(write_source(patients=PATIENTS, cases=CASES)), **SETTINGS)


@pytest.fixture(scope="module")
def demo():
    return page.start(str(DEMO), quarter="2026Q3", cutoff=None, centre=None)


def every_table(run):
    return [
        tables.rows_table(run.cohort, run.quality),
        tables.kept_out_table(run.quality),
        tables.dimension_table(run.quality),
        tables.key_set_table(run.quality),
        tables.completeness_table(run.quality),
        tables.validity_table(run.quality),
        detail.optional_table(run.quality),
        detail.cases_asked_table(run.quality),
        detail.rule_table(run.quality),
        detail.rule_table(run.quality, dimension="consistency"),
        detail.uniqueness_table(run.quality),
        detail.newest_table(run.cohort, run.quality),
        detail.contact_table(run.quality),
        detail.stale_table(run.quality),
        detail.ascertainment_table(run.quality),
        detail.trend_table(run.quality),
        fitness.criterion_fitness_table(run.standards),
        fitness.measure_fitness_table(run.quality),
        fitness.next_table(run.cohort, run.quality, run.standards),
    ]


def test_every_table_is_text_and_short(six_run, bare_run, demo):
    for run in (six_run, bare_run, demo):
        shown = every_table(run)
        assert len({table.name for table in shown}) == len(shown)
        for table in shown:
            assert len(table.frame) <= 25, table.name
            assert table.frame.shape[1] <= 8, table.name
            texts = table.frame.map(lambda cell: isinstance(cell, str | pd.Timestamp)).to_numpy()
            assert texts.all(), table.name
            assert not table.frame.isin(["nan", "None", "NaT"]).to_numpy().any(), table.name


def test_the_checks_of_the_notebook_hold(six_run, bare_run, demo):
    for run in (six_run, bare_run, demo):
        assert page.counts_add_up(run)
        assert page.not_assessed_says_why(run)


def test_the_checks_of_the_notebook_can_fail(six_run):
    quality = six_run.quality
    lost = dataclasses.replace(quality, missing=quality.missing.iloc[1:])
    assert not page.counts_add_up(dataclasses.replace(six_run, quality=lost))
    wrong = quality.validity.assign(valid=quality.validity["valid"] + 1)
    wrong = dataclasses.replace(quality, validity=wrong)
    assert not page.counts_add_up(dataclasses.replace(six_run, quality=wrong))
    claimed = dataclasses.replace(quality, accuracy="100 %")
    assert not page.not_assessed_says_why(dataclasses.replace(six_run, quality=claimed))
    silent = dataclasses.replace(quality, ascertainment=quality.ascertainment.assign(note=""))
    assert not page.not_assessed_says_why(dataclasses.replace(six_run, quality=silent))


def cell(table, row, column=-1):
    frame = table.frame.set_index(table.frame.columns[0])
    return frame.loc[row].iloc[column]


def test_six_dimensions_and_ascertainment_at_a_glance(six_run):
    glance = tables.dimension_table(six_run.quality)
    assert glance.frame["Dimension"].tolist() == [
        "Completeness", "Validity", "Consistency", "Timeliness", "Uniqueness", "Accuracy",
        "Case ascertainment",
    ]  # fmt: skip
    assert cell(glance, "Completeness") == "3/6 (50%; 19% to 81%)"
    assert cell(glance, "Accuracy") == "Needs source check"
    assert cell(glance, "Case ascertainment").startswith("not assessed")
    assert "lag not assessed" in cell(glance, "Timeliness")
    assert "1/2 (50%; 9% to 91%)" in cell(glance, "Timeliness")


def test_worst_items_come_first_and_the_rest_is_named(six_run):
    shown = tables.completeness_table(six_run.quality, most=3)
    assert len(shown.frame) == 3
    assert shown.frame["Complete (95% CI)"].str.startswith("0/").all()
    lacking = six_run.quality.completeness
    lacking = lacking.loc[(lacking["expected"] > 0) & (lacking["complete"] < lacking["expected"])]
    notes = " ".join(shown.notes)
    assert f"{len(lacking) - 3} more lines are not shown: quality_completeness.csv" in notes
    assert "Not assessed, as the source has no such table" in notes
    assert "weight bearing" in notes


def test_every_list_named_in_a_table_is_written(six_run, tmp_path):
    page.save(six_run, str(tmp_path))
    written = {path.name for path in tmp_path.iterdir()}
    words = " ".join(
        " ".join(table.notes) + " ".join(table.frame.astype(str).to_numpy().ravel())
        for table in every_table(six_run)
    )
    named = {part.strip(".,;:") for part in words.split() if part.strip(".,;:").endswith(".csv")}
    assert named
    assert named <= written
    assert {"run.json", "cohort_flow.csv"} <= written
    full = pd.read_csv(tmp_path / "quality_missing.csv")
    assert len(full) == len(six_run.quality.missing)


def test_nothing_is_written_when_nothing_was_asked_for(six_run, tmp_path):
    page.save(six_run, None)
    assert list(tmp_path.glob("*.json")) == []


def test_who_answers_what(six_run, demo):
    todo = fitness.next_table(six_run.cohort, six_run.quality, six_run.standards).frame
    by = todo.set_index("What")["How many"]
    missing = next(name for name in by.index if name.startswith("Items that could be expected"))
    assert by[missing] == str(len(six_run.quality.missing))
    stale = next(name for name in by.index if "not seen of late" in name)
    assert by[stale] == "1"
    assert any("theatre_counts" in name for name in by.index)  # no list: ask for one
    there = fitness.next_table(demo.cohort, demo.quality, demo.standards).frame
    assert any("without a case" in name for name in there["What"])
    assert not any("theatre_counts" in name for name in there["What"])


def test_unfit_is_shown_in_words(six_run):
    shown = fitness.criterion_fitness_table(six_run.standards).frame
    row = shown.loc[shown["Criterion"].str.startswith("Nail lengthening in adults")].iloc[0]
    assert row["All time"] == "Fit: 1/1 (100%; 21% to 100%)"
    child = shown.loc[shown["Criterion"].str.startswith("Nail lengthening under 18")].iloc[0]
    assert child["All time"] == "Not fit: 0/1 (0%; 0% to 79%)"
    none = shown.loc[shown["Criterion"].str.startswith("Nail lengthenings have")].iloc[0]
    assert none["All time"] == "Not fit: the source has no table complications"
    assert row["Made from"] == "Cases: planned gain, achieved gain"


def test_the_report_shows_unfit_instead_of_a_verdict(six_run):
    from audit.run import AuditRun
    from audit.tables.front import UNFIT_NOTE, verdict_table

    run = AuditRun(
        six_run.cohort, pd.DataFrame(), pd.DataFrame(), six_run.standards, six_run.quarter, {}
    )
    shown = verdict_table(run)
    child = shown.frame.loc[shown.frame["Criterion"].str.startswith("Nail lengthening under 18")]
    assert child["All time"].iloc[0] == (
        "Data not fit to judge: 0% of 1 due cases have what it needs (minimum 80%)"
    )
    assert UNFIT_NOTE in shown.notes
    fine = dataclasses.replace(run, standards=six_run.standards.assign(note=""))
    assert UNFIT_NOTE not in verdict_table(fine).notes


# --- the figure -----------------------------------------------------------------------------------
def test_figure_shows_every_quarter_with_its_interval(demo):
    trend = demo.quality.trend
    figure = figures.quality_over_time(trend, title=page.TREND)
    complete, errors = figure.axes
    rows = trend.points.loc[trend.points["series"] == COMPLETE]
    drawn = [line for line in complete.lines if line.get_marker() in ("o", "D")]
    heights = sorted(y for line in drawn for y in line.get_ydata())
    assert heights == pytest.approx(sorted(rows["value"]))
    bars = complete.collections[0].get_segments()
    assert [bar[0, 1] for bar in bars] == pytest.approx(rows["low"].tolist())
    assert [bar[1, 1] for bar in bars] == pytest.approx(rows["high"].tolist())
    assert len(errors.get_xticklabels()) == 12
    sizes = [text.get_text() for text in complete.texts]
    assert [str(n) for n in rows["n"]] == [text for text in sizes if text.isdigit()]


def test_the_same_trend_gives_the_same_picture(demo):
    one, two = (
        figures.picture(figures.quality_over_time(demo.quality.trend, title=page.TREND))
        for _ in range(2)
    )
    assert one == two


def test_figure_in_words(demo):
    trend = demo.quality.trend
    words = figures.quality_over_time_alt(trend, title=page.TREND)
    first = trend.points.loc[trend.points["series"] == COMPLETE].iloc[0]
    assert f"{100 * first['value']:.0f}% in {first['quarter']}" in words
    assert trend.signals[ERRORS] in words


def test_no_case_no_figure(demo):
    trend = demo.quality.trend
    empty = dataclasses.replace(trend, points=trend.points.assign(value=float("nan")))
    figure = figures.quality_over_time(empty, title="Nothing")
    assert figure.axes == []
    assert "no quarter has cases" in figures.quality_over_time_alt(empty, title="Nothing")


def test_one_bad_setting_is_refused(write_source):
    from audit.errors import UnusableInput

    with pytest.raises(UnusableInput, match="--quarter"):
        page.start(str(write_source(**SIX)), quarter="Q3", cutoff=None, centre=None)
    with pytest.raises(UnusableInput, match="No usable case is of centre"):
        page.start(str(write_source(**SIX)), quarter=None, cutoff=CUTOFF, centre="west")


def test_the_report_of_a_source_with_two_tables(write_source, tmp_path):
    """The whole way: notebook run on a source, page and files in a folder; nothing is estimable
    without a reason."""
    from audit.report import Request, make_report

    folder, out = write_source(patients=PATIENTS, cases=CASES), tmp_path / "out"
    asked = make_report("quality", folder, out, request=Request(cutoff=CUTOFF))
    page_text = (out / "data_quality.html").read_text(encoding="utf-8")
    assert asked == len(pd.read_csv(out / "queries.csv"))
    assert "not assessed: the source has no theatre list" in page_text
    assert "Needs source check" in page_text
    assert ">nan<" not in page_text
    assert (out / "figures" / "quality_over_time.png").is_file()
    for name in ("run.json", "quality_missing.csv", "standards.csv", "tables/what_next.csv"):
        assert (out / name).is_file(), name
    text = "".join(path.read_text(encoding="utf-8") for path in out.glob("*.json"))
    assert str(folder) not in text + page_text
