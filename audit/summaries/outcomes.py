"""What came of it: every reported measure of groups of cases, and how many have a value."""

from __future__ import annotations

import pandas as pd

from audit.measures.limbs import BY_LIMB
from audit.results.catalogue import MEASURES, NOT_APPLICABLE, Measure
from audit.settings import Settings
from audit.summaries.cohort_tables import about
from audit.summaries.facts import Facts
from audit.summaries.grouping import Grouping, by_codes, with_merged
from audit.summaries.rows import (
    Key,
    Rows,
    average_rows,
    behind,
    count_row,
    part_row,
    share_row,
    summary_frame,
)
from audit.summaries.table import SummaryTable

QUARTILES = (
    "Mean with its 95% interval over patients; quartiles by linear interpolation; median with a "
    "95% interval that resamples patients. No smallest or largest value is given."
)
WAITS = (
    "Measures that need a milestone (end of distraction, union, frame removal, full weight "
    "bearing) describe cases that have reached it; how many have is in outcomes-recorded."
)
#: what n of an average counts, apart from the cases of the cohort
WITH_VALUE = "cases with a value"
SPLITS = ("device_class", "segment")
NUMBERS = tuple(one for one in MEASURES if one.kind == "number")
ANSWERS = tuple(one for one in MEASURES if one.kind == "yes_no")


def outcome_tables(facts: Facts) -> list[SummaryTable]:
    """Averages by device class and by segment, shares within tolerance, how many cases have each
    measure, knee flexion kept limb by limb."""
    tables = [_averages(facts, dimension) for dimension in SPLITS]
    return [*tables, _within_tolerance(facts), _recorded(facts), _knees(facts)]


def _averages(facts: Facts, dimension: str) -> SummaryTable:
    cases, settings = facts.cases, facts.run.cohort.settings
    dimensions = ("measure", dimension)

    def make(grouping: Grouping) -> SummaryTable:
        rows: Rows = []
        for measure in NUMBERS:
            applies = cases.index.isin(_population(cases, measure).index)
            for code, inside in grouping.groups_that_occur():
                key = {"measure": measure.name, dimension: code}
                values, person = cases.loc[inside & applies, measure.name], cases["person"]
                rows += _number(key, values, person[values.index], measure.unit, settings)
        words = dimension.replace("_", " ")
        return SummaryTable(
            name=f"outcomes-by-{dimension.replace('_', '-')}",
            counted=WITH_VALUE,
            dimensions=dimensions,
            frame=summary_frame(dimensions, rows),
            additive=(dimension,),
            notes=(*_words(NUMBERS), QUARTILES, WAITS),
            **about(facts, f"Outcomes by {words}"),
        )

    return with_merged(make, by_codes(cases, dimension))


def _number(key: Key, values: pd.Series, person: pd.Series, unit: str, settings: Settings) -> Rows:
    known = person[values.notna()]
    return [
        count_row(key, behind(known, known), unit="cases"),
        *average_rows(key, values, person, settings=settings, unit=unit),
    ]


def _words(measures: tuple[Measure, ...]) -> tuple[str, ...]:
    return tuple(
        f"{one.name}: {one.title}{f', in {one.unit}' if one.unit else ''}." for one in measures
    )


def _within_tolerance(facts: Facts) -> SummaryTable:
    cases, settings = facts.cases, facts.run.cohort.settings
    dimensions = ("measure", "device_class")

    def make(grouping: Grouping) -> SummaryTable:
        rows: Rows = []
        for measure in ANSWERS:
            for code, inside in grouping.groups_that_occur():
                key = {"measure": measure.name, "device_class": code}
                answers, person = cases.loc[inside, measure.name], cases["person"][inside]
                yes = answers.astype("boolean").fillna(False).astype(bool)
                found = behind(person[yes], person[answers.notna()])
                rows.append(count_row(key, found, unit="cases"))
                rows.append(share_row(key, answers, person, settings=settings))
        tolerance = f"{settings.tolerance_mm:g} mm"
        return SummaryTable(
            name="shares-within-tolerance",
            counted=WITH_VALUE,
            dimensions=dimensions,
            frame=summary_frame(dimensions, rows),
            additive=("device_class",),
            notes=(*_words(ANSWERS), f"Tolerance: {tolerance} either side of the plan."),
            **about(facts, f"Cases within {tolerance} of the planned gain by device class"),
        )

    return with_merged(make, by_codes(cases, "device_class"))


def _recorded(facts: Facts) -> SummaryTable:
    dimensions = ("measure", "recorded")
    rows: Rows = []
    # what has no reasons is a count of events, which every case has
    asked = [one for one in MEASURES if f"{one.name}_reason" in facts.cases]
    for measure in asked:
        inside = _population(facts.cases, measure)
        person, known = inside["person"], inside[measure.name].notna()
        for word, units in (("all", known | True), ("yes", known), ("no", ~known)):
            key = {"measure": measure.name, "recorded": word}
            found = behind(person[units], person)
            rows += [count_row(key, found, unit="cases"), part_row(key, found)]
    return SummaryTable(
        name="outcomes-recorded",
        counted="cases",
        dimensions=dimensions,
        frame=summary_frame(dimensions, rows),
        additive=("recorded",),
        notes=(
            *_words(tuple(asked)),
            "Cases to which a measure does not apply are left out. A case without a value may be "
            "waiting for its milestone, or something was not recorded.",
        ),
        **about(facts, "Cases that have a value of each measure"),
    )


def _population(cases: pd.DataFrame, measure: Measure) -> pd.DataFrame:
    reason = f"{measure.name}_reason"
    return cases.loc[~cases[reason].isin(NOT_APPLICABLE)] if reason in cases else cases


def _knees(facts: Facts) -> SummaryTable:
    limbs, settings = facts.limbs, facts.run.cohort.settings
    dimensions = ("device_class",)

    def make(grouping: Grouping) -> SummaryTable:
        rows: Rows = []
        for code, inside in grouping.groups_that_occur():
            values, person = limbs.loc[inside, BY_LIMB], limbs["person"][inside]
            known = person[values.notna()]
            key = {"device_class": code}
            rows.append(count_row(key, behind(known, known), unit="limbs"))
            rows += average_rows(key, values, person, settings=settings, unit="%")
        return SummaryTable(
            name="knee-flexion-kept-by-limb",
            counted="limbs with a value",
            dimensions=dimensions,
            frame=summary_frame(dimensions, rows),
            additive=dimensions,
            notes=(
                "Last knee flexion after the last surgery as a percentage of the last on or before "
                "the first; femur and tibia of one leg share a knee and count once.",
                QUARTILES,
            ),
            **about(facts, "Knee flexion kept by device class, limb by limb"),
        )

    return with_merged(make, by_codes(limbs, "device_class"))
