"""Table 1 of a paper, and how unlike its groups are."""

from __future__ import annotations

import pandas as pd

from audit import wording
from audit.results.baseline import CATEGORY, NUMBER, YES_NO
from audit.series.baseline_facts import fact, kind_of, level_words, state_of, unit_of
from audit.series.case_series import CaseSeries
from audit.series.table_one import TableOne, table_one
from audit.tables.shown import ShownTable, group_words

ALL = "all"
WHAT, EACH = "Known at surgery", "Counted"
MISSING, LARGEST = "Missing", "Largest standardised difference"
COUNTED = {"patient": "patients", "case": "cases"}
#: a group with fewer values is left out of the largest difference (local choice)
FEWEST_IN_A_PAIR = 10
NOT_HELD = "The register holds no smoking, other illness or earlier surgery elsewhere."
SD_NOTE = "SD: standard deviation."


def series_table_one(series: CaseSeries) -> ShownTable:
    """Table 1: patients, limbs and cases, then each fact: median (quartiles) and mean (SD), or
    n/N (%), what is missing, and the largest standardised difference. No p value."""
    found = table_one(series)
    lines = _size_lines(found)
    for name, rows in found.rows.groupby("fact", sort=False):
        lines += _fact_lines(str(name), rows, found)
    return ShownTable(
        pd.DataFrame(lines).fillna(""),
        "series_table_one",
        "Patients and cases at surgery",
        _notes(found),
        row_headings=2,
    )


def _headings(found: TableOne) -> dict[tuple[str, str], str]:
    """(group_by, group) -> the heading of its column."""
    keys = zip(found.groups["group_by"], found.groups["group"], strict=True)
    return {key: "All" if key[0] == ALL else group_words(*key) for key in keys}


def _size_lines(found: TableOne) -> list[dict[str, str]]:
    words = {"patients": "Patients", "limbs": "Limbs", "cases": "Cases (bones lengthened)"}
    headings = _headings(found)
    lines = []
    for column, title in words.items():
        line = {WHAT: title, EACH: column}
        for _, row in found.groups.iterrows():
            line[headings[(row["group_by"], row["group"])]] = str(row[column])
        lines.append(line | {MISSING: "", LARGEST: ""})
    return lines


def _fact_lines(name: str, rows: pd.DataFrame, found: TableOne) -> list[dict[str, str]]:
    whole = rows.loc[rows["group_by"] == ALL].iloc[0]
    title, each = _title(name), COUNTED[unit_of(name)]
    ends = {
        MISSING: f"{whole['missing']}/{whole['n'] + whole['missing']}",
        LARGEST: _largest(name, found),
    }
    blank = dict.fromkeys(ends, "")
    kind = kind_of(name)
    if kind == NUMBER:
        makers = {"median (quartiles)": _median, "mean (SD)": _mean}
        lines = [
            {WHAT: f"{title}: {words}", EACH: each} | _cells(rows, found, maker)
            for words, maker in makers.items()
        ]
    elif kind == YES_NO:
        lines = [{WHAT: title, EACH: each} | _cells(rows, found, _count)]
    else:
        lines = [
            {WHAT: f"{title}: {_lower(level_words(name, str(level)))}", EACH: each}
            | _cells(part, found, _count)
            for level, part in rows.groupby("level", sort=False)
            if level
        ]
    if not lines:
        lines = [{WHAT: title, EACH: each}]
    lines = [line | (blank if place else ends) for place, line in enumerate(lines)]
    if whole["missing"]:
        first = rows.drop_duplicates(["group_by", "group"])
        absent = {WHAT: f"{title}: not recorded", EACH: each}
        lines.append(absent | _cells(first, found, _absent) | blank)
    return lines


def _title(name: str) -> str:
    about = fact(name)
    return f"{about.title} ({about.unit})" if about.unit else about.title


def _cells(rows: pd.DataFrame, found: TableOne, maker) -> dict[str, str]:
    headings = _headings(found)
    return {headings[(row["group_by"], row["group"])]: maker(row) for _, row in rows.iterrows()}


def _median(row: pd.Series) -> str:
    unit = fact(row["fact"]).unit
    return wording.median_quartiles(row["median"], row["q1"], row["q3"], unit=unit)


def _mean(row: pd.Series) -> str:
    return wording.mean_sd(row["mean"], row["sd"])


def _count(row: pd.Series) -> str:
    return wording.count_of(int(row["count"]), int(row["n"]))


def _absent(row: pd.Series) -> str:
    return wording.count_of(int(row["missing"]), int(row["n"] + row["missing"]))


