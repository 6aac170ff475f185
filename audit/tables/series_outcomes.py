"""Outcomes of a series: one table by group for the paper, and one a section in full."""

from __future__ import annotations

import pandas as pd

from audit import wording
from audit.results.groups import ALL, Window, slices
from audit.results.rows import best_rows, estimate_of
from audit.series.case_series import CaseSeries
from audit.series.outcomes import NUMBER, SECTIONS, TIME, YES_NO, Outcome, Section, outcome_results
from audit.tables.measures import CLUSTER_NOTE
from audit.tables.shown import ShownTable, group_words

WHAT, SHOWN, GROUP = "Outcome", "Shown", "Group"
#: section -> outcomes in the paper's own table; the others stand in the tables of the sections
MAIN: dict[str, tuple[str, ...]] = {
    "course": ("latency_days", "distraction_days", "distraction_index_mm_per_day"),
    "length": (
        "planned_gain_mm",
        "achieved_gain_mm",
        "gain_error_mm",
        "absolute_gain_error_mm",
        "gain_within_tolerance",
        "length_lost_mm",
    ),
    "healing": (
        "time_to_union",
        "healing_index_censored_days_per_cm",
        "healing_index_days_per_cm",
        "external_fixation_index_days_per_cm",
    ),
    "walking": ("time_to_full_weight_bearing",),
    "knee": ("knee_flexion_retention_pct_by_limb",),
}
WAITS_NOTE = (
    "Numbers of finished cases only: gains, errors, indices. Cases still waiting are not in n; "
    "times and the healing index with waiting cases kept count them up to when last seen waiting."
)
TIME_NOTE = (
    "Median times: Kaplan-Meier with log-log limits, waiting cases kept in; open: the limit lies "
    "beyond the follow-up. Time to full weight bearing has one value a walking episode, which "
    "joins bones operated within 30 days; episodes with more than one kind are mixed, "
    "and counted in all."
)
WORDS_NOTE = (
    "Quartiles in brackets after medians. n: number with a value; SD: standard deviation; CI: "
    "confidence interval."
)
SHORT_NOTE = "n: number with a value; CI: confidence interval."
Found = dict[str, pd.Series]


class _Book:
    """The best row of every statistic, by outcome and group, and the size of every group."""

    def __init__(self, series: CaseSeries) -> None:
        results = outcome_results(series)
        keys = ["measure", "group_by", "group"]
        self._rows = dict(iter(results.groupby(keys, sort=False)))
        self._sizes: dict[tuple[str, str], tuple[int, int]] = {}
        by = {series.plan.group_by, series.plan.split_by}
        columns = [(), *(tuple(name.split("+")) for name in sorted(by))]
        for part in slices(series.run.measured, (Window(ALL),), columns):
            counts = part.rows["patient_id"].nunique(), len(part.rows)
            self._sizes[(part.group_by, part.group)] = counts

    def groups(self, group_by: str) -> list[str]:
        """Groups of cases in the order of the code lists."""
        return [group for by, group in self._sizes if by == group_by]

    def size(self, group_by: str, group: str) -> tuple[int, int]:
        """(patients, cases)."""
        return self._sizes.get((group_by, group), (0, 0))

    def found(self, name: str, group_by: str, group: str) -> Found:
        """statistic -> row; empty where the outcome has no such group."""
        rows = self._rows.get((name, group_by, group))
        return {} if rows is None else best_rows(rows, *self.size(group_by, group))

    def groups_of(self, name: str, group_by: str) -> list[str]:
        """Groups of one outcome, which for walking episodes may be mixed."""
        return [group for measure, by, group in self._rows if (measure, by) == (name, group_by)]


