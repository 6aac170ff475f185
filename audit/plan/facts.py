"""What a rule of selection may test: facts of a case, each with when it is known.

A fact known only after surgery may be tested too, but to select on it is to select on the outcome
(STROBE item 6 and 12; Kempen 2011, DOI 10.1016/j.ajo.2010.08.047), and the flow table says so.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

from schemas import TABLES, vocabulary

IDENTIFIER, TEXT, CODE, NUMBER, DAY, YES_NO = (
    "identifier",
    "text",
    "code",
    "number",
    "day",
    "yes_no",
)
_PRESENCE = ("given", "not_given")
_LISTS = ("is", "is_not")
#: kind of fact -> tests, in the order of messages
TESTS: dict[str, tuple[str, ...]] = {
    IDENTIFIER: _LISTS,
    TEXT: (*_LISTS, *_PRESENCE),
    CODE: (*_LISTS, *_PRESENCE),
    YES_NO: (*_LISTS, *_PRESENCE),
    NUMBER: ("at_least", "at_most", "above", "below", "between", *_PRESENCE),
    DAY: ("on_or_after", "on_or_before", "between", *_PRESENCE),
}
#: test -> words before its values
TEST_WORDS: dict[str, str] = {
    "is": "is",
    "is_not": "is not",
    "at_least": "at least",
    "at_most": "at most",
    "above": "above",
    "below": "below",
    "on_or_after": "on or after",
    "on_or_before": "on or before",
    "between": "from",
    "given": "is recorded",
    "not_given": "is not recorded",
}


@dataclasses.dataclass(frozen=True, kw_only=True)
class Fact:
    """A fact of a case. kind: a key of `TESTS`. known_at_surgery: False for what comes to be known
    only afterwards. codes: what a code may be, with its words (empty for other kinds)."""

    name: str
    title: str
    kind: str
    unit: str = ""
    known_at_surgery: bool = True
    codes: Mapping[str, str] = dataclasses.field(default_factory=dict)


#: columns of `cases` known when the case begins; arrival is the beginning of a case taken over
_KNOWN = (
    "case_id",
    "patient_id",
    "centre",
    "surgeon",
    "side",
    "segment",
    "device_class",
    "nail_approach",
    "age_at_surgery_years",
    "physes_open",
    "surgery_date",
    "planned_gain_mm",
    "device_stroke_mm",
    "segment_length_before_mm",
    "discrepancy_before_mm",
    "counselled_full_weight_bearing_weeks",
    "arrival_date",
)
_YES_NO = {"yes": "Yes", "no": "No"}
#: measures of a case: name -> (title, unit, kind)
_MEASURES: dict[str, tuple[str, str, str]] = {
    "latency_days": ("Latency", "days", NUMBER),
    "distraction_days": ("Distraction period", "days", NUMBER),
    "distraction_index_mm_per_day": ("Distraction index", "mm/day", NUMBER),
    "healing_index_days_per_cm": ("Healing index", "days/cm", NUMBER),
    "maturation_index_days_per_cm": ("Maturation index", "days/cm", NUMBER),
    "external_fixation_index_days_per_cm": ("External fixation index", "days/cm", NUMBER),
    "weight_bearing_index_days_per_cm": ("Weight-bearing index", "days/cm", NUMBER),
    "gain_error_mm": ("Achieved minus planned gain", "mm", NUMBER),
    "gain_attainment_pct": ("Share of planned gain achieved", "%", NUMBER),
    "gain_within_tolerance": ("Gain within tolerance of the plan", "", YES_NO),
    "final_gain_error_mm": ("Final minus planned gain", "mm", NUMBER),
    "length_lost_mm": ("Length lost after distraction", "mm", NUMBER),
    "lengthening_pct": ("Lengthening of the segment", "%", NUMBER),
    "knee_flexion_retention_pct": ("Knee flexion kept", "%", NUMBER),
    "full_weight_bearing_days": ("Days to full weight bearing", "days", NUMBER),
    "full_weight_bearing_reached": ("Full weight bearing reached", "", YES_NO),
    "complication_events": ("Complications", "events", NUMBER),
    "unplanned_operations": ("Unplanned operations", "events", NUMBER),
}
#: facts put together from several columns
_DERIVED = (
    Fact(
        name="knee_flexion_baseline_deg",
        title="Knee flexion before surgery",
        kind=NUMBER,
        unit="degrees",
    ),
    Fact(name="earlier_cases", title="Earlier cases of the patient", kind=NUMBER, unit="cases"),
    Fact(name="taken_over", title="Taken over in mid-treatment", kind=YES_NO, codes=dict(_YES_NO)),
    Fact(
        name="possible_follow_up_days",
        title="Days from surgery to the cut-off",
        kind=NUMBER,
        unit="days",
    ),
    Fact(
        name="follow_up_days",
        title="Follow-up from surgery",
        kind=NUMBER,
        unit="days",
        known_at_surgery=False,
    ),
)


def _of_table(table: str, columns: tuple[str, ...]) -> dict[str, Fact]:
    kinds = {"whole": NUMBER, "moment": DAY}
    found = {}
    for name in columns:
        about = TABLES[table].columns[name].metadata
        found[name] = Fact(
            name=name,
            title=about["title"],
            kind=kinds.get(about["kind"], about["kind"]),
            unit=about["unit"],
            known_at_surgery=table == "patients" or name in _KNOWN,
            codes=dict(vocabulary.CODE_LISTS[about["codes"]]) if about["codes"] else {},
        )
    return found


def _measure_facts() -> dict[str, Fact]:
    return {
        name: Fact(
            name=name,
            title=title,
            kind=kind,
            unit=unit,
            known_at_surgery=False,
            codes=dict(_YES_NO) if kind == YES_NO else {},
        )
        for name, (title, unit, kind) in _MEASURES.items()
    }


#: name -> fact, all that a rule may name
FACTS: dict[str, Fact] = {
    **_of_table("cases", tuple(TABLES["cases"].columns)),
    **_of_table("patients", ("sex", "aetiology")),
    **{fact.name: fact for fact in _DERIVED},
    **_measure_facts(),
}
#: facts by which cases may be described before anything was done: for Table 1 and covariates
BASELINE: tuple[str, ...] = tuple(
    name
    for name, fact in FACTS.items()
    if fact.known_at_surgery
    and fact.kind not in (IDENTIFIER, DAY)
    and name != "possible_follow_up_days"
)
