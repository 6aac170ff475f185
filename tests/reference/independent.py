"""The audit's numbers once more: row by row, written from the definitions alone.

Nothing of the package is imported here, and its source was not read while this was written: case
tables go in, the rows of the results table that the contract defines come out. Days, lengths and
curves are exact fractions, so ties and "exactly one half" are never a matter of rounding; slow
and plain on purpose. Every result is a dict: measure, statistic, window, group_by, group, n,
value, low, high. None = not estimable; NOT_GIVEN = left unchecked by this program.

Formulas: t interval of a mean and chi-squared interval of a standard deviation (any textbook);
Wilson E. J Am Stat Assoc 1927;22:209-212; Garwood F. Biometrika 1936;28:437-442 (exact Poisson);
Kaplan EL, Meier P. J Am Stat Assoc 1958;53:457-481, its median by the rule of R's survival
package (middle of a step that lies at exactly one half); Bland JM, Altman DG. Lancet 1986;
1:307-310, exact limits by the noncentral t as in Carkeet A. Optom Vis Sci 2015;92:e71-e80
(citations from memory).
"""

from __future__ import annotations

import csv
import datetime as dt
import math
import pathlib
import statistics
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from fractions import Fraction
from typing import Any

from scipy import stats

Case = dict[str, Any]
Result = dict[str, Any]

NOT_GIVEN = "not given"
Z = stats.norm.ppf(0.975)
FIXATORS = ("circular_fixator", "monolateral_fixator", "lengthening_over_nail")
ARMS = ("humerus", "forearm")
DATED = {
    "radiographs": ("taken_on",),
    "joint_motion": ("examined_on",),
    "weight_bearing": ("assessed_on",),
    "complications": ("occurred_on", "resolved_on"),
    "distraction_sessions": ("started_at",),
}
CASE_DATES = (
    "distraction_start_date", "distraction_end_date", "union_date", "full_weight_bearing_date",
    "fixator_removal_date", "device_removal_date", "outcome_date", "arrival_date",
)  # fmt: skip
NUMBERS = (
    "planned_gain_mm", "segment_length_before_mm", "achieved_gain_mm", "final_gain_mm",
    "flexion_deg", "extension_deficit_deg", "cortices_bridged",
)  # fmt: skip
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
EVENT_COLUMNS = ("origin", "course_class", "severity_type")


# --- reading, and winding back to the cut-off -----------------------------------------------------
def read(folder: pathlib.Path) -> dict[str, list[Case]]:
    """Every table as a list of rows: dates as days, numbers as fractions, empty cells None."""
    tables = {}
    for path in sorted(pathlib.Path(folder).glob("*.csv")):
        with path.open(encoding="utf-8", newline="") as file:
            tables[path.stem] = [_parsed(row) for row in csv.DictReader(file)]
    return tables


def _parsed(row: dict[str, str]) -> Case:
    out: Case = {}
    for name, text in row.items():
        if text == "":
            out[name] = None
        elif name.endswith(("_date", "_on")) or name == "started_at":
            out[name] = dt.date.fromisoformat(text[:10])
        elif name in NUMBERS:
            out[name] = Fraction(text)
        else:
            out[name] = text
    return out


def last_dated_fact(tables: dict[str, list[Case]]) -> dt.date:
    """The cut-off where none is given; what is planned (`due_on`) has not happened yet."""
    return max(
        value
        for rows in tables.values()
        for row in rows
        for name, value in row.items()
        if isinstance(value, dt.date) and name != "due_on"
    )


def cases_at(tables: dict[str, list[Case]], cutoff: dt.date) -> list[Case]:
    """The cases known on the cut-off day, with nothing dated after it."""
    rows_of: dict[str, dict[str, list[Case]]] = {name: defaultdict(list) for name in DATED}
    for name in DATED:
        for row in tables.get(name, []):
            rows_of[name][row["case_id"]].append(row)
    known = []
    for case in tables["cases"]:
        if case["surgery_date"] > cutoff:
            continue
        if case["arrival_date"] is not None and case["arrival_date"] > cutoff:
            continue
        own = {name: rows[case["case_id"]] for name, rows in rows_of.items()}
        known.append(_wound_back(case, own, cutoff))
    return known


