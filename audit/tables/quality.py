"""Data quality for people: what was read, the six dimensions, completeness, validity, and so on.

Long tables show the worst first and say how many lines are not shown and where the full list is.
"""

from __future__ import annotations

import pandas as pd

from audit import wording
from audit.cohort import Cohort
from audit.estimates.estimate import Estimate
from audit.quality import DataQuality
from audit.quality.choices import COMMON
from audit.quality.timeliness import LAG
from audit.tables.shown import ShownTable

SET_ASIDE = {
    "more_cells_than_headings": "line with more cells than headings",
    "case_not_used": "row of a case that is not used",
}


def estimate_in(row: pd.Series, n: int) -> Estimate:
    """The estimate that stands in a row of a quality table."""

    def number(name: str) -> float | None:
        return None if pd.isna(row[name]) else float(row[name])

    return Estimate(
        value=number("value"),
        low=number("low"),
        high=number("high"),
        level=float(row["level"]),
        n=n,
        method=str(row["method"]),
        note=str(row["note"]) or "not estimable",
    )


def share_words(row: pd.Series, n: int) -> str:
    """`18/20 (90%; 70% to 97%)`, or why there is no share."""
    return (
        str(row["note"])
        if pd.isna(row["value"])
        else wording.share_with_interval(estimate_in(row, n))
    )


def place_words(table: str, title: str) -> str:
    """`Cases: union` for a column."""
    return f"{table_words(table)}: {lowered(title)}"


def lowered(title: str) -> str:
    """A title inside a sentence; an abbreviation keeps its capital."""
    return title[:1].lower() + title[1:] if title[1:2].islower() else title


def table_words(table: str) -> str:
    """`Distraction sessions` for a table."""
    words = table.replace("_", " ")
    return words[:1].upper() + words[1:]


def left_out(shown: int, total: int, *, where: str) -> tuple[str, ...]:
    """How many lines are not shown and where they stand."""
    return () if shown >= total else (f"{total - shown} more lines are not shown: {where}.",)


def rows_table(cohort: Cohort, quality: DataQuality) -> ShownTable:
    """What was read: rows used and set aside, table by table."""
    given = quality.rows.loc[quality.rows["given"]]
    headings = {
        "read": "Rows read",
        "used": "Used",
        "kept_out": "Kept out",
        "later": "Later than the cut-off",
        "other_centre": "Other centre",
    }
    if cohort.centre is None:
        del headings["other_centre"]
    columns = {words: given[name].astype(str) for name, words in headings.items()}
    frame = pd.DataFrame({"Table": given["table"].map(table_words), **columns})
    absent = quality.rows.loc[~quality.rows["given"], "table"].str.replace("_", " ")
    notes = [
        "Rows read are used, kept out, later, or of another centre: the counts add up. Kept out: "
        "an error without which the row says nothing (no key, no day, written twice), with a "
        "query; rows_kept_out.csv lists them.",
        f"Last day used: {cohort.cutoff.date()}. Later: dated after it, or a quarter not over by "
        "then.",
    ]
    if len(absent):
        notes.append(f"Optional tables that the source does not have: {', '.join(absent)}.")
    return ShownTable(frame, "rows_read", "Rows read, used and set aside", tuple(notes))


def kept_out_table(quality: DataQuality, most: int = 12) -> ShownTable:
    """Why rows were kept out, most first."""
    found = quality.kept_out.head(most)
    frame = pd.DataFrame(
        {
            "Table": found["table"].map(table_words),
            "Why": [SET_ASIDE.get(code, code.replace("_", " ")) for code in found["reason"]],
            "Rows": found["rows"].astype(str),
            "Cases": found["cases"].astype(str),
        },
        columns=["Table", "Why", "Rows", "Cases"],
    )
    notes = left_out(len(found), len(quality.kept_out), where="rows_kept_out.csv")
    return ShownTable(frame, "kept_out", "Why rows were kept out", notes, row_headings=2)


#: dimension -> what was looked at
DIMENSIONS: dict[str, str] = {
    "Completeness": "Cases with every core item that can be expected by now",
    "Validity": "Filled cells, all tables, that are invalid",
    "Consistency": "Cases in which cells contradict each other (errors; warnings)",
    "Timeliness": "Age of the extract; cases not seen of late; lag of entry",
    "Uniqueness": "Rows of cases with a patient, bone, side and day that stand already",
    "Accuracy": "Agreement with the source documents",
    "Case ascertainment": "Cases found among the operations of the theatre list",
}


def dimension_table(quality: DataQuality) -> ShownTable:
    """The six dimensions and case ascertainment, one line each."""
    core = quality.key_sets.iloc[0]
    cells = quality.validity[["valid", "default", "invalid"]].sum()
    asked = quality.cases_asked.set_index(["dimension", "severity"])
    wrong, odd = asked.loc[("consistency", "error")], asked.loc[("consistency", "warning")]
    results = {
        "Completeness": share_words(core, int(core["cases"])),
        "Validity": wording.count_of(int(cells["invalid"]), int(cells.sum())),
        "Consistency": f"{share_words(wrong, int(wrong['cases']))}; {_plain(odd)} with a warning",
        "Timeliness": _timely(quality),
        "Uniqueness": f"{int(quality.uniqueness['rows'].iloc[0])} of {_case_rows(quality)}",
        "Accuracy": quality.accuracy.capitalize(),
        "Case ascertainment": _ascertained(quality.ascertainment.iloc[-1]),
    }
    frame = pd.DataFrame(
        {
            "Dimension": list(DIMENSIONS),
            "What was looked at": list(DIMENSIONS.values()),
            "Result (95% interval)": [results[name] for name in DIMENSIONS],
        }
    )
    notes = (
        "The six dimensions are those of a government data quality framework (2020); case "
        "ascertainment is added as registries do. Shares: Wilson's interval, cases taken as "
        "independent.",
        "Accuracy cannot be seen in the tables: it needs a sample of cases entered again from the "
        "notes by someone else.",
    )
    return ShownTable(frame, "dimensions", "Data quality at a glance", notes)


