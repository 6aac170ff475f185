"""The paper as plain content: texts, tables and figures in the order of a case series."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import pandas as pd

from audit.document import (
    Block,
    FigureBlock,
    Heading,
    PaperDocument,
    Paragraph,
    TableBlock,
)
from audit.plan import FIELD_WORDS
from audit.prose import methods, results_text
from audit.prose.abbreviations import with_notes
from audit.prose.abstract import abstract
from audit.prose.checklist_items import CHECKLISTS
from audit.prose.checklists import checklist_tables
from audit.prose.definitions import NAME as DEFINITIONS
from audit.prose.definitions import definitions_table
from audit.prose.limits import NAME as LIMITS
from audit.prose.limits import limits_table
from audit.prose.numbers import Numbers
from audit.prose.pointers import Pointers
from audit.prose.references import cite, cited
from audit.prose.sections import ELSEWHERE, SECTIONS, section_of
from audit.prose.study_text import (
    asked_for,
    design_notes,
    design_sentence,
    field_paragraph,
    field_paragraphs,
    labelled,
    own_words,
)
from audit.series.case_series import CaseSeries
from audit.tables.shown import ShownTable

TITLE = "Limb lengthening: a case series"
DRAFT = "Draft, not complete"
#: sections that only hold what is given, and fall away when nothing is
ONLY_WITH_CONTENT = ("r_outcomes", "r_regression", "r_sensitivity", "published")
#: field of the study -> the label in front of it
_ETHICS = {"approval": "Approval", "registration": "Registration", "consent": "Consent"}
_DECLARATIONS = {
    "patient_perspective": "Patient perspective",
    "availability": "Availability of protocol, data and code",
    "funding": "Funding",
    "interests": "Interests",
}
Texts = Mapping[str, Sequence[Paragraph]]


def case_series_document(
    series: CaseSeries,
    tables: Sequence[ShownTable],
    figures: Sequence[FigureBlock],
    *,
    analyses: Sequence[pd.DataFrame] = (),
) -> PaperDocument:
    """The paper of a series: every section with its text, then its tables and figures.

    tables, figures: from the series; they stand in the section that their name belongs to, others
    in the supplement. The definitions, the facts for the limits and the checklists are added here.
    analyses: further results with a column `method`, named in the method text. Numbers are those of
    `series.run.results`; what only the author knows and has not filled in stands as a note.
    """
    own = [limits_table(series), definitions_table(series)]
    shown = [with_notes(table) for table in (*tables, *own)]
    names = [table.name for table in shown] + [figure.name for figure in figures]
    pointers = Pointers((*names, *CHECKLISTS))
    texts = _texts(series, pointers, analyses)
    sections = [key for key in SECTIONS if _is_there(key, texts, names)]
    lists = [with_notes(table) for table in checklist_tables(series, pointers, sections)]
    blocks = _blocks(sections, texts, [*shown, *lists], figures)
    study = series.plan.study
    title = _title(study.title)
    return PaperDocument(
        title=f"{DRAFT}: {title}" if study.empty_required else title,
        blocks=tuple(blocks),
        references=cited(_all_texts(blocks)),
        subject=own_words(study.objective),
        keywords=tuple(word.strip() for word in study.keywords.split(",") if word.strip()),
    )


def _title(given: str) -> str:
    """The author's title, with the words "case series" that PROCESS item 1 asks for."""
    title = own_words(given).rstrip(".") or TITLE
    return title if "case series" in title.lower() else f"{title}: a case series"


def _is_there(key: str, texts: Texts, names: Sequence[str]) -> bool:
    held = any(section_of(name) == key for name in names)
    return held if key in ONLY_WITH_CONTENT else True


def _blocks(
    sections: Sequence[str],
    texts: Texts,
    tables: Sequence[ShownTable],
    figures: Sequence[FigureBlock],
) -> list[Block]:
    blocks: list[Block] = []
    for key in sections:
        words, level = SECTIONS[key].words, SECTIONS[key].level
        blocks.append(Heading(words, level, supplement=key == ELSEWHERE))
        blocks += texts.get(key, ())
        blocks += [TableBlock(table) for table in tables if section_of(table.name) == key]
        blocks += [figure for figure in figures if section_of(figure.name) == key]
    return blocks


def _all_texts(blocks: Sequence[Block]) -> list[str]:
    return [block.text for block in blocks if isinstance(block, (Paragraph, Heading))]


def _texts(
    series: CaseSeries, pointers: Pointers, analyses: Sequence[pd.DataFrame]
) -> dict[str, list[Paragraph]]:
    return {
        **_opening_texts(series),
        **_method_texts(series, pointers, analyses),
        **_result_texts(series, pointers),
        **_closing_texts(series, pointers),
    }


