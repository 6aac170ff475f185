"""Data quality for people: is it fit to judge, and who does what next."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from audit import wording
from audit.cohort import Cohort
from audit.estimates.proportions import proportion
from audit.quality import DataQuality
from audit.quality.choices import MINIMUM_SOURCE
from audit.quality.fitness import UNFIT
from audit.quality.inputs import INPUTS, SHARED
from audit.results.catalogue import BY_NAME, TIMES
from audit.tables.quality import left_out, lowered, share_words, table_words
from audit.tables.shown import ShownTable, window_words
from schemas import TABLES

QUERIES = "queries.csv; check SOURCE --out DIR gives queries.xlsx"
THEATRE = "Audit lead, with the theatre office"


def criterion_fitness_table(standards: pd.DataFrame) -> ShownTable:
    """Is the data fit for each criterion? Quarter beside rolling year beside all time."""
    lines = []
    minima = set(standards["minimum_completeness"])
    windows = sorted(set(standards["window"]), key=lambda name: (name == "all", name))
    for _, rows in standards.groupby("criterion", sort=False):
        first = rows.iloc[0]
        measure = str(first["measure"])
        line = {
            "Criterion": str(first["words"]),
            "Made from": made_from(INPUTS.get(SHARED.get(measure, measure), ())),
        }
        if len(minima) > 1:
            line["Minimum"] = f"{100 * first['minimum_completeness']:g}%"
        by_window = {str(row["window"]): _fit_words(row) for _, row in rows.iterrows()}
        line |= {window_words(name): by_window[name] for name in windows}
        lines.append(line)
    least = f"Minimum {100 * min(minima):g}%" if len(minima) == 1 else "Minimum, unless set"
    notes = (
        "Cases due that have what the criterion's measure needs (95% interval). "
        f"{least}: {MINIMUM_SOURCE}; a register can set its own. Below it the verdict is: data not "
        "fit to judge.",
        "Not due, and no fault of the data: waiting for a milestone, not yet mature, a bone or "
        "device the measure does not apply to, under 10 mm gained. A time to an event needs a "
        "known state: reached, made impossible, or seen waiting past the target or of late.",
    )
    return ShownTable(pd.DataFrame(lines), "criterion_fitness", "Fit to judge the criteria", notes)


def made_from(inputs: Sequence[str]) -> str:
    """Columns in words, table by table: `Cases: surgery, union; Radiographs: taken on`."""
    tables: dict[str, list[str]] = {}
    for place in inputs:
        table, column = place.split(".")
        tables.setdefault(table, []).append(lowered(TABLES[table].columns[column].title or column))
    return "; ".join(
        f"{table_words(table)}: {', '.join(columns)}" for table, columns in tables.items()
    )


def _fit_words(row: pd.Series) -> str:
    unfit = str(row["note"]).split(";")[0] if str(row["note"]).startswith(UNFIT) else ""
    if unfit.startswith(f"{UNFIT}: the source"):
        return f"Not fit: {unfit.removeprefix(UNFIT + ': ')}"
    if row["due"] == 0:
        return "No case due"
    found = proportion(int(row["with_inputs"]), int(row["due"]), level=float(row["level"]))
    return f"{'Not fit' if unfit else 'Fit'}: {wording.share_with_interval(found)}"


def measure_fitness_table(quality: DataQuality, most: int = 12) -> ShownTable:
    """Is the data fit for each reported measure? Unfit first, then the least complete."""
    table = quality.fitness
    order = table["verdict"].eq(UNFIT).map({True: 0, False: 1})
    found = table.assign(_o=order).sort_values(["_o", "value"], kind="stable")
    shown = found.head(most)
    frame = pd.DataFrame(
        {
            "Measure": [_measure_words(str(r.measure), str(r.title)) for r in shown.itertuples()],
            "Made from": [made_from(INPUTS[name]) for name in shown["measure"]],
            "Due": shown["due"].astype(str),
            "With what it needs (95% CI)": [
                share_words(row, int(row["due"])) for _, row in shown.iterrows()
            ],
            "Verdict": shown["verdict"].str[:1].str.upper() + shown["verdict"].str[1:],
        }
    )
    notes = (
        f"Minimum {100 * quality.choices.minimum_completeness:g}%: {MINIMUM_SOURCE}.",
        *left_out(len(shown), len(found), where="quality_fitness.csv"),
    )
    return ShownTable(frame, "measure_fitness", "Fit to report the measures", notes)


def _measure_words(measure: str, title: str) -> str:
    if measure in TIMES:
        _, unit, each = TIMES[measure]
        return f"{title} ({unit}, one a {each})"
    unit = BY_NAME[measure].unit
    return f"{title} ({unit})" if unit else title


#: key -> (who, what, where); shown only where there is something to do
TASKS: dict[str, tuple[str, str, str]] = {
    "errors": ("Whoever entered the data", "Errors: correct the cell named", QUERIES),
    "missing": (
        "Whoever entered the data",
        "Items that could be expected and are not there: fill them in",
        "quality_missing.csv",
    ),
    "warnings": (
        "Clinician of the case",
        "Warnings: look whether the value is right, leave it if it is",
        QUERIES,
    ),
    "stale": (
        "Clinic coordinator",
        "Cases in treatment not seen of late: call in, or enter the visit or the outcome",
        "quality_stale.csv",
    ),
    "not_found": (
        THEATRE,
        "Operations of the theatre list without a case: find and enter them",
        "quality_ascertainment.csv",
    ),
    "unfit": (
        "Audit lead",
        "Measures and criteria for which the data are not fit: mend their inputs first",
        "quality_fitness.csv, standards.csv",
    ),
}


def next_table(cohort: Cohort, quality: DataQuality, standards: pd.DataFrame) -> ShownTable:
    """Who answers what: only what there is to do, and where the list stands."""
    severity = quality.rules.groupby("severity")["queries"].sum()
    every = quality.ascertainment.iloc[-1]
    operations = 0 if pd.isna(every["operations"]) else int(every["operations"])
    unfit = standards.loc[standards["note"].str.startswith(UNFIT), "criterion"].nunique()
    counts = {
        "errors": severity.get("error", 0),
        "missing": len(quality.missing),
        "warnings": severity.get("warning", 0),
        "stale": len(quality.stale),
        "not_found": operations - int(every["found"]),
        "unfit": unfit + int((quality.fitness["verdict"] == UNFIT).sum()),
    }
    todo = [
        (who, what, str(int(counts[key])), where)
        for key, (who, what, where) in TASKS.items()
        if counts[key]
    ]
    if "theatre_counts" not in cohort.given:
        ask = "Ask for the count of lengthening operations a quarter (table theatre_counts)"
        todo.append((THEATRE, ask, "", "case ascertainment above"))
    recheck = "Have a sample of cases entered again from the notes, to know how accurate they are"
    todo.append(("Audit lead", recheck, "", "accuracy: needs source check"))
    frame = pd.DataFrame(todo, columns=["Who", "What", "How many", "Where"])
    return ShownTable(frame, "what_next", "Who answers what", (), row_headings=2)