def _wound_back(case: Case, own: dict[str, list[Case]], cutoff: dt.date) -> Case:
    back = dict(case)
    films = [film["taken_on"] for film in own["radiographs"]]
    last_film = max(films) if films else case["last_follow_up_date"]
    if last_film > cutoff:
        back["final_gain_mm"] = None
    for name in CASE_DATES:
        if case[name] is not None and case[name] > cutoff:
            back[name] = None
    if back["distraction_end_date"] is None:
        back["achieved_gain_mm"] = None
    facts = [back["surgery_date"]] + [back[name] for name in CASE_DATES]
    for name, columns in DATED.items():
        back[name] = sorted(
            (row for row in own[name] if row[columns[0]] <= cutoff),
            key=lambda row, day=columns[0]: row[day],
        )
        facts += [row[column] for row in back[name] for column in columns]
    back["follow_up_end"] = case["last_follow_up_date"]
    if case["last_follow_up_date"] > cutoff:
        back["follow_up_end"] = max(day for day in facts if day is not None and day <= cutoff)
    return back


# --- one case -------------------------------------------------------------------------------------
def days_between(start: dt.date | None, end: dt.date | None) -> Fraction | None:
    return None if start is None or end is None else Fraction((end - start).days)


def ratio(top: Fraction | None, bottom: Fraction | None) -> Fraction | None:
    return None if top is None or bottom is None or bottom <= 0 else top / bottom


def minus(left: Fraction | None, right: Fraction | None) -> Fraction | None:
    return None if left is None or right is None else left - right


def times(factor: int | Fraction, value: Fraction | None) -> Fraction | None:
    return None if value is None else factor * value


def measured(case: Case) -> Case:
    """The case with every measure of its own."""
    case = {**case, **_length(case), **_healing(case), **_knee(case), **_events(case)}
    surgery = case["surgery_date"]
    arrival = days_between(surgery, case["arrival_date"])
    case["time_to_union"] = (
        arrival,
        days_between(surgery, case["union_date"] or _last_not_united(case)),
        case["union_date"] is not None,
    )
    if case["segment"] not in ARMS:
        walked = case["full_weight_bearing_date"]
        last = days_between(surgery, walked or _last_not_walking(case))
        case["time_to_full_weight_bearing_by_case"] = (arrival, last, walked is not None)
    gained = _centimetres(case)
    if gained is not None:
        entry, last, seen = case["time_to_union"]
        case["healing_index_censored_days_per_cm"] = (ratio(entry, gained), last / gained, seen)
    return case


def _centimetres(case: Case) -> Fraction | None:
    """Length gained in cm; no index is formed below 10 mm."""
    gain = case["achieved_gain_mm"]
    return None if gain is None or gain < 10 else gain / 10


def _length(case: Case) -> Case:
    achieved, planned = case["achieved_gain_mm"], case["planned_gain_mm"]
    error = minus(achieved, planned)
    return {
        "gain_error_mm": error,
        "gain_attainment_pct": times(100, ratio(achieved, planned)),
        "gain_accuracy_pct": None if error is None else 100 * (1 - abs(error) / planned),
        "gain_within_tolerance": None if error is None else abs(error) <= 5,
        "length_lost_mm": minus(achieved, case["final_gain_mm"]),
        "final_gain_error_mm": minus(case["final_gain_mm"], planned),
        "lengthening_pct": times(100, ratio(achieved, case["segment_length_before_mm"])),
    }


