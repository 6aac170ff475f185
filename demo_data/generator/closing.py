"""What the records hold on the day they are read: courses cut at their last contact."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np

from demo_data.generator import events
from demo_data.generator.parameters import Parameters
from demo_data.generator.people import workday
from demo_data.generator.treatment import rate_of
from demo_data.generator.visits import Course

Rng = np.random.Generator
Rows = list[dict]


@dataclasses.dataclass(kw_only=True)
class Record:
    """One case as recorded; facts are case columns that depend on the course."""

    course: Course
    facts: dict
    films: Rows
    motion: Rows
    loads: Rows
    complications: Rows
    sessions: Rows


def close(course: Course, until: int | None, parameters: Parameters, rng: Rng) -> Record:
    """The record of a course. `until`: a later surgery after which this leg's load is not kept."""
    days = course.days
    read_on = parameters.read_on.toordinal()
    stop = min(read_on, _last_day(course, rng))
    first = _arrival(course, rng) or 0

    def seen(name: str) -> Callable[[dict], bool]:
        return lambda row: first <= row[name] <= stop

    dated = [_dated(course, event, stop, rng) for event in course.plan.events]
    record = Record(
        course=course,
        facts={name: day for name, day in days.items() if day <= stop},
        films=list(filter(seen("taken_on"), course.films)),
        motion=list(filter(seen("examined_on"), course.motion)),
        loads=[
            row
            for row in filter(seen("assessed_on"), course.loads)
            if until is None or row["assessed_on"] < until
        ],
        complications=list(filter(seen("occurred_on"), dated)),
        sessions=[
            row for row in _sessions(course, parameters) if first <= row["started_at"][0] <= stop
        ],
    )
    record.facts["arrival"] = first or None
    for row in record.complications:
        late = row["resolved_on"] is not None and row["resolved_on"] > stop
        row["resolved_on"] = None if late else row["resolved_on"]
    _add_length(record)
    _add_outcome(record, stop)
    return record


def _last_day(course: Course, rng: Rng) -> int:
    """The day after which nothing is known, whatever the day of reading."""
    days = course.days
    healing = days["union"] - days["end"]
    if course.plan.fate == "death":
        return days["end"] + healing // 2
    if course.plan.fate == "amputation":
        return workday(days["end"] + max(25, healing // 2))
    if course.plan.fate == "lost":
        return int(rng.integers(days["end_film"] - 5, days["activity"] + 60))
    return 10**9


def _arrival(course: Course, rng: Rng) -> int | None:
    if course.plan.fate != "transfer":
        return None
    days = course.days
    latest = min(days["end"] + 20, days["union"] - 30)
    return workday(int(rng.integers(days["surgery"] + 12, max(days["surgery"] + 13, latest) + 1)))


def _dated(course: Course, event: events.Template, stop: int, rng: Rng) -> dict:
    days = dict(course.days)
    days.setdefault("frame_off", days["union"])
    days.setdefault("exchange", days["end"])
    days["outcome"] = stop
    return events.dated(event, days, rng)


def _sessions(course: Course, parameters: Parameters) -> Rows:
    plan, days = course.plan, course.days
    if plan.device != "lengthening_nail":
        return []
    if plan.surgery < parameters.sessions_from.toordinal():
        return []
    step = rate_of(plan, parameters) / parameters.sessions_per_day
    second = plan.patient.pattern == "simultaneous" and plan.side != plan.patient.side
    broken = days.get("exchange")
    return events.sessions(
        events.SessionPlan(
            start=days["start"],
            end=days["end"],
            net_mm=course.milestones.achieved,
            step=step,
            patient=plan.patient.number,
            reversals=parameters.sessions_per_day if plan.fate == "reversal" else 0,
            wait=events.wait_for_other_leg() if second else 0,
            closed=frozenset() if broken is None else frozenset(range(broken - 3, broken + 6)),
        )
    )


def _add_length(record: Record) -> None:
    facts, days = record.facts, record.course.days
    facts["achieved_gain_mm"] = record.course.milestones.achieved if "end_film" in facts else None
    later = [row["gain_mm"] for row in record.films if row["taken_on"] > days["end_film"]]
    facts["final_gain_mm"] = later[-1] if later and "union" in facts else None


def _add_outcome(record: Record, stop: int) -> None:
    facts, plan = record.facts, record.course.plan
    stopped = any(event.phase == "stop" for event in plan.events)
    status, day = "in_treatment", None
    if plan.fate in ("death", "amputation"):
        status, day = {"death": "died", "amputation": "amputated"}[plan.fate], stop
    elif plan.fate == "lost":
        status = "lost_to_follow_up"
    elif "exchange" in facts:
        status, day = "device_exchanged", facts["exchange"]
    elif stopped and "end" in facts:
        status, day = "stopped_early", facts["end"]
    elif "complete" in facts:
        status, day = "completed", facts["complete"]
    facts["last"] = _last_contact(record, day)
    facts["outcome_status"] = status
    facts["outcome_date"] = facts["last"] if status == "lost_to_follow_up" else day


def _last_contact(record: Record, outcome: int | None) -> int:
    names = ("surgery", "start", "end", "union", "frame_off", "removal", "exchange", "arrival")
    found = [record.facts.get(name) for name in names] + [outcome]
    found += [record.facts.get("free") if record.course.plan.walking else None]
    found += [row["taken_on"] for row in record.films]
    found += [row["examined_on"] for row in record.motion]
    found += [row["assessed_on"] for row in record.loads]
    found += [row[key] for row in record.complications for key in ("occurred_on", "resolved_on")]
    found += [row["started_at"][0] for row in record.sessions]
    return max(day for day in found if day is not None)
