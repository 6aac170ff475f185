"""Data quality for people, continued: rules, double entries, time, theatre list, trend."""

from __future__ import annotations

import dataclasses

import pandas as pd

from audit import wording
from audit.cohort import Cohort
from audit.estimates.estimate import Estimate
from audit.quality import DataQuality
from audit.quality.timeliness import LAG
from audit.quality.trend import COMPLETE, CORE_COMPLETE, ERRORS
from audit.tables.quality import estimate_in, left_out, place_words, share_words, table_words
from audit.tables.shown import ShownTable

SEVERITY = {"error": "error: out of use", "warning": "warning: asked only"}
DIMENSION_WORDS = {
    "any": "Any question",
    "completeness": "Required value missing",
    "validity": "Value by itself",
    "consistency": "Between cells and tables",
    "uniqueness": "Double entries",
}


def optional_table(quality: DataQuality) -> ShownTable:
    """Optional columns: welcome, never a gap."""
    table = quality.optional
    frame = pd.DataFrame(
        {
            "Column": [place_words(r.table, r.title) for r in table.itertuples()],
            "Filled": [wording.count_of(r.filled, r.rows) for r in table.itertuples()],
            "Invalid": table["invalid"].astype(str),
        },
        columns=["Column", "Filled", "Invalid"],
    )
    note = "An empty cell is no gap here; columns of tables that the source lacks are left out."
    return ShownTable(frame, "optional_columns", "Optional columns", (note,))


def rule_table(quality: DataQuality, *, dimension: str = "", most: int = 10) -> ShownTable:
    """Broken rules, errors first, most often broken first; of one dimension or of all."""
    rules = quality.rules
    if dimension:
        rules = rules.loc[rules["dimension"] == dimension]
    shown = rules.groupby("severity", sort=False).head(most)
    frame = pd.DataFrame(
        {
            "Table and column": [
                ", ".join(part for part in (table_words(r.table), r.column) if part)
                for r in shown.itertuples()
            ],
            "Rule": shown["rule"].str.replace("_", " "),
            "Severity": shown["severity"].map(SEVERITY),
            "Queries": shown["queries"].astype(str),
            "Cases": shown["cases"].astype(str),
            "What to do": shown["message"],
        },
        columns=["Table and column", "Rule", "Severity", "Queries", "Cases", "What to do"],
    )
    notes = left_out(len(shown), len(rules), where="quality_rules.csv, each query in queries.csv")
    if rules.empty:
        notes = ("No such rule is broken.",)
    name = f"rules_{dimension}" if dimension else "top_rules"
    caption = f"Rules of {dimension} that are broken" if dimension else "Rules most often broken"
    return ShownTable(frame, name, caption, notes, row_headings=2)


def cases_asked_table(quality: DataQuality) -> ShownTable:
    """Cases with at least one question, by dimension."""
    table = quality.cases_asked
    lines = [
        {
            "Question": DIMENSION_WORDS[str(dimension)],
            "Cases with an error (95% CI)": share_words(part.iloc[0], int(part["cases"].iloc[0])),
            "Cases with a warning (95% CI)": share_words(part.iloc[1], int(part["cases"].iloc[0])),
        }
        for dimension, part in table.groupby("dimension", sort=False)
    ]
    note = (
        "Of all cases in the file at the cut-off, those kept out included; questions in any table "
        "count for the case they name."
    )
    return ShownTable(
        pd.DataFrame(lines), "cases_asked", "Cases with at least one question", (note,)
    )


def uniqueness_table(quality: DataQuality) -> ShownTable:
    """Double entries."""
    table = quality.uniqueness
    frame = pd.DataFrame(
        {
            "Check": table["check"].str[:1].str.upper() + table["check"].str[1:],
            "Table": table["table"].map(table_words),
            "Rows": table["rows"].astype(str),
            "Effect": table["effect"],
            "Note": table["note"],
        }
    )
    note = (
        "The first line counts rows beyond the first with one patient, side, segment and day of "
        "surgery, whatever their case id; rules that find the same rows stand below it."
    )
    return ShownTable(frame, "uniqueness", "Double entries", (note,))


def newest_table(cohort: Cohort, quality: DataQuality) -> ShownTable:
    """Age of the extract: the newest dated fact of every table and centre."""
    lines = []
    for table, part in quality.newest.groupby("table", sort=False):
        line = {"Table": table_words(str(table))}
        for row in part.itertuples():
            name = "All centres" if row.centre == "all" else f"Centre {row.centre}"
            line[name] = f"{row.newest.date()} ({row.age} days)"
        lines.append(line)
    notes = (
        f"Newest dated fact on or before the cut-off {cohort.cutoff.date()}, and its age then. An "
        "old newest fact in a busy table means that entry lags behind.",
        f"Lag from event to entry {LAG}.",
    )
    frame = pd.DataFrame(lines).fillna("") if lines else pd.DataFrame(columns=["Table"])
    return ShownTable(frame, "newest_facts", "How old the extract is", notes)


