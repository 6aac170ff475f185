"""The texts of a paper: every number from its row, every method from the run, every item answered."""

from __future__ import annotations

import dataclasses
import importlib.metadata
import itertools
import re

import pandas as pd
import pytest

from audit.document import FigureBlock, Heading, Keyed, PaperDocument, Paragraph, TableBlock
from audit.intake.series_plan import read_series_plan
from audit.pages.series import text as series_text
from audit.plan import StudyFields
from audit.prose import case_series_document, method_words, results_text
from audit.prose.abbreviations import found_in, unexplained
from audit.prose.checklist_items import CHECKLISTS, PROCESS, RECORD, STROBE
from audit.prose.checklists import ABSENT, AUTHOR, FILLED, STATES, checklist_tables
from audit.prose.definitions import definitions_table
from audit.prose.limits import limits_table
from audit.prose.method_words import METHOD_WORDS, methods_in, without_words, words_for
from audit.prose.methods import estimates_text
from audit.prose.numbers import KEY, Numbers, mean, number, quartiles, share
from audit.prose.pointers import Pointers
from audit.prose.references import METHOD_KEYS, REFERENCES
from audit.prose.sections import SECTIONS, section_of
from audit.prose.study_text import own_words
from audit.release.paper.numbering import numbers_of
from audit.results.catalogue import MEASURES, TIMES
from audit.run import run_audit
from audit.series.case_series import CaseSeries
from audit.series.selection import case_series
from audit.tables.measures import agreement_table, complication_table, time_summary_table
from audit.tables.series_outcomes import series_outcomes
from audit.tables.shown import ShownTable
from tests.conftest import ROOT

RESULT_MAKERS = (
    results_text.participants,
    results_text.follow_up,
    results_text.lengthening,
    results_text.healing,
    results_text.weight_bearing,
    results_text.knee,
    results_text.complications,
)
FIGURE = FigureBlock("flow", "Who was in", "boxes with counts", b"png")


@pytest.fixture(scope="module")
def series(demo_series) -> CaseSeries:
    return demo_series


@pytest.fixture(scope="module")
def tables(series) -> list[ShownTable]:
    run = series.run
    return [
        agreement_table(run),
        complication_table(run),
        time_summary_table(run, "time_to_union"),
        time_summary_table(run, "time_to_full_weight_bearing"),
    ]


@pytest.fixture(scope="module")
def paper(series, tables) -> PaperDocument:
    return case_series_document(series, tables, [FIGURE])


@pytest.fixture(scope="module")
def unfilled(demo_run) -> PaperDocument:
    """The paper of the kit's own plan: no field of the author is filled."""
    plan = dataclasses.replace(read_series_plan(), rules=())
    return case_series_document(case_series(demo_run, plan), [], [])


def paragraphs(document: PaperDocument) -> list[Paragraph]:
    return [block for block in document.blocks if isinstance(block, Paragraph)]


def shown_tables(document: PaperDocument) -> list[ShownTable]:
    return [block.table for block in document.blocks if isinstance(block, TableBlock)]


def result_paragraphs(series: CaseSeries) -> list[Paragraph]:
    numbers = Numbers(series)
    return [one for make in RESULT_MAKERS for one in make(numbers, Pointers())]


def rows_behind(results: pd.DataFrame, piece: Keyed) -> pd.DataFrame:
    return results.loc[(results[KEY] == list(piece.key)).all(axis=1)]


def stands_for(text: str, row: pd.Series, column: str) -> bool:
    """Whether a printed number is the row's, rounded half up: worked out here from the text, not by
    the rounding under test."""
    number = row[column]
    if pd.isna(number):
        return text in ("open", "not estimable")
    plain = text.replace("\N{MINUS SIGN}", "-")
    if not re.fullmatch(r"-?\d+(\.\d+)?%?", plain):
        return False
    decimals = len(plain.removesuffix("%").partition(".")[2])
    shown = float(plain.removesuffix("%"))
    if row["unit"] in ("", "share") and column in ("value", "low", "high"):
        # a share stands as a percentage, or as the count behind it
        number = 100 * number if plain.endswith("%") else number * row["n"]
    return abs(shown - number) <= 0.5 * 10**-decimals + 1e-9


