"""One case at a time: rows of the tables, wound back to the cut-off, and what they measure.

Part of the independent program (`independent.py`): written from the definitions alone, nothing of
the package imported. Days and lengths are exact fractions, so a tie is a tie.
"""

from __future__ import annotations

import csv
import datetime as dt
import pathlib
from collections import defaultdict
from fractions import Fraction
from typing import Any

Case = dict[str, Any]

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
    end = case["distraction_end_date"]  # none yet: not recovered, so censored, not left out
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
        if film["taken_on"] >= case["surgery_date"]
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
