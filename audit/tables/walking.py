"""Full weight bearing looked at in other ways, as tables."""

from __future__ import annotations

import pandas as pd

from audit import wording
from audit.results.rows import estimate_of
from audit.results.walking import COMPLETENESS, FOLLOW_UP, INCIDENCE, INTERVAL, TIME
from audit.results.walking_variants import SENSITIVITY, STOPPED
from audit.run import AuditRun
from audit.tables.measures import rows_of
from audit.tables.shown import ShownTable, group_words, window_words

GROUPINGS = ("all", "device_class")
UNIT_OF_ANALYSIS = (
    "One row of data a walking episode: one patient learning to walk once. Limits take episodes as "
    "independent."
)
VARIANT_WORDS = {
    "main": "Main analysis",
    STOPPED: "Stopped or exchanged as competing",
    "first_episode_of_each_patient": "First episode of each patient",
    "first_limb_only": "First limb only",
}


def competing_table(run: AuditRun, *, window: str = "all") -> ShownTable:
    """Share bearing full weight by fixed days, death and amputation competing, by device class."""
    lines = []
    for group_by in GROUPINGS:
        for group, rows in rows_of(run, INCIDENCE, window, group_by).groupby("group", sort=False):
            events, rivals = _events(rows.iloc[0])
            line = {"Group": group_words(group_by, str(group)), "n": str(rows.iloc[0]["n"])}
            line |= {"Missing": str(rows.iloc[0]["missing"])}
            line |= {"Reached": events, "Died or amputated": rivals}
            line |= {f"By {_day(row)} (95% CI)": _share(row) for _, row in rows.iterrows()}
            lines.append(line)
    notes = (
        "Aalen-Johansen cumulative incidence. Death and amputation make full weight bearing "
        "impossible: they count on their day and stay in the denominator. Stopped treatment and "
        "device exchange stay at risk.",
        UNIT_OF_ANALYSIS,
    )
    caption = f"Patients bearing full weight by day from surgery, {window_words(window).lower()}"
    return ShownTable(pd.DataFrame(lines), "incidence_of_full_weight_bearing", caption, notes)


def sensitivity_table(run: AuditRun, *, window: str = "all") -> ShownTable:
    """Median and quartile times under each definition, and what each definition is."""
    lines = []
    rows = rows_of(run, TIME, window, "sensitivity")
    for variant, part in rows.groupby("group", sort=False):
        found = {row["statistic"]: row for _, row in part.iterrows()}
        median = found["median_time"]
        lines.append(
            {
                "Definition": VARIANT_WORDS[str(variant)],
                "n": str(median["n"]),
                "Missing": str(median["missing"]),
                "Reached": str(median["note"]).split(" events")[0],
                "Median days (95% CI)": wording.with_interval(estimate_of(median)),
                "Quarter reached by": wording.with_interval(estimate_of(found["q1_time"])),
                "Three quarters by": wording.with_interval(estimate_of(found["q3_time"])),
                "What it is": _sentence(SENSITIVITY[str(variant)]),
            }
        )
    notes = (
        "Kaplan-Meier, but for the definition with more competing events: there the time by which "
        "half (a quarter, three quarters) of all had reached it (Aalen-Johansen). The definitions "
        "were fixed beforehand; none replaces the main analysis.",
        UNIT_OF_ANALYSIS,
        "Open: the limit lies beyond the follow-up.",
    )
    caption = f"Time to full weight bearing by definition, {window_words(window).lower()}"
    return ShownTable(pd.DataFrame(lines), "walking_sensitivity", caption, notes)


