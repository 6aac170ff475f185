"""Measures, complications and times as tables by device class and segment."""

from __future__ import annotations

import pandas as pd

from audit import wording
from audit.results.catalogue import BY_NAME, TIMES
from audit.results.groups import slices, windows_for
from audit.results.rows import CLUSTERED, FEWEST_CLUSTERS, best_rows, estimate_of
from audit.run import AuditRun
from audit.tables.shown import ShownTable, group_words, window_words

GROUPINGS = ("all", "device_class", "device_class+segment")
CLUSTER_NOTE = (
    "Where a patient gives more than one case the interval allows for it; groups of fewer than "
    f"{FEWEST_CLUSTERS} patients take cases as independent. The method column of results.csv names "
    "each interval."
)


def rows_of(run: AuditRun, measure: str, window: str, group_by: str) -> pd.DataFrame:
    """The rows of results.csv for one measure, window and grouping, groups in order."""
    results = run.results
    chosen = (
        (results["measure"] == measure)
        & (results["window"] == window)
        & (results["group_by"] == group_by)
    )
    return results.loc[chosen]


def counts_of(run: AuditRun, window: str, group_by: str, group: str) -> tuple[int, int]:
    """(patients, cases) of a group of cases in a window."""
    for part in slices(run.measured, windows_for(run.quarter), [_columns(group_by)]):
        if part.window == window and part.group == group:
            return part.rows["patient_id"].nunique(), len(part.rows)
    return 0, 0


def _columns(group_by: str) -> tuple[str, ...]:
    return () if group_by == "all" else tuple(group_by.split("+"))


def number_table(run: AuditRun, measure: str, *, window: str = "all") -> ShownTable:
    """Mean, median and quartiles of a measure by device class and segment. The range, which grows
    with the number of cases, stands in results.csv only."""
    about = BY_NAME[measure]
    lines = []
    for group_by in GROUPINGS:
        for group, rows in rows_of(run, measure, window, group_by).groupby("group", sort=False):
            lines.append(_number_line(run, rows, window, group_by, str(group), about.index))
    frame = pd.DataFrame(lines)
    notes = [CLUSTER_NOTE]
    if about.waits:
        notes.append("Finished cases only: cases still waiting are counted as missing.")
    if about.index:
        notes.append(
            "No index below 10 mm gained. The mean of the cases' indices and total time over "
            "total length answer different questions; both are shown."
        )
    caption = f"{about.title} ({about.unit}), {window_words(window).lower()}"
    return ShownTable(frame, f"{measure}_{window.split(':')[0]}", caption, tuple(notes))


def _number_line(
    run: AuditRun, rows: pd.DataFrame, window: str, group_by: str, group: str, index: bool
) -> dict[str, str]:
    patients, cases = counts_of(run, window, group_by, group)
    found = {name: estimate_of(row) for name, row in best_rows(rows, patients, cases).items()}
    mean, unit = found["mean"], found["mean"].unit
    digits = wording.decimals_for(unit)

    def plain(name: str) -> str:
        value = found[name].value
        return "" if value is None else wording.rounded(value, digits)

    line = {
        "Group": group_words(group_by, group),
        "Patients": str(patients),
        "Cases": str(cases),
        "n": str(mean.n),
        "Missing": str(mean.missing),
        "Mean (95% CI)": wording.with_interval(mean),
        "Median (95% CI)": wording.with_interval(found["median"]),
        "Quartiles": f"{plain('q1')} to {plain('q3')}" if mean.n else "",
    }
    if index:
        line["Total over total (95% CI)"] = wording.with_interval(found["ratio_of_totals"])
    return line


def share_table(run: AuditRun, measure: str, *, caption: str, window: str = "all") -> ShownTable:
    """A yes/no measure by device class and segment, as n/N (%; interval)."""
    lines = []
    for group_by in GROUPINGS:
        for group, rows in rows_of(run, measure, window, group_by).groupby("group", sort=False):
            patients, cases = counts_of(run, window, group_by, str(group))
            estimate = estimate_of(best_rows(rows, patients, cases)["proportion"])
            lines.append(
                {
                    "Group": group_words(group_by, str(group)),
                    "Patients": str(patients),
                    "Cases": str(cases),
                    "n/N (%; 95% CI)": wording.share_with_interval(estimate),
                    "Missing": str(estimate.missing),
                }
            )
    return ShownTable(
        pd.DataFrame(lines), f"{measure}_{window.split(':')[0]}", caption, (CLUSTER_NOTE,)
    )