def _opening_texts(series: CaseSeries) -> dict[str, list[Paragraph]]:
    study = series.plan.study
    front = [_draft_note(series)] if study.empty_required else []
    keywords = (
        [Paragraph((f"Keywords: {own_words(study.keywords)}",))]
        if study.keywords.strip()
        else [field_paragraph(study, "keywords")]
    )
    title = [] if study.title.strip() else [field_paragraph(study, "title")]
    return {
        "title": [*front, *title, *keywords],
        "abstract": abstract(Numbers(series)),
        "introduction": [
            asked_for("background and reason for the study, with the literature"),
            field_paragraph(study, "objective"),
        ],
        "methods": [
            Paragraph(
                (
                    "The report follows the guidelines for case series "
                    f"{cite('mathew2023')}, observational studies {cite('vonelm2007')} and "
                    f"routinely collected data {cite('benchimol2015')}; the checklists "
                    f"point to each item ({', '.join(f'[#{name}]' for name in CHECKLISTS)}).",
                )
            )
        ],
    }


def _draft_note(series: CaseSeries) -> Paragraph:
    names = series.plan.study.empty_required
    words = "; ".join(f"{FIELD_WORDS[name]} ({name})" for name in names)
    return Paragraph((f"This document may not leave as a paper before these are filled: {words}.",),
                     note=True)  # fmt: skip


def _method_texts(
    series: CaseSeries, pointers: Pointers, analyses: Sequence[pd.DataFrame]
) -> dict[str, list[Paragraph]]:
    study = series.plan.study
    design = [Paragraph((design_sentence(study),)), *design_notes(study)]
    treatment = ("optimisation", "technique", "operators", "quality_control", "aftercare")
    return {
        "design": [
            *design,
            *field_paragraphs(study, "setting", "data_source", "access", "linkage", "study_size"),
        ],
        "ethics": labelled(study, _ETHICS),
        "participants": methods.participants_text(series, pointers),
        "treatment": field_paragraphs(study, *treatment, "follow_up_schedule"),
        "outcomes": [
            *methods.outcome_text(series, pointers),
            *field_paragraphs(study, "outcomes_set_beforehand", "measurement"),
        ],
        "cleaning": methods.cleaning_text(series, pointers),
        "statistics": methods.estimates_text(series, analyses),
        "missing": methods.missing_text(series, pointers),
        "sensitivity_methods": methods.sensitivity_text(series, pointers),
    }


#: section -> what makes its text
_RESULTS: dict[str, Callable[[Numbers, Pointers], list[Paragraph]]] = {
    "r_participants": results_text.participants,
    "r_follow_up": results_text.follow_up,
    "r_length": results_text.lengthening,
    "r_healing": results_text.healing,
    "r_walking": results_text.weight_bearing,
    "r_knee": results_text.knee,
    "r_complications": results_text.complications,
}
#: section -> a sentence before its tables
_LEADS = {
    "r_outcomes": "The outcomes by group, each with its interval, n and number missing, stand in",
    "r_regression": "The regression set in the plan stands in",
    "r_sensitivity": "The main results under other definitions stand in",
    "published": "Only values of the same measure, definition, device class and segment are laid "
    "beside those of this series; populations differ in other ways. They stand in",
}


def _result_texts(series: CaseSeries, pointers: Pointers) -> dict[str, list[Paragraph]]:
    numbers = Numbers(series)
    found = {key: make(numbers, pointers) for key, make in _RESULTS.items()}
    for key, lead in _LEADS.items():
        held = [name for name in pointers.names if section_of(name) == key]
        places = pointers.places(*held, *SECTIONS[key].more)
        found[key] = [Paragraph((f"{lead} {places}.",))] if places else []
    return found


def _closing_texts(series: CaseSeries, pointers: Pointers) -> dict[str, list[Paragraph]]:
    study = series.plan.study
    return {
        "discussion": [
            asked_for("key results against the aim, earlier work, what the results mean and for "
                      "whom, conclusion"),
        ],
        "limits": [
            *field_paragraphs(study, "strengths", "limitations"),
            Paragraph((f"The facts behind the limits stand in {pointers.places(LIMITS)}.",)),
        ],
        "declarations": labelled(study, _DECLARATIONS),
        "supplement": [
            Paragraph((f"Definitions of all measures: {pointers.places(DEFINITIONS)}. Checklists: "
                       f"{pointers.places(*CHECKLISTS)}.",)),
        ],
    }  # fmt: skip
