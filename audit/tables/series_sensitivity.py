"""Sensitivity runs of a case series as tables for people."""

from __future__ import annotations

import re

import pandas as pd

from audit import wording
from audit.measures.limbs import BY_LIMB
from audit.results.rows import estimate_of
from audit.results.walking import INCIDENCE, TIME
from audit.results.walking_variants import FIRST_EPISODE, FIRST_LIMB, STOPPED
from audit.series import sensitivity as runs
from audit.series.sensitivity_bounds import BEST, WORST
from audit.tables.shown import ShownTable, group_words

MAIN = runs.MAIN
PROPORTION, RATE, MEAN = "proportion_clustered", "rate_clustered", "mean_clustered"
MEDIAN_TIME = "median_time_clustered"
#: outcomes shown, as (measure, statistic) -> words
TIMES: dict[tuple[str, str], str] = {
    (TIME, "median_time"): "Median time to full weight bearing (days)",
    ("time_to_union", MEDIAN_TIME): "Median time to union (days)",
    ("healing_index_days_per_cm", MEAN): "Mean healing index of united cases (days/cm)",
    ("healing_index_censored_days_per_cm", MEDIAN_TIME): "Median healing index, waiting cases kept "
    "(days/cm)",
    ("external_fixation_index_days_per_cm", MEAN): "Mean external fixation index (days/cm)",
    ("weight_bearing_index_days_per_cm", MEAN): "Mean weight-bearing index (days/cm)",
}
OTHERS: dict[tuple[str, str], str] = {
    ("gain_error_mm", MEAN): "Mean achieved minus planned gain (mm)",
    ("gain_within_tolerance", PROPORTION): "Gain within tolerance of the plan",
    (BY_LIMB, MEAN): "Mean knee flexion kept (%)",
    (INCIDENCE, "reached_by"): "Full weight bearing by {day} days",
    ("cases_with_complication", PROPORTION): "Cases with a complication",
    ("patients_with_complication", PROPORTION): "Patients with a complication",
    ("cases_with_unplanned_operation", PROPORTION): "Cases with an unplanned operation",
    ("complications_per_100_cases", RATE): "Complications per 100 cases",
}
RUN_WORDS = {
    runs.MAIN: "Main analysis",
    FIRST_LIMB: "First limb only",
    FIRST_EPISODE: "First episode of each patient",
    runs.BY_CASE: "By case, not by episode",
    runs.COMPLETE: "Complete cases",
    BEST: "Best case",
    WORST: "Worst case",
    runs.FROM_START: "From start of distraction",
    "union_by_films": "Union at {} cortices",
    "tolerance": "Tolerance {} mm",
    runs.BETWEEN: "Between visits",
    STOPPED: "Stopped or exchanged competing",
}
QUESTION_WORDS = {
    "main": "",
    "unit_of_analysis": "Unit of analysis",
    "missing_data": "Missing data",
    "time_zero": "Day 0",
    "definition": "Definition",
    "competing_events": "Competing events",
}
_EVENTS = re.compile(r"(\d+) events")
NO_WINNER = (
    "The runs were fixed beforehand; none replaces the main analysis. A difference is run minus "
    "main analysis, from unrounded values, and has no interval: both come from the same patients."
)


def run_words(variant: str) -> str:
    """The words for a run: `union_by_films:2` is Union at 2 cortices."""
    name, _, number = variant.partition(":")
    return RUN_WORDS[name].format(number)