def complication_table(run: AuditRun, *, window: str = "all") -> ShownTable:
    """Events, cases and patients with events, and rates, by device class and segment."""
    lines = []
    for group_by in GROUPINGS:
        whole = rows_of(run, "complications_per_100_cases", window, group_by)
        for group in whole["group"].unique():
            lines.append(_complication_line(run, window, group_by, str(group)))
    caption = f"Complications, {window_words(window).lower()}"
    notes = (
        "Events, cases with an event and patients with an event are three different numbers. "
        "A case-month is 30.4375 days under observation.",
        CLUSTER_NOTE,
    )
    return ShownTable(pd.DataFrame(lines), f"complications_{window.split(':')[0]}", caption, notes)


def _complication_line(run: AuditRun, window: str, group_by: str, group: str) -> dict[str, str]:
    patients, cases = counts_of(run, window, group_by, group)

    def found(measure: str, statistic: str) -> pd.Series:
        rows = rows_of(run, measure, window, group_by)
        return best_rows(rows.loc[rows["group"] == group], patients, cases)[statistic]

    per_case = found("complications_per_100_cases", "rate")
    months = found("complications_per_100_case_months", "rate")
    return {
        "Group": group_words(group_by, group),
        "Events / cases": _events_and_cases(per_case),
        "Cases with an event": _share(found("cases_with_complication", "proportion")),
        "Patients with an event": _share(found("patients_with_complication", "proportion")),
        "Per 100 cases (95% CI)": wording.with_interval(estimate_of(per_case)),
        "Per 100 case-months (95% CI)": wording.with_interval(estimate_of(months)),
        "Unplanned operation": _share(found("cases_with_unplanned_operation", "proportion")),
    }


def _events_and_cases(row: pd.Series) -> str:
    """`events / cases` from the note of a rate, which opens with both."""
    words = str(row["note"]).split(";")[0].split(" ")
    return f"{words[0]} / {words[3]}"


def _share(row: pd.Series) -> str:
    return wording.share_with_interval(estimate_of(row))


def split_table(run: AuditRun, *, window: str = "all") -> ShownTable:
    """Events per 100 cases by origin, course class and severity type."""
    lines = []
    counts = counts_of(run, window, "all", "all")
    titles = {"origin": "Origin", "course_class": "Course class", "severity_type": "Severity type"}
    for column, title in titles.items():
        rows = rows_of(run, "complications_per_100_cases", window, column)
        for group, part in rows.groupby("group", sort=False):
            row = best_rows(part, *counts)["rate"]
            lines.append(
                {
                    "Split": title,
                    "Kind": group_words(column, str(group)),
                    "Events / cases": _events_and_cases(row),
                    "Per 100 cases (95% CI)": wording.with_interval(estimate_of(row)),
                }
            )
    notes = (
        "Course class: Paley 1990. Severity type: Black 2015. No event still has an upper limit.",
    )
    caption = f"Complications by origin, course class and severity, {window_words(window).lower()}"
    return ShownTable(pd.DataFrame(lines), "complications_by_kind", caption, notes, row_headings=2)


def time_summary_table(run: AuditRun, name: str, *, window: str = "all") -> ShownTable:
    """Median and quartile times, share still waiting, restricted mean, by group."""
    title, unit, each = TIMES[name]
    lines = []
    for group_by in GROUPINGS:
        for group, rows in rows_of(run, name, window, group_by).groupby("group", sort=False):
            counts = counts_of(run, window, group_by, str(group))
            lines.append(_time_line(_preferred(rows, *counts), group_by, str(group), unit))
    notes = (
        f"One row of data a {each}. Kaplan-Meier with log-log limits; cases still waiting are kept "
        "in, up to the last day on which they were seen to wait.",
        *((CLUSTER_NOTE,) if each == "case" else ()),
        "Open: the limit lies beyond the follow-up.",
    )
    caption = f"{title} ({unit}), {window_words(window).lower()}"
    return ShownTable(pd.DataFrame(lines), f"{name}_{window.split(':')[0]}", caption, notes)


def _preferred(rows: pd.DataFrame, patients: int, cases: int) -> pd.DataFrame:
    """The rows of a time by the rule of `best_rows`, under the plain names of their statistics;
    a statistic can have a row a day."""
    twins = rows["statistic"].str.endswith(CLUSTERED)
    if not (twins.any() and FEWEST_CLUSTERS <= patients < cases):
        return rows.loc[~twins]
    plain = rows["statistic"].str.removesuffix(CLUSTERED)
    return rows.loc[twins].assign(statistic=plain[twins])


