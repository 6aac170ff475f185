"""Two groups side by side for people: who they are first, then their times."""

from __future__ import annotations

import pandas as pd

from audit import wording
from audit.estimates.compare import CurveComparison
from audit.results.baseline import CATEGORY, NUMBER
from audit.results.catalogue import TIMES
from audit.results.comparison import GroupComparison
from audit.tables.shown import ShownTable, group_words

CAUTION = (
    "The two groups were used for different patients. What is shown describes these patients; it "
    "does not say what would have been seen had a patient been in the other group."
)
UNMEASURED = (
    "Adjustment and weights know only what the register holds: the reason for choosing a device, "
    "bone quality, soft tissues and how walking was allowed are not among it."
)
CAUTIONS = (CAUTION, UNMEASURED)
#: above this a standardised difference is called out (Austin 2009, Stat Med 28:3083-3107)
UNLIKE = 0.1
FACT_WORDS = {
    "age_years": "Age (years), mean (SD)",
    "planned_gain_mm": "Planned gain (mm), mean (SD)",
    "length_before_mm": "Bone length before (mm), mean (SD)",
    "discrepancy_before_mm": "Discrepancy before (mm), mean (SD)",
    "sex": "Sex",
    "aetiology": "Aetiology",
    "segment": "Bone",
    "physes_open": "Growth plates open",
    "both_sides": "Both legs in one course",
    "several_bones": "More than one bone in one course",
    "taken_over": "Taken over in mid-treatment",
}
VARIABLE_WORDS = {
    "in_first_group": "group",
    "age_years": "age",
    "planned_gain_mm": "planned gain",
    "length_before_mm": "bone length before",
    "tibia": "tibia",
}


def pair_words(comparison: GroupComparison) -> tuple[str, str]:
    """The words for the first and the second group."""
    column = comparison.column
    return group_words(column, comparison.first), group_words(column, comparison.second)


def baseline_shown(comparison: GroupComparison) -> ShownTable:
    """The baseline table with standardised differences; no p value."""
    one, two = pair_words(comparison)
    sizes, lines = comparison.sizes, []
    rows = [f"{row['rows']} ({row['patients']})" for _, row in sizes.iterrows()]
    lines.append(_cells("Rows (patients)", (one, two), rows, ["", ""], ""))
    for _, row in comparison.baseline.iterrows():
        lines.append(
            _cells(
                fact_words(row),
                (one, two),
                [_value(row, side) for side in ("first", "second")],
                [_missing(row, side) for side in ("first", "second")],
                standardised(row),
            )
        )
    notes = (
        CAUTION,
        "Standardised difference: first minus second in standard deviations; over categories a "
        "distance without a sign. It does not grow with the number of patients. "
        f"{named_unlike(comparison.baseline)}",
        _left_out(comparison),
        f"One row a {TIMES[comparison.name][2]}; SD: standard deviation; CI: confidence interval.",
    )
    caption = f"Known at surgery: {one} and {lower(two)}{bone(comparison)}"
    return ShownTable(pd.DataFrame(lines), "comparison_baseline", caption, notes)


def _cells(
    fact: str, groups: tuple[str, str], values: list[str], missing: list[str], difference: str
) -> dict[str, str]:
    (one, two), (lost1, lost2) = groups, missing
    return {
        "Known at surgery": fact,
        one: values[0],
        f"Missing, {lower(one)}": lost1,
        two: values[1],
        f"Missing, {lower(two)}": lost2,
        "Standardised difference (95% CI)": difference,
    }


def fact_words(row: pd.Series) -> str:
    """The heading of a row of the baseline table."""
    if row["level"]:
        return f"{FACT_WORDS[row['fact']]}: {lower(group_words(row['fact'], row['level']))}"
    return FACT_WORDS[row["fact"]]


def _value(row: pd.Series, side: str) -> str:
    if row["kind"] == CATEGORY and not row["level"]:
        return ""
    n = int(row[f"{side}_n"])
    if row["kind"] != NUMBER:
        return wording.count_of(int(row[f"{side}_count"]), n)
    if n == 0:
        return wording.NOT_ESTIMABLE
    spread = row[f"{side}_sd"]
    inside = "no SD" if pd.isna(spread) else wording.rounded(spread, 1)
    return f"{wording.rounded(row[f'{side}_mean'], 1)} ({inside})"


def _missing(row: pd.Series, side: str) -> str:
    count = row[f"{side}_missing"]
    return "" if pd.isna(count) else str(int(count))


def standardised(row: pd.Series) -> str:
    """A standardised difference with its limits, in the words of the table."""
    if row["kind"] == CATEGORY and row["level"]:
        return ""
    if pd.isna(row["difference"]):
        return f"{wording.NOT_ESTIMABLE}: {row['note']}"
    value = wording.rounded(row["difference"], 2)
    return value if pd.isna(row["low"]) else f"{value} ({wording.span(row['low'], row['high'], 2)})"