def shown_rows(
    results: pd.DataFrame, outcomes: dict[tuple[str, str], str], *, group: str = "all"
) -> pd.DataFrame:
    """The rows of `sensitivity_results` that a table or figure of these outcomes shows.

    group: of the plan, or `all`. A share by fixed days appears for the middle one of its days.
    Adds `outcome` and `run` in words. An outcome without a value in its main analysis is left out.
    """
    chosen = results.loc[results["group"] == group]
    chosen = chosen.loc[[key in outcomes for key in _keys(chosen)]]
    days = sorted(chosen["day"].dropna().unique())
    middle = days[len(days) // 2] if days else None
    chosen = chosen.loc[chosen["day"].isna() | (chosen["day"] == middle)]
    chosen = chosen.loc[chosen["main_value"].notna()]
    keys = _keys(chosen)
    place = {key: i for i, key in enumerate(outcomes)}
    order = pd.Series([place[key] for key in keys], index=chosen.index, dtype=int)
    words = [outcomes[key].format(day=f"{middle or 0:.0f}") for key in keys]
    chosen = chosen.assign(outcome=words, run=chosen["variant"].map(run_words))
    return chosen.loc[order.sort_values(kind="stable").index].reset_index(drop=True)


def _keys(rows: pd.DataFrame) -> list[tuple[str, str]]:
    return list(zip(rows["measure"], rows["statistic"], strict=True))


def sensitivity_times(results: pd.DataFrame, *, group: str = "all") -> ShownTable:
    """Times and indices under every run that touches them."""
    rows = shown_rows(results, TIMES, group=group)
    notes = (
        NO_WINNER,
        "n: rows of the run with a usable time or index; Events: those that reached it, for times. "
        "Mean indices describe the cases that reached the milestone, times keep waiting cases.",
        *_refusals(rows),
        "Open: the limit lies beyond the follow-up. CI: confidence interval.",
    )
    caption = f"Sensitivity of times and indices{_of_group(results, group)}"
    return ShownTable(_frame(rows, with_events=True), "series_sensitivity_times", caption, notes, 2)


def sensitivity_outcomes(results: pd.DataFrame, *, group: str = "all") -> ShownTable:
    """Length, knee, complications and shares under every run that touches them."""
    rows = shown_rows(results, OTHERS, group=group)
    notes = (
        NO_WINNER,
        "Best and worst case: every answer that is not known taken as good, or as bad news. Not "
        "known are, for complications, cases lost to follow-up without one so far; for a share by "
        "a fixed day, those last seen before it without the event.",
        "Points: percentage points. CI: confidence interval, over patients where a patient gives "
        "several rows.",
        *_refusals(rows),
    )
    caption = f"Sensitivity of lengths, knee motion and complications{_of_group(results, group)}"
    frame = _frame(rows, with_events=False)
    return ShownTable(frame, "series_sensitivity_outcomes", caption, notes, 2)


def sensitivity_runs(results: pd.DataFrame) -> ShownTable:
    """What each run is: the question it asks and its definition."""
    listed = results.drop_duplicates("variant")
    order = {name: place for place, name in enumerate(RUN_WORDS)}
    place = listed["variant"].str.split(":").str[0].map(order)
    listed = listed.loc[place.sort_values(kind="stable").index]
    frame = pd.DataFrame(
        {
            "Run": listed["variant"].map(run_words),
            "Question": listed["question"].map(QUESTION_WORDS),
            "What it is": [f"{words[:1].upper()}{words[1:]}." for words in listed["definition"]],
        }
    ).reset_index(drop=True)
    frame.loc[frame["Question"] == "", "Question"] = "Compared with"
    return ShownTable(frame, "series_sensitivity_runs", "The sensitivity runs", ())


def _frame(rows: pd.DataFrame, *, with_events: bool) -> pd.DataFrame:
    lines = []
    for _, row in rows.iterrows():
        line = {"Outcome": row["outcome"], "Run": row["run"], "n": str(row["n"])}
        line["Missing"] = str(row["missing"])
        if with_events:
            line["Events"] = events_of(row)
        line["Value (95% CI)"] = value_words(row)
        line["Difference"] = difference_words(row)
        lines.append(line)
    columns = ["Outcome", "Run", "n", "Missing", *(["Events"] if with_events else [])]
    return pd.DataFrame(lines, columns=[*columns, "Value (95% CI)", "Difference"])


def events_of(row: pd.Series) -> str:
    """Events behind a time, from its note; empty for a number that has none."""
    found = _EVENTS.search(str(row["note"]))
    return found[1] if found else ""


def is_share(row: pd.Series) -> bool:
    """True for a share of 0 to 1."""
    return row["statistic"] in (PROPORTION, "reached_by", "not_reached_at_clustered")


def value_words(row: pd.Series) -> str:
    """The value with its interval; a counted share with its numerator and denominator."""
    if pd.isna(row["value"]):
        return wording.NOT_ESTIMABLE
    if not is_share(row):
        return wording.with_interval(estimate_of(row))
    counted = row["statistic"] == PROPORTION or row["variant"] in (BEST, WORST)
    if counted:
        return wording.share_with_interval(estimate_of(row))
    n = int(row["n"])
    if pd.isna(row["low"]) or pd.isna(row["high"]):
        return f"{wording.percent(row['value'], n)} (no interval)"
    limits = [wording.percent(row[side], n) for side in ("low", "high")]
    return f"{wording.percent(row['value'], n)} ({limits[0]} to {limits[1]})"


def difference_words(row: pd.Series) -> str:
    """Run minus main analysis with its sign, in the unit; empty for the main analysis itself."""
    if row["variant"] == runs.MAIN or pd.isna(row["difference"]):
        return ""
    if is_share(row):
        decimals = 1 if int(row["n"]) >= wording.MANY else 0
        return f"{_signed(100 * row['difference'], decimals)} points"
    return _signed(row["difference"], wording.decimals_for(str(row["unit"])))


def _signed(number: float, decimals: int) -> str:
    text = wording.rounded(number, decimals)
    return f"+{text}" if number > 0 and any(digit in "123456789" for digit in text) else text


def _refusals(rows: pd.DataFrame) -> tuple[str, ...]:
    """One note a reason for which a run gives no value."""
    missing, notes = rows.loc[rows["value"].isna()], []
    for (run, note), part in missing.groupby(["run", "note"], sort=False):
        outcomes = dict.fromkeys(words.split(" (")[0] for words in part["outcome"])
        notes.append(f"{run}, not estimable ({'; '.join(outcomes)}): {note}.")
    return tuple(notes)


def _of_group(results: pd.DataFrame, group: str) -> str:
    found = results.loc[results["group"] == group, "group_by"]
    if group == "all" or found.empty:
        return ""
    words = group_words(str(found.iloc[0]), group)
    return f", {words[:1].lower()}{words[1:]}"
