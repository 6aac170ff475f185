"""Who was treated: cases and patients by what the allow-list lets through."""

from __future__ import annotations

from typing import TypedDict

import pandas as pd

from audit.summaries.facts import Facts
from audit.summaries.grouping import Grouping, by_age, by_codes, with_merged
from audit.summaries.rows import Row, behind, count_row, part_row, summary_frame
from audit.summaries.table import SummaryTable

#: dimension -> (name of the table, topic)
_OF_CASES = {
    "device_class": ("cohort-by-device-class", "Cases by device class"),
    "segment": ("cohort-by-segment", "Cases by bone segment"),
    "age_band": ("cohort-by-age-band", "Cases by age at surgery in years"),
    "outcome_status": ("cohort-by-status", "Cases by state of the treatment at the cut-off"),
}
_OF_PATIENTS = {
    "sex": ("patients-by-sex", "Patients by sex"),
    "aetiology": ("patients-by-cause", "Patients by cause of the shortening"),
}


def cohort_tables(facts: Facts) -> list[SummaryTable]:
    """Size of the cohort; cases by device class, segment, both, age band and status; patients by
    sex and cause; cases by centre where the tables hold several."""
    cases = facts.cases
    one_each = cases.drop_duplicates("person")
    tables = [_size(facts)]
    for dimension, (name, topic) in _OF_CASES.items():
        grouping = by_age(facts, cases) if dimension == "age_band" else by_codes(cases, dimension)
        tables.append(_one_way(facts, cases, grouping, name=name, topic=topic))
    tables.append(_two_way(facts))
    for dimension, (name, topic) in _OF_PATIENTS.items():
        grouping = by_codes(one_each, dimension)
        tables.append(_one_way(facts, one_each, grouping, name=name, topic=topic))
    if facts.centres and facts.run.cohort.centre is None:
        shown = cases["centre"].where(cases["centre"].isin(facts.centres), "not_recorded")
        grouping = Grouping("centre", shown, (*facts.centres, "not_recorded"), {})
        tables.append(
            _one_way(facts, cases, grouping, name="cohort-by-centre", topic="Cases by centre")
        )
    return tables


class About(TypedDict):
    """What every table of a set says of itself."""

    title: str
    period: str
    population: str
    source: str


def about(facts: Facts, topic: str) -> About:
    """Title (topic, place, period), period, population and source; no day and no name of a file,
    for either can tell of a person."""
    return About(
        title=f"{topic}, {facts.place}, {facts.words}",
        period=facts.period,
        population=f"{facts.words}; usable rows only, followed to the cut-off",
        source="case tables of the service",
    )


def _size(facts: Facts) -> SummaryTable:
    cases, limbs = facts.cases, facts.limbs
    units = {
        "patients": cases.drop_duplicates("person")["person"],
        "walked_limbs": limbs["person"],
        "cases": cases["person"],
    }
    rows = [
        count_row({"counted": name}, behind(person, person), unit=name.replace("_", " "))
        for name, person in units.items()
    ]
    return SummaryTable(
        name="cohort-size",
        counted="patients, limbs or cases, as named in each row",
        dimensions=("counted",),
        frame=summary_frame(("counted",), rows),
        notes=(
            "A case is one bone segment lengthened in one treatment episode. Femur and tibia of "
            "one leg lengthened together are two cases, one limb, one patient.",
            "Walked limbs are legs: cases of the arm are in none.",
        ),
        **about(facts, "Patients, limbs and cases"),
    )


def _one_way(
    facts: Facts, units: pd.DataFrame, by: Grouping, *, name: str, topic: str
) -> SummaryTable:
    counted = "patients" if name.startswith("patients") else "cases"

    def make(grouping: Grouping) -> SummaryTable:
        rows: list[Row] = []
        for code, inside in grouping.groups():
            rows += _cell({grouping.dimension: code}, units, inside, counted)
        return SummaryTable(
            name=name,
            counted=counted,
            dimensions=(grouping.dimension,),
            frame=summary_frame((grouping.dimension,), rows),
            additive=(grouping.dimension,),
            **about(facts, topic),
        )

    return with_merged(make, by)


def _two_way(facts: Facts) -> SummaryTable:
    cases = facts.cases
    dimensions = ("device_class", "segment")

    def make(device: Grouping, segment: Grouping) -> SummaryTable:
        rows: list[Row] = []
        for first, with_device in device.groups():
            for second, with_segment in segment.groups():
                key = {"device_class": first, "segment": second}
                rows += _cell(key, cases, with_device & with_segment, "cases")
        return SummaryTable(
            name="cohort-by-device-and-segment",
            counted="cases",
            dimensions=dimensions,
            frame=summary_frame(dimensions, rows),
            additive=dimensions,
            **about(facts, "Cases by device class and bone segment"),
        )

    return with_merged(make, *(by_codes(cases, name) for name in dimensions))


def _cell(key: dict[str, str], units: pd.DataFrame, inside: pd.Series, counted: str) -> list[Row]:
    found = behind(units.loc[inside, "person"], units["person"])
    return [count_row(key, found, unit=counted), part_row(key, found)]