def _largest(name: str, found: TableOne) -> str:
    """The largest difference of any two groups, with the groups; or why there is none."""
    pairs = found.differences.loc[found.differences["fact"] == name]
    enough = pairs[["first_n", "second_n"]].min(axis=1) >= FEWEST_IN_A_PAIR
    pairs = pairs.loc[enough]
    endless = pairs.loc[pairs["value"].isna()]
    if not endless.empty:
        return f"{wording.NOT_ESTIMABLE} ({_pair(found, endless.iloc[0])}: no overlap)"
    if pairs.empty:
        return ""
    row = pairs.loc[pairs["value"].abs().idxmax()]
    return f"{wording.rounded(abs(row['value']), 2)} ({_pair(found, row)})"


def _pair(found: TableOne, row: pd.Series) -> str:
    group_by = found.groups["group_by"].iloc[-1]
    return " and ".join(_lower(group_words(group_by, row[side])) for side in ("first", "second"))


def _notes(found: TableOne) -> tuple[str, ...]:
    notes = [
        "Counted: patients are counted once in a group, at their first surgery in it; limbs are "
        "one side in one episode; cases are bones lengthened.",
        f"Patients with cases in more than one group: {found.in_several}; so the patients of the "
        "groups need not add up to all.",
        "Percentages are of those in whom the fact is recorded; those in whom it is not are in "
        "lines of their own.",
    ]
    for name in found.rows["fact"].unique():
        among = state_of(name)
        if among is not None:
            notes.append(f"{fact(name).title}: asked of {among.words}; others where recorded.")
    notes += [
        "Standardised difference: in standard deviations, without a sign (Austin 2009; over "
        f"categories Yang and Dalton 2012); groups with fewer than {FEWEST_IN_A_PAIR} values left "
        "out. There is no P value: no hypothesis is tested here.",
        f"Quartiles in brackets after medians. {SD_NOTE}",
        NOT_HELD,
    ]
    if found.nowhere:
        names = ", ".join(_lower(fact(name).title) for name in found.nowhere)
        notes.append(f"Recorded in no case: {names}.")
    return tuple(notes)


def series_balance(series: CaseSeries) -> ShownTable:
    """Every fact of Table 1: each group against the largest, standardised difference (95% CI)."""
    found = table_one(series)
    groups = found.groups.loc[found.groups["group_by"] != ALL]
    by = series.plan.group_by
    if groups.empty:
        frame = pd.DataFrame(columns=[WHAT])
        return ShownTable(frame, "series_balance", "How unlike the groups are", ("No groups.",))
    largest = groups.loc[groups["cases"].idxmax(), "group"]
    others = [group for group in groups["group"] if group != largest]
    lines = []
    for name in found.rows["fact"].unique():
        line = {WHAT: _title(name) + _kind_words(name)}
        line |= {group_words(by, group): _against(found, name, group, largest) for group in others}
        lines.append(line)
    notes = (
        f"Standardised difference, group minus {_lower(group_words(by, largest))}, in standard "
        "deviations; over categories a distance without a sign. Limits take rows as independent.",
        "Not estimable: too few values, or groups without a value in common.",
        "CI: confidence interval.",
    )
    caption = (
        f"How unlike each group is to {_lower(group_words(by, largest))} at surgery: standardised "
        "difference (95% CI)"
    )
    return ShownTable(pd.DataFrame(lines), "series_balance", caption, notes)


def _kind_words(name: str) -> str:
    if kind_of(name) == CATEGORY:
        return ", all categories"
    return ", yes" if kind_of(name) == YES_NO else ""


def _against(found: TableOne, name: str, group: str, largest: str) -> str:
    pairs = found.differences.loc[found.differences["fact"] == name]
    for first, second, sign in ((group, largest, 1), (largest, group, -1)):
        row = pairs.loc[(pairs["first"] == first) & (pairs["second"] == second)]
        if not row.empty:
            return _signed(row.iloc[0], 1 if kind_of(name) == CATEGORY else sign)
    return ""


def _signed(row: pd.Series, sign: int) -> str:
    if pd.isna(row["value"]):
        return wording.NOT_ESTIMABLE
    value = wording.rounded(sign * row["value"], 2)
    if pd.isna(row["low"]):
        return f"{value} (no interval)"
    low, high = sorted((sign * row["low"], sign * row["high"]))
    return f"{value} ({wording.span(low, high, 2)})"


def _lower(words: str) -> str:
    return words[:1].lower() + words[1:]
