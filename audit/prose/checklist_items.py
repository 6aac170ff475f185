"""The items of three reporting guidelines in our own short words, and where each is answered.

STROBE: von Elm 2007, DOI 10.1371/journal.pmed.0040296, all 22 items. RECORD: Benchimol 2015, DOI
10.1371/journal.pmed.1001885, all 13 items. PROCESS: Mathew 2023, DOI 10.1097/JS9.0000000000000940;
item numbers up to 6a as printed there, the later items by topic, from memory of the 2020 list.
"""

from __future__ import annotations

import dataclasses

from audit.prose.sections import SECTIONS


@dataclasses.dataclass(frozen=True)
class Item:
    """number and words of an item. sections: keys of `SECTIONS` where it is answered. tables: names
    of tables and figures that answer it; needed: without one of them it is not answered. fields: of
    the plan's study section that must be filled. author: what only the author can write."""

    number: str
    words: str
    sections: tuple[str, ...] = ()
    tables: tuple[str, ...] = ()
    fields: tuple[str, ...] = ()
    author: str = ""
    needed: bool = False


def _item(
    number: str,
    words: str,
    where: str = "",
    *,
    fields: str = "",
    author: str = "",
) -> Item:
    """where: sections and, after a bar, names of tables and figures, parted by blanks; with a
    mark of exclamation before them where the item needs one."""
    sections, _, tables = where.partition("|")
    names = tuple(sections.split())
    unknown = [name for name in names if name not in SECTIONS]
    if unknown:
        raise ValueError(f"section must be one of {', '.join(SECTIONS)}; got {unknown[0]!r}")
    return Item(
        number,
        words,
        names,
        tables=tuple(tables.removeprefix("!").split()),
        fields=tuple(fields.split()),
        author=author,
        needed=tables.startswith("!"),
    )


