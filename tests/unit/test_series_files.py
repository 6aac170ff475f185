"""The folder of a paper: what is in it, that its parts agree, that a rerun gives the same bytes."""

from __future__ import annotations

import io

import docx
import pandas as pd
import pytest

from audit.release.paper.numbering import numbers_of, plain
from audit.release.paper.series_files import numbers_in_text, save_series
from tests.unit.paper_sample import KEY, paper, points


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    home = tmp_path_factory.mktemp("paper")
    save_series(paper(), {"series_points": points()}, home)
    return home


def files(home) -> dict[str, bytes]:
    return {
        str(path.relative_to(home)): path.read_bytes() for path in home.rglob("*") if path.is_file()
    }


def read(path) -> pd.DataFrame:
    return pd.read_csv(path, dtype=str, keep_default_na=False)


def test_what_is_written(folder):
    names = set(files(folder))
    assert {name for name in names if not name.startswith("figures/")} == {
        "case_series.docx",
        "numbers_in_text.csv",
        "paper_contents.csv",
        "references.bib",
        "tables/series_flow.csv",
        "tables/series_flow.tex",
        "tables/series_outcomes.csv",
        "tables/series_outcomes.tex",
    }
    assert len([name for name in names if name.startswith("figures/series_points_")]) == 8


def test_a_second_run_gives_the_same_bytes(folder, tmp_path):
    save_series(paper(), {"series_points": points()}, tmp_path)
    assert files(tmp_path) == files(folder)


def test_the_contents_name_every_table_figure_and_file(folder):
    contents = read(folder / "paper_contents.csv")
    assert list(contents["label"]) == ["Table 1", "Figure 1", "Table 2"]
    listed = " ".join(contents["files"]).split()
    others = ("case_series.docx", "numbers_in_text.csv", "paper_contents.csv", "references.bib")
    assert set(listed) == set(files(folder)) - set(others)
    assert contents.loc[1, "alt"] == "Six points, rising."
    assert contents.loc[1, "notes"].splitlines()[0] == "Healing index by case"
    assert contents.loc[0, "caption"] == "Who was in [2]"


def test_the_tables_say_the_same_in_the_document_and_as_files(folder):
    opened = docx.Document(io.BytesIO((folder / "case_series.docx").read_bytes()))
    for table, name in zip(opened.tables, ("series_flow", "series_outcomes"), strict=True):
        frame = pd.read_csv(folder / "tables" / f"{name}.csv", dtype=str, keep_default_na=False)
        rows = [[cell.text for cell in row.cells] for row in table.rows]
        assert rows == [list(frame.columns), *frame.to_numpy().tolist()]


def test_every_keyed_number_is_listed_with_its_row(folder):
    listed = read(folder / "numbers_in_text.csv")
    assert listed.to_numpy().tolist() == [
        ["Results", "36.9", *KEY, "value"],
        ["Results", "34.6", *KEY, "low"],
    ]
    assert list(numbers_in_text(paper()).columns) == list(listed.columns)


def test_without_a_folder_nothing_is_written():
    save_series(paper(), {}, None)


def test_figures_that_are_not_given_stand_in_the_document_only(tmp_path):
    save_series(paper(), {}, tmp_path)
    contents = read(tmp_path / "paper_contents.csv")
    assert contents.loc[1, "remarks"] == "in the document only"
    assert not list((tmp_path / "figures").iterdir())


def test_a_figure_that_the_document_does_not_hold_is_refused_before_anything_is_written(tmp_path):
    with pytest.raises(
        ValueError, match="not a figure of the document: other; it holds series_points"
    ):
        save_series(paper(), {"other": points()}, tmp_path)
    assert not list(tmp_path.iterdir())


def test_plain_text_is_what_the_document_prints(folder):
    opened = docx.Document(io.BytesIO((folder / "case_series.docx").read_bytes()))
    texts = {line.text for line in opened.paragraphs}
    numbers = numbers_of(paper())
    assert plain("As asked for [@strobe]. Who was in: [#series_flow].", numbers) in texts
