"""Times to an event: tables for the survival estimators, and their result rows."""

from __future__ import annotations

import pandas as pd

from audit.cohort import Cohort
from audit.estimates.clustered_survival import clustered_survival_curve
from audit.estimates.estimate import Estimate
from audit.estimates.survival import SurvivalCurve, survival_curve
from audit.measures.healing import censored_healing_index, days_to_union
from audit.measures.knee import days_to_knee_recovery
from audit.measures.weight_bearing import (
    IMPOSSIBLE,
    REACHED,
    WAITING,
    days_to_full_weight_bearing,
    walking_episodes,
)
from audit.results.catalogue import NOT_APPLICABLE, TIMES, WORDS_FOR_REASONS
from audit.results.groups import Slice
from audit.results.rows import result_row
from audit.settings import Settings

TOO_LATE = "arrived_too_late"
CASE_COLUMNS = [
    "case_id",
    "patient_id",
    "surgery_date",
    "device_class",
    "segment",
    "centre",
    "side",
]


def time_table(cohort: Cohort, name: str) -> pd.DataFrame:
    """One row a unit of analysis of a time to an event; `name` as in `TIMES`.

    Columns: patient_id, surgery_date, device_class, segment, centre, duration, observed, entry,
    lower, upper, cause, ended, reason. Rows without a usable time keep their `reason`; rows that
    came under observation only after their time was over have `arrived_too_late`. Raises
    ValueError for a name that is not in the list.
    """
    if name not in TIMES:
        raise ValueError(f"time must be one of {', '.join(TIMES)}; got {name!r}")
    if name == "time_to_full_weight_bearing":
        table = walking_episodes(cohort).assign(reason=pd.NA)
    else:
        table = _case_times(cohort, name)
    late = table["reason"].isna() & (table["entry"] > 0) & (table["entry"] >= table["duration"])
    table["reason"] = table["reason"].astype(object).mask(late, TOO_LATE)
    return table


def _case_times(cohort: Cohort, name: str) -> pd.DataFrame:
    makers = {
        "time_to_full_weight_bearing_by_case": days_to_full_weight_bearing,
        "time_to_union": days_to_union,
        "healing_index_censored_days_per_cm": censored_healing_index,
        "time_to_knee_recovery": days_to_knee_recovery,
    }
    times = makers[name](cohort).reset_index()
    table = cohort.cases[[*CASE_COLUMNS, "entry_date"]].merge(times, on="case_id", how="left")
    days = (table["entry_date"] - table["surgery_date"]) / pd.Timedelta(days=1)
    scale = 1.0
    if name == "healing_index_censored_days_per_cm":
        scale = cohort.cases["achieved_gain_mm"].to_numpy() / 10.0
    table["entry"] = days / scale
    for column in ("reason", "lower", "upper", "ended"):
        if column not in table:
            table[column] = pd.NA if column == "reason" else float("nan")
    table["observed"] = table["observed"].fillna(False).astype(bool)
    table["cause"] = table["observed"].map({True: REACHED, False: WAITING})
    table["cause"] = table["cause"].mask(table["ended"].notna(), IMPOSSIBLE)
    return table


def curve_for(table: pd.DataFrame, *, unit: str, level: float) -> SurvivalCurve:
    """The curve of the rows that have a time; the others that belong in are counted missing."""
    inside = table.loc[~table["reason"].isin(NOT_APPLICABLE)]
    usable = inside.loc[inside["reason"].isna()]
    late = bool((usable["entry"] > 0).any())
    return survival_curve(
        usable["duration"].to_numpy(dtype=float),
        usable["observed"].to_numpy(dtype=bool),
        usable["entry"].to_numpy(dtype=float) if late else None,
        level=level,
        missing=len(inside) - len(usable),
        unit=unit,
    )


def clustered_curve_for(table: pd.DataFrame, *, unit: str, level: float) -> SurvivalCurve:
    """The curve of `curve_for` with its errors taken over patients."""
    inside = table.loc[~table["reason"].isin(NOT_APPLICABLE)]
    usable = inside.loc[inside["reason"].isna()]
    late = bool((usable["entry"] > 0).any())
    return clustered_survival_curve(
        usable["duration"].to_numpy(dtype=float),
        usable["observed"].to_numpy(dtype=bool),
        usable["patient_id"].to_numpy(),
        usable["entry"].to_numpy(dtype=float) if late else None,
        level=level,
        missing=len(inside) - len(usable),
        unit=unit,
    )


def time_rows(name: str, part: Slice, settings: Settings) -> list[dict[str, object]]:
    """Median and quartile times, share still waiting at fixed days, restricted mean.

    Where a row of the table is a case, each statistic has a twin `<statistic>_clustered`: the same
    value, its interval taken over patients.
    """
    _, unit, each = TIMES[name]
    curve = curve_for(part.rows, unit=unit, level=settings.level)
    about = f"{curve.events} events among {curve.n} ({each})"
    left_out = part.rows.loc[~part.rows["reason"].isin(NOT_APPLICABLE), "reason"].value_counts()
    about += "".join(
        f"; {WORDS_FOR_REASONS.get(code, code)}: {left_out[code]}"
        for code in sorted(left_out.index)
    )
    found = _read_off(curve, settings)
    if each == "case":
        twin = clustered_curve_for(part.rows, unit=unit, level=settings.level)
        found += [
            (f"{statistic}_clustered", when, estimate)
            for statistic, when, estimate in _read_off(twin, settings)
        ]
    return [
        result_row(name, statistic, part, estimate, note="; ".join(x for x in (when, about) if x))
        for statistic, when, estimate in found
    ]


def _read_off(curve: SurvivalCurve, settings: Settings) -> list[tuple[str, str, Estimate]]:
    """(statistic, day in words, estimate) of a curve."""
    found = [
        ("median_time", "", curve.median()),
        ("q1_time", "", curve.quantile(0.25)),
        ("q3_time", "", curve.quantile(0.75)),
    ]
    if curve.unit == "days":
        for day in settings.waiting_days:
            found.append(("not_reached_at", f"at {day} days", curve.at(day)))
        horizon = settings.restricted_to_days
        mean = curve.restricted_mean(horizon)
        found.append(("restricted_mean", f"restricted to {horizon} days", mean))
    return found