def _healing(case: Case) -> Case:
    surgery, gained = case["surgery_date"], _centimetres(case)
    start, end = case["distraction_start_date"], case["distraction_end_date"]
    to_union = days_between(surgery, case["union_date"])
    in_frame = days_between(surgery, case["fixator_removal_date"])
    to_walking = days_between(surgery, case["full_weight_bearing_date"])
    parts = {
        "healing_index_days_per_cm": to_union,
        "maturation_index_days_per_cm": days_between(end, case["union_date"]),
        "external_fixation_index_days_per_cm": (
            in_frame if case["device_class"] in FIXATORS else None
        ),
        "weight_bearing_index_days_per_cm": to_walking if case["segment"] not in ARMS else None,
    }
    parts["healing_index_months_per_cm"] = times(1 / Fraction("30.4375"), to_union)
    out: Case = {name: ratio(days, gained) for name, days in parts.items()}
    out["parts"] = {name: (days, gained) for name, days in parts.items()}
    out["latency_days"] = days_between(surgery, start)
    out["distraction_days"] = days_between(start, end)
    out["distraction_index_mm_per_day"] = ratio(case["achieved_gain_mm"], out["distraction_days"])
    return out


def _knee(case: Case) -> Case:
    surgery = case["surgery_date"]
    knee = [row for row in case["joint_motion"] if row["joint"] == "knee"]
    before = [row for row in knee if row["examined_on"] <= surgery]
    after = [row for row in knee if row["examined_on"] > surgery]
    if not before:
        return {}
    base, base_arc = before[-1]["flexion_deg"], _arc(before[-1])
    seen = [row for row in after if row["flexion_deg"] is not None]
    arcs = [_arc(row) for row in after if _arc(row) is not None]
    out: Case = {
        "knee_flexion_retention_pct": times(
            100, ratio(seen[-1]["flexion_deg"] if seen else None, base)
        ),
        "knee_arc_retention_pct": times(100, ratio(arcs[-1] if arcs else None, base_arc)),
    }
    if base is None:
        return out
    end = case["distraction_end_date"]
    back = [
        row["examined_on"]
        for row in seen
        if end is not None and row["examined_on"] > end and row["flexion_deg"] >= base * 9 / 10
    ]
    last = back[0] if back else (seen[-1]["examined_on"] if seen else case["follow_up_end"])
    entry = days_between(surgery, case["arrival_date"])
    out["time_to_knee_recovery"] = (entry, days_between(surgery, last), bool(back))
    return out


def _arc(row: Case) -> Fraction | None:
    return minus(row["flexion_deg"], row["extension_deficit_deg"])


def _events(case: Case) -> Case:
    start = case["arrival_date"] or case["surgery_date"]
    rows = case["complications"]
    unplanned = sum(row["unplanned_operation"] == "yes" for row in rows)
    return {
        "complication_events": Fraction(len(rows)),
        "unplanned_operations": Fraction(unplanned),
        "cases_with_complication": len(rows) > 0,
        "cases_with_unplanned_operation": unplanned > 0,
        "in_follow_up": [row for row in rows if row["occurred_on"] >= start],
        "months": days_between(start, case["follow_up_end"]) / Fraction("30.4375"),
    }


def _last_not_united(case: Case) -> dt.date:
    """The last day on which the bone was seen not to be healed, else the end of follow-up."""
    films = [
        film["taken_on"]
        for film in case["radiographs"]
        if film["taken_on"] > case["surgery_date"]
        and film["cortices_bridged"] is not None
        and film["cortices_bridged"] < 3
    ]
    return max(films) if films else case["follow_up_end"]


def _last_not_walking(case: Case) -> dt.date:
    """The last assessment that shows less than full load, else the end of follow-up."""
    visits = [
        row["assessed_on"]
        for row in case["weight_bearing"]
        if row["load"] != "full" and row["assessed_on"] >= case["surgery_date"]
    ]
    return max(visits) if visits else case["follow_up_end"]


