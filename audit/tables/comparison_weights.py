"""Two groups weighted to the same case mix, for people: how alike they are, then who waits."""

from __future__ import annotations

import pandas as pd

from audit import wording
from audit.estimates.estimate import Estimate
from audit.results.baseline import CATEGORY, NUMBER
from audit.results.comparison import GroupComparison
from audit.tables.comparison import (
    CAUTION,
    VARIABLE_WORDS,
    bone,
    fact_words,
    lower,
    named_unlike,
    pair_words,
    standardised,
)
from audit.tables.shown import ShownTable


def waiting_shown(comparison: GroupComparison) -> ShownTable:
    """Share still waiting at fixed days, as seen and after overlap weighting."""
    one, two = pair_words(comparison)
    lines = []
    for day, contrast in comparison.waiting:
        curves = comparison.curves
        plain = [curves[code].at(day) for code in (comparison.first, comparison.second)]
        weighted = comparison.weighted.waiting[day]
        lines += [
            _waiting_line(day, "As seen", (one, two), (*plain, contrast.difference)),
            _waiting_line(
                day, "Weighted to the same case mix", (one, two), tuple(weighted.values())
            ),
        ]
    caption = f"Share still waiting: {one} and {lower(two)}{bone(comparison)}"
    notes = (CAUTION, weighting_words(comparison))
    return ShownTable(pd.DataFrame(lines), "comparison_waiting", caption, notes, row_headings=2)


def _waiting_line(
    day: int, kind: str, groups: tuple[str, str], shares: tuple[Estimate, ...]
) -> dict[str, str]:
    first, second, difference = shares
    reasons = dict.fromkeys(share.note for share in shares if share.note)
    return {
        "Days from surgery": str(day),
        "How": kind,
        groups[0]: _share(first),
        groups[1]: _share(second),
        "Difference, percentage points (95% CI)": _share(difference, sign=""),
        "Note": "; ".join(reasons),
    }


def _share(share: Estimate, *, sign: str = "%") -> str:
    """`42% (24% to 63%)`, without decimals; `sign` stands after each number."""
    if share.value is None:
        return wording.NOT_ESTIMABLE
    value = wording.hundredths(share.value, 0) + sign
    if share.low is None or share.high is None:
        return f"{value} (no interval)"
    low, high = (wording.hundredths(side, 0) + sign for side in (share.low, share.high))
    return f"{value} ({low} to {high})"


def weighting_words(comparison: GroupComparison) -> str:
    """How the weighted shares were made, or why there are none."""
    weighted = comparison.weighted
    mix = ", ".join(VARIABLE_WORDS[name] for name in weighted.case_mix)
    if weighted.effective is None:
        return f"No weighted shares: {weighted.note}."
    one, two = (wording.rounded(size, 0) for size in weighted.effective)
    return (
        f"Overlap weights (Li, Morgan and Zaslavsky 2018) from {mix}: each row counts by its "
        "chance of having been in the other group, so the weighted shares speak of patients for "
        f"whom both were in use. {weighted.n} rows used, {weighted.missing} left out for "
        f"an incomplete case mix or no time; they carry as much as {one} and {two} equal rows. "
        "Intervals: patient bootstrap, the weights made anew each time."
    )


def weighted_baseline_shown(comparison: GroupComparison) -> ShownTable:
    """Standardised differences before and after weighting: are the groups alike now, and in what
    are they not?"""
    one, two = pair_words(comparison)
    caption = f"Case mix after weighting: {one} and {lower(two)}{bone(comparison)}"
    name, after = "comparison_weighted_baseline", comparison.weighted.baseline
    columns = ["Known at surgery", one, two, "Difference before", "Difference after"]
    if after is None:
        return ShownTable(
            pd.DataFrame(columns=columns), name, caption, (CAUTION, weighting_words(comparison))
        )
    before = comparison.baseline.set_index(["fact", "level"])
    lines = []
    for _, row in after.iterrows():
        heading = row["kind"] == CATEGORY and not row["level"]
        cells = [fact_words(row).removesuffix(", mean (SD)")]
        cells += ["" if heading else _weighted_value(row, side) for side in ("first", "second")]
        # A level seen only among rows that were left out has no line here.
        cells += [standardised(_alone(before.loc[(row["fact"], row["level"])], row))]
        lines.append(dict(zip(columns, [*cells, standardised(row)], strict=True)))
    notes = (
        CAUTION,
        weighting_words(comparison),
        f"After weighting: {named_unlike(after)[:1].lower()}{named_unlike(after)[1:]} Facts "
        "outside the weights are not made alike. Before: all rows of the two groups.",
    )
    return ShownTable(pd.DataFrame(lines), name, caption, notes)


def _alone(before: pd.Series, row: pd.Series) -> pd.Series:
    """The cells of a difference without its limits."""
    return pd.concat([row[["fact", "kind", "level"]], before[["difference", "note"]]]).reindex(
        ["fact", "kind", "level", "difference", "note", "low"]
    )


def _weighted_value(row: pd.Series, side: str) -> str:
    mean = row[f"{side}_mean"]
    if pd.isna(mean):
        return wording.NOT_ESTIMABLE
    return wording.rounded(mean, 1) if row["kind"] == NUMBER else f"{wording.hundredths(mean, 0)}%"
