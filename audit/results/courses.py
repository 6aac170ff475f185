"""Curves and courses by group: what figures are drawn from."""

from __future__ import annotations

import pandas as pd

from audit.cohort import Cohort
from audit.estimates.averages import median, quantile
from audit.estimates.survival import SurvivalCurve
from audit.results.catalogue import TIMES
from audit.results.times import curve_for, time_table
from schemas import vocabulary

KNEE_STAGES = {
    "baseline": "knee_flexion_baseline_deg",
    "worst": "knee_flexion_worst_deg",
    "at_union": "knee_flexion_at_union_deg",
    "last": "knee_flexion_last_deg",
}
#: groups smaller than this get no curve of their own (local choice)
FEWEST_FOR_A_CURVE = 5
MOST_CURVES = 4


def curves_by(cohort: Cohort, name: str, column: str | None = None) -> dict[str, SurvivalCurve]:
    """Words -> curve of a time to an event, for every group of `column` with enough members, the
    largest four in the order of the code list; `None` gives one curve for all."""
    table = time_table(cohort, name)
    unit, level = TIMES[name][1], cohort.settings.level
    if column is None:
        return {"All": curve_for(table, unit=unit, level=level)}
    sizes = table.loc[table["reason"].isna(), column].value_counts()
    enough = sizes[sizes >= FEWEST_FOR_A_CURVE].nlargest(MOST_CURVES).index
    return {
        vocabulary.label(column, code): curve_for(
            table.loc[table[column] == code], unit=unit, level=level
        )
        for code in vocabulary.codes(column)
        if code in enough
    }


def at_risk_frame(curves: dict[str, SurvivalCurve], times: tuple[int, ...]) -> pd.DataFrame:
    """Tidy numbers under a curve: group, time, at_risk, censored, events, waiting, low, high.

    At risk just before the time; censored and events so far; the three add up to those who have
    entered. waiting: share that has not reached the event, with its limits (missing beyond the
    follow-up).
    """
    parts = []
    for words, curve in curves.items():
        part = curve.at_risk_table(times).assign(group=words)
        for row, time in enumerate(times):
            share = curve.at(time)
            part.loc[part.index[row], ["waiting", "low", "high"]] = [
                float("nan") if value is None else value
                for value in (share.value, share.low, share.high)
            ]
        parts.append(part)
    columns = ["group", "time", "at_risk", "censored", "events", "waiting", "low", "high"]
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)


def knee_points(measured: pd.DataFrame, column: str = "device_class") -> pd.DataFrame:
    """Knee flexion at each stage by group: stage, group (words), median, q1, q3, n (degrees)."""
    parts = []
    for code in vocabulary.codes(column):
        rows = measured.loc[measured[column] == code]
        if rows["knee_flexion_baseline_deg"].notna().sum() < FEWEST_FOR_A_CURVE:
            continue
        for stage, name in KNEE_STAGES.items():
            middle = median(rows[name])
            parts.append(
                {
                    "stage": stage,
                    "group": vocabulary.label(column, code),
                    "median": middle.value,
                    "q1": quantile(rows[name], q=0.25).value,
                    "q3": quantile(rows[name], q=0.75).value,
                    "n": middle.n,
                }
            )
    out = pd.DataFrame(parts, columns=["stage", "group", "median", "q1", "q3", "n"])
    return out.astype({"median": float, "q1": float, "q3": float})