# --- one person learning to walk once -------------------------------------------------------------
def walking_episodes(cases: list[Case]) -> list[Case]:
    """One row an episode: cases of one patient operated within 30 days of one another."""
    by_patient: dict[str, list[Case]] = defaultdict(list)
    for case in sorted(cases, key=lambda case: case["surgery_date"]):
        if case["segment"] not in ARMS:
            by_patient[case["patient_id"]].append(case)
    episodes = []
    for own in by_patient.values():
        together = [own[0]]
        for case in own[1:]:
            if (case["surgery_date"] - together[-1]["surgery_date"]).days > 30:
                episodes.append(_episode(together))
                together = []
            together.append(case)
        episodes.append(_episode(together))
    return episodes


def _episode(cases: list[Case]) -> Case:
    first = cases[0]["surgery_date"]
    waiting = [case for case in cases if case["full_weight_bearing_date"] is None]
    if waiting:
        last = max(_last_not_walking(case) for case in waiting)
    else:
        last = max(case["full_weight_bearing_date"] for case in cases)
    seen_from = min(case["arrival_date"] or case["surgery_date"] for case in cases)
    out: Case = {"surgery_date": first, "patient_id": cases[0]["patient_id"]}
    for name in ("device_class", "segment"):
        values = {case[name] for case in cases}
        out[name] = values.pop() if len(values) == 1 else "mixed"
    entry = days_between(first, seen_from)
    out["time_to_full_weight_bearing"] = (entry or None, days_between(first, last), not waiting)
    return out


# --- kinds of number ------------------------------------------------------------------------------
Number = tuple[int, Any, Any, Any]


def type_7(ordered: list[float], share: float) -> float:
    place = (len(ordered) - 1) * share
    below = math.floor(place)
    above = min(below + 1, len(ordered) - 1)
    return ordered[below] + (place - below) * (ordered[above] - ordered[below])


def averages(values: Iterable[Fraction]) -> Iterator[tuple[str, Number]]:
    """Mean with t interval, standard deviation with chi-squared interval, quartiles, extremes."""
    exact = sorted(values)
    ordered, n = [float(value) for value in exact], len(exact)
    mean, sd, mean_limits, sd_limits = None, None, (None, None), (None, None)
    if n > 0:
        mean = float(sum(exact) / n)
    if n > 1:
        sd = statistics.stdev(ordered)
        half = stats.t.ppf(0.975, n - 1) * sd / math.sqrt(n)
        mean_limits = (mean - half, mean + half)
        chi = stats.chi2.ppf([0.975, 0.025], n - 1)
        sd_limits = tuple(sd * math.sqrt((n - 1) / value) for value in chi)
    yield "mean", (n, mean, *mean_limits)
    yield "sd", (n, sd, *sd_limits)
    for name, share in (("min", 0), ("q1", 0.25), ("median", 0.5), ("q3", 0.75), ("max", 1)):
        yield name, (n, type_7(ordered, share) if n else None, NOT_GIVEN, NOT_GIVEN)


def wilson(answers: Iterable[bool]) -> Number:
    seen = list(answers)
    n, share = len(seen), None
    if n == 0:
        return 0, None, None, None
    share = sum(seen) / n
    middle = (share + Z**2 / (2 * n)) / (1 + Z**2 / n)
    half = Z / (1 + Z**2 / n) * math.sqrt(share * (1 - share) / n + Z**2 / (4 * n**2))
    low = middle - half if sum(seen) else 0.0
    return n, share, low, middle + half if sum(seen) < n else 1.0


def poisson_rate(events: int, exposure: Fraction, n: int) -> Number:
    """Events per 100 of exposure with exact limits."""
    if exposure <= 0:
        return n, None, None, None
    per = 100 / float(exposure)
    low = stats.chi2.ppf(0.025, 2 * events) / 2 if events else 0.0
    return n, events * per, low * per, stats.chi2.ppf(0.975, 2 * events + 2) / 2 * per


