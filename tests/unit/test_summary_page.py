"""The notebook of summary tables: the export as a whole, and the earlier release read back."""

from __future__ import annotations

import dataclasses
import shutil

import pandas as pd
import pytest

from audit.disclosure.over_time import compare_releases
from audit.errors import UnusableInput
from audit.pages import summary_tables as page
from audit.release.earlier_release import NUMBERS, read_release
from audit.summaries.table import ALL
from audit.tables.leaving import comparison_table, leaving_table
from schemas import TABLES
from tests.unit.canary_export import exported


@pytest.fixture(scope="module")
def done():
    return exported()


@pytest.fixture
def shown(monkeypatch):
    """What a page shows: tables by name, texts in a list."""
    found = {"tables": {}, "texts": []}
    monkeypatch.setattr(page, "show", lambda one: found["tables"].update({one.name: one}))
    monkeypatch.setattr(page, "show_text", lambda words: found["texts"].append(words))
    return found


def test_the_checks_of_the_notebook_hold_and_can_fail(done):
    export = done.export
    assert page.nothing_is_given_away(export) and page.counts_add_up(export)
    open_one = export.attacked.assign(protected=False)
    assert not page.nothing_is_given_away(dataclasses.replace(export, attacked=open_one))
    told = pd.DataFrame(
        {"table": ["x"], "flagged": [True], "period_before": ["one"], "period_now": ["one"]}
    )
    assert not page.nothing_is_given_away(dataclasses.replace(export, compared=told))
    moved = told.assign(period_now="two")
    assert page.nothing_is_given_away(dataclasses.replace(export, compared=moved))
    line = comparison_table(pd.concat([told, moved], ignore_index=True)).frame.iloc[0]
    assert list(line) == ["x", "2", "1", "1"]
    table = next(one for one in export.exact["year_to"] if one.name == "cohort-by-segment")
    whole = (table.frame["segment"] == ALL) & (table.frame["statistic"] == "count")
    wrong = dataclasses.replace(
        table, frame=table.frame.assign(value=table.frame["value"] + whole.astype(float))
    )
    assert not page.counts_add_up(dataclasses.replace(export, exact={"year_to": (wrong,)}))


def test_each_level_holds_its_periods(done):
    periods = {
        level: list(dict.fromkeys(one.table.period for one in tables))
        for level, tables in done.export.released.items()
    }
    assert periods == {
        "internal": ["2026 Q3", "2025 Q4 to 2026 Q3", "all time"],
        "paper": ["all time"],
        "external": ["2025 Q4 to 2026 Q3"],
    }


def test_a_written_release_waits_for_two_checkers(done, shown):
    page.show_verification(str(done.folder))
    assert "checker 1" in shown["texts"][0] and "has changed" not in shown["texts"][0]
    page.show_verification(None)
    assert "Nothing was written" in shown["texts"][1]


def test_the_columns_of_a_curve_bear_the_name_of_their_rounding_where_they_leave(done):
    """Public output-checking guidance: midpoint-rounded curve columns say so."""
    (curve,) = (done.folder / "external").glob("table-time-to-full-weight-bearing-*.csv")
    header = curve.read_text(encoding="utf-8").splitlines()[0]
    assert '"denominator_midpoint6","value_midpoint6"' in header
    for exact in (done.folder / "internal").glob("table-time-to-full-weight-bearing-*.csv"):
        assert "midpoint" not in exact.read_text(encoding="utf-8").splitlines()[0]


def test_every_table_can_be_shown_as_it_would_leave(done, shown):
    names = [one.table.name for one in done.export.released["external"]]
    page.show_tables(done.export, *names)
    assert len(shown["tables"]) == len(names)
    page.show_overview(done.export)
    page.show_attack(done.export)
    page.show_leaving(done.export)
    page.show_rules(done.export)
    page.show_comparison(done.export)
    assert "first release" in shown["texts"][0]
    unprotected = shown["tables"]["attack"].frame["Not protected"]
    assert set(unprotected) <= {"0"}


def test_the_allow_list_for_people_names_every_column(done):
    words = " ".join(leaving_table(done.run).frame["Columns"])
    for table in done.run.cohort.given:
        for column in TABLES[table].columns.values():
            assert column.metadata["title"] in words


def test_an_earlier_release_is_read_back_as_it_left(done):
    today = done.export.released["external"]
    earlier = read_release(done.folder, like=done.export.exact["year_to"])
    assert [one.table.name for one in earlier] == [one.table.name for one in today]
    for before, now in zip(earlier, today, strict=True):
        assert before.table.dimensions == now.table.dimensions
        assert before.table.tied == now.table.tied and before.hidden == now.hidden
        assert before.table.coarser == now.table.coarser
        assert before.table.frame.empty, "the exact numbers did not leave"
        left = now.frame.reset_index(drop=True)
        own = (left["statistic"] == "count") & (left["numerator"] == left["denominator"])
        left["denominator"] = left["denominator"].mask(own)
        for name in NUMBERS:
            pd.testing.assert_series_equal(before.frame[name], left[name], check_dtype=False)
        assert list(before.frame["marker"]) == list(now.frame["marker"])
    compared = compare_releases(earlier, today, done.export.settings)
    assert len(compared) > 100
    # a release against itself tells of nobody
    assert not compared["flagged"].any()


def test_an_earlier_release_that_cannot_be_trusted_is_refused(done, tmp_path):
    like = done.export.exact["year_to"]
    with pytest.raises(UnusableInput, match="holds no external release"):
        read_release(tmp_path, like=like)
    home = tmp_path / "changed"
    shutil.copytree(done.folder / "external", home)
    path = next(home.glob("table-cohort-by-segment*.csv"))
    path.write_text(path.read_text().replace("femur", "tibia"))
    with pytest.raises(UnusableInput, match=r"is not as it was written: .* has changed"):
        read_release(home, like=like)