#: tables and figures of the flow, tables of follow-up
FLOW = "series_flow_diagram series_flow flow"
FOLLOWED = "series_follow_up series_followed series_last_seen"
DESIGN = "design consecutive centres"
STROBE: tuple[Item, ...] = (
    _item("1a", "Design named in title or abstract", "title abstract", fields="title design"),
    _item("1b", "Abstract that says what was done and found", "abstract",
          author="background and conclusion of the abstract"),
    _item("2", "Background and reason for the study", "introduction", author="background"),
    _item("3", "Objectives", "introduction", fields="objective"),
    _item("4", "Design early in the paper", "design", fields=DESIGN),
    _item("5", "Setting, places, periods of recruitment, follow-up, data", "design participants",
          fields="setting"),
    _item("6", "Eligibility, sources, selection, way of follow-up",
          "participants|series_rules series_flow flow", fields="data_source follow_up_schedule"),
    _item("7", "Outcomes, exposures, confounders defined",
          "outcomes supplement|!series_definitions"),
    _item("8", "Source and way of measuring each variable", "outcomes", fields="measurement"),
    _item("9", "What was done against bias", "cleaning missing",
          author="further steps against bias"),
    _item("10", "How the study size came about", "design", fields="study_size"),
    _item("11", "How numbers and groupings were handled", "statistics"),
    _item("12a", "All statistical methods", "statistics"),
    _item("12b", "Methods for subgroups and interactions", "statistics"),
    _item("12c", "How missing data were handled", "missing|series_complete"),
    _item("12d", "How loss to follow-up was handled", f"missing|{FOLLOWED}"),
    _item("12e", "Sensitivity analyses", "sensitivity_methods|series_sensitivity"),
    _item("13a", "Numbers at each stage", f"r_participants|{FLOW}"),
    _item("13b", "Reasons for not taking part", f"r_participants|{FLOW}"),
    _item("13c", "Flow diagram", "r_participants|!flow series_flow_diagram"),
    _item("14a", "Characteristics of participants", "r_participants|!series_table_one table_one"),
    _item("14b", "Number missing for each variable", "r_participants|!series_table_one table_one"),
    _item("14c", "Follow-up time", f"r_follow_up|{FOLLOWED}"),
    _item("15", "Outcome events or summaries", "r_length r_healing r_walking r_complications"),
    _item("16a", "Estimates with their precision", "r_length r_healing r_walking r_complications"),
    _item("16b", "Boundaries of categories", "outcomes|series_table_one table_one"),
    _item("16c", "Absolute risk beside relative", "r_complications|series_complications"),
    _item("17", "Other analyses", "r_sensitivity|!series_sensitivity series_regression"),
    _item("18", "Key results against the objectives", "discussion", author="key results"),
    _item("19", "Limits, direction and size of bias", "limits|series_limits",
          fields="limitations"),
    _item("20", "Cautious interpretation", "discussion", author="interpretation"),
    _item("21", "How far the results apply elsewhere", "discussion", author="generalisability"),
    _item("22", "Funding and part of the funders", "declarations", fields="funding"),
)  # fmt: skip
RECORD: tuple[Item, ...] = (
    _item("1.1", "Kind and name of the data in title or abstract", "abstract",
          fields="data_source"),
    _item("1.2", "Place and period in title or abstract", "abstract", fields="setting"),
    _item("1.3", "Linkage in title or abstract", "abstract", fields="linkage"),
    _item("6.1", "Codes and rules that select the population",
          "participants|series_rules series_flow flow"),
    _item("6.2", "Validation of the codes", "cleaning",
          author="any study that validated the records"),
    _item("6.3", "Flow diagram of linkage", "design", fields="linkage"),
    _item("7.1", "Full list of codes for outcomes and exposures",
          "supplement|!series_definitions"),
    _item("12.1", "Access to the source population", "design", fields="access"),
    _item("12.2", "Data cleaning", "cleaning|series_cleaning data_queries"),
    _item("12.3", "Linkage: level, method, quality", "design", fields="linkage"),
    _item("13.1", "Selection, also by quality of the data",
          "participants r_participants|series_rules series_flow flow"),
    _item("19.1", "Limits of data not collected for the question", "limits|series_limits",
          fields="limitations"),
    _item("22.1", "How to get protocol, data, code", "declarations", fields="availability"),
)  # fmt: skip
PROCESS: tuple[Item, ...] = (
    _item("1", "The words case series and the focus in the title", "title", fields="title"),
    _item("2", "Three to six keywords, case series among them", "title", fields="keywords"),
    _item("3a", "Abstract: background and aims", "abstract", fields="objective"),
    _item("3b", "Abstract: size, period, design, consecutive or not", "abstract",
          fields=f"{DESIGN} sampling"),
    _item("3c", "Abstract: outcomes", "abstract"),
    _item("3d", "Abstract: conclusion", "abstract", author="conclusion of the abstract"),
    _item("3e", "Structured abstract", "abstract"),
    _item("4", "Highlights in three to five points", author="highlights"),
    _item("5", "Introduction: background, theme, aims", "introduction", fields="objective",
          author="background"),
    _item("6a", "Registration", "ethics", fields="registration"),
    _item("Methods", "Ethics approval", "ethics", fields="approval"),
    _item("Methods", "Design of the series", "design", fields=f"{DESIGN} sampling"),
    _item("Methods", "Setting and dates", "design participants", fields="setting"),
    _item("Methods", "Participants: eligibility, length and way of follow-up",
          "participants|series_rules series_flow flow", fields="follow_up_schedule"),
    _item("Methods", "Preparation before surgery", "treatment", fields="optimisation"),
    _item("Methods", "The operation in detail", "treatment", fields="technique"),
    _item("Methods", "Who operated, with what experience", "treatment", fields="operators"),
    _item("Methods", "Quality control", "treatment", fields="quality_control"),
    _item("Methods", "Care and visits after surgery", "treatment",
          fields="aftercare follow_up_schedule"),
    _item("Results", "Participants: numbers and characteristics",
          "r_participants|!series_table_one table_one"),
    _item("Results", "Deviations from the planned treatment",
          "r_follow_up|series_outcomes series_follow_up"),
    _item("Results", "Outcomes as expected and as achieved, with times",
          "r_length r_walking|series_outcomes gain_agreement"),
    _item("Results", "Adherence", "r_length",
          author="adherence to sessions and visits, or that it was not recorded"),
    _item("Results", "Loss to follow-up with reasons", f"r_follow_up|{FOLLOWED}"),
    _item("Results", "Complications, graded, also none",
          "r_complications|series_complications complications"),
    _item("Discussion", "Key results and earlier work", "discussion|published series_published",
          author="comparison with earlier work"),
    _item("Discussion", "Strengths and limits", "limits|series_limits",
          fields="strengths limitations"),
    _item("Discussion", "Conclusions and what they mean for practice", "discussion",
          author="conclusion"),
    _item("Other", "Patient perspective", "declarations", fields="patient_perspective"),
    _item("Other", "Consent", "ethics", fields="consent"),
    _item("Other", "Funding and interests", "declarations", fields="funding interests"),
)  # fmt: skip
CHECKLISTS: dict[str, tuple[str, tuple[Item, ...]]] = {
    "checklist_strobe": ("STROBE: reporting of observational studies", STROBE),
    "checklist_record": ("RECORD: reporting of routinely collected data", RECORD),
    "checklist_process": ("PROCESS: reporting of surgical case series", PROCESS),
}