def _time_line(rows: pd.DataFrame, group_by: str, group: str, unit: str) -> dict[str, str]:
    median = rows.loc[rows["statistic"] == "median_time"].iloc[0]
    line = {
        "Group": group_words(group_by, group),
        "n": str(median["n"]),
        "Reached": str(median["note"]).split(" events")[0],
        f"Median {unit} (95% CI)": wording.with_interval(estimate_of(median)),
    }
    for statistic, words in (("q1_time", "Quarter reached by"), ("q3_time", "Three quarters by")):
        row = rows.loc[rows["statistic"] == statistic].iloc[0]
        line[words] = wording.with_interval(estimate_of(row))
    for _, row in rows.loc[rows["statistic"] == "not_reached_at"].iterrows():
        day = str(row["note"]).split(";")[0].removeprefix("at ")
        line[f"Waiting at {day}"] = _waiting(row)
    return line


def _waiting(row: pd.Series) -> str:
    if pd.isna(row["value"]):
        return wording.NOT_ESTIMABLE
    n = int(row["n"])
    return wording.percent(row["value"], n) + _span(row["low"], row["high"], n)


def _span(low: float, high: float, n: int) -> str:
    """Limits of a share; none before the first event, where both would only repeat it."""
    if pd.isna(low) or pd.isna(high) or low == high:
        return ""
    return f" ({wording.percent(low, n)} to {wording.percent(high, n)})"


def agreement_table(run: AuditRun, *, window: str = "all") -> ShownTable:
    """Bias and limits of agreement of achieved minus planned gain, by device class and segment."""
    lines = []
    for group_by in GROUPINGS:
        rows = rows_of(run, "gain_agreement_mm", window, group_by)
        for group, part in rows.groupby("group", sort=False):
            patients, cases = counts_of(run, window, group_by, str(group))
            found = best_rows(part, patients, cases)
            lines.append(
                {
                    "Group": group_words(group_by, str(group)),
                    "n": str(found["bias"]["n"]),
                    "Missing": str(found["bias"]["missing"]),
                    "Bias (95% CI)": wording.with_interval(estimate_of(found["bias"])),
                    "Lower limit (95% CI)": wording.with_interval(estimate_of(found["limit_low"])),
                    "Upper limit (95% CI)": wording.with_interval(estimate_of(found["limit_high"])),
                }
            )
    notes = (
        "Limits of agreement: bias plus and minus 1.96 standard deviations, exact intervals "
        "(Carkeet 2015). Limits take cases as independent.",
        CLUSTER_NOTE,
    )
    caption = f"Achieved minus planned gain (mm), {window_words(window).lower()}"
    return ShownTable(pd.DataFrame(lines), "gain_agreement", caption, notes)


def at_risk_table(numbers: pd.DataFrame) -> ShownTable:
    """The numbers under a curve, from `audit.results.courses.at_risk_frame`."""

    def waiting(row: pd.Series) -> str:
        if pd.isna(row["waiting"]):
            return wording.NOT_ESTIMABLE
        n = int(row["at_risk"])
        return wording.percent(row["waiting"], n) + _span(row["low"], row["high"], n)

    frame = pd.DataFrame(
        {
            "Group": numbers["group"],
            "Days from surgery": numbers["time"].map("{:g}".format),
            "At risk": numbers["at_risk"].astype(str),
            "Censored so far": numbers["censored"].astype(str),
            "Full weight bearing so far": numbers["events"].astype(str),
            "Still waiting (95% CI)": [waiting(row) for _, row in numbers.iterrows()],
        }
    )
    notes = (
        "At risk, censored and full weight bearing add up to all who have entered. A patient taken "
        "over in mid-treatment is at risk from arrival only.",
    )
    caption = "Numbers under the curve of time to full weight bearing"
    return ShownTable(frame, "at_risk", caption, notes, row_headings=2)


def method_table(run: AuditRun) -> ShownTable:
    """The methods that ran, from the results themselves."""
    methods = run.results["method"].str.replace(r" \(\d+ clusters\)", "", regex=True)
    counts = methods.value_counts()
    frame = pd.DataFrame({"Method": counts.index, "Estimates": counts.astype(str).to_numpy()})
    frame = frame.sort_values("Method", kind="stable").reset_index(drop=True)
    return ShownTable(frame, "methods", "Methods behind the estimates in results.csv")
