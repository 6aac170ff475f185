"""Who is in a case series and who is not, by which rules, and how the cases were followed."""

from __future__ import annotations

import dataclasses

import pandas as pd

from audit import wording
from audit.plan import CHOICES, FACTS, FIELD_WORDS, REQUIRED, SeriesPlan, rule_words
from audit.quality.choices import DEFAULTS
from audit.results.rows import estimate_of
from audit.series.ascertainment import Ascertainment, ascertainment_of
from audit.series.case_series import CaseSeries
from audit.series.flow import END, MAIN, OUT, parted_episodes, whole_flow
from audit.series.follow_up import (
    COMPLETENESS,
    FOLLOWED,
    MEDIAN,
    TARGETS,
    follow_up_results,
    last_seen,
    period_of,
)
from audit.series.units import counts_of, limb_of
from audit.series.watched import CASE
from audit.tables.shown import ShownTable, group_words
from schemas import vocabulary

GROUND_WORDS = {"": "", "clinical": "clinical", "data": "quality of the data", "design": "design"}
ON_OUTCOME = "known only after surgery: selection on the outcome"
PLACE_WORDS = {MAIN: "There", OUT: "Left out", END: "At the cut-off"}
NOT_COUNTED = "not counted"


def series_flow_table(series: CaseSeries) -> ShownTable:
    """Every step from the rows read to the outcome at the cut-off; what is left out adds up."""
    flow = whole_flow(series)
    frame = pd.DataFrame(
        {
            "Step": flow["place"].map(PLACE_WORDS),
            "Cases that are": [_words(row) for _, row in flow.iterrows()],
            "Ground": flow["ground"].map(GROUND_WORDS),
            "Cases": flow["cases"].astype(str),
            "Limbs": flow["limbs"].map(_count),
            "Patients": flow["patients"].map(_count),
        }
    )
    notes = [
        "Rules are applied in this order; a case counts at the first that leaves it out. A limb or "
        "patient counts as left out at the step that takes its last case, so all three columns add "
        "up from the cohort to the series.",
        "Limb: one side of a patient in one episode. At the cut-off a limb or patient with cases "
        "of two outcomes counts in both.",
    ]
    if flow["on_outcome"].any():
        notes.append(
            f"{ON_OUTCOME[:1].upper()}{ON_OUTCOME[1:]}, so results of the series may not hold for "
            "all who were operated."
        )
    parted = parted_episodes(series)
    if parted:
        notes.append(
            f"In {parted} patient{'s' if parted > 1 else ''} another bone of the same walking "
            "episode was left out; the time to full weight bearing is that of the selected bones."
        )
    caption = "From the rows read to the cases of the series"
    return ShownTable(frame, "series_flow", caption, tuple(notes), row_headings=2)


def series_rules_table(series: CaseSeries) -> ShownTable:
    """The rules of selection as they were applied, with what each left out."""
    lines = []
    for rule in series.plan.rules:
        left = series.left_out.loc[series.left_out["rule"] == rule.id]
        empty = series.flow.loc[series.flow["rule"] == rule.id, "unrecorded"].iloc[0]
        known = FACTS[rule.column].known_at_surgery
        lines.append(
            {
                "Rule": rule.id,
                "In words": rule.words,
                "Kind": rule.kind,
                "Test": rule_words(rule),
                "Ground": GROUND_WORDS[rule.ground],
                "Known": "by surgery" if known else ON_OUTCOME,
                "Cases left out": str(len(left)),
                "Not recorded": str(int(empty)),
            }
        )
    columns = ["Rule", "In words", "Kind", "Test", "Ground", "Known", "Cases left out",
               "Not recorded"]  # fmt: skip
    version = series.plan.version or "not given"
    notes = (
        f"Plan {series.plan.name or 'without a file'}, version {version}, dated "
        f"{series.plan.dated or 'not given'}.",
        "Not recorded: cases there at this step without a value. A rule of inclusion leaves them "
        "out, unless it asks for that very thing; a rule of exclusion keeps them.",
        *([] if lines else ["The plan has no rule: every case of the cohort is in."]),
    )
    frame = pd.DataFrame(lines, columns=columns)
    return ShownTable(frame, "series_rules", "Rules of selection", notes)


def series_period_table(series: CaseSeries) -> ShownTable:
    """Days, sizes and completeness of inclusion of the series."""
    days = period_of(series)
    gap_days = series.run.cohort.settings.episode_gap_days
    counts = counts_of(series.cases.assign(limb=limb_of(series.cases, gap_days=gap_days)))
    found = ascertainment_of(series)
    quarters = f"{found.first} to {found.last}" if found.first else "none"
    lines = [
        ("First and last surgery", f"{days.first_surgery.date()} to {days.last_surgery.date()}"),
        ("Last day on which a case was seen", str(days.last_follow_up.date())),
        ("Cut-off: last day used", str(days.cutoff.date())),
        ("Patients", str(counts.patients)),
        ("Limbs", str(counts.limbs)),
        ("Cases (bone segments lengthened)", str(counts.cases)),
        ("Quarters held against the theatre list", quarters),
        ("Operations of the list found in the cases table", _share_or_reason(found)),
        ("Cases of these quarters that the list does not hold", str(found.more)),
        ("Cases of quarters without a count", str(found.not_compared)),
    ]
    notes = (
        "The theatre list is compared with every usable case operated here, selected or not, in "
        "whole quarters. Counts are compared, not cases: the share is the highest that they allow "
        "(95% CI by Wilson).",
    )
    frame = pd.DataFrame(lines, columns=["Item", "Value"])
    return ShownTable(frame, "series_period", "Period and completeness of the series", notes)