def agreement(errors: Iterable[Fraction]) -> Iterator[tuple[str, Number]]:
    """Bias and limits of agreement (bias -/+ 1.96 sd) with exact intervals."""
    rows = dict(averages(errors))
    n, bias, low, high = rows["mean"]
    yield "bias", (n, bias, low, high)
    sd = rows["sd"][1]
    if sd is None or sd == 0:
        none = (n, None if sd is None else bias, NOT_GIVEN, NOT_GIVEN)
        yield from (("limit_low", none), ("limit_high", none))
        return
    root = math.sqrt(n)
    near, far = (sd / root * stats.nct.ppf([0.025, 0.975], n - 1, Z * root)).tolist()
    yield "limit_low", (n, bias - Z * sd, bias - far, bias - near)
    yield "limit_high", (n, bias + Z * sd, bias + near, bias + far)


class Curve:
    """Product-limit curve of (entry or None, time, seen); at risk at t: entry < t <= time."""

    def __init__(self, rows: list[tuple[Fraction | None, Fraction, bool]]):
        self.n, self.end = len(rows), max((time for _, time, _ in rows), default=Fraction(0))
        self.steps: list[tuple[Fraction, Fraction]] = []
        left = Fraction(1)
        for day in sorted({time for _, time, seen in rows if seen}):
            entered = [row for row in rows if row[0] is None or row[0] < day]
            at_risk = sum(time >= day for _, time, _ in entered)
            events = sum(time == day and seen for _, time, seen in entered)
            if events:
                left *= 1 - Fraction(events, at_risk)
                self.steps.append((day, left))

    def at(self, day: int) -> Fraction | None:
        left = ([Fraction(1)] + [share for time, share in self.steps if time <= day])[-1]
        return None if self.n == 0 or (day > self.end and left > 0) else left

    def median(self) -> Fraction | None:
        half = Fraction(1, 2)
        reached = [number for number, (_, share) in enumerate(self.steps) if share <= half]
        if not reached:
            return None
        day, share = self.steps[reached[0]]
        if share < half:
            return day
        later = [time for time, _ in self.steps[reached[0] + 1 :]]
        return (day + (later[0] if later else self.end)) / 2

    def area(self, until: int) -> Fraction | None:
        if self.at(until) is None:
            return None
        total, since, left = Fraction(0), Fraction(0), Fraction(1)
        for day, share in self.steps:
            if day >= until:
                break
            total += left * (day - since)
            since, left = day, share
        return total + left * (until - since)


# --- groups and windows ---------------------------------------------------------------------------
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
        if name in cases[0]["parts"]:
            total = ratio(sum(days for days, _ in known), Fraction(sum(cm for _, cm in known)))
            yield name, "ratio_of_totals", (len(known), total, NOT_GIVEN, NOT_GIVEN)
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
    yield name, "median_time", (curve.n, curve.median(), NOT_GIVEN, NOT_GIVEN)
    if not name.startswith("time_to"):
        return
    for day in (90, 120, 180, 365):
        yield name, f"not_reached_at {day}", (curve.n, curve.at(day), NOT_GIVEN, NOT_GIVEN)
    yield name, "restricted_mean", (curve.n, curve.area(365), NOT_GIVEN, NOT_GIVEN)


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
        for column in EVENT_COLUMNS:
            values = {row[column] for case in inside for row in case["complications"]}
            for value in values - {None}:
                found = event_rates(inside, lambda row, c=column, v=value: row[c] == v)
                out += [_result((window, column), value, row) for row in found]
    return out


def _result(by: tuple[str, str], group: str, row: tuple[str, str, Number]) -> Result:
    measure, statistic, (n, *numbers) = row
    value, low, high = (float(x) if isinstance(x, Fraction) else x for x in numbers)
    return {
        "measure": measure, "statistic": statistic, "window": by[0], "group_by": by[1],
        "group": group, "n": n, "value": value, "low": low, "high": high,
    }  # fmt: skip
