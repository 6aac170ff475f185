"""What came of it: every measure of the series, and the course of treatment, as result rows."""

from __future__ import annotations

import dataclasses

import pandas as pd

from audit.measures.limbs import BY_LIMB
from audit.results.catalogue import BY_NAME, TIMES, Measure
from audit.results.groups import ALL, Window, slices
from audit.results.rows import result_frame
from audit.results.summaries import measure_rows, share_rows
from audit.series.case_series import CaseSeries
from schemas import vocabulary

NUMBER, YES_NO, TIME = "number", "yes_no", "time"


@dataclasses.dataclass(frozen=True, kw_only=True)
class Outcome:
    """An outcome of a paper. kind: number, yes_no or time. each: what has one value of it. waits:
    numbers of finished cases only. index: total over total is given too."""

    name: str
    title: str
    unit: str
    kind: str
    each: str = "case"
    waits: bool = False
    index: bool = False


@dataclasses.dataclass(frozen=True, kw_only=True)
class Section:
    """Outcomes that are shown together. name: as in a file name; title: for people."""

    name: str
    title: str
    outcomes: tuple[Outcome, ...]


#: measures beside those of the catalogue: expected against achieved, prescribed against done
EXTRA_NUMBERS: tuple[Measure, ...] = (
    Measure("planned_gain_mm", "Planned gain", "mm"),
    Measure("achieved_gain_mm", "Gain at the end of distraction", "mm", waits=True),
    Measure("absolute_gain_error_mm", "Distance from the plan, without its sign", "mm", waits=True),
    Measure("prescribed_mm_per_day", "Rate prescribed, of the log", "mm/day"),
    Measure("delivered_mm_per_day", "Rate delivered, of the log", "mm/day"),
    Measure("delivered_pct", "Delivered of prescribed, of the log", "%"),
)
#: what is given of them
EXTRA_STATISTICS = ("mean", "mean_clustered", "sd", "median", "median_clustered", "q1", "q3")
REVERSED = "distraction_reversed"
STATUSES = (
    "completed",
    "in_treatment",
    "stopped_early",
    "device_exchanged",
    "lost_to_follow_up",
    "amputated",
    "died",
)
EXTRA_SHARES: dict[str, str] = {
    REVERSED: "Distraction reversed at least once, of the log",
    **{f"ended_{code}": vocabulary.label("outcome_status", code) for code in STATUSES},
}
_EXTRA = {measure.name: measure for measure in EXTRA_NUMBERS}


def _outcome(name: str) -> Outcome:
    if name in TIMES:
        title, unit, each = TIMES[name]
        return Outcome(name=name, title=title, unit=unit, kind=TIME, each=each)
    if name in EXTRA_SHARES:
        return Outcome(name=name, title=EXTRA_SHARES[name], unit="", kind=YES_NO)
    if name == BY_LIMB:
        return Outcome(name=name, title="Knee flexion kept", unit="%", kind=NUMBER, each="limb")
    about = _EXTRA.get(name) or BY_NAME[name]
    return Outcome(
        name=name,
        title=about.title,
        unit=about.unit,
        kind=about.kind,
        waits=about.waits,
        index=about.index,
    )


def _section(name: str, title: str, *names: str) -> Section:
    return Section(name=name, title=title, outcomes=tuple(map(_outcome, names)))


SECTIONS: tuple[Section, ...] = (
    _section(
        "course",
        "Course of treatment",
        *(f"ended_{code}" for code in STATUSES),
        "latency_days",
        "distraction_days",
        "distraction_index_mm_per_day",
        "prescribed_mm_per_day",
        "delivered_mm_per_day",
        "delivered_pct",
        REVERSED,
    ),
    _section(
        "length",
        "Length planned and achieved",
        "planned_gain_mm",
        "achieved_gain_mm",
        "gain_error_mm",
        "absolute_gain_error_mm",
        "gain_within_tolerance",
        "gain_attainment_pct",
        "gain_accuracy_pct",
        "final_gain_error_mm",
        "length_lost_mm",
        "lengthening_pct",
    ),
    _section(
        "healing",
        "Healing",
        "time_to_union",
        "healing_index_censored_days_per_cm",
        "healing_index_days_per_cm",
        "healing_index_months_per_cm",
        "maturation_index_days_per_cm",
        "external_fixation_index_days_per_cm",
    ),
    _section(
        "walking",
        "Full weight bearing",
        "time_to_full_weight_bearing",
        "time_to_full_weight_bearing_by_case",
        "weight_bearing_index_days_per_cm",
    ),
    _section(
        "knee",
        "Knee motion",
        BY_LIMB,
        "knee_flexion_retention_pct",
        "knee_arc_retention_pct",
        "time_to_knee_recovery",
    ),
)


def outcome_results(series: CaseSeries) -> pd.DataFrame:
    """Result rows (contract columns, window `all`) of every outcome in `SECTIONS`.

    For all cases, by the plan's `group_by` and by its `split_by`. Rows of results.csv as they are,
    then those of `EXTRA_NUMBERS` and `EXTRA_SHARES`, which have the same columns: the distance
    from the plan, what the session log says of prescription and delivery (cases without sessions
    are missing), and how treatment stood at the end of follow-up.
    """
    plan, results = series.plan, series.run.results
    groupings = [*dict.fromkeys((ALL, plan.group_by, plan.split_by))]
    names = {outcome.name for section in SECTIONS for outcome in section.outcomes}
    given = results.loc[
        (results["window"] == ALL)
        & results["group_by"].isin(groupings)
        & results["measure"].isin(names)
    ]
    table = _with_extras(series.run.measured)
    settings = series.run.cohort.settings
    rows: list[dict[str, object]] = []
    columns = [() if by == ALL else tuple(by.split("+")) for by in groupings]
    for part in slices(table, (Window(ALL),), columns):
        patients = part.rows["patient_id"]
        found = measure_rows(part, settings, EXTRA_NUMBERS)
        rows += [row for row in found if row["statistic"] in EXTRA_STATISTICS]
        for name in EXTRA_SHARES:
            rows += share_rows(name, part.rows[name], patients, part, settings)
    return pd.concat([given, result_frame(rows)], ignore_index=True)


def _with_extras(measured: pd.DataFrame) -> pd.DataFrame:
    log = measured["sessions"].notna()
    prescribed = measured["prescribed_mm_per_day"].where(measured["prescribed_mm_per_day"] > 0)
    status = measured["outcome_status"]
    ended = {
        f"ended_{code}": status.eq(code).astype("boolean").where(status.notna())
        for code in STATUSES
    }
    extras: dict[str, pd.Series] = {
        "absolute_gain_error_mm": measured["gain_error_mm"].abs(),
        "absolute_gain_error_mm_reason": measured["gain_error_mm_reason"],
        "delivered_pct": 100 * measured["delivered_mm_per_day"] / prescribed,
        REVERSED: (measured["reversed_mm"] > 0).astype("boolean").where(log),
    }
    return measured.assign(**extras, **ended)