def test_every_number_of_the_results_is_its_row_rounded(series, paper):
    pieces = [
        piece
        for paragraph in paragraphs(paper)
        for piece in paragraph.pieces
        if isinstance(piece, Keyed)
    ]
    assert len(pieces) > 200
    for piece in pieces:
        rows = rows_behind(series.run.results, piece)
        assert len(rows), piece
        fits = [stands_for(piece.text, row, piece.column) for _, row in rows.iterrows()]
        # statistics with a row a day share one key; the day is checked below
        many = piece.key[1] in ("not_reached_at", "reached_by")
        assert any(fits) if many else fits == [True], piece


@pytest.mark.parametrize(
    ("measure", "statistic", "word"),
    [
        ("time_to_full_weight_bearing", "not_reached_at", "at"),
        ("incidence_of_full_weight_bearing", "reached_by", "by"),
    ],
)
def test_a_share_at_a_day_is_that_of_the_day_named(series, measure, statistic, word):
    pieces = [
        piece
        for paragraph in results_text.weight_bearing(Numbers(series), Pointers())
        for piece in paragraph.pieces
    ]
    results = series.run.results
    seen = 0
    for before, piece in itertools.pairwise(pieces):
        if not isinstance(piece, Keyed) or piece.column != "value":
            continue
        if piece.key[:2] != (measure, statistic) or piece.key[4] != "all":
            continue
        day = re.search(rf"{word} (\d+) days $", before)
        rows = rows_behind(results, piece)
        row = rows.loc[rows["note"].str.startswith(f"{word} {day[1]} days")].iloc[0]
        assert stands_for(piece.text, row, "value")
        seen += 1
    assert seen == len(series.run.cohort.settings.waiting_days)


def test_no_number_of_the_results_stands_outside_its_row(series):
    """Plain texts hold only counts of the flow and of the cases, settings, and notes of rows."""
    settings, cases = series.run.cohort.settings, series.cases
    allowed = {f"{100 * settings.level:g}", f"{settings.tolerance_mm:g}", "100", "10"}
    allowed |= {f"{100 * settings.recovery_share:g}"} | {str(d) for d in settings.waiting_days}
    allowed |= {str(int(c)) for name in ("cases", "limbs", "patients") for c in series.flow[name]}
    allowed |= {str(len(series.left_out))}
    by_ground = series.flow.iloc[1:-1].groupby("ground")["cases"].sum()
    allowed |= {str(count) for count in by_ground}
    allowed |= {str(cases["surgery_date"].min().year), str(cases["surgery_date"].max().year)}
    several = int((cases["patient_id"].value_counts() > 1).sum())
    counts = [several] + [
        int(count)
        for name in ("device_class", "segment", "outcome_status")
        for count in cases[name].value_counts()
    ]
    totals = (len(cases), cases["patient_id"].nunique())
    allowed |= {str(count) for count in counts}
    allowed |= {f"{100 * count / total:.1f}" for count in counts for total in totals}
    notes = " ".join(series.run.results["note"].unique())
    allowed |= set(re.findall(r"\d+(?:\.\d+)?", notes))
    for paragraph in result_paragraphs(series):
        plain = " ".join(piece for piece in paragraph.pieces if isinstance(piece, str))
        assert set(re.findall(r"\d+(?:\.\d+)?", plain)) <= allowed


def digits(text: str) -> list[str]:
    return re.findall(r"[\N{MINUS SIGN}]?\d+(?:\.\d+)?", text.replace("95% CI", ""))


def printed(pieces: list) -> list[str]:
    return digits("".join(one if isinstance(one, str) else one.text for one in pieces))


