"""Claims of a manuscript: what a file may hold, what is refused and with which words."""

from __future__ import annotations

import pandas as pd
import pytest

from audit.errors import UnusableInput
from audit.intake.claims import read_claims, read_draft
from audit.manuscript import COLUMNS, KINDS, VERDICTS, check_claims, claims_from, claims_in_texts
from audit.manuscript.numbers import printed


def claims(text: str, tmp_path, name: str = "ours.csv"):
    home = tmp_path / name
    home.write_bytes(text.encode())
    read = read_claims(home)
    return claims_from(read.frame, name=read.name)


def refused(text: str, tmp_path) -> str:
    with pytest.raises(UnusableInput) as caught:
        claims(text, tmp_path)
    assert str(tmp_path) not in str(caught.value)
    return str(caught.value)


def line(**cells: str) -> str:
    filled = {"claim": "one"} | cells
    return ",".join(filled) + "\n" + ",".join(filled.values()) + "\n"


@pytest.mark.parametrize(
    ("text", "value", "decimals"),
    [
        ("46.70%", 46.7, 2), (" 34 % ", 34, 0), ("\N{MINUS SIGN}1.5", -1.5, 1), (".05", 0.05, 2),
        ("-3", -3, 0), ("+2.0", 2, 1),
    ],
)  # fmt: skip
def test_numbers_as_printed_keep_their_decimals(text, value, decimals):
    found = printed(text)
    assert (float(found.value), found.decimals) == (value, decimals)


@pytest.mark.parametrize(
    "text", ["1,5", "1 000", "<5", "3-5", "", "%", "12a", "1.", "--1", "1e3", "٣ ٤"]
)
def test_what_is_no_plain_number_is_not_read(text):
    assert printed(text) is None


def test_the_example_holds_every_kind_and_its_verdicts_are_known():
    read = read_claims()
    found = check_claims(claims_from(read.frame, name=read.name))
    assert set(found["kind"]) == set(KINDS)
    assert set(found["verdict"]) == set(VERDICTS)
    by_claim = found.set_index("claim")
    # worked by hand: 43/48 = 89.58; 31+15+1 = 47; 10/0.825 = 12.1; 23.5 x sqrt(48/47) = 23.7
    for name, verdict in (
        ("goal", "agree"), ("visits", "truncated"), ("goal in the table", "truncated"), ("bones again", "disagree"),
        ("rate and index", "disagree"), ("spread", "disagree"), ("complications", "definition"),
        ("gain", "copy-error"), ("denominators: cases", "disagree"), ("interval", "agree"),
    ):  # fmt: skip
        assert by_claim.loc[name, "verdict"] == verdict, name
    assert "44 in Results" in by_claim.loc["denominators: cases", "words"]


def test_the_frame_is_not_changed():
    frame = read_claims().frame
    before = frame.copy(deep=True)
    check_claims(claims_from(frame, name="x"))
    pd.testing.assert_frame_equal(frame, before)


def test_semicolon_files_and_other_encodings_are_read(tmp_path):
    text = "claim;kind;where;parts;total;printed\ncafé;count_behind_percentage;Table 1;7;31;22.6\n"
    home = tmp_path / "ours.csv"
    home.write_bytes(text.encode("cp1252"))
    read = read_claims(home)
    assert claims_from(read.frame, name=read.name)[0].claim == "café"
    assert claims_from(read.frame, name=read.name)[0].line == 2


@pytest.mark.parametrize(
    ("cells", "words"),
    [
        ({"kind": "sums"}, "line 2, column kind: must be one of parts_add_to_total"),
        ({"kind": "sums"}, "got 'sums'"),
        ({"kind": "rounding", "parts": "1.55", "printed": "1;6"}, "column printed: is no number"),
        ({"kind": "rounding", "parts": "1.55", "total": "3"}, "rounding does not use it"),
        ({"kind": "parts_add_to_total", "parts": "4"}, "needs 2 or more numbers"),
        ({"kind": "parts_add_to_total", "parts": "4;;5"}, "a number is missing between two ;"),
        ({"kind": "parts_add_to_total", "parts": "4;x"}, "number 2 is no number"),
        ({"kind": "count_behind_percentage", "parts": "4", "printed": "9"}, "column total: is empty"),
        ({"kind": "count_behind_percentage", "parts": "4.5", "total": "9"}, "must hold whole numbers"),
        ({"kind": "percentage_attainable", "printed": "9"}, "needs total or low and high"),
        ({"kind": "percentage_attainable", "printed": "9", "low": "5"}, "give both limits"),
        ({"kind": "percentage_attainable", "printed": "9", "low": "9", "high": "5"}, "from low to"),
        ({"kind": "percentage_attainable", "printed": "9", "low": "1", "high": "99999"}, "10000"),
        ({"kind": "percentage_attainable", "printed": "9", "total": "0"}, "must be 1 or more"),
        ({"kind": "mean_reciprocal", "parts": "0.8", "unit": "weeks/cm"}, "must be days/cm or months/cm"),
        ({"kind": "mean_reciprocal", "parts": "0", "unit": "days/cm"}, "must be above 0"),
        ({"kind": "ratio", "parts": "4;0"}, "number 2 must be above 0"),
        ({"kind": "weighted_sum", "parts": "4;2", "weights": "1"}, "as many numbers as parts, 2"),
        ({"kind": "mean_of_whole_numbers", "printed": "1.2", "n": "3.5"}, "column n: must be a whole"),
        ({"kind": "rounding", "parts": "1.5", "deduced": "perhaps"}, "must be yes, no or empty"),
        ({"kind": "events_cases_patients", "parts": ";;", "total": "9"}, "needs one number or more"),
        ({"kind": "rounding", "parts": "1.5", "prnted": "2"}, "heading 'prnted' is not known"),
        ({"claim": "", "kind": "rounding", "parts": "1.5"}, "column claim: is empty"),
    ],
)  # fmt: skip
def test_a_faulty_cell_is_refused_with_line_column_and_rule(cells, words, tmp_path):
    assert words in refused(line(**cells), tmp_path)


