"""The numbers of a manuscript and of the kit's own tables, checked against one another."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from audit.manuscript import (
    KINDS,
    TO_MEND,
    VERDICTS,
    Claim,
    DeclaredSum,
    Kind,
    bare_percentages,
    check_claims,
    claims_in_table,
)
from audit.tables.shown import ShownTable

NUMBERS, KINDS_TABLE = "series_numbers", "series_number_kinds"
VERDICT_COUNTS, OWN = "series_number_verdicts", "series_own_numbers"
#: ways to part complications in which every event stands once
EVENT_SPLITS = ("Origin", "Course class", "Severity type", "Phase")
#: verdicts with which nothing is wrong
FITTING = ("agree", "own")
#: what adds up in the kit's own tables
SUMS = (
    DeclaredSum("cohort_flow", "first_row", columns=("Cases",)),
    DeclaredSum(
        "series_flow", "steps", columns=("Cases", "Limbs", "Patients"), rows=("There", "Left out")
    ),
    DeclaredSum("series_flow", "last_step", columns=("Cases",), rows=("There", "At the cut-off")),
    DeclaredSum("series_table_one", "levels"),
    DeclaredSum("series_table_one", "first_group", rows=("Cases (bones lengthened)",)),
    DeclaredSum("series_complications", "splits", columns=("Events",), rows=EVENT_SPLITS),
    DeclaredSum("series_complications_by_group", "splits", rows=EVENT_SPLITS),
    DeclaredSum(
        "series_complications",
        "three_counts",
        columns=("Events", "Cases with one (%; 95% CI)", "Patients with one (%; 95% CI)"),
    ),
    DeclaredSum(
        "series_complication_rates",
        "three_counts",
        columns=("Events / cases", "Cases with an event", "Patients with an event"),
    ),
)
WITHOUT_COUNT = "Percentages without a count"
LEAST_WORDS = (
    "A check of arithmetic: a number that agrees can still be the wrong number, and a number that "
    "does not agree is often a slip of the pen."
)
ORDER = tuple(dict.fromkeys((*TO_MEND, *VERDICTS)))


def numbers_table(findings: pd.DataFrame) -> ShownTable:
    """Every claim with what was recomputed and the verdict; what is to be mended stands first.

    findings: from `audit.manuscript.check_claims`.
    """
    place = findings["verdict"].map({verdict: number for number, verdict in enumerate(ORDER)})
    sorted_ones = findings.assign(place=place).sort_values("place", kind="stable")
    frame = pd.DataFrame(
        {
            "Claim": sorted_ones["claim"],
            "Where": sorted_ones["where"],
            "Number": sorted_ones["words"],
            "Check": [KINDS[kind].words for kind in sorted_ones["kind"]],
            "Printed": sorted_ones["printed"],
            "Recomputed": sorted_ones["recomputed"],
            "Verdict": sorted_ones["verdict"],
            "Why": sorted_ones["note"],
        }
    )
    used = [verdict for verdict in ORDER if verdict in set(findings["verdict"])]
    notes = (*(f"{verdict}: {VERDICTS[verdict]}" for verdict in used), LEAST_WORDS)
    caption = "The numbers of the manuscript, checked"
    return ShownTable(frame.reset_index(drop=True), NUMBERS, caption, notes)


def verdict_counts_table(findings: pd.DataFrame) -> ShownTable:
    """How many claims got which verdict, those to be mended first."""
    counts = findings["verdict"].value_counts()
    lines = [
        {
            "Verdict": verdict,
            "Claims": f"{counts[verdict]}/{len(findings)}",
            "To mend": "yes" if verdict in TO_MEND else "no",
            "What it means": VERDICTS[verdict],
        }
        for verdict in ORDER
        if verdict in counts.index
    ]
    frame = pd.DataFrame(lines, columns=["Verdict", "Claims", "To mend", "What it means"])
    return ShownTable(frame, VERDICT_COUNTS, "Verdicts on the numbers", (LEAST_WORDS,))


def kinds_table() -> ShownTable:
    """How to write each kind of claim into the file."""
    lines = [
        {
            "Kind": name,
            "Question": kind.words,
            "parts": kind.parts_words or "leave empty",
            "Also needed": _needed(kind) or "nothing",
            "May be given": ", ".join(kind.uses) or "nothing",
        }
        for name, kind in KINDS.items()
    ]
    notes = (
        "One claim a line; claim and kind are always needed, where, words, population, deduced and "
        "reason may always be given. Write ; between the numbers of a cell.",
        "Write printed numbers exactly as they stand in the text, zeros at the end included: the "
        "decimals are part of the claim. A spreadsheet may drop them.",
        "population: whom the total counts; different totals of one population are reported. "
        "deduced: yes where the count was worked out from the percentage. reason: why a "
        "denominator is smaller than the others.",
    )
    frame = pd.DataFrame(lines)
    return ShownTable(frame, KINDS_TABLE, "How to write down a claim", notes)


def _needed(kind: Kind) -> str:
    groups = " or ".join(" and ".join(group) for group in kind.either)
    return ", ".join(filter(None, [*kind.needs, groups]))


def own_numbers(
    tables: Sequence[ShownTable], *, sums: Sequence[DeclaredSum] = SUMS
) -> pd.DataFrame:
    """Every number in tables for people that can be recomputed from its own cell or table.

    Columns as `audit.manuscript.check_claims`, and `table`. Counts with percentages, values with
    limits, and what `sums` says adds up.
    """
    claims: list[Claim] = []
    names: list[str] = []
    for table in tables:
        found = claims_in_table(
            table.frame, name=table.name, row_headings=table.row_headings, sums=sums
        )
        claims += found
        names += [table.name] * len(found)
    return check_claims(claims).assign(table=pd.Series(names, dtype=str))


def own_numbers_table(
    tables: Sequence[ShownTable], *, sums: Sequence[DeclaredSum] = SUMS
) -> ShownTable:
    """The kit's own tables under the same checks, a row a table, and every number that fails."""
    found = own_numbers(tables, sums=sums)
    lines = []
    for table in tables:
        rows = found.loc[found["table"] == table.name]
        wrong = rows.loc[~rows["verdict"].isin(FITTING)]
        faults = [
            f"{row['where']} ({row['note'] or row['verdict']})" for _, row in wrong.iterrows()
        ]
        bare = bare_percentages(table.frame, row_headings=table.row_headings)
        cells = (table.caption, str(len(rows)), str(len(rows) - len(wrong)), "; ".join(faults))
        lines.append((*cells[:3], cells[3] or "none", str(bare)))
    columns = ["Table", "Numbers recomputed", "Agree", "Do not agree", WITHOUT_COUNT]
    notes = (
        "Recomputed with other code than that which wrote the tables: counts behind percentages, "
        "values inside their limits, parts against totals.",
        f"{WITHOUT_COUNT} are shares read off a curve, where some are still waiting, and "
        "percentages that are a unit.",
    )
    frame = pd.DataFrame(lines, columns=columns)
    return ShownTable(frame, OWN, "The numbers of the tables above, checked", notes)