def test_texts_and_tables_agree(series, tables):
    numbers = Numbers(series)
    agreement, complication, _, walking = (table.frame.iloc[0] for table in tables)
    for measure, statistic, cell in (
        ("gain_agreement_mm", "bias", agreement["Bias (95% CI)"]),
        ("gain_agreement_mm", "limit_low", agreement["Lower limit (95% CI)"]),
        ("time_to_full_weight_bearing", "median_time", walking["Median days (95% CI)"]),
        ("complications_per_100_cases", "rate", complication["Per 100 cases (95% CI)"]),
    ):
        pieces = [
            one for one in number(numbers.row(measure, statistic)) if "per 100" not in str(one)
        ]
        assert printed(pieces) == digits(cell)
    for measure, heading in (
        ("cases_with_complication", "Cases with an event"),
        ("patients_with_complication", "Patients with an event"),
        ("cases_with_unplanned_operation", "Unplanned operation"),
    ):
        row = numbers.row(measure, "proportion")
        assert printed(share(row)) == digits(complication[heading])


def test_texts_agree_with_the_outcome_table_of_the_paper(series):
    """Every number of the table's column for all cases that the text gives too."""
    numbers = Numbers(series)
    table = series_outcomes(series).frame.set_index(["Outcome", "Shown"])["All"]
    index = "healing_index_days_per_cm"
    walking = "Time to full weight bearing (days), one a walking episode"
    flexion = ("Knee flexion kept (%), one a limb", "median (quartiles)")
    for pieces, key in (
        (mean(numbers, index), ("Healing index (days/cm)", "mean (95% CI)")),
        (
            number(numbers.row(index, "ratio_of_totals")),
            ("Healing index (days/cm)", "total over total (95% CI)"),
        ),
        (
            number(numbers.row("time_to_union", "median_time")),
            ("Time to union (days)", "median (95% CI)"),
        ),
        (
            number(numbers.row("time_to_full_weight_bearing", "median_time")),
            (walking, "median (95% CI)"),
        ),
        (
            share(numbers.row("gain_within_tolerance", "proportion")),
            ("Gain within tolerance of the plan", "n/N (%; 95% CI)"),
        ),
    ):
        assert printed(pieces) == digits(table[key]), key
    for measure, key in (
        ("latency_days", ("Latency (days)", "median (quartiles)")),
        (index, ("Healing index (days/cm)", "median (quartiles)")),
        ("knee_flexion_retention_pct_by_limb", flexion),
    ):
        middle, *_, low, high = printed(quartiles(numbers, measure, results_text.OF_CASES))
        assert [middle, low, high] == digits(table[key]), key


def test_the_results_are_left_as_they_were(series):
    before = series.run.results.copy()
    result_paragraphs(series)
    pd.testing.assert_frame_equal(series.run.results, before)


def test_every_method_that_ran_has_its_words(series):
    methods = methods_in(series.run.results)
    assert methods
    assert without_words(methods) == []


def test_words_of_a_method_stand_only_where_it_ran(series):
    results = series.run.results
    few = results.loc[results["method"] == "proportion, Wilson interval"]
    narrowed = dataclasses.replace(series, run=dataclasses.replace(series.run, results=few))
    first = estimates_text(narrowed)[0].text
    assert "Wilson score" in first
    assert not re.search("Kaplan|Poisson|agreement|quartile", first)


def test_no_words_wait_for_a_method_that_the_kit_does_not_have(series):
    """Each pattern fits a method that ran, or one that another analysis may hand over."""
    methods = methods_in(series.run.results)
    given = [
        "proportion, exact interval",
        "standardised difference",
        "Cox regression, Efron ties",
        "linear regression, cluster-robust t interval (# clusters)",
    ]
    for entry in METHOD_WORDS:
        assert any(re.fullmatch(entry.pattern, one) for one in [*methods, *given]), entry.pattern