def named_unlike(baseline: pd.DataFrame) -> str:
    """The facts in which the groups are unlike, in one sentence."""
    found = baseline.loc[baseline["difference"].abs() > UNLIKE, "fact"]
    names = [_plain_fact(fact) for fact in found]
    if not names:
        return f"No standardised difference is above {UNLIKE:g}."
    return f"Above {UNLIKE:g} in size: {', '.join(names)}."


def _plain_fact(fact: str) -> str:
    return lower(FACT_WORDS[fact].split(" (")[0].split(",")[0])


def _left_out(comparison: GroupComparison) -> str:
    out, both = comparison.left_out, int(comparison.sizes["patients_in_both"].iloc[0])
    return (
        f"Left out: {out['mixed']} with more than one kind in one course, {out['other_groups']} of "
        f"other kinds, {out['not_recorded']} not recorded. Patients with a row in both groups: "
        f"{both}."
    )


def result_shown(comparison: GroupComparison) -> ShownTable:
    """What can be said about the times of the two groups, with method and reservations."""
    one, two = pair_words(comparison)
    lines = [_group_line(words, row, comparison) for words, row in _by_group(comparison)]
    lines.append(_mean_line(comparison))
    lines.append(_ratio_line(comparison))
    lines.append(_test_line("Log-rank test", comparison.log_rank, comparison.log_rank_note))
    lines.append(
        _test_line("Log-rank test within bones", comparison.stratified, comparison.stratified_note)
    )
    notes = (
        CAUTION,
        f"Differences are {lower(one)} minus {lower(two)}; ratios compare {lower(one)} with "
        f"{lower(two)}: above 1 means reaching it at a higher rate.",
        "Cases still waiting are kept in up to the last day on which they were seen to wait; death "
        "and amputation end the waiting without the event.",
    )
    title = TIMES[comparison.name][0]
    caption = f"{title} (days): {one} and {lower(two)}{bone(comparison)}"
    return ShownTable(pd.DataFrame(lines), "comparison_results", caption, notes)


def _by_group(comparison: GroupComparison) -> list[tuple[str, pd.Series]]:
    rows = [row for _, row in comparison.sizes.iterrows()]
    return list(zip(pair_words(comparison), rows, strict=True))


def _line(what: str, value: str, n: int, lost: int, about: tuple[str, str]) -> dict[str, str]:
    return {
        "Quantity": what,
        "Value (95% CI)": value,
        "n": str(n),
        "Missing": str(lost),
        "Reservation": about[0],
        "Method": about[1],
    }


def _group_line(words: str, row: pd.Series, comparison: GroupComparison) -> dict[str, str]:
    median = comparison.curves[row["group"]].median()
    note = f"{row['events']} reached it, {row['ended']} ended by death or amputation"
    note += f"; {row['taken_over']} taken over in mid-treatment" if row["taken_over"] else ""
    note += f"; {median.note}" if median.note else ""
    value = wording.with_interval(median)
    what = f"Median days, {lower(words)}"
    return _line(what, value, median.n, median.missing, (note, median.method))


def _mean_line(comparison: GroupComparison) -> dict[str, str]:
    found = comparison.restricted_mean.difference
    what = "Difference of restricted mean days"
    note = "; ".join(x for x in (found.note, "rows of one patient taken as independent") if x)
    return _line(what, wording.with_interval(found), found.n, found.missing, (note, found.method))


def _ratio_line(comparison: GroupComparison) -> dict[str, str]:
    found = comparison.hazard_ratio
    if found.value is None:
        value, note = wording.NOT_ESTIMABLE, found.note
    else:
        value = f"{wording.rounded(found.value, 2)} ({wording.span(found.low, found.high, 2)})"
        note = f"{found.note}; {comparison.steadiness}"
    names = [] if comparison.cox is None else list(comparison.cox.table["covariate"])[1:]
    what = "Adjusted hazard ratio"
    if names:
        what += f" (with {', '.join(VARIABLE_WORDS[name] for name in names)})"
    return _line(what, value, found.n, found.missing, (note, found.method))


def _test_line(what: str, test: CurveComparison | None, note: str) -> dict[str, str]:
    if test is None:
        return _line(what, wording.NOT_ESTIMABLE, 0, 0, (note, "")) | {"n": "", "Missing": ""}
    value = wording.NOT_ESTIMABLE if test.p is None else p_words(test.p)
    about = "; ".join(words for words in (test.note, note) if words)
    return _line(what, value, test.n, test.missing, (about, test.method))


def p_words(p: float) -> str:
    """A p value: two decimals, three where the first two are 0, `p < 0.001` below (AMA style)."""
    if p < 0.001:
        return "p < 0.001"
    if p < 0.01:
        return f"p = {wording.rounded(p, 3)}"
    # Never shown as 1.00: no test says that for certain.
    return "p > 0.99" if p > 0.99 else f"p = {wording.rounded(p, 2)}"


def bone(comparison: GroupComparison) -> str:
    """The words ", tibia only" for a comparison on one bone."""
    if comparison.segment is None:
        return ""
    return f", {lower(group_words('segment', comparison.segment))} only"


def lower(words: str) -> str:
    """Words for the middle of a sentence."""
    return words[:1].lower() + words[1:]
