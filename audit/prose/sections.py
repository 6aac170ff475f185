"""The sections of the paper: their headings in order, and which tables and figures go where."""

from __future__ import annotations

import dataclasses


@dataclasses.dataclass(frozen=True)
class Section:
    """words: the heading. level: 1 or 2. holds: names of tables and figures that stand in it (a
    star at the end: whatever begins so); all others stand in the supplement. more: what else its
    opening sentence points to there."""

    words: str
    level: int = 2
    holds: tuple[str, ...] = ()
    under: str = ""
    more: tuple[str, ...] = ()

    @property
    def place(self) -> str:
        """The section with the one above it: `Methods, Participants`."""
        return f"{self.under}, {self.words}" if self.under else self.words


def _methods(words: str) -> Section:
    return Section(words, under="Methods")


def _results(words: str, holds: str = "", *, more: str = "") -> Section:
    return Section(words, holds=tuple(holds.split()), under="Results", more=tuple(more.split()))


#: key -> section, in the order of the paper
SECTIONS: dict[str, Section] = {
    "title": Section("Title and keywords", 1),
    "abstract": Section("Abstract", 1),
    "introduction": Section("Introduction", 1),
    "methods": Section("Methods", 1),
    "design": _methods("Design, setting and data"),
    "ethics": _methods("Ethics and registration"),
    "participants": _methods("Participants"),
    "treatment": _methods("Treatment"),
    "outcomes": _methods("Outcomes and measurement"),
    "cleaning": _methods("Data cleaning"),
    "statistics": _methods("Statistical methods"),
    "missing": _methods("Missing data and waiting cases"),
    "sensitivity_methods": _methods("Sensitivity analyses and software"),
    "results": Section("Results", 1),
    "r_participants": _results("Who was in", "series_flow_diagram series_table_one"),
    "r_follow_up": _results("Follow-up", "series_follow_up"),
    "r_length": _results("Length", "planned_against_achieved"),
    "r_healing": _results("Healing", "time_to_union_curves"),
    "r_walking": _results("Full weight bearing", "time_to_full_weight_bearing_curves"),
    "r_knee": _results("Knee motion", "knee_course"),
    "r_complications": _results("Complications", "series_complications"),
    "r_outcomes": _results("Outcomes by group", "series_outcomes", more="series_outcomes"),
    "r_regression": _results("Regression", "series_regression"),
    "r_sensitivity": _results(
        "Sensitivity analyses",
        "series_sensitivity_times_forest series_sensitivity_shares_forest",
        more="series_sensitivity series_effective series_complete",
    ),
    "discussion": Section("Discussion", 1),
    "published": Section(
        "Beside published values",
        holds=("series_published_beside", "series_published_beside_*", "series_published"),
        under="Discussion",
        more=("series_published_refused", "series_published_sources"),
    ),
    "limits": Section("Strengths and limits", holds=("series_limits",), under="Discussion"),
    "declarations": Section("Declarations", 1),
    "supplement": Section("Supplement", 1),
}
#: where a table or figure stands that no section asks for
ELSEWHERE = "supplement"


def section_of(name: str) -> str:
    """The key of the section in which a table or figure of that name stands."""
    return next((key for key, section in SECTIONS.items() if _holds(section, name)), ELSEWHERE)


def _holds(section: Section, name: str) -> bool:
    begun = [want.removesuffix("*") for want in section.holds if want.endswith("*")]
    return name in section.holds or any(name.startswith(want) for want in begun)
