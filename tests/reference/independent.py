"""The audit's numbers once more: row by row, written from the definitions alone.

Nothing of the package is imported here, and its source was not read while this was written: case
tables go in, the rows of the results table that the contract defines come out. Slow and plain on
purpose. Every result is a dict: measure, statistic, window, group_by, group, n, value, low, high.
The tables must hold every column of the contract, and no value that a hard rule would keep out.
"""

from __future__ import annotations

import datetime as dt
import pathlib
from collections import defaultdict
from collections.abc import Callable, Iterator
from fractions import Fraction
from typing import Any

from tests.reference.independent_cases import (
    Case,
    cases_at,
    last_dated_fact,
    measured,
    ratio,
    read,
    walking_episodes,
)
from tests.reference.independent_numbers import (
    Curve,
    Number,
    agreement,
    averages,
    poisson_rate,
    wilson,
)

Result = dict[str, Any]

NUMERIC = (
    "latency_days", "distraction_days", "distraction_index_mm_per_day",
    "healing_index_days_per_cm", "healing_index_months_per_cm", "maturation_index_days_per_cm",
    "external_fixation_index_days_per_cm", "weight_bearing_index_days_per_cm", "gain_error_mm",
    "gain_attainment_pct", "gain_accuracy_pct", "length_lost_mm", "lengthening_pct",
    "knee_flexion_retention_pct", "knee_arc_retention_pct", "final_gain_error_mm",
    "complication_events", "unplanned_operations",
)  # fmt: skip
YES_NO = ("gain_within_tolerance", "cases_with_complication", "cases_with_unplanned_operation")
CURVES = (
    "time_to_full_weight_bearing_by_case", "time_to_union", "healing_index_censored_days_per_cm",
    "time_to_knee_recovery",
)  # fmt: skip
GROUPINGS = ((), ("device_class",), ("segment",), ("device_class", "segment"))
EVENT_CODES = {
    "origin": "soft_tissue joint vascular bone neurological infection device other",
    "course_class": "problem obstacle complication",
    "severity_type": "I II IIIA IIIB",
}


def windows(quarter: str) -> dict[str, Callable[[dt.date], bool]]:
    """Which days each window holds; the year is the quarter and the three before it."""
    wanted = int(quarter[:4]) * 4 + int(quarter[5]) - 1

    def behind(day: dt.date) -> int:
        return wanted - (day.year * 4 + (day.month - 1) // 3)

    return {
        "all": lambda day: True,
        f"quarter:{quarter}": lambda day: behind(day) == 0,
        f"year_to:{quarter}": lambda day: 0 <= behind(day) <= 3,
    }


def last_complete_quarter(cutoff: dt.date) -> str:
    ended = cutoff + dt.timedelta(days=1)
    number = ended.year * 4 + (ended.month - 1) // 3 - 1
    return f"{number // 4}Q{number % 4 + 1}"


def split(rows: list[Case], columns: tuple[str, ...]) -> dict[str, list[Case]]:
    groups: dict[str, list[Case]] = defaultdict(list)
    for row in rows:
        groups["+".join(row[name] for name in columns) or "all"].append(row)
    return groups if columns else {"all": rows}


def of_cases(cases: list[Case]) -> Iterator[tuple[str, str, Number]]:
    """Every row of a group of cases."""
    for name in NUMERIC:
        values = [case[name] for case in cases if case.get(name) is not None]
        yield from ((name, statistic, number) for statistic, number in averages(values))
        parts = [case["parts"].get(name, (None, None)) for case in cases]
        known = [(days, cm) for days, cm in parts if days is not None and cm is not None]
        if any(name in case["parts"] for case in cases):
            total = ratio(sum(days for days, _ in known), Fraction(sum(cm for _, cm in known)))
            yield name, "ratio_of_totals", (len(known), total, None, None)
    for name in YES_NO:
        yield name, "proportion", wilson(case[name] for case in cases if case[name] is not None)
    errors = [case["gain_error_mm"] for case in cases if case["gain_error_mm"] is not None]
    yield from (("gain_agreement_mm", *row) for row in agreement(errors))
    touched = {case["patient_id"]: False for case in cases}
    for case in cases:
        touched[case["patient_id"]] |= case["cases_with_complication"]
    yield "patients_with_complication", "proportion", wilson(touched.values())
    operations = int(sum(case["unplanned_operations"] for case in cases))
    number = poisson_rate(operations, Fraction(len(cases)), len(cases))
    yield "unplanned_operations_per_100_cases", "rate", number
    yield from event_rates(cases, lambda row: True)
    for name in CURVES:
        yield from times_to(name, cases)


def event_rates(
    cases: list[Case], wanted: Callable[[Case], bool]
) -> Iterator[tuple[str, str, Number]]:
    events = sum(wanted(row) for case in cases for row in case["complications"])
    followed = sum(wanted(row) for case in cases for row in case["in_follow_up"])
    n, months = len(cases), Fraction(sum(case["months"] for case in cases))
    yield "complications_per_100_cases", "rate", poisson_rate(events, Fraction(n), n)
    yield "complications_per_100_case_months", "rate", poisson_rate(followed, months, n)


def times_to(name: str, rows: list[Case]) -> Iterator[tuple[str, str, Number]]:
    curve = Curve([row[name] for row in rows if row.get(name) is not None])
    yield name, "median_time", (curve.n, curve.median(), None, None)
    if not name.startswith("time_to"):
        return
    for day in (90, 120, 180, 365):
        yield name, f"not_reached_at {day}", (curve.n, curve.at(day), None, None)
    yield name, "restricted_mean", (curve.n, curve.area(365), None, None)


def expected_results(
    folder: pathlib.Path, cutoff: str | None = None, quarter: str | None = None
) -> list[Result]:
    """Every row that this program knows how to make; the day waited for stands in `statistic`.

    cutoff: default the last dated fact; quarter: default the last one complete at the cut-off.
    """
    tables = read(folder)
    day = last_dated_fact(tables) if cutoff is None else dt.date.fromisoformat(cutoff)
    cases = [measured(case) for case in cases_at(tables, day)]
    episodes = walking_episodes(cases)
    out: list[Result] = []
    for window, holds in windows(quarter or last_complete_quarter(day)).items():
        inside = [case for case in cases if holds(case["surgery_date"])]
        walking = [row for row in episodes if holds(row["surgery_date"])]
        for columns in GROUPINGS:
            by = (window, "+".join(columns) or "all")
            for group, rows in split(inside, columns).items():
                out += [_result(by, group, row) for row in of_cases(rows)]
            for group, rows in split(walking, columns).items():
                found = times_to("time_to_full_weight_bearing", rows)
                out += [_result(by, group, row) for row in found]
        for column, codes in EVENT_CODES.items():
            for code in [*codes.split(), None]:
                found = event_rates(inside, lambda row, c=column, v=code: row[c] == v)
                out += [_result((window, column), code or "not_recorded", row) for row in found]
    return out


def _result(by: tuple[str, str], group: str, row: tuple[str, str, Number]) -> Result:
    measure, statistic, (n, *numbers) = row
    value, low, high = (float(x) if isinstance(x, Fraction) else x for x in numbers)
    return {
        "measure": measure, "statistic": statistic, "window": by[0], "group_by": by[1],
        "group": group, "n": n, "value": value, "low": low, "high": high,
    }  # fmt: skip