def series_outcomes(series: CaseSeries) -> ShownTable:
    """The main outcomes for all cases and by the plan's groups, a few lines an outcome."""
    book, by = _Book(series), series.plan.group_by
    groups = [(ALL, ALL), *((by, group) for group in book.groups(by))]
    headings = {key: "All" if key[0] == ALL else group_words(*key) for key in groups}
    lines = [
        {WHAT: "Cases (patients)", SHOWN: ""}
        | {headings[key]: _cases_and_patients(*book.size(*key)) for key in groups}
    ]
    for section in SECTIONS:
        for outcome in section.outcomes:
            if outcome.name in MAIN[section.name]:
                cells = {
                    headings[key]: _summary(outcome, book.found(outcome.name, *key))
                    for key in groups
                }
                lines += _summary_lines(outcome, cells)
    tolerance = wording.rounded(series.run.cohort.settings.tolerance_mm, 0)
    notes = (
        WAITS_NOTE,
        TIME_NOTE,
        f"Within tolerance: {tolerance} mm or less from the plan. No index below 10 mm gained. "
        "0 of 0: the outcome does not apply to the group.",
        CLUSTER_NOTE,
        WORDS_NOTE,
    )
    frame = pd.DataFrame(lines)
    return ShownTable(frame, "series_outcomes", "Main outcomes", notes, row_headings=2)


def _cases_and_patients(patients: int, cases: int) -> str:
    return f"{cases} ({patients})"


def _summary_lines(outcome: Outcome, cells: dict[str, dict[str, str]]) -> list[dict[str, str]]:
    """Lines of an outcome from heading -> (what is shown -> text)."""
    kinds = {words: None for texts in cells.values() for words in texts}
    title = _title(outcome)
    return [
        {WHAT: title, SHOWN: words}
        | {heading: texts.get(words, "") for heading, texts in cells.items()}
        for words in kinds
    ]


def _title(outcome: Outcome) -> str:
    title = f"{outcome.title} ({outcome.unit})" if outcome.unit else outcome.title
    return title if outcome.each == "case" else f"{title}, one a {outcome.each}"


def _summary(outcome: Outcome, found: Found) -> dict[str, str]:
    """What is shown -> text, for one outcome and group."""
    if not found:
        return {}
    if outcome.kind == YES_NO:
        return {"n/N (%; 95% CI)": _share(found)}
    if outcome.kind == TIME:
        return {
            "reached, of n": _reached(found),
            "median (95% CI)": _interval(found, "median_time"),
        }
    row = found["mean"]
    cells = {"n": f"{row['n']} of {row['n'] + row['missing']}"}
    if not row["n"] + row["missing"]:
        return cells
    cells["median (quartiles)"] = _median(outcome, found)
    if "sd" in found:
        cells["mean (SD)"] = _mean_sd(outcome, found)
    cells["mean (95% CI)"] = _mean_interval(outcome, found)
    if outcome.index:
        cells["total over total (95% CI)"] = _interval(found, "ratio_of_totals")
    return cells


def _median(outcome: Outcome, found: Found) -> str:
    middle, q1, q3 = (found[name]["value"] for name in ("median", "q1", "q3"))
    return wording.median_quartiles(middle, q1, q3, unit=outcome.unit)


def _mean_sd(outcome: Outcome, found: Found) -> str:
    mean, spread = found["mean"]["value"], found["sd"]["value"]
    if pd.isna(mean) or pd.isna(spread):
        return wording.mean_sd(mean, spread, fewest=wording.decimals_for(outcome.unit))
    decimals = _decimals(outcome, found)
    return f"{wording.rounded(mean, decimals)} ({wording.rounded(spread, decimals)})"


def _decimals(outcome: Outcome, found: Found) -> int:
    """Decimals of a mean: those its SD asks for, never fewer than the unit's own, never more than
    two beyond them (an SD next to nothing would ask for any number)."""
    own = wording.decimals_for(outcome.unit)
    spread = found["sd"]["value"] if "sd" in found else float("nan")
    return min(wording.decimals_from_spread(spread, fewest=own), own + 2)


def _mean_interval(outcome: Outcome, found: Found) -> str:
    """The mean and its limits with the decimals of `mean (SD)`, so that one mean looks one way."""
    mean = estimate_of(found["mean"])
    if mean.value is None or mean.low is None:
        return wording.with_interval(mean)
    decimals = _decimals(outcome, found)
    value = wording.rounded(mean.value, decimals)
    return f"{value} ({wording.span(mean.low, mean.high, decimals)})"


