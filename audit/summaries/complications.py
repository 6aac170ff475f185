"""What went wrong: events, cases with an event and patients with an event are three numbers."""

from __future__ import annotations

import dataclasses

import pandas as pd

from audit.measures.complications import SPLITS
from audit.summaries.cohort_tables import about
from audit.summaries.facts import Facts
from audit.summaries.grouping import Grouping, by_codes, with_merged
from audit.summaries.rows import (
    Behind,
    Key,
    Rows,
    behind,
    count_row,
    nothing_known,
    rate_row,
    share_row,
    summary_frame,
)
from audit.summaries.table import ALL, SummaryTable
from schemas import vocabulary
from schemas.leaving import COARSER, NOT_RECORDED

COUNTED = ("events", "cases", "patients")


@dataclasses.dataclass(frozen=True)
class Kind:
    """A kind of event: how the names of its tables begin, the column that counts it, its words."""

    stem: str
    column: str
    events: str
    one: str

    def name(self, counted: str) -> str:
        """How the name of a table begins."""
        return f"{self.stem}s" if counted == "events" else f"{self.stem}-{counted}"

    def counts(self, counted: str) -> str:
        """What the table counts, in words."""
        return self.events if counted == "events" else f"{counted} with {self.one}"


COMPLICATION = Kind("event", "complication_events", "complications", "a complication")
OPERATION = Kind(
    "operation", "unplanned_operations", "unplanned operations", "an unplanned operation"
)
UNITS = (
    "Events, cases with an event and patients with an event are three different numbers: a case "
    "can have several events and a patient several cases.",
    "Complications of the operations in the period, up to the cut-off; recent cases have had less "
    "time to have one.",
)
#: category -> the codes that it stands for
Categories = dict[str, tuple[str, ...]]
ABSENT = "Not available: the source has no table of complications."


def complication_tables(facts: Facts) -> list[SummaryTable]:
    """Events, cases and patients by origin, course class, severity type and device class, and
    events per 100 case-months."""
    tables = [_by_kind(facts, column, counted) for column in SPLITS for counted in COUNTED]
    tables += [
        _by_device(facts, kind, counted)
        for kind in (COMPLICATION, OPERATION)
        for counted in COUNTED
    ]
    tables.append(_per_month(facts))
    if "complications" in facts.run.cohort.given:
        return tables
    return [
        dataclasses.replace(
            one,
            notes=(ABSENT, *one.notes),
            merged=one.merged and dataclasses.replace(one.merged, notes=(ABSENT, *one.notes)),
        )
        for one in tables
    ]


def _by_kind(facts: Facts, column: str, counted: str) -> SummaryTable:
    """Counts by what an event is; every event has one category, a case can have several."""
    order, counts = (*vocabulary.codes(column), NOT_RECORDED), COMPLICATION.counts(counted)
    fine: Categories = {code: (code,) for code in order}
    coarse: Categories = {}
    for code in order:
        coarse[COARSER[column][code]] = (*coarse.get(COARSER[column][code], ()), code)

    def make(categories: Categories) -> SummaryTable:
        rows: Rows = []
        for word, codes in {ALL: order, **categories}.items():
            names = [f"complication_events_{column}_{code}" for code in codes]
            # skipna=False: without a table of complications nothing is known, which is not zero
            events = facts.cases[names].sum(axis=1, skipna=False)
            rows += _numbers(facts, {column: word}, events, counted)
        return SummaryTable(
            name=f"{COMPLICATION.name(counted)}-by-{column.replace('_', '-')}",
            counted=counts,
            dimensions=(column,),
            frame=summary_frame((column,), rows),
            additive=(column,) if counted == "events" else (),
            notes=UNITS,
            **about(facts, f"{counts.capitalize()} by {column.replace('_', ' ')}"),
        )

    return dataclasses.replace(
        make(fine), coarser={column: dict(COARSER[column])}, merged=make(coarse)
    )


def _by_device(facts: Facts, kind: Kind, counted: str) -> SummaryTable:
    dimensions, counts = ("device_class",), kind.counts(counted)

    def make(grouping: Grouping) -> SummaryTable:
        rows: Rows = []
        for code, inside in grouping.groups_that_occur():
            events = facts.cases.loc[inside, kind.column]
            rows += _numbers(facts, {"device_class": code}, events, counted)
        return SummaryTable(
            name=f"{kind.name(counted)}-by-device-class",
            counted=counts,
            dimensions=dimensions,
            frame=summary_frame(dimensions, rows),
            # a patient can have a case of each device class
            additive=dimensions if counted != "patients" else (),
            notes=(*UNITS, "Unplanned operations are the complications that led to one."),
            **about(facts, f"{counts.capitalize()} by device class"),
        )

    return with_merged(make, by_codes(facts.cases, "device_class"))


def _numbers(facts: Facts, key: Key, events: pd.Series, counted: str) -> Rows:
    """The count and the rate or share of events, given for each case."""
    settings, person = facts.run.cohort.settings, facts.cases["person"].loc[events.index]
    if counted == "events":
        table = pd.DataFrame({"person": person, "events": events, "exposure": 1.0})
        rate = rate_row(key, table, settings=settings, below="cases")
        found = Behind(
            float(events.sum()), len(events), person[events > 0].nunique(), person.nunique()
        )
        known = events.notna().all()
        found = found if known else nothing_known(person)
        return [count_row(key, found, unit="events"), rate]
    if counted == "patients":
        events = events.groupby(person).sum(min_count=1)
        person = pd.Series(events.index, index=events.index)
    yes = (events > 0).astype("boolean").where(events.notna())
    some = yes.fillna(False).astype(bool)
    found = behind(person[some], person) if events.notna().all() else nothing_known(person)
    return [
        count_row(key, found, unit=counted),
        share_row(key, yes, person, settings=settings),
    ]


def _per_month(facts: Facts) -> SummaryTable:
    settings = facts.run.cohort.settings
    table = pd.DataFrame(
        {
            "person": facts.cases["person"],
            "events": facts.cases["events_in_follow_up"],
            "exposure": facts.cases["follow_up_months"],
        }
    )

    def make(grouping: Grouping) -> SummaryTable:
        rows = [
            rate_row(
                {"device_class": code}, table.loc[inside], settings=settings, below="case-months"
            )
            for code, inside in grouping.groups_that_occur()
        ]
        return SummaryTable(
            name="event-rates-by-device-class",
            counted="case-months of follow-up",
            dimensions=("device_class",),
            frame=summary_frame(("device_class",), rows),
            notes=(
                "Events while the case was under observation here; the denominator is the months "
                "of follow-up of all cases (one month = 30.4375 days).",
            ),
            **about(facts, "Complications per 100 case-months by device class"),
        )

    return with_merged(make, by_codes(facts.cases, "device_class"))
