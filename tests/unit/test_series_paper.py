"""The paper as a whole: notebook, document and files come from the same objects and agree."""

from __future__ import annotations

import io
import re
import zipfile

import docx
import pandas as pd
import pytest

from audit.document import FigureBlock, Heading, Paragraph, TableBlock
from audit.pages import series as page
from audit.pages.series import whole
from audit.release.paper.numbering import numbers_of
from audit.release.paper.word_document import word_document


@pytest.fixture(scope="module")
def paper(demo_series):
    return page.paper(demo_series)


@pytest.fixture
def shown(monkeypatch):
    """What a page shows: names of tables and figures, and texts."""
    seen: list[str] = []
    monkeypatch.setattr(whole, "show", lambda table: seen.append(table.name))
    monkeypatch.setattr(whole, "show_figure", lambda _, *, name, caption, alt: seen.append(name))
    monkeypatch.setattr(whole, "show_text", seen.append)
    return seen


def headings(paper) -> list[str]:
    return [block.text for block in paper.document.blocks if isinstance(block, Heading)]


def test_the_sections_show_every_block_of_the_document_once(paper, shown):
    blocks = paper.document.blocks
    for heading in (b.text for b in blocks if isinstance(b, Heading) and b.level == 1):
        page.show_section(paper, heading)
    names = [b.table.name for b in blocks if isinstance(b, TableBlock)]
    names += [b.name for b in blocks if isinstance(b, FigureBlock)]
    assert sorted(name for name in shown if name in names) == sorted(names)
    texts = "\n".join(shown)
    notes = [b for b in blocks if isinstance(b, Paragraph) and b.note]
    assert texts.count("*For the author:") == len(notes)
    assert "[@" not in texts and "[#" not in texts


def test_an_unknown_heading_names_those_there_are(paper, shown):
    with pytest.raises(ValueError, match=r"one of .*Methods.*; got 'Method'"):
        page.show_section(paper, "Method")


def test_main_tables_are_few_and_the_supplement_counts_for_itself(paper):
    numbers = numbers_of(paper.document)
    assert numbers.label("series_table_one") == "Table 1"
    main = [number for number in numbers.tables.values() if not number.startswith("S")]
    assert main == [str(place) for place in range(1, len(main) + 1)]
    assert len(main) <= 8
    rest = [number for number in numbers.tables.values() if number.startswith("S")]
    assert rest == [f"S{place}" for place in range(1, len(rest) + 1)]


def test_references_stand_before_the_supplement(paper):
    opened = docx.Document(io.BytesIO(word_document(paper.document)))
    titles = [p.text for p in opened.paragraphs if p.style.name == "Heading 1"]
    assert titles[-2:] == ["References", "Supplement"]
    captions = [p.text for p in opened.paragraphs if p.style.name == "Caption"]
    assert any(text.startswith("Table S1. ") for text in captions)


def test_the_numbers_of_the_paper_agree(paper):
    assert page.numbers_agree(paper)
    spoiled = dict(paper.tables)
    table = spoiled["series_table_one"]
    cells = table.frame.map(lambda text: re.sub(r"\((\d+)%\)", r"(1\1%)", str(text)))
    spoiled["series_table_one"] = whole.dataclasses.replace(table, frame=cells)
    assert not page.numbers_agree(whole.dataclasses.replace(paper, tables=spoiled))


def test_what_is_written_is_what_is_shown(paper, tmp_path):
    (tmp_path / "one").mkdir()
    page.save(paper, str(tmp_path / "one"))
    results = pd.read_csv(tmp_path / "one" / "results.csv")
    keyed = pd.read_csv(tmp_path / "one" / "numbers_in_text.csv", dtype=str)
    rows = set(map(tuple, results[list(keyed.columns[2:7])].astype(str).to_numpy()))
    assert len(keyed) > 100
    assert set(map(tuple, keyed[list(keyed.columns[2:7])].to_numpy())) <= rows
    contents = pd.read_csv(tmp_path / "one" / "paper_contents.csv", dtype=str).fillna("")
    for files in contents["files"]:
        assert all((tmp_path / "one" / file).is_file() for file in files.split())
    flow = pd.read_csv(tmp_path / "one" / "series_flow.csv")
    assert flow["cases"].iloc[0] - flow["cases"].iloc[1:-1].sum() == flow["cases"].iloc[-1]
    assert flow["cases"].iloc[-1] == len(pd.read_csv(tmp_path / "one" / "cases_measured.csv"))
    with zipfile.ZipFile(tmp_path / "one" / "case_series.docx") as package:
        assert package.testzip() is None


def test_nothing_is_written_without_a_folder(paper):
    page.save(paper, None)


def test_a_source_of_ones_own_starts_with_the_kits_plan(write_source):
    source = write_source(
        patients="patient_id sex\nP1 female\nP2 male",
        cases="case_id patient_id segment device_class age_at_surgery_years surgery_date "
        "planned_gain_mm last_follow_up_date outcome_status\n"
        "C1 P1 femur lengthening_nail 20 2025-01-10 38 2025-03-10 in_treatment\n"
        "C2 P2 tibia circular_fixator 22 2025-02-10 40 2025-03-10 in_treatment",
    )
    series = page.start(source)
    assert series.left_out.empty
    assert not series.plan.study.title
    made = page.paper(series)
    assert made.document.title.startswith("Draft, not complete")
    assert page.numbers_agree(made)