def contact_table(quality: DataQuality) -> ShownTable:
    """Cases in treatment not seen of late, and how far apart visits are."""
    lines = []
    for words, estimate in quality.contacts.items():
        shown = (
            wording.share_with_interval(estimate)
            if estimate.unit == "share"
            else wording.with_interval(estimate)
        )
        lines.append(
            {
                "Contacts": words[:1].upper() + words[1:],
                "n": str(estimate.n),
                "Cannot be told": str(estimate.missing),
                "Result (95% CI)": estimate.note if estimate.value is None else shown,
            }
        )
    notes = (
        f"{quality.choices.contact_days} days without contact: common practice, no published "
        "source; settable. A contact is a visit or the last follow-up; sessions at home are none.",
    )
    return ShownTable(pd.DataFrame(lines), "contacts", "Contacts with patients", notes)


def stale_table(quality: DataQuality, most: int = 10) -> ShownTable:
    """Cases in treatment that nobody has seen of late."""
    shown = quality.stale.head(most)
    frame = pd.DataFrame(
        {
            "Case": shown["case_id"],
            "Surgery": shown["surgery_date"],
            "Last contact": shown["last_contact"],
            "Days ago": shown["days"].map("{:.0f}".format),
        }
    )
    notes = left_out(len(shown), len(quality.stale), where="quality_stale.csv")
    caption = f"Cases in treatment not seen for over {quality.choices.contact_days} days"
    return ShownTable(frame, "stale_cases", caption, notes)


def ascertainment_table(quality: DataQuality, most: int = 12) -> ShownTable:
    """Cases in the audit against operations in the theatre list, all first, newest quarter next."""
    table = quality.ascertainment
    counted = table.loc[table["operations"].notna() & (table["quarter"] != "all")]
    shown = pd.concat([table.tail(1), counted.tail(most).iloc[::-1]])
    lines = [_ascertainment_line(row) for _, row in shown.iterrows()]
    last = table.iloc[-1]
    notes = [
        "Operations: lengthening operations of the theatre list, one a bone segment, counted there "
        "and not from these tables. Counts are compared, not cases: a missing case can hide behind "
        "one too many, so the share is the highest that the counts allow.",
        "Cases taken over in mid-treatment were operated elsewhere and are left out. More cases "
        "than operations in a quarter is no ascertainment above 100 %: they are counted as not in "
        "the list and fill no gap of another quarter.",
        f"Usable cases of quarters or centres that were not counted: {last['not_compared']}.",
        *left_out(len(shown) - 1, len(counted), where="quality_ascertainment.csv"),
    ]
    return ShownTable(pd.DataFrame(lines), "ascertainment", "Case ascertainment", tuple(notes))


def _ascertainment_line(row: pd.Series) -> dict[str, str]:
    whole, counted = row["quarter"] == "all", pd.notna(row["operations"])
    operations = int(row["operations"]) if counted else 0
    counts = (operations, row["rows_in_file"], row["cases"], row["more"])
    headings = ("Operations in the list", "Rows in the file", "Usable cases", "Not in the list")
    return {
        "Quarter": ("All that were counted" if counted else "All") if whole else row["quarter"],
        **{
            words: f"{number:.0f}" if counted else ""
            for words, number in zip(headings, counts, strict=True)
        },
        "Found (95% CI)": share_words(row, operations),
    }


def trend_table(quality: DataQuality) -> ShownTable:
    """Key items complete and error queries per 100 cases, by quarter of surgery."""
    points = quality.trend.points
    lines = []
    for quarter, part in points.groupby("quarter", sort=False):
        rows = {str(row["series"]): row for _, row in part.iterrows()}
        errors = rows[ERRORS]
        rate = wording.with_interval(_rate(errors))
        lines.append(
            {
                "Quarter of surgery": str(quarter),
                "All key items complete (95% CI)": _points(rows[COMPLETE]),
                "Core items complete (95% CI)": _points(rows[CORE_COMPLETE]),
                "Cases in the file": str(errors["n"]),
                "Errors": str(errors["events"]),
                "Errors per 100 cases (95% CI)": rate if errors["n"] else "no case",
            }
        )
    signals = quality.trend.signals
    notes = (
        f"All key items: {signals[COMPLETE]}. Core items: {signals[CORE_COMPLETE]}. Errors: "
        f"{signals[ERRORS]}.",
        "Errors: queries that keep a value out of use, of any table, by the quarter in which the "
        "case was operated (exact Poisson interval); missing values count under completeness. "
        f"Errors of cases without a day of surgery: {quality.trend.unplaced}. Young cases are "
        "asked for less: only what can be expected of them by now.",
    )
    return ShownTable(pd.DataFrame(lines), "quality_trend", "Data quality by quarter", notes)


def _points(row: pd.Series) -> str:
    return share_words(row, int(row["n"])) if row["n"] else "no case"


def _rate(row: pd.Series) -> Estimate:
    return dataclasses.replace(estimate_in(row, int(row["n"])), unit="events per 100 cases")
