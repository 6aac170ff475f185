"""Complete against incomplete records, and the effective number of cases, as tables for people."""

from __future__ import annotations

import pandas as pd

from audit import wording
from audit.measures.limbs import BY_LIMB
from audit.results.baseline import CATEGORY, NUMBER
from audit.results.catalogue import BY_NAME, WORDS_FOR_REASONS
from audit.series.complete_records import (
    LOST_BEFORE,
    NEEDED,
    UNRECORDED,
    CompleteAgainstIncomplete,
)
from audit.tables.comparison import fact_words, standardised
from audit.tables.shown import ShownTable, group_words

GAP_WORDS = {LOST_BEFORE: "lost to follow-up before it", UNRECORDED: "closed without it"}
#: share of patients with both sides from which the effective number must stand beside the counts
MANY_BOTH_SIDES = 0.10
#: a standardised difference above this is called out (Austin 2009, Stat Med 28:3083-3107)
UNLIKE = 0.1


def complete_shown(found: CompleteAgainstIncomplete) -> ShownTable:
    """Facts known at surgery of complete and incomplete cases; no p value."""
    one = f"Complete, {found.complete} cases ({found.patients[0]} patients)"
    two = f"Incomplete, {found.incomplete} cases ({found.patients[1]} patients)"
    lines = []
    for _, row in found.baseline.iterrows():
        line = {"Known at surgery": fact_words(row)}
        line |= {one: _value(row, "first"), f"Missing, {one.split(',')[0].lower()}": ""}
        line |= {two: _value(row, "second"), f"Missing, {two.split(',')[0].lower()}": ""}
        if not row["level"]:
            line["Missing, complete"] = str(int(row["first_missing"]))
            line["Missing, incomplete"] = str(int(row["second_missing"]))
        line["Standardised difference (95% CI)"] = standardised(row)
        lines.append(line)
    notes = (
        f"Complete: none of these is lacking where it is due: {_needed()}. A case still in "
        "treatment waits and is not incomplete.",
        _gap_words(found.gaps),
        "Standardised difference: complete minus incomplete in standard deviations; over "
        f"categories a distance without a sign. {_unlike(found.baseline)}",
        "SD: standard deviation; CI: confidence interval, rows of one patient taken as "
        "independent. A patient can have cases of both kinds.",
    )
    caption = "Cases with complete and with incomplete records"
    return ShownTable(pd.DataFrame(lines), "series_complete_records", caption, notes)


def _value(row: pd.Series, side: str) -> str:
    if row["kind"] == CATEGORY and not row["level"]:
        return ""
    if row["kind"] == NUMBER:
        return wording.mean_sd(row[f"{side}_mean"], row[f"{side}_sd"])
    n = int(row[f"{side}_n"])
    return wording.count_of(int(row[f"{side}_count"]), n)


def _needed() -> str:
    return ", ".join(_lower(BY_NAME[name].title) for name in NEEDED)


def _gap_words(gaps: pd.DataFrame) -> str:
    if gaps.empty:
        return "No case is incomplete."
    counts = gaps.groupby(["measure", "reason"]).size()
    parts = []
    for name in NEEDED:
        mine = counts[[key for key in counts.index if key[0] == name]]
        why = sorted(mine.index, key=lambda key: (-mine[key], key))
        words = [f"{GAP_WORDS.get(r) or WORDS_FOR_REASONS.get(r, r)} {mine[m, r]}" for m, r in why]
        if words:
            parts.append(f"{_lower(BY_NAME[name].title)} ({', '.join(words)})")
    return f"Lacking, in cases: {'; '.join(parts)}. A case can lack several."


def _unlike(baseline: pd.DataFrame) -> str:
    found = baseline.loc[baseline["difference"].abs() > UNLIKE]
    names = [_lower(fact_words(row).split(" (")[0].split(",")[0]) for _, row in found.iterrows()]
    if not names:
        return f"None is above {UNLIKE:g} in size."
    return f"Above {UNLIKE:g} in size: {', '.join(names)}."


def effective_shown(sizes: pd.DataFrame) -> ShownTable:
    """n, patients, and how many independent rows the n are worth, by outcome and group."""
    lines = []
    for _, row in sizes.iterrows():
        known = not pd.isna(row["effective"])
        lines.append(
            {
                "Outcome": outcome_words(row["measure"]),
                "Group": group_words(row["group_by"], row["group"]),
                "n": f"{row['n']} {row['unit_of_analysis']}s",
                "Missing": str(row["missing"]),
                "Patients": str(row["patients"]),
                "With several": str(row["patients_with_several"]),
                "With both sides": wording.count_of(row["patients_both_sides"], row["patients"]),
                "Effective n": wording.rounded(row["effective"], 0) if known else _reason(row),
                "Design effect": wording.rounded(row["design_effect"], 2) if known else "",
            }
        )
    notes = (
        "Effective n: how many cases of different patients would tell as much; n divided by the "
        "design effect 1 + (m - 1) x ICC, with m the mean number of rows a patient as a row sees "
        "it and ICC the intra-cluster correlation (Donner 1986). A correlation below 0 counts as "
        "0; where all values are equal it counts as 1.",
        _both_sides(sizes),
        "Intervals in the outcome tables allow for several rows of one patient.",
    )
    caption = "Cases, patients and effective number of cases"
    return ShownTable(pd.DataFrame(lines), "series_effective_number", caption, notes, 2)


def outcome_words(measure: str) -> str:
    """The words for a measure, in the tables of this module."""
    if measure == BY_LIMB:
        return "Knee flexion kept, by limb"
    return BY_NAME[measure].title


def _both_sides(sizes: pd.DataFrame) -> str:
    everyone = sizes.loc[sizes["group_by"] == "all"]
    share = (everyone["patients_both_sides"] / everyone["patients"].clip(lower=1)).max()
    above = "above" if share > MANY_BOTH_SIDES else "not above"
    return (
        f"The largest share of patients with both sides is {above} "
        f"{wording.percent(MANY_BOTH_SIDES, 0)}, the share from which counts of limbs mislead "
        "without the effective number."
    )


def _reason(row: pd.Series) -> str:
    return f"{wording.NOT_ESTIMABLE}: {row['note']}"


def _lower(words: str) -> str:
    return words[:1].lower() + words[1:]
