"""When a case is seen: milestones as days, film visits, removal and the end of treatment."""

from __future__ import annotations

import dataclasses

import numpy as np

from demo_data.generator.parameters import Parameters
from demo_data.generator.people import Plan, workday
from demo_data.generator.treatment import Milestones

Rng = np.random.Generator


@dataclasses.dataclass(kw_only=True)
class Course:
    """One case from surgery on; days are ordinals, rows carry the columns of their table.

    days: surgery, start, end, end_film, union, free, activity, complete and, where they exist,
    frame_off, removal, exchange. visits: every day with a film.
    """

    plan: Plan
    milestones: Milestones
    days: dict[str, int]
    visits: list[int] = dataclasses.field(default_factory=list)
    films: list[dict] = dataclasses.field(default_factory=list)
    motion: list[dict] = dataclasses.field(default_factory=list)
    loads: list[dict] = dataclasses.field(default_factory=list)


def milestone_days(plan: Plan, miles: Milestones, free: int, rng: Rng) -> dict[str, int]:
    """Milestones as day ordinals; the film at the end of distraction falls on a workday."""
    days = {
        "surgery": plan.surgery,
        "start": plan.surgery + int(miles.start),
        "end": plan.surgery + int(miles.end),
        "union": plan.surgery + int(miles.union),
        "free": free,
    }
    film = days["end"] + int(rng.integers(0, 2))
    days["end_film"] = film if workday(film) == film else film + 8 - ((film - 1) % 7 + 1)
    if miles.frame_off is not None:
        days["frame_off"] = plan.surgery + int(miles.frame_off)
    if miles.exchange is not None:
        days["exchange"] = plan.surgery + int(miles.exchange)
    return days


def add_later_days(course: Course, parameters: Parameters, rng: Rng) -> None:
    """Visits after walking or union, removal of internal devices, end of treatment."""
    days = course.days
    base = max(days["union"], days.get("frame_off", 0))
    base = max(base, days["free"]) if course.plan.walking else base
    low, high = parameters.activity_after_days
    days["activity"] = workday(base + int(rng.integers(low, high + 1)))
    days["six"] = workday(days["union"] + int(rng.integers(168, 197)))
    days["twelve"] = workday(
        max(days["union"] + int(rng.integers(345, 386)), days["activity"] + 60)
    )
    days["complete"] = days["activity"]
    if course.plan.frame:
        return
    again = course.plan.patient.pattern == "same_bone_later"
    days["complete"] = days["twelve"]
    if again or rng.random() < 0.8:
        removal = max(days["union"] + 220, days["surgery"] + 365, days["activity"] + 30)
        days["removal"] = workday(removal + int(rng.integers(-20, 61)))
        days["complete"] = workday(days["removal"] + int(rng.integers(28, 43)))


def film_days(course: Course, shared: list[int], rng: Rng) -> list[int]:
    """Film days: fortnightly in distraction, monthly until union, then the later visits.

    Consolidation films are laid back from the film that shows union, so that the true healing
    index is the index as measured on films. A second case of the episode keeps the other one's
    days where they lie within four days.
    """
    days = course.days
    found: list[int] = []
    day = days["start"] + int(rng.integers(7, 11))
    while day < days["end"] - 3:
        found.append(workday(day))
        day += int(rng.integers(12, 17))
    day = days["union"] - int(rng.integers(26, 31))
    while day > days["end_film"] + 10:
        found.append(workday(day))
        day -= int(rng.integers(26, 31))
    found = [_near(day, shared, days) for day in found]
    found += [days["end_film"], days["union"], days["activity"], days["twelve"]]
    if days["six"] > days["activity"] + 40:
        found.append(days["six"])
    if "removal" in days:
        found.append(days["complete"])
    return sorted(set(found))


def _near(day: int, shared: list[int], days: dict[str, int]) -> int:
    for other in shared:
        inside = days["start"] < other < days["union"] - 6
        if inside and abs(other - day) <= 4 and abs(other - days["end_film"]) > 4:
            return other
    return day
