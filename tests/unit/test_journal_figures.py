"""Figures at the width of a journal's columns.

90 mm and 190 mm are 1063 and 2244 dots at 300 an inch: publishers' artwork rules as reproduced on
journal pages (common practice).
"""

from __future__ import annotations

import io
import re

import pytest
from PIL import Image

from audit.figures import journal
from audit.figures.style import drawn, picture, sheet
from audit.release.paper.journal_figures import figure_block, journal_figure
from tests.unit.paper_sample import points


@pytest.fixture(scope="module")
def made():
    return journal_figure(points(), name="series_points")


def opened(content: bytes) -> Image.Image:
    return Image.open(io.BytesIO(content))


def test_every_width_and_form_is_there(made):
    assert list(made.files) == [
        f"series_points_{preset}{end}"
        for preset in ("single", "full")
        for end in ("_300dpi.png", "_600dpi.png", ".pdf", ".svg")
    ]
    assert made.obstacles == ()


@pytest.mark.parametrize(
    ("name", "dots", "dpi"),
    [
        ("single_300dpi", 1063, 300),
        ("full_300dpi", 2244, 300),
        ("single_600dpi", 2126, 600),
        ("full_600dpi", 4488, 600),
    ],
)
def test_pictures_have_the_dots_that_publishers_ask_for(made, name, dots, dpi):
    image = opened(made.files[f"series_points_{name}.png"])
    assert abs(image.width - dots) <= 1
    assert image.info["dpi"][0] == pytest.approx(dpi, abs=0.1)


def test_the_vector_files_have_the_width_and_hold_letters_and_fonts(made):
    pdf, svg = (
        made.files["series_points_single.pdf"],
        made.files["series_points_single.svg"].decode(),
    )
    width = float(re.search(rb"/MediaBox \[ ?0 0 ([\d.]+)", pdf)[1])
    assert width * 25.4 / 72 == pytest.approx(90, abs=0.01)
    assert b"/FontFile2" in pdf  # the TrueType font is embedded (PDF 32000-1, 9.9)
    assert b"/Type3" not in pdf
    assert float(re.search(r'width="([\d.]+)pt"', svg)[1]) * 25.4 / 72 == pytest.approx(
        90, abs=0.01
    )
    assert "<text" in svg
    assert "Cases in order of surgery" in svg


def test_heading_and_footnote_are_not_in_the_picture_but_kept_beside_it(made):
    svg = made.files["series_points_full.svg"].decode()
    assert "Healing index by case" not in svg
    assert "n = 6 of 8" not in svg
    assert made.taken_out == ("Healing index by case", "Points = cases. n = 6 of 8 cases.")


def test_the_same_figure_gives_the_same_bytes_without_clock_or_program(made):
    again = journal_figure(points(), name="series_points")
    assert again.files == made.files
    for name, content in made.files.items():
        assert b"CreationDate" not in content, name
        assert b"dc:date" not in content, name
        assert not re.search(rb"Matplotlib v|matplotlib\.org", content), name


def test_the_figure_itself_stays_as_it_was():
    figure = points()
    before = picture(figure)
    journal_figure(figure, name="x")
    assert picture(figure) == before


def test_letters_keep_a_size_that_can_be_read():
    smallest = min(preset.letters for preset in journal.PRESETS.values()) * 7.5
    assert smallest >= 6


def test_letters_that_would_run_into_one_another_are_refused_with_the_reason():
    crowded = points(20)
    found = journal.fit(crowded, preset="single")
    assert found.obstacle == "at 90 mm letters would run into one another or over the edge"
    assert journal.fit(crowded, preset="full").obstacle == ""
    made = journal_figure(crowded, name="x")
    assert made.obstacles == (found.obstacle,)
    assert {name.split("_")[1].split(".")[0] for name in made.files} == {"full"}
    with pytest.raises(ValueError, match="cannot be printed so: at 90 mm"):
        journal.journal_picture(crowded, found, form="png")


def test_a_panel_too_narrow_is_refused():
    @drawn
    def many():
        figure, axes = sheet([1.0], title="T", foot="", page=journal_page())
        for axis in axes:
            axis.set_yticks([])
            axis.set_xticks([])
        return figure

    def journal_page():
        from audit.figures.style import Page

        return Page(columns=4)

    assert "narrower than 25 mm" in journal.fit(many(), preset="single").obstacle


def test_labels_beside_a_panel_get_the_room_they_need():
    """The page keeps its width and the panel gives way until no letter leaves the page."""
    figure = points(3, labels=3)
    found = journal.fit(figure, preset="single")
    assert found.obstacle == ""
    assert found.right > 0.8
    image = opened(journal.journal_picture(figure, found, form="png", dpi=300)).convert("L")
    edge = image.crop((image.width - 4, 0, image.width, image.height))
    assert edge.getextrema()[0] > 200


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: journal.fit(points(), preset="double"), "preset must be one of single, text, full; got 'double'"),
        (lambda: journal.journal_picture(points(), journal.fit(points(), preset="full"), form="tif"), "form must be one of png, svg, pdf; got 'tif'"),
    ],
)  # fmt: skip
def test_choices_are_named(call, message):
    with pytest.raises(ValueError, match=message):
        call()


def test_a_figure_for_the_document_has_its_footnote_in_the_caption():
    block = figure_block(points(), name="series_points", caption="Every case.", alt="Six points.")
    assert block.caption == "Every case. Points = cases. n = 6 of 8 cases."
    assert block.width_mm == 160
    assert opened(block.png).width == pytest.approx(160 / 25.4 * 300, abs=1)
