"""Numbers of tables, figures and references: Vancouver style, by first appearance.

Source of the rules: Patrias K. Citing Medicine, 2nd ed. National Library of Medicine 2007
(NBK7256), and the ICMJE Recommendations, "References are numbered consecutively in the order in
which they are first mentioned in the text", those first cited in a table or legend by the place
where it is first mentioned; here by where it stands (from memory).
"""

from __future__ import annotations

import dataclasses

import pytest

from audit.document import Heading, PaperDocument, Paragraph, Reference, TableBlock
from audit.release.paper.numbering import (
    Cited,
    Pointed,
    cells_of,
    number_spans,
    numbers_of,
    plain,
    signs_of,
)
from tests.unit.paper_sample import narrow_table, paper, wide_table


def said(*texts: str, keys: str = "abcdef") -> PaperDocument:
    references = tuple(Reference(key, key.upper()) for key in keys)
    return PaperDocument("Title", tuple(Paragraph((text,)) for text in texts), references)


def test_references_are_numbered_by_first_appearance_in_reading_order():
    # text, then the caption and the notes of the table, then text, then the figure's caption
    numbers = numbers_of(paper())
    assert numbers.references == {"strobe": 1, "record": 2, "wilson": 3, "altman": 4}
    assert [reference.key for reference in numbers.cited] == [
        "strobe",
        "record",
        "wilson",
        "altman",
    ]


def test_tables_and_figures_count_apart():
    numbers = numbers_of(paper())
    assert numbers.tables == {"series_flow": "1", "series_outcomes": "2"}
    assert numbers.figures == {"series_points": "1"}
    assert numbers.label("series_outcomes") == "Table 2"
    assert numbers.label("series_points") == "Figure 1"


@pytest.mark.parametrize(
    ("text", "printed"),
    [
        ("x [@c] y", "x [3] y"),
        ("x [@c][@a]", "x [1,3]"),
        ("x [@a] [@b]", "x [1,2]"),
        ("x [@a; @b, @c].", "x [1\N{EN DASH}3]."),
        ("[@f][@a][@c][@b][@e]", "[1\N{EN DASH}3,5,6]"),
        ("twice [@a][@a]", "twice [1]"),
        (
            "no citation: [a], [3], a@b.org, [@], [ @a], P [#]",
            "no citation: [a], [3], a@b.org, [@], [ @a], P [#]",
        ),
    ],
)
def test_citations_are_printed_in_order_and_as_ranges(text, printed):
    document = said("[@a][@b]", "[@c][@d]", "[@e][@f]", text)
    assert plain(text, numbers_of(document)) == printed


def test_a_text_falls_into_its_pieces_and_nothing_is_lost():
    assert signs_of("In [#series_flow], see [@a; @b]!") == [
        "In ", Pointed("series_flow"), ", see ", Cited(("a", "b")), "!"
    ]  # fmt: skip
    assert signs_of("") == []


def test_spans():
    assert number_spans([5, 1, 2, 3, 8, 7]) == [(1, 3), (5,), (7,), (8,)]


@pytest.mark.parametrize(
    ("document", "message"),
    [
        (said("x [@lost]"), "cited but not among the references: lost; there are a, b"),
        (said("x [#lost]"), r"\[#lost\] points to no table or figure of the document \(none\)"),
        (dataclasses.replace(said("x"), references=(Reference("a", "A"), Reference("a", "B"))), "two references have one key"),
        (dataclasses.replace(said("x"), blocks=(TableBlock(wide_table()), TableBlock(wide_table()))), "more than one table or figure is named series_outcomes"),
        (dataclasses.replace(said("x"), blocks=(TableBlock(narrow_table("../flow")),)), "must be lower-case letters, digits and _"),
    ],
)  # fmt: skip
def test_what_cannot_be_numbered_is_refused(document, message):
    with pytest.raises(ValueError, match=message):
        numbers_of(document)


def test_headings_may_cite_too():
    document = dataclasses.replace(said("x [@a]"), blocks=(Heading("H [@b]"), Paragraph(("[@a]",))))
    assert numbers_of(document).references == {"b": 1, "a": 2}


def test_cells_are_texts_and_the_frame_stays_as_it_was():
    table = wide_table()
    before = table.frame.copy(deep=True)
    headings, rows = cells_of(table)
    assert headings[:2] == ["Outcome", "Group of devices 0"]
    assert rows[1][1] == "\N{EN DASH}"
    assert table.frame.equals(before)