def _share_or_reason(found: Ascertainment) -> str:
    if found.share.value is None:
        return f"{wording.NOT_ESTIMABLE}: {found.share.note}"
    return wording.share_with_interval(found.share)


def series_follow_up_table(series: CaseSeries) -> ShownTable:
    """Median follow-up and its completeness, for all and by group."""
    results = follow_up_results(series)
    lines = []
    for target, words in TARGETS.items():
        median = _rows(results, f"{MEDIAN}_{target}", "median_time")
        complete = _rows(results, f"{COMPLETENESS}_{target}", "ratio_of_totals_clustered")
        for key, row in median.iterrows():
            share = complete.loc[key]
            lines.append(
                {
                    "Followed to": words,
                    "Group": group_words(*key),
                    "n": str(row["n"]),
                    "Missing": str(row["missing"]),
                    "Median follow-up, days (95% CI)": wording.with_interval(estimate_of(row)),
                    "Completeness, % (95% CI)": _with_width(share),
                }
            )
    notes = (
        "Median follow-up: reverse Kaplan-Meier (Schemper and Smith 1996), intervals over "
        f"patients; for {TARGETS[CASE]} up to the last visit, death and amputation censor. "
        "Not estimable where more than half had the event before they were lost from sight.",
        "Completeness: days watched of the days possible (Clark et al. 2002). Possible is up to "
        f"the cut-off, but for {TARGETS[CASE]} only until treatment was completed. Interval over "
        "patients, kept at or below 100.",
        "Full weight bearing has one row a walking episode, the others one a case.",
    )
    frame = pd.DataFrame(lines)
    return ShownTable(frame, "series_follow_up", "Follow-up", notes, row_headings=2)


def series_followed_table(series: CaseSeries) -> ShownTable:
    """Share of the cases followed for as long as a result needs, for all and by group."""
    rows = follow_up_results(series)
    rows = rows.loc[rows["measure"] == FOLLOWED]
    lines = []
    for _, row in rows.iterrows():
        span, early = str(row["note"]).split("; ")[:2]
        lines.append(
            {
                "Span": span,
                "Group": group_words(row["group_by"], row["group"]),
                "Operated long enough ago": str(row["n"]),
                "Too recent": early.rsplit(" ", 1)[1],
                "Followed (95% CI)": wording.share_with_interval(estimate_of(row)),
            }
        )
    notes = (
        "Followed: seen on or after the last day of the span, or dead or amputated before. Spans "
        "that name a measure are the time that the register of criteria gives it to mature. "
        "Intervals over patients.",
        "A case discharged after treatment is not followed by this count: the share says what was "
        "seen, not whether it was owed.",
    )
    caption = "Cases followed for as long as a result needs"
    return ShownTable(pd.DataFrame(lines), "series_followed", caption, notes, row_headings=2)


def series_last_seen_table(series: CaseSeries) -> ShownTable:
    """What had become of the cases by the cut-off, and how many had not been seen for long."""
    ends = last_seen(series)
    n = len(series.cases)
    frame = pd.DataFrame(
        {
            "At the cut-off": [
                vocabulary.label("outcome_status", code) for code in ends["outcome_status"]
            ],
            "Cases": [wording.count_of(int(count), n) for count in ends["cases"]],
            "Limbs": ends["limbs"].astype(str),
            "Patients": ends["patients"].astype(str),
            f"Not seen for over {DEFAULTS.contact_days} days": ends["unseen"].astype(str),
        }
    )
    notes = (
        "Of those lost to follow-up the tables hold the day and no reason: the author adds it if "
        "it is known.",
        "Cases in treatment that have not been seen for long are lost without being called so. A "
        "limb or patient with cases of two outcomes counts in both.",
    )
    return ShownTable(frame, "series_last_seen", "Cases by outcome at the cut-off", notes)


def series_study_table(plan: SeriesPlan) -> ShownTable:
    """What the author has said of the study, and what is still to be filled in."""
    lines = []
    for name, asked in FIELD_WORDS.items():
        text = getattr(plan.study, name)
        lines.append(
            {
                "Field": name,
                "What it asks for": asked,
                "Text": CHOICES.get(name, {}).get(text, text) or "to be filled in by the author",
                "Needed": "yes" if name in REQUIRED else "",
            }
        )
    empty = plan.study.empty_required
    notes = (
        f"Fields of the table [study] in {plan.name or 'the plan'}.",
        f"Needed and empty: {', '.join(empty)}." if empty else "Every needed field is filled.",
    )
    return ShownTable(pd.DataFrame(lines), "series_study_fields", "What the author says", notes)


def _with_width(row: pd.Series) -> str:
    """An estimate with its interval; an interval without width is none."""
    found = estimate_of(row)
    if found.low == found.high:
        found = dataclasses.replace(found, low=None, high=None)
    return wording.with_interval(found)


def _words(row: pd.Series) -> str:
    return f"{row['words']} ({ON_OUTCOME})" if row["on_outcome"] else str(row["words"])


def _count(number: float) -> str:
    return NOT_COUNTED if pd.isna(number) else f"{number:.0f}"


def _rows(results: pd.DataFrame, measure: str, statistic: str) -> pd.DataFrame:
    rows = results.loc[(results["measure"] == measure) & (results["statistic"] == statistic)]
    return rows.set_index(["group_by", "group"])