def interval_table(run: AuditRun, *, window: str = "all") -> ShownTable:
    """Median and share still waiting by the day first seen, beside what the visits allow."""
    lines = []
    words = {TIME: "Day first seen", INTERVAL: "Between visits"}
    for group_by in GROUPINGS:
        groups = rows_of(run, INTERVAL, window, group_by)["group"].unique()
        for group in groups:
            for measure, curve in words.items():
                rows = rows_of(run, measure, window, group_by)
                heading = {"Group": group_words(group_by, str(group)), "Curve": curve}
                lines.append(heading | _interval_cells(rows.loc[rows["group"] == group]))
    notes = (
        "Day first seen: Kaplan-Meier on the visit at which full weight bearing was first seen. "
        "Between visits: it happened after the last visit without it and not later than the first "
        "with it (Turnbull 1976); the median is the latest day the visits allow.",
        "Patients taken over in mid-treatment are not in the curve between visits and count there "
        "as missing. Not estimable: the visits do not fix the share on that day, or nobody was "
        "followed so long. Limits of the median between visits are resampled over patients, for "
        "all cases over all time only.",
        UNIT_OF_ANALYSIS,
    )
    caption = (
        f"Time to full weight bearing, day first seen and between visits, "
        f"{window_words(window).lower()}"
    )
    frame = pd.DataFrame(lines)
    return ShownTable(frame, "walking_between_visits", caption, notes, row_headings=2)


def _interval_cells(rows: pd.DataFrame) -> dict[str, str]:
    median = rows.loc[rows["statistic"] == "median_time"].iloc[0]
    cells = {
        "n": str(median["n"]),
        "Missing": str(median["missing"]),
        "Median days (95% CI)": wording.with_interval(estimate_of(median)),
    }
    for _, row in rows.loc[rows["statistic"] == "not_reached_at"].iterrows():
        cells[f"Waiting at {_day(row)} (95% CI)"] = _share(row)
    return cells


def follow_up_table(run: AuditRun) -> ShownTable:
    """Median follow-up and its completeness, by window for all and by device class."""
    lines = []
    for window in run.results.loc[run.results["measure"] == FOLLOW_UP, "window"].unique():
        for group_by in GROUPINGS:
            medians = rows_of(run, FOLLOW_UP, window, group_by)
            shares = rows_of(run, COMPLETENESS, window, group_by).set_index("group")
            for _, row in medians.iterrows():
                lines.append(
                    {
                        "Period": window_words(str(window)),
                        "Group": group_words(group_by, str(row["group"])),
                        "n": str(row["n"]),
                        "Missing": str(row["missing"]),
                        "Median follow-up, days (95% CI)": wording.with_interval(estimate_of(row)),
                        "Completeness, % (95% CI)": wording.with_interval(
                            estimate_of(shares.loc[row["group"]])
                        ),
                    }
                )
    notes = (
        "Median follow-up: reverse Kaplan-Meier (Schemper & Smith 1996), from surgery to the last "
        "day seen waiting; full weight bearing, death and amputation end the need to watch. Not "
        "estimable where more than half had ended the wait before.",
        "Completeness: days watched as a share of the days possible up to the cut-off (Clark et "
        "al. 2002), interval over patients.",
    )
    caption = "Follow-up until full weight bearing"
    return ShownTable(pd.DataFrame(lines), "follow_up", caption, notes, row_headings=2)


def _events(row: pd.Series) -> tuple[str, str]:
    """Events and competing events, from a note that gives both after the day."""
    words = str(row["note"]).split("; ")[1].split(" ")
    return words[0], words[3]


def _day(row: pd.Series) -> str:
    """`90 days`, from a note that opens with `at 90 days` or `by 90 days`."""
    return str(row["note"]).split(";")[0].split(" ", 1)[1]


def _share(row: pd.Series) -> str:
    """A share as a percentage with its limits; no count, as censoring allows none."""
    if pd.isna(row["value"]):
        return wording.NOT_ESTIMABLE
    n = int(row["n"])
    limits = [wording.percent(row[side], n) for side in ("low", "high") if not pd.isna(row[side])]
    inside = f" ({limits[0]} to {limits[1]})" if len(limits) == 2 else " (no interval)"
    return wording.percent(row["value"], n) + inside


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}."