def _interval(found: Found, statistic: str) -> str:
    return wording.with_interval(estimate_of(found[statistic]))


def _share(found: Found) -> str:
    return wording.share_with_interval(estimate_of(found["proportion"]))


def _reached(found: Found) -> str:
    """`events of n`, from the note of a time's row, which opens with the events."""
    for piece in str(found["median_time"]["note"]).split("; "):
        words = piece.split(" ")
        if words[1:3] == ["events", "among"]:
            return f"{words[0]} of {words[3]}"
    return ""


def series_outcome_sections(series: CaseSeries) -> tuple[ShownTable, ...]:
    """Every outcome in full, a table a section and kind of number: for all cases, by the plan's
    groups and by its strata (device class and segment unless the plan says otherwise)."""
    book = _Book(series)
    groupings = [*dict.fromkeys((ALL, series.plan.group_by, series.plan.split_by))]
    tables = []
    for section in SECTIONS:
        for kind in (YES_NO, TIME, NUMBER):
            outcomes = [outcome for outcome in section.outcomes if outcome.kind == kind]
            lines = [
                _line(outcome, book.found(outcome.name, by, group), by, group)
                for outcome in outcomes
                for by in groupings
                for group in book.groups_of(outcome.name, by)
            ]
            if lines:
                tables.append(_section_table(section, kind, outcomes, lines))
    return tuple(tables)


def _line(outcome: Outcome, found: Found, group_by: str, group: str) -> dict[str, str]:
    first = {YES_NO: "proportion", TIME: "median_time", NUMBER: "mean"}[outcome.kind]
    row = found[first]
    line = {
        WHAT: _title(outcome),
        GROUP: group_words(group_by, group),
        "n": str(row["n"]),
        "Missing": str(row["missing"]),
    }
    if outcome.kind == YES_NO:
        return line | {"n/N (%; 95% CI)": _share(found)}
    if outcome.kind == TIME:
        times = {"Median time (95% CI)": "median_time", "A quarter by (95% CI)": "q1_time"}
        times["Three quarters by (95% CI)"] = "q3_time"
        return (
            line
            | {"Reached": _reached(found)}
            | {words: _interval(found, statistic) for words, statistic in times.items()}
        )
    line |= {
        "Median (95% CI)": _interval(found, "median"),
        "Quartiles": _quartiles(outcome, found),
        "Mean (SD)": _mean_sd(outcome, found) if "sd" in found else "",
        "Mean (95% CI)": _mean_interval(outcome, found),
    }
    if outcome.index:
        line["Total over total (95% CI)"] = _interval(found, "ratio_of_totals")
    why = str(row["note"]).split("; ")[0]
    return line | {"Why missing": why if row["missing"] else ""}


def _quartiles(outcome: Outcome, found: Found) -> str:
    low, high = found["q1"]["value"], found["q3"]["value"]
    if pd.isna(low):
        return ""
    return wording.span(low, high, wording.decimals_for(outcome.unit))


def _section_table(
    section: Section, kind: str, outcomes: list[Outcome], lines: list[dict[str, str]]
) -> ShownTable:
    notes = []
    if kind == TIME:
        notes.append(TIME_NOTE)
    if any(outcome.index for outcome in outcomes):
        notes.append("No index below 10 mm gained.")
    if any(outcome.waits for outcome in outcomes):
        notes.append(WAITS_NOTE)
    notes.append(CLUSTER_NOTE)
    notes.append(SHORT_NOTE if kind != NUMBER else f"{SHORT_NOTE} SD: standard deviation.")
    words = {YES_NO: "shares", TIME: "times", NUMBER: "numbers"}[kind]
    return ShownTable(
        pd.DataFrame(lines).fillna(""),
        f"series_outcomes_{section.name}_{words}",
        f"{section.title}: {words} by group",
        tuple(notes),
        row_headings=2,
    )
