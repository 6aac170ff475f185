"""What went wrong: events, cases and patients by kind and by phase of treatment, as result rows."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd

from audit.cohort import Cohort
from audit.measures.common import with_case
from audit.measures.complications import NOT_RECORDED, SPLITS
from audit.results.groups import ALL, Slice, Window, slices
from audit.results.rows import result_frame
from audit.results.summaries import rate_rows, share_rows
from audit.series.case_series import CaseSeries
from audit.series.units import limb_of
from schemas import vocabulary
from schemas.expected import state

PHASE, RESULT = "phase", "result"
#: phases in the order of treatment, with their words
PHASES: dict[str, str] = {
    "latency": "Latency",
    "distraction": "Distraction",
    "consolidation": "Consolidation",
    "after_union": "After union",
    "not_known": "Phase not known",
}
#: what came of an event; an event can have several, so they do not add up to all
RESULTS: dict[str, str] = {
    "unplanned_operation": "Unplanned operation",
    "permanent": "Lasting effect",
    "resolved": "Resolved by the end of the data",
}
#: kind of split -> code -> words, in the order of tables
KINDS: dict[str, dict[str, str]] = {
    **{
        column: {**vocabulary.CODE_LISTS[codes], NOT_RECORDED: "Not recorded"}
        for column, codes in SPLITS.items()
    },
    PHASE: PHASES,
    RESULT: RESULTS,
}
CASES, PATIENTS, RATE = (
    "cases_with_complication",
    "patients_with_complication",
    "complications_per_100_cases",
)
COUNT_COLUMNS = [
    "group_by",
    "group",
    "kind",
    "code",
    "events",
    "cases_with",
    "limbs_with",
    "patients_with",
    "cases",
    "limbs",
    "patients",
]


def event_phases(cohort: Cohort) -> pd.Series:
    """The phase of every row of the complications table, one of `PHASES`; same index.

    Latency: from surgery to the day before distraction; distraction: its first to its last day;
    consolidation: then to the day of union; after_union: later. A milestone that could not be
    expected yet leaves its phase open; one that could be and is not recorded leaves the phase not
    known, unless a later milestone settles it.
    """
    events = cohort.tables["complications"]
    cases = cohort.cases.assign(
        begun=state("distraction begun").holds(cohort.cases, cohort.cutoff),
        over=state("distraction over").holds(cohort.cases, cohort.cutoff),
        healed=state("completed").holds(cohort.cases, cohort.cutoff),
    )
    columns = ("surgery_date", "distraction_start_date", "distraction_end_date", "union_date")
    rows = with_case(events, cases, *columns, "begun", "over", "healed")
    day = rows["occurred_on"]
    surgery, start, end, union = (rows[name] for name in columns)
    none_yet = start.isna() & end.isna() & union.isna() & ~rows["begun"]
    tests = {
        "not_known": day < surgery,
        "after_union": day > union,
        "consolidation": (day > end) & ((day <= union) | (union.isna() & ~rows["healed"])),
        "distraction": (day >= start) & ((day <= end) | (end.isna() & ~rows["over"])),
        "latency": (day < start) | none_yet,
    }
    chosen = np.select(
        [test.fillna(False).astype(bool).to_numpy() for test in tests.values()],
        list(tests),
        default="not_known",
    )
    return pd.Series(chosen, index=events.index, dtype=object)


def event_kinds(cohort: Cohort) -> pd.DataFrame:
    """One row an event and kind: case_id, kind, code. `KINDS` lists what there is."""
    events = cohort.tables["complications"]
    parts = []
    for column in SPLITS:
        codes = events[column].astype(object).fillna(NOT_RECORDED)
        parts.append(events[["case_id"]].assign(kind=column, code=codes))
    parts.append(events[["case_id"]].assign(kind=PHASE, code=event_phases(cohort)))
    happened = {
        "unplanned_operation": events["unplanned_operation"].eq("yes"),
        "permanent": events["permanent"].eq("yes"),
        "resolved": events["resolved_on"].notna(),
    }
    for code, true in happened.items():
        chosen = events.loc[true.fillna(False).astype(bool), ["case_id"]]
        parts.append(chosen.assign(kind=RESULT, code=code))
    return pd.concat(parts, ignore_index=True)


def complication_counts(
    series: CaseSeries, *, groupings: Sequence[str] | None = None
) -> pd.DataFrame:
    """Events and the cases, limbs and patients that had one (`COUNT_COLUMNS`).

    One row a group, kind and code; the row with an empty kind counts all events. groupings: "all"
    and columns of `cases` joined by "+"; default all, the plan's groups and its strata. Empty when
    the source has no complications table: nothing is known then.
    """
    lines = []
    for part, kind, code, events in _counted(series, groupings):
        had = part.rows.loc[(events > 0).to_numpy()]
        lines.append(
            {
                "group_by": part.group_by,
                "group": part.group,
                "kind": kind,
                "code": code,
                "events": int(events.sum()),
                "cases_with": len(had),
                "limbs_with": had["limb"].nunique(),
                "patients_with": had["patient_id"].nunique(),
                "cases": len(part.rows),
                "limbs": part.rows["limb"].nunique(),
                "patients": part.rows["patient_id"].nunique(),
            }
        )
    return pd.DataFrame(lines, columns=COUNT_COLUMNS)


def complication_results(
    series: CaseSeries, *, groupings: Sequence[str] | None = None
) -> pd.DataFrame:
    """Result rows (contract columns, window `all`) of cases and patients with an event and events
    per 100 cases, by kind.

    group_by and group join the group of cases to the kind, as `device_class+phase` and
    `lengthening_nail+latency`; over all cases only the kind stands there, over all events only the
    group. Shares: Wilson, rates: exact Poisson, each with its patient-clustered twin; no event has
    an upper limit. groupings: as in `complication_counts`.
    """
    settings = series.run.cohort.settings
    rows: list[dict[str, object]] = []
    for part, kind, code, events in _counted(series, groupings):
        named = Slice(part.window, joined(part.group_by, kind), joined(part.group, code), part.rows)
        patients = part.rows["patient_id"]
        had = (events > 0).astype("boolean")
        rows += share_rows(CASES, had, patients, named, settings)
        by_patient = had.groupby(patients).max()
        keys = pd.Series(by_patient.index, index=by_patient.index)
        rows += share_rows(PATIENTS, by_patient, keys, named, settings)
        each = pd.Series(1.0, index=events.index)
        rows += rate_rows(RATE, events, each, named, settings)
    return result_frame(rows)


def joined(group: str, kind: str) -> str:
    """The name of a group of cases together with a kind of event."""
    if not kind:
        return group
    return kind if group == ALL else f"{group}+{kind}"


def _counted(
    series: CaseSeries, groupings: Sequence[str] | None
) -> Iterator[tuple[Slice, str, str, pd.Series]]:
    """(group of cases, kind, code, events of every case of the group)."""
    cohort = series.run.cohort
    if "complications" not in cohort.given:
        return
    events = event_kinds(cohort)
    gap = cohort.settings.episode_gap_days
    table = cohort.cases.assign(limb=limb_of(cohort.cases, gap_days=gap))
    plan = series.plan
    by = groupings or (ALL, plan.group_by, plan.split_by)
    columns = [() if name == ALL else tuple(name.split("+")) for name in dict.fromkeys(by)]
    whole = cohort.tables["complications"].groupby("case_id").size()
    counts = {("", ""): whole} | {
        (kind, code): events.loc[(events["kind"] == kind) & (events["code"] == code)]
        .groupby("case_id")
        .size()
        for kind, codes in KINDS.items()
        for code in codes
    }
    for part in slices(table, (Window(ALL),), columns):
        for (kind, code), found in counts.items():
            # Codes that may be absent by right are shown only where they occur.
            if code in (NOT_RECORDED, "not_known") and found.empty:
                continue
            number = part.rows["case_id"].map(found).fillna(0.0).astype(float)
            yield part, kind, code, number