def test_a_method_without_words_is_printed_as_it_is(series):
    other = pd.DataFrame({"method": ["a new method (12 clusters)"]})
    text = estimates_text(series, [other])[0].text
    assert "as named with the results: a new method (# clusters)" in text


def test_clustered_words_fall_away_where_every_patient_gave_one_case(series):
    one_each = series.flow.assign(patients=series.flow["cases"])
    text = estimates_text(dataclasses.replace(series, flow=one_each))[1].text
    assert text.startswith("Every patient gave one case")
    assert "cluster" not in text
    assert words_for(methods_in(series.run.results), clustered=True)


def test_the_versions_are_those_installed(paper):
    text = " ".join(one.text for one in paragraphs(paper))
    for name in ("pandas", "numpy", "scipy", "lifelines"):
        assert f"{name} {importlib.metadata.version(name)}" in text


def test_sources_of_methods_are_those_of_the_estimators():
    """Volume and first page of every method source stand in a docstring of the kit itself."""
    files = [path for path in (ROOT / "audit").rglob("*.py") if "prose" not in path.parts]
    code = " ".join(" ".join(path.read_text(encoding="utf-8").split()) for path in files)
    for key in METHOD_KEYS:
        text = REFERENCES[key].text
        place = re.search(r";(?:suppl )?([\w()]+:\w+)", text) or re.search(
            r"(section \d+(?:\.\d+)*)", text
        )
        year = re.search(r"\b(18|19|20)\d\d\b", text)[0]
        assert year in code, key
        if place is not None:
            assert place[1] in code, key


def test_every_source_is_cited_once_listed_and_listed_once_cited(paper):
    numbers = numbers_of(paper)
    assert {one.key for one in paper.references} == set(numbers.references)
    described = " ".join(entry.words for entry in METHOD_WORDS)
    others = (ROOT / "audit" / "prose" / "methods.py").read_text(encoding="utf-8")
    for key in METHOD_KEYS:
        assert f"[@{key}]" in described or f"'{key}'" in others, key


def test_the_paper_has_its_sections_in_order(paper):
    headings = [block.text for block in paper.blocks if isinstance(block, Heading)]
    words = [SECTIONS[key].words for key in SECTIONS]
    assert headings == [word for word in words if word in headings]
    assert {"Abstract", "Methods", "Results", "Discussion", "Declarations"} <= set(headings)
    # nothing was given for it, so it must not stand empty
    assert "Regression" not in headings


def test_tables_and_figures_stand_in_their_section(paper):
    section, found = "", {}
    for block in paper.blocks:
        if isinstance(block, Heading):
            section = block.text
        elif isinstance(block, TableBlock):
            found[block.table.name] = section
        elif isinstance(block, FigureBlock):
            found[block.name] = section
    assert found["flow"] == "Supplement"
    assert found["gain_agreement"] == found["complications_all"] == "Supplement"
    assert found["series_limits"] == "Strengths and limits"
    assert section_of("series_table_one") == section_of("series_flow_diagram") == "r_participants"
    assert section_of("time_to_full_weight_bearing_curves") == "r_walking"
    assert section_of("something_new") == "supplement"


def test_checklists_hold_every_item_once():
    # STROBE has 22 items (von Elm 2007), RECORD 13 (Benchimol 2015)
    assert {re.match(r"\d+", item.number)[0] for item in STROBE} == {str(n) for n in range(1, 23)}
    assert len({item.number for item in STROBE}) == len(STROBE)
    assert len({item.number for item in RECORD}) == len(RECORD) == 13
    assert len({(item.number, item.words) for item in PROCESS}) == len(PROCESS)