def test_faults_are_gathered_and_capped(tmp_path):
    text = "claim,kind,parts\n" + "".join(f"c{i},rounding,x\n" for i in range(12))
    words = refused(text, tmp_path)
    assert words.startswith("ours.csv cannot be checked.")
    assert words.count("is no number") == 8 and words.endswith("; and 4 more.")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("claim,parts\na,1\n", "the heading 'kind' is missing"),
        ("claim,kind\n", "holds no claim"),
        ("claim,kind,claim\na,rounding,b\n", "stands more than once"),
        ("claim,kind,parts\na,rounding,1.5,2\n", "more cells than headings in line 2"),
        ("claim,kind,parts\na,rounding,1.5\na,rounding,1.6\n", "line 3, column claim: the name"),
    ],
)
def test_a_faulty_file_is_refused(text, words, tmp_path):
    assert words in refused(text, tmp_path)


def test_a_missing_file_and_an_empty_one_are_refused(tmp_path):
    with pytest.raises(UnusableInput, match=r"nothing\.csv cannot be opened"):
        read_claims(tmp_path / "nothing.csv")
    (tmp_path / "empty.csv").write_bytes(b"")
    with pytest.raises(UnusableInput, match="empty"):
        read_claims(tmp_path / "empty.csv")


def test_every_kind_says_what_it_needs():
    for name, kind in KINDS.items():
        assert kind.words, name
        assert kind.parts[1] == 0 or kind.parts_words, name
        assert kind.allowed <= set(COLUMNS), name


def test_denominators_with_a_reason_are_left_out(tmp_path):
    text = (
        "claim,kind,where,parts,total,population,reason\n"
        "a,count_behind_percentage,Abstract,3,40,patients,\n"
        "b,count_behind_percentage,Table 2,3,38,patients,two were lost\n"
    )
    assert len(check_claims(claims(text, tmp_path))) == 2
    found = check_claims(claims(text.replace("two were lost", ""), tmp_path))
    assert found.iloc[2]["kind"] == "same_denominator"
    assert found.iloc[2]["verdict"] == "disagree"
    assert "40 in Abstract; 38 in Table 2" in found.iloc[2]["words"]


# --- drafts ---------------------------------------------------------------------------------------
DRAFT = """Complications occurred in 29 of 62 patients (46.7%) and 1 of the 12 limbs (8%).
Union in 41/44 (93%; 95% CI 82% to 98%). We saw 22.5% (7/31) and 83% [10 of 12].
The mean gain was 41.2 mm (21 to 68), the index 30.56 (17.46\N{EN DASH}42.32); 353 (10-48).
On 2021/05/06 (12% of days), in 2020 (5-10), ref. 12 (3)."""


def test_numbers_of_a_draft_are_found_by_their_form(tmp_path):
    home = tmp_path / "draft.md"
    home.write_text(DRAFT, encoding="utf-8")
    found = check_claims(claims_in_texts(read_draft(home)))
    shares = found.loc[found["kind"] == "count_behind_percentage"]
    assert list(zip(shares["printed"], shares["verdict"], strict=True)) == [
        ("46.7%", "truncated"), ("8%", "agree"), ("93%", "agree"), ("22.5%", "truncated"),
        ("83%", "agree"),
    ]  # fmt: skip
    spans = found.loc[found["kind"] == "inside_range"]
    assert list(zip(spans["printed"], spans["verdict"], strict=True)) == [
        ("41.2 (21 to 68)", "agree"),
        ("30.56 (17.46 to 42.32)", "agree"),
        ("353 (10 to 48)", "copy-error"),
    ]
    assert shares.iloc[0]["where"] == "line 1"


def test_a_word_processor_draft_is_read_with_its_tables(tmp_path):
    import docx

    document = docx.Document()
    document.add_paragraph("Goal reached in 43/48 (89%).")
    cells = document.add_table(rows=1, cols=2).rows[0].cells
    cells[0].text, cells[1].text = "Infection", "7/31 (22.5%)"
    document.save(str(tmp_path / "draft.docx"))
    found = check_claims(claims_in_texts(read_draft(tmp_path / "draft.docx")))
    assert list(found["verdict"]) == ["truncated", "truncated"]
    assert list(found["where"]) == ["paragraph 1", "table 1, row 1"]


def test_a_draft_of_another_kind_or_damaged_is_refused(tmp_path):
    (tmp_path / "draft.pdf").write_bytes(b"x")
    with pytest.raises(UnusableInput, match=r"must end in one of \.docx, \.md, \.txt"):
        read_draft(tmp_path / "draft.pdf")
    (tmp_path / "draft.docx").write_bytes(b"no archive")
    with pytest.raises(UnusableInput, match="Save it again"):
        read_draft(tmp_path / "draft.docx")