def _plain(row: pd.Series) -> str:
    return wording.count_of(int(row["affected"]), int(row["cases"]))


def _case_rows(quality: DataQuality) -> str:
    rows = quality.validity.loc[quality.validity["item"] == "surgery_date", "rows"]
    return f"{int(rows.iloc[0])} rows" if len(rows) else "no rows"


def _timely(quality: DataQuality) -> str:
    ages = quality.newest.loc[quality.newest["table"] == "cases", "age"]
    age = "no dated fact" if ages.empty else f"newest fact {int(ages.iloc[0])} days old"
    words, stale = next(iter(quality.contacts.items()))
    seen = stale.note if stale.value is None else wording.share_with_interval(stale)
    return f"{age[:1].upper()}{age[1:]}; {words}: {seen}; lag {LAG.split(':')[0]}"


def _ascertained(row: pd.Series) -> str:
    if pd.isna(row["value"]):
        return str(row["note"])
    words = share_words(row, int(row["operations"]))
    return f"{words}; {row['note']}" if row["note"] else words


def key_set_table(quality: DataQuality) -> ShownTable:
    """Key sets: cases complete in every item that can be expected of them."""
    sets = quality.key_sets
    frame = pd.DataFrame(
        {
            "Key set": sets["key_set"],
            "Items": sets["items"].astype(str),
            "Cases complete in all (95% CI)": [
                share_words(row, int(row["cases"])) for _, row in sets.iterrows()
            ],
            "Items expected": sets["expected"].astype(str),
            "Complete": sets["complete"].astype(str),
            "Invalid": sets["invalid"].astype(str),
            "Missing": sets["missing"].astype(str),
        }
    )
    notes = (
        "A case counts as complete when it has every item of the set that can be expected of it by "
        "now. Which items make a set is a local choice (audit/quality/completeness.py).",
        *(
            f"{row.key_set}: not assessed in part, as the source has no table {row.absent}."
            for row in sets.itertuples()
            if row.absent
        ),
    )
    return ShownTable(frame, "key_sets", "Completeness of the key sets", notes)


def completeness_table(quality: DataQuality, most: int = 15) -> ShownTable:
    """Items that can be expected by now, least complete first."""
    table = quality.completeness
    assessed = table.loc[table["expected"] > 0].sort_values("value", kind="stable")
    lacking = assessed.loc[assessed["complete"] < assessed["expected"]]
    shown = lacking.head(most)
    frame = pd.DataFrame(
        {
            "Item": [place_words(r.table, r.title) for r in shown.itertuples()],
            "Can be expected in": shown["expected_in"],
            "Complete (95% CI)": [
                share_words(row, int(row["expected"])) for _, row in shown.iterrows()
            ],
            "Invalid": shown["invalid"].astype(str),
            "Missing": shown["missing"].astype(str),
        },
        columns=["Item", "Can be expected in", "Complete (95% CI)", "Invalid", "Missing"],
    )
    whole, waiting = len(assessed) - len(lacking), table.loc[table["expected"] == 0]
    absent = sorted(set(waiting.loc[waiting["note"].str.startswith("the source"), "table"]))
    early = int((~waiting["table"].isin(absent)).sum())
    notes = [
        "An item counts only where it can be expected by the cut-off; a value lost to an error is "
        'invalid, neither complete nor missing. "Unknown" is an answer and counts as complete '
        f"here. When an item can be expected: {COMMON}, unless the full list names one.",
        f"Complete in every case or row: {whole} items. Not yet expected of anyone: {early}.",
        *left_out(len(shown), len(lacking), where="quality_completeness.csv"),
        "What to fill in, case by case: quality_missing.csv.",
    ]
    if absent:
        names = ", ".join(name.replace("_", " ") for name in absent)
        notes.append(f"Not assessed, as the source has no such table: {names}.")
    return ShownTable(
        frame, "completeness", "Completeness of what can be expected by now", tuple(notes)
    )


def validity_table(quality: DataQuality, most: int = 15) -> ShownTable:
    """Columns with invalid or default values, most invalid first."""
    table = quality.validity
    found = table.loc[(table["invalid"] > 0) | (table["default"] > 0)]
    found = found.sort_values(["invalid", "default"], ascending=False, kind="stable")
    shown = found.head(most)
    frame = pd.DataFrame(
        {
            "Column": [place_words(r.table, r.title) for r in shown.itertuples()],
            "Rows": shown["rows"].astype(str),
            "Valid": shown["valid"].astype(str),
            "Unknown or other": shown["default"].astype(str),
            "Invalid": shown["invalid"].astype(str),
            "Missing": shown["missing"].astype(str),
            "Invalid among filled (95% CI)": [
                share_words(r, int(r["rows"] - r["missing"])) for _, r in shown.iterrows()
            ],
        }
    )
    notes = [
        "Over all rows there at the cut-off, those kept out included. Invalid: the cell could not "
        "be read, lies outside limits or code list, or contradicts another cell. Missing is no "
        "fault by itself: see completeness.",
        f"Columns with valid and missing cells only: {len(table) - len(found)} of {len(table)}.",
        *left_out(len(shown), len(found), where="quality_validity.csv"),
    ]
    if len(quality.unread):
        rows = int(quality.unread["rows"].sum())
        notes.append(f"Lines that could not be read as rows, in no column here: {rows}.")
    return ShownTable(frame, "validity", "Validity of every cell read", tuple(notes))