def test_every_item_leads_to_a_place_or_to_the_author(paper):
    headings = {block.text for block in paper.blocks if isinstance(block, Heading)}
    numbers = numbers_of(paper)
    for table in shown_tables(paper):
        if table.name not in CHECKLISTS:
            continue
        assert set(table.frame["State"]) <= set(STATES)
        for _, row in table.frame.iterrows():
            assert row["Where"] or row["State"] == ABSENT
            for place in re.findall(r"\[#(\w+)\]", row["Where"]):
                assert numbers.label(place)
            if row["State"] == FILLED and "[#" not in row["Where"]:
                places = row["Where"].split("; ")
                assert any(place.split(", ")[-1] in headings or place in headings
                           or ", ".join(place.split(", ")[1:]) in headings
                           for place in places)  # fmt: skip


def test_an_item_is_not_filled_without_what_it_needs(series):
    sections = list(SECTIONS)
    strobe = checklist_tables(series, Pointers(()), sections)[0].frame.set_index("Item")
    assert strobe.loc["13c", "State"] == ABSENT
    assert strobe.loc["14b", "State"] == ABSENT
    names = Pointers(("flow", "series_table_one"))
    strobe = checklist_tables(series, names, sections)[0].frame.set_index("Item")
    assert strobe.loc["13c", ["State", "Where"]].tolist() == [
        FILLED,
        "Results, Who was in. [#flow]",
    ]
    assert strobe.loc["14b", "State"] == FILLED


def test_an_empty_field_sends_its_items_to_the_author(series):
    plan = dataclasses.replace(series.plan, study=StudyFields())
    empty = dataclasses.replace(series, plan=plan)
    _, record, process = checklist_tables(empty, Pointers(()), list(SECTIONS))
    record = record.frame.set_index("Item")
    assert record.loc["12.1", "State"] == AUTHOR
    assert (
        "how far the authors had access to the source population (access)"
        in (record.loc["12.1", "Where"])
    )
    assert set(process.frame.loc[process.frame["Item"] == "6a", "State"]) == {AUTHOR}


def test_an_unfilled_plan_marks_the_paper_and_asks_for_every_field(unfilled):
    assert unfilled.title.startswith("Draft, not complete: ")
    notes = " ".join(one.text for one in paragraphs(unfilled) if one.note)
    for field in dataclasses.fields(StudyFields):
        assert re.search(rf"\b{field.name}\)", notes), field.name


def test_a_filled_plan_leaves_only_what_no_field_can_hold(paper):
    assert not paper.title.startswith("Draft")
    assert "case series" in paper.title
    assert [one.text for one in paragraphs(paper) if one.note and "(plan, study" in one.text] == []


def test_the_author_cannot_cite_or_point_by_accident():
    assert own_words("see [@nobody] and\n [#nothing]") == "see [ @nobody] and [ #nothing]."
    assert own_words("  ") == ""


def test_every_abbreviation_of_a_table_has_its_note(paper, unfilled):
    for table in [*shown_tables(paper), *shown_tables(unfilled)]:
        assert unexplained(table) == [], table.name


def test_the_abbreviation_of_the_text_is_written_out_first(unfilled):
    text = "\n".join(one.text for one in paragraphs(unfilled))
    assert found_in(text) == ["CI"]
    assert text.index("confidence intervals (CI)") < text.index("95% CI")


@pytest.mark.parametrize(
    "pattern",
    [r"\bsignifican", r"\bcaus", r"\bdue to\b", r"\beffective treatment", "±", r"\bP ?[<=]",
     r"\btrend\b", r"\bsuperior", r"\bnan\b", r"\bNone\b"],
)  # fmt: skip
def test_no_word_interprets_and_no_sign_misleads(unfilled, pattern):
    text = " ".join(one.text for one in paragraphs(unfilled) if not one.note)
    assert not re.search(pattern, text)


def test_no_case_or_patient_is_named(series, paper):
    text = " ".join(one.text for one in paragraphs(paper))
    for name in ("case_id", "patient_id", "surgeon"):
        for code in series.cases[name].dropna().unique():
            assert not re.search(rf"\b{re.escape(str(code))}\b", text)


