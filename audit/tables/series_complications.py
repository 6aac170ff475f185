"""Complications of a series: events, cases and patients by kind and phase, for all and by group."""

from __future__ import annotations

import dataclasses

import pandas as pd

from audit import wording
from audit.results.groups import ALL
from audit.results.rows import best_rows, estimate_of
from audit.series.case_series import CaseSeries
from audit.series.complications import (
    CASES,
    KINDS,
    PATIENTS,
    RATE,
    complication_counts,
    complication_results,
    joined,
)
from audit.tables.measures import CLUSTER_NOTE, complication_table
from audit.tables.shown import ShownTable, group_words

SPLIT, KIND = "Split", "Kind"
SPLIT_WORDS = {
    "": "All",
    "origin": "Origin",
    "course_class": "Course class",
    "severity_type": "Severity type",
    "phase": "Phase",
    "result": "Result",
}
PARTS_NOTE = (
    "Events add up to all events within origin, course class, severity type and phase, not within "
    "result; cases and patients with several kinds of event are in several lines."
)
SOURCES_NOTE = (
    "Course class: Paley 1990. Severity type: Black 2015. Phases: latency from surgery, "
    "distraction from its first to its last day, consolidation to the day of union."
)
FOLLOW_UP_NOTE = (
    "Events up to the end of each case's follow-up; cases still in treatment are in, so later "
    "events are not yet seen."
)
NONE_NOTE = "Where there was no event the upper limit says what cannot be ruled out."
NO_TABLE = "The source has no complications table: nothing is known, which is not none."


def series_complications(series: CaseSeries) -> ShownTable:
    """Events, and the cases, limbs and patients that had one, by kind, for all cases."""
    name, caption = "series_complications", "Complications of all cases"
    counts = complication_counts(series, groupings=(ALL,))
    if counts.empty:
        return _nothing(name, caption)
    results = complication_results(series, groupings=(ALL,))
    rows = dict(iter(results.groupby(["measure", "group_by", "group"])))
    lines = [_line(row, rows) for _, row in counts.iterrows()]
    notes = (
        "Events, cases with an event and patients with an event are three different numbers.",
        PARTS_NOTE,
        SOURCES_NOTE,
        FOLLOW_UP_NOTE,
        NONE_NOTE,
        CLUSTER_NOTE,
        "CI: confidence interval.",
    )
    return ShownTable(pd.DataFrame(lines), name, caption, notes, row_headings=2)


def _line(row: pd.Series, rows: dict[tuple[str, str, str], pd.DataFrame]) -> dict[str, str]:
    named = joined(row["group_by"], row["kind"]), joined(row["group"], row["code"])

    def found(measure: str, statistic: str) -> pd.Series:
        return best_rows(rows[(measure, *named)], row["patients"], row["cases"])[statistic]

    return {
        SPLIT: SPLIT_WORDS[row["kind"]],
        KIND: _kind_words(row),
        "Events": str(row["events"]),
        "Cases with one (%; 95% CI)": _share(found(CASES, "proportion")),
        "Limbs with one": wording.count_of(row["limbs_with"], row["limbs"]),
        "Patients with one (%; 95% CI)": _share(found(PATIENTS, "proportion")),
        "Events per 100 cases (95% CI)": wording.with_interval(estimate_of(found(RATE, "rate"))),
    }


def _kind_words(row: pd.Series) -> str:
    return KINDS[row["kind"]][row["code"]] if row["kind"] else "Any complication"


def _share(row: pd.Series) -> str:
    return wording.share_with_interval(estimate_of(row))


def series_complications_by_group(series: CaseSeries) -> ShownTable:
    """Events and cases with one, by kind, a column for all and for each of the plan's groups."""
    name, caption = "series_complications_by_group", "Complications by group"
    by = series.plan.group_by
    counts = complication_counts(series, groupings=(ALL, by))
    if counts.empty:
        return _nothing(name, caption)
    lines: dict[tuple[str, str], dict[str, str]] = {}
    for _, row in counts.iterrows():
        line = lines.setdefault(
            (row["kind"], row["code"]),
            {SPLIT: SPLIT_WORDS[row["kind"]], KIND: _kind_words(row)},
        )
        heading = "All" if row["group_by"] == ALL else group_words(by, row["group"])
        cases = wording.count_of(row["cases_with"], row["cases"])
        line[heading] = f"{row['events']}; {cases}"
    notes = ("Events; cases with one, of all cases (%).", PARTS_NOTE, SOURCES_NOTE, FOLLOW_UP_NOTE)
    frame = pd.DataFrame(list(lines.values()))
    return ShownTable(frame, name, caption, notes, row_headings=2)


def series_complication_rates(series: CaseSeries) -> ShownTable:
    """Events, cases and patients, per 100 cases and case-months, by device class and segment."""
    if "complications" not in series.run.cohort.given:
        return _nothing("series_complication_rates", "Complication rates")
    table = complication_table(series.run)
    return dataclasses.replace(
        table,
        name="series_complication_rates",
        caption="Complication rates by device class and segment",
        notes=(*table.notes, FOLLOW_UP_NOTE, NONE_NOTE, "CI: confidence interval."),
    )


def _nothing(name: str, caption: str) -> ShownTable:
    frame = pd.DataFrame({KIND: ["Any complication"], "Events": [wording.NOT_ESTIMABLE]})
    return ShownTable(frame, name, caption, (NO_TABLE,))
