"""Sensitivity runs of a case series: how far each main result depends on a choice that was made.

A fixed list, set before any result is seen. Every run takes the functions of the main analysis
with other settings or a narrowed input; none replaces the main analysis.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import pandas as pd

from audit.results.rows import RESULT_COLUMNS
from audit.results.walking import INCIDENCE, TIME
from audit.results.walking_variants import FIRST_EPISODE, FIRST_LIMB, SENSITIVITY, STOPPED
from audit.series.case_series import CaseSeries
from audit.series.sensitivity_bounds import BEST, WORST
from audit.series.sensitivity_variants import Rows, Variants

MAIN = "main"
COMPLETE, FROM_START = "complete_cases", "from_start_of_distraction"
BY_CASE, BETWEEN = "walking_by_case", "between_visits"
#: runs -> what they question, in the order of the table
QUESTIONS: dict[str, str] = {
    MAIN: "main",
    FIRST_LIMB: "unit_of_analysis",
    FIRST_EPISODE: "unit_of_analysis",
    BY_CASE: "unit_of_analysis",
    COMPLETE: "missing_data",
    BEST: "missing_data",
    WORST: "missing_data",
    FROM_START: "time_zero",
    "union_by_films": "definition",
    "tolerance": "definition",
    BETWEEN: "definition",
    STOPPED: "competing_events",
}
DEFINITIONS: dict[str, str] = {
    MAIN: "as in the outcome tables; intervals over patients where a patient gives several rows",
    FIRST_LIMB: "one limb a patient: the one operated first, with all bones of that limb in that "
    "episode; both sides on one day: the side whose case comes first by case id",
    FIRST_EPISODE: SENSITIVITY[FIRST_EPISODE],
    BY_CASE: "one row a bone lengthened instead of one row a walking episode",
    COMPLETE: "cases that lack none of the outcomes due by now; cases still waiting are not "
    "incomplete, cases lost before an outcome are",
    BEST: "every answer not known is taken as good news",
    WORST: "every answer not known is taken as bad news",
    FROM_START: "day 0 is the first day of distraction instead of the day of surgery",
    BETWEEN: "the event lies between the last visit without it and the first with it",
    STOPPED: SENSITIVITY[STOPPED],
}
#: outcomes that are rerun, as (measure, statistic) of the results table
OUTCOMES: tuple[tuple[str, str], ...] = (
    (TIME, "median_time"),
    (INCIDENCE, "reached_by"),
    ("time_to_union", "median_time_clustered"),
    ("time_to_union", "not_reached_at_clustered"),
    ("healing_index_days_per_cm", "mean_clustered"),
    ("healing_index_days_per_cm", "median_clustered"),
    ("healing_index_censored_days_per_cm", "median_time_clustered"),
    ("maturation_index_days_per_cm", "mean_clustered"),
    ("external_fixation_index_days_per_cm", "mean_clustered"),
    ("weight_bearing_index_days_per_cm", "mean_clustered"),
    ("gain_error_mm", "mean_clustered"),
    ("gain_within_tolerance", "proportion_clustered"),
    ("knee_flexion_retention_pct_by_limb", "mean_clustered"),
    ("cases_with_complication", "proportion_clustered"),
    ("patients_with_complication", "proportion_clustered"),
    ("cases_with_unplanned_operation", "proportion_clustered"),
    ("complications_per_100_cases", "rate_clustered"),
    ("complications_per_100_case_months", "rate_clustered"),
)
#: shares read off a curve on several fixed days; only the days tell their rows apart
BY_DAY = ("reached_by", "not_reached_at_clustered")
SENSITIVITY_COLUMNS = [
    "question",
    "variant",
    *RESULT_COLUMNS,
    "day",
    "main_value",
    "difference",
    "definition",
]
KEY = ["measure", "statistic", "day", "group_by", "group"]
_DAY = re.compile(r"^(?:at|by) (\d+) days")


def sensitivity_results(series: CaseSeries) -> pd.DataFrame:
    """One row an outcome, group and run (`SENSITIVITY_COLUMNS`), over all time.

    The columns of results.csv, then day (of a share by a fixed day, else missing), main_value and
    difference (value minus main_value in `unit`; missing where either is), and the definition of
    the run. Rows are sorted by outcome, day and group, the main analysis first. A difference has
    no interval: both numbers come from the same patients. Groups: all cases and each group of the
    plan. What cannot be estimated has no value and says why in its note.
    """
    frames = [_as_frame(variant, rows, words) for variant, rows, words in _runs(series)]
    table = pd.concat([frame for frame in frames if not frame.empty], ignore_index=True)
    main = table.loc[table["variant"] == MAIN].set_index(KEY)["value"]
    table["main_value"] = table.set_index(KEY).index.map(main).astype(float)
    table["difference"] = table["value"] - table["main_value"]
    return _in_order(table)[SENSITIVITY_COLUMNS]


def _runs(series: CaseSeries) -> Iterator[tuple[str, Rows, str]]:
    """Every run as (variant, rows, definition)."""
    runs, plan = Variants(series), series.plan
    yield MAIN, _main_rows(series), DEFINITIONS[MAIN]
    simple = {
        FIRST_LIMB: runs.first_limb,
        FIRST_EPISODE: runs.first_episode,
        BY_CASE: runs.walking_by_case,
        COMPLETE: runs.complete,
        FROM_START: runs.from_start,
        BETWEEN: runs.between_visits,
        STOPPED: runs.stopped,
    }
    for variant, give in simple.items():
        yield variant, give(), DEFINITIONS[variant]
    for variant, rows in runs.bounds().items():
        yield variant, rows, DEFINITIONS[variant]
    for cortices in plan.union_cortices:
        yield f"union_by_films:{cortices}", runs.union_rule(cortices), _union_words(cortices)
    for tolerance in plan.tolerances_mm:
        words = f"within {tolerance:g} mm of the plan"
        yield f"tolerance:{tolerance:g}", runs.tolerance(tolerance), words


def _union_words(cortices: int) -> str:
    return (
        f"union at the first film from the end of distraction on with {cortices} cortices bridged "
        "or more, instead of the recorded date"
    )


def _main_rows(series: CaseSeries) -> Rows:
    results = series.run.results
    groups = results["group_by"].isin(("all", series.plan.group_by))
    return results.loc[groups & (results["window"] == "all")].to_dict("records")


def _as_frame(variant: str, rows: Rows, definition: str) -> pd.DataFrame:
    wanted = [row for row in rows if (row["measure"], row["statistic"]) in OUTCOMES]
    frame = pd.DataFrame(wanted, columns=RESULT_COLUMNS)
    for name in ("value", "low", "high", "level"):
        frame[name] = frame[name].astype(float)
    found = frame["note"].astype(str).str.extract(_DAY)[0].astype(float)
    question = QUESTIONS[variant.split(":")[0]]
    return frame.assign(
        day=found.where(frame["statistic"].isin(BY_DAY)),
        question=question,
        variant=variant,
        definition=definition,
    )


def _in_order(table: pd.DataFrame) -> pd.DataFrame:
    """By outcome, day and group (as in the results), then in the order of the runs."""
    outcome = {key: place for place, key in enumerate(OUTCOMES)}
    groups = {key: i for i, key in enumerate(dict.fromkeys(_pairs(table, "group_by", "group")))}
    runs = {name: place for place, name in enumerate(QUESTIONS)}
    places = pd.DataFrame(
        {
            "outcome": [outcome[key] for key in _pairs(table, "measure", "statistic")],
            "day": table["day"].fillna(-1.0),
            "group": [groups[key] for key in _pairs(table, "group_by", "group")],
            "run": table["variant"].str.split(":").str[0].map(runs),
        },
        index=table.index,
    )
    order = places.sort_values(["outcome", "day", "group", "run"], kind="stable").index
    return table.loc[order].reset_index(drop=True)


def _pairs(table: pd.DataFrame, first: str, second: str) -> list[tuple[str, str]]:
    return list(zip(table[first], table[second], strict=True))