def test_definitions_cover_every_measure(series):
    table = definitions_table(series).frame
    assert len(table) == len(MEASURES) + len(TIMES)
    assert "as its name says" not in set(table["How it is formed"])
    settings = dataclasses.replace(series.run.cohort.settings, tolerance_mm=3.0, union_cortices=2)
    cohort = dataclasses.replace(series.run.cohort, settings=settings)
    run = dataclasses.replace(series.run, cohort=cohort)
    words = " ".join(definitions_table(dataclasses.replace(series, run=run)).frame.iloc[:, 1])
    assert "at most 3 mm" in words and "2 of 4 cortices" in words


def test_facts_for_the_limits_are_counts_of_the_series(series):
    facts = limits_table(series).frame.set_index("Fact")["Number"]
    cases = series.cases
    lost = int((cases["outcome_status"] == "lost_to_follow_up").sum())
    assert facts["Lost to follow-up"].startswith(f"{lost}/{len(cases)} ")
    out = series.flow["cases"].iloc[1:-1].sum()
    whole = series.flow["cases"].iloc[0]
    assert facts["Cases left out by the rules of selection"].startswith(f"{out}/{whole} ")
    healing = series.run.measured["healing_index_days_per_cm"]
    gaps = f"{healing.isna().sum()}/{len(healing)} "
    assert facts["Healing index: no value"].startswith(gaps)


def test_selection_on_the_outcome_is_said(series):
    flow = series.flow.copy()
    flow.loc[1, "on_outcome"] = True
    facts = limits_table(dataclasses.replace(series, flow=flow)).frame.set_index("Fact")
    row = facts.loc["Rules that look at something known only after surgery"]
    assert row["Number"] == flow.loc[1, "words"]
    assert "selection on the outcome" in row.iloc[1]


def test_a_series_of_two_waiting_cases_still_gives_a_paper(write_source):
    source = write_source(
        patients="patient_id sex aetiology\nP1 female congenital\nP2 male congenital",
        cases=(
            "case_id patient_id side segment device_class age_at_surgery_years surgery_date "
            "planned_gain_mm last_follow_up_date outcome_status\n"
            "C1 P1 left femur lengthening_nail 15 2026-08-01 40 2026-09-20 in_treatment\n"
            "C2 P2 left tibia circular_fixator 16 2026-08-10 40 2026-09-21 in_treatment"
        ),
    )
    run = run_audit(source, quarter="2026Q3")
    document = case_series_document(case_series(run, read_series_plan()), [], [])
    numbers_of(document)
    text = " ".join(one.text for one in paragraphs(document))
    assert "not estimable" in text
    assert not re.search(r"\bnan\b|\bNone\b", text)


def test_counts_of_resamples_and_clusters_do_not_split_a_method():
    assert method_words.plain_method("median (2000 resamples), over 12 clusters") == (
        "median (# resamples), over # clusters"
    )


def test_a_notebook_shows_open_points_and_references(paper, monkeypatch):
    texts: list[str] = []
    tables: list[ShownTable] = []
    monkeypatch.setattr(series_text, "show_text", texts.append)
    monkeypatch.setattr(series_text, "show", tables.append)
    series_text.show_open_points(paper)
    assert texts[0].count("\n- ") + 1 == len([one for one in paragraphs(paper) if one.note])
    series_text.show_references(paper)
    assert [table.name for table in tables] == ["paper_references"]
    assert len(tables[0].frame) == len(paper.references)


def test_a_pointer_finds_its_name_or_those_that_go_on_from_it():
    pointers = Pointers(
        ("series_outcomes", "series_outcomes_knee_times", "series_sensitivity_runs")
    )
    assert pointers.see("series_outcomes") == " ([#series_outcomes])"
    assert pointers.see("series_sensitivity") == " ([#series_sensitivity_runs])"
    assert pointers.see("series") != pointers.see("nothing") == ""
