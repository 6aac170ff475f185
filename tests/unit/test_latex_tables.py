"""Tables and references for LaTeX.

The ten characters that LaTeX reserves, and the braces after a row's end: "LaTeX2e: An unofficial
reference manual", sections "Reserved characters" and "tabular" (from memory).
"""

from __future__ import annotations

import re

import pandas as pd
import pytest

from audit.document import PaperDocument, Paragraph, Reference, TableBlock
from audit.release.paper.bibliography import bibtex
from audit.release.paper.latex_tables import escaped, latex_table
from audit.release.paper.numbering import numbers_of
from audit.tables.shown import ShownTable
from tests.unit.paper_sample import REFERENCES, narrow_table, paper, wide_table

NUMBERS = numbers_of(paper())
RESERVED = r"# $ % & _ { } ~ ^ \ "


def balanced(text: str) -> bool:
    """Whether braces and environments open and close in order."""
    depth = 0
    for brace in re.findall(r"(?<!\\)[{}]", text):
        depth += 1 if brace == "{" else -1
        assert depth >= 0
    open_ones: list[str] = []
    for kind, name in re.findall(r"\\(begin|end)\{(\w+)\}", text):
        if kind == "begin":
            open_ones.append(name)
        else:
            assert open_ones.pop() == name
    return depth == 0 and not open_ones


def cells(line: str) -> int:
    return len(re.findall(r"(?<!\\)&", line)) + 1


def test_reserved_characters_are_escaped():
    assert escaped(RESERVED.strip()) == (
        r"\# \$ \% \& \_ \{ \} \textasciitilde{} \textasciicircum{} \textbackslash{}"
    )


@pytest.mark.parametrize(
    ("text", "latex"),
    [
        ("\N{MINUS SIGN}1.5", r"\ensuremath{-}1.5"),
        ("<5 or \N{GREATER-THAN OR EQUAL TO}10", r"\textless{}5 or \ensuremath{\geq}10"),
        ("1\N{EN DASH}3 -- a---b", r"1\textendash{}3 -{}- a-{}-{}-b"),
        ("\N{GREEK SMALL LETTER BETA} \N{GREEK SMALL LETTER OMEGA} \N{GREEK SMALL LETTER SIGMA}", r"\ensuremath{\beta} \ensuremath{\omega} \ensuremath{\sigma}"),
        ("5\N{NO-BREAK SPACE}mm, 37\N{DEGREE SIGN}", r"5~mm, 37\textdegree{}"),
        ("two\nlines\x00", "two lines"),
        (r"\input{x}", r"\textbackslash{}input\{x\}"),
    ],
)  # fmt: skip
def test_other_letters(text, latex):
    assert escaped(text) == latex


def test_a_table_has_caption_label_rules_and_notes():
    text = latex_table(narrow_table(), NUMBERS)
    assert balanced(text)
    order = ["% needs: booktabs, array", r"\caption{Who was in \cite{record}}\label{tab:series_flow}",
             r"\toprule", r"\textbf{Share (95\% CI)} \\", r"\midrule",
             r"Step 0 \& more, 5\% of \textless{}all\textgreater{} & 118 & 0/118 (0\%; 0\% to 3\%) \\",
             r"\bottomrule", r"CI: confidence interval \cite{wilson}.", r"\end{table}"]  # fmt: skip
    places = [text.index(part) for part in order]
    assert places == sorted(places)
    rows = [line for line in text.splitlines() if line.endswith(r"\\")]
    assert {cells(row) for row in rows} == {3}
    assert len(re.findall(r"p\{\\dimexpr", text)) == 3
    assert "|" not in text


def test_a_long_table_repeats_its_headings_and_a_wide_one_is_turned():
    long = latex_table(narrow_table(rows=60), NUMBERS)
    assert balanced(long)
    assert long.startswith("% needs: booktabs, array, longtable\n")
    head, body = long.split(r"\endhead")
    assert head.count(r"\textbf{Cases}") == 2
    assert body.count("Step ") == 60
    wide = latex_table(wide_table(), NUMBERS)
    assert balanced(wide)
    assert wide.startswith("% needs: booktabs, array, pdflscape\n")
    assert r"\begin{landscape}" in wide


def test_a_row_that_begins_with_a_bracket_is_no_option_of_the_line_end():
    frame = pd.DataFrame({"A": ["[1 to 2]", "*"], "B": ["x", "y"]})
    text = latex_table(ShownTable(frame, "a_table", "C", ()), NUMBERS)
    assert "{[}1 to 2] & x" in text
    assert "{*} & y" in text


def test_a_table_without_rows_says_so():
    frame = pd.DataFrame({"A": [], "B": []}, dtype="string")
    text = latex_table(ShownTable(frame, "a_table", "C", ()), NUMBERS)
    assert balanced(text)
    assert "No rows." in text


def test_pointers_become_references_to_labels():
    frame = pd.DataFrame({"Item": ["1"], "Where": ["[#a_table], [#series_points]"]})
    table = ShownTable(frame, "a_table", "C", ())
    blocks = (*paper().blocks, TableBlock(table))
    numbers = numbers_of(PaperDocument("T", blocks, REFERENCES))
    text = latex_table(table, numbers)
    assert r"Table~\ref{tab:a_table}, Figure~\ref{fig:series_points}" in text


def test_bibtex_has_the_cited_in_order_with_their_doi():
    text = bibtex(NUMBERS.cited)
    assert re.findall(r"@misc\{(\w+),", text) == ["strobe", "record", "wilson", "altman"]
    assert "doi = {10.1371/journal.pmed.0040296}" in text
    assert text.count("doi = ") == 2
    assert r"Bland JM \& Altman DG" in text
    assert balanced(text)
    assert bibtex(()) == ""


def test_an_entry_is_whole():
    reference = Reference("a2020", "A & B_C. J 2020;1:2.", "10.1/x_y")
    numbers = numbers_of(PaperDocument("T", (Paragraph(("[@a2020]",)),), (reference,)))
    assert bibtex(numbers.cited) == (
        "@misc{a2020,\n  note = {A \\& B\\_C. J 2020;1:2.},\n  doi = {10.1/x_y},\n"
        "  url = {https://doi.org/10.1/x_y}\n}\n"
    )
