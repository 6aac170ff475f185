"""The first pages of the report: what it covers, what was asked back, who is in, the verdicts."""

from __future__ import annotations

import pandas as pd

from audit.cohort import Cohort
from audit.discussion import LIMITS, Limit, cases_to_discuss
from audit.discussion.limits import KINDS
from audit.intake.hints import general_message
from audit.measures.weight_bearing import number_episodes
from audit.run import AuditRun
from audit.tables.actions import action_table
from audit.tables.shown import ShownTable, window_words
from audit.tables.verdicts import UNFIT_NOTE, verdict_table
from schemas import vocabulary

__all__ = [
    "CAUTIONS",
    "UNFIT_NOTE",
    "action_table",
    "coverage_table",
    "discussion_table",
    "flow_table",
    "limbs_in",
    "limit_table",
    "query_table",
    "verdict_table",
]

CAUTIONS = (
    "This is service evaluation for a department. It is never advice for one patient, and no "
    "figure in it licenses a dose, a rate, a load or a date.",
    "Local protocols, the device's own instructions and licensed clinicians decide; national and "
    "local rules on audit, consent and data apply.",
    "Group averages depend on bone, age, device, method and definitions. They are no forecast for "
    "one person.",
    "External magnets used with magnet-driven nails can disturb active implants of the patient, a "
    "helper or a visitor: follow the device's instructions.",
    "The tables name no person, but small groups can be recognised: do not pass this report on "
    "outside the department.",
)
STEPS = {
    "read": "Rows read",
    "not_there_yet": "Not there yet at the cut-off",
    "kept_out": "Kept out, with a query",
    "other_centre": "Other centre",
    "not_selected": "Left out by the plan",
    "in_cohort": "In the cohort",
}


def limbs_in(cohort: Cohort) -> int:
    """Limbs: one patient and side in one episode; a case without a side counts as its own."""
    cases = cohort.cases
    episode = number_episodes(cases, cohort.settings.episode_gap_days)
    side = cases["side"].fillna(cases["case_id"])
    return int(pd.DataFrame({"e": episode, "s": side}).drop_duplicates().shape[0])


def coverage_table(run: AuditRun) -> ShownTable:
    """What the report speaks of: period, cut-off, and how many patients, limbs and cases."""
    cohort = run.cohort
    cases = cohort.cases
    first, last = run.quarter.start_time.date(), run.quarter.end_time.date()
    inside = cases["surgery_date"].dt.to_period("Q") == run.quarter
    lines = [
        ("Quarter", f"{window_words(f'quarter:{run.quarter}')} ({first} to {last})"),
        ("Cut-off: last day used", str(cohort.cutoff.date())),
        ("Centre", cohort.centre or "all"),
        ("Patients", str(cases["patient_id"].nunique())),
        ("Limbs", str(limbs_in(cohort))),
        ("Cases (bone segments lengthened)", str(len(cases))),
        ("Surgeries from, to", _days(cases["surgery_date"])),
        ("Cases operated in the quarter", str(int(inside.sum()))),
        (
            "Cases in treatment at the cut-off",
            str(int((cases["outcome_status"] == "in_treatment").sum())),
        ),
        ("Data queries", _query_words(cohort)),
    ]
    frame = pd.DataFrame(lines, columns=["Item", "Value"])
    note = "A case belongs to the quarter of its surgery unless a criterion names another day."
    return ShownTable(frame, "coverage", "What this report covers", (note,))


def _days(days: pd.Series) -> str:
    return "none" if days.isna().all() else f"{days.min().date()} to {days.max().date()}"


def _query_words(cohort: Cohort) -> str:
    errors = int((cohort.queries["severity"] == "error").sum())
    return f"{errors} errors (value out of use), {len(cohort.queries) - errors} warnings"


def query_table(cohort: Cohort, most: int = 20) -> ShownTable:
    """Data queries counted by rule, most frequent first; no value of a patient."""
    queries = cohort.queries.assign(message=general_message(cohort.queries["message"]))
    counts = (
        queries.groupby(["severity", "table", "column", "rule", "message"])
        .size()
        .rename("count")
        .reset_index()
        .sort_values(["severity", "count", "table", "rule"], ascending=[True, False, True, True])
    )
    frame = pd.DataFrame(
        {
            "Table and column": counts["table"] + ", " + counts["column"],
            "Effect": counts["severity"].map(
                {"error": "value out of use", "warning": "asked only"}
            ),
            "Queries": counts["count"].astype(str),
            "What to do": counts["message"],
        }
    ).head(most)
    notes = ["Each query with its row stands in queries.csv."]
    if len(counts) > most:
        notes.append(f"{len(counts) - most} more kinds of query are not shown.")
    if counts.empty:
        notes = ["No value raised a question."]
    return ShownTable(frame, "data_queries", "Data queries by rule", tuple(notes))


def flow_table(cohort: Cohort) -> ShownTable:
    """Who is in and who is out, and why; the cases below the first line add up to it."""
    flow = cohort.flow
    frame = pd.DataFrame(
        {
            "Step": flow["step"].map(STEPS),
            "Reason": flow["reason"].str.replace("_", " "),
            "Cases": flow["cases"].astype(str),
            "Patients": flow["patients"].astype(str),
        }
    )
    notes = ("A patient can have cases on several lines, so patients need not add up.",)
    return ShownTable(frame, "cohort_flow", "From rows read to the cohort", notes, row_headings=2)


def discussion_table(run: AuditRun) -> ShownTable:
    """The cases to discuss, heaviest first, with every reason."""
    found = cases_to_discuss(run)
    lines = [
        {
            "Case": str(case_id),
            "Device and bone": f"{vocabulary.label('device_class', part['device_class'].iloc[0])}, "
            f"{vocabulary.label('segment', part['segment'].iloc[0]).lower()}",
            "Surgery": str(part["surgery_date"].iloc[0].date()),
            "Why": "; ".join(part["reason"]),
        }
        for case_id, part in found.groupby("case_id", sort=False)
    ]
    frame = pd.DataFrame(lines, columns=["Case", "Device and bone", "Surgery", "Why"])
    notes = (
        "Active in the quarter or in treatment at the cut-off; heaviest reasons first. The limits "
        "stand in their own table. A reason to look, not a finding of fault.",
    )
    return ShownTable(frame, "cases_to_discuss", "Cases to discuss", notes)


def limit_table(run: AuditRun) -> ShownTable:
    """The limits beyond which a case is looked at, with their sources."""
    tolerance = f"{run.cohort.settings.tolerance_mm:g} mm"
    lines = [("distance from the plan", f"above {tolerance}", "all cases", "settings of the run")]
    lines += [
        (
            KINDS[limit.kind][0],
            f"{KINDS[limit.kind][1]} {limit.value:g} {KINDS[limit.kind][2]}",
            _whom(limit),
            limit.source,
        )
        for limit in LIMITS
    ]
    frame = pd.DataFrame(lines, columns=["What is looked at", "Limit", "Cases", "Source"])
    notes = (
        "Where two limits of one kind fit a case the upper one in this list counts. Also looked "
        "at: complications of severity type II or more in the quarter, and treatment that ended "
        "early or by loss.",
    )
    return ShownTable(frame, "discussion_limits", "When a case is looked at", notes)


def _whom(limit: Limit) -> str:
    parts = [
        " or ".join(vocabulary.label(name, code).lower() for code in codes)
        for name, codes in (("device_class", limit.device_class), ("segment", limit.segment))
        if codes
    ]
    if limit.age == "child":
        parts.append("under 18 years")
    return "; ".join(parts) or "all cases"
