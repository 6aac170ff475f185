"""Special situations of a real service, each given to cases in which it can happen."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np

from demo_data.generator import events
from demo_data.generator.parameters import Parameters
from demo_data.generator.people import Plan

Rng = np.random.Generator
Episode = list[Plan]


def _severity(plan: Plan, severity: str) -> bool:
    return any(event.severity == severity for event in plan.events)


def _nail(plan: Plan) -> bool:
    return plan.device == "lengthening_nail"


def _room(plan: Plan) -> bool:
    return plan.planned >= 30 and (plan.stroke is None or plan.stroke >= plan.planned + 10)


def _wanted(parameters: Parameters) -> list[tuple[str, int, Callable[[Plan], bool]]]:
    """(fate, how many, in which plans it can happen), rarest first."""
    first = parameters.first_day.toordinal()
    year_before_end = parameters.read_on.toordinal() - 365
    logged = parameters.sessions_from.toordinal()
    return [
        ("death", 1, lambda p: _nail(p) and p.age > 35 and p.surgery < year_before_end),
        ("amputation", 1, lambda p: p.segment == "tibia" and p.frame and p.age > 25
         and p.patient.aetiology in ("post_traumatic", "post_infective", "congenital")
         and first + 300 < p.surgery < year_before_end),
        ("under_10", 3, lambda p: _severity(p, "IIIA")),
        ("exchange", 4, lambda p: _nail(p) and _severity(p, "II")
         and not _severity(p, "IIIA") and p.surgery < year_before_end),
        ("reversal", 3, lambda p: _nail(p) and p.surgery > logged and not _severity(p, "IIIA")),
        ("length_lost", 5, lambda p: p.frame and p.segment == "tibia"
         and not _severity(p, "IIIA") and p.surgery < year_before_end),
        ("overshoot", 4, lambda p: _room(p) and not _severity(p, "IIIA")),
        ("transfer", 5, lambda p: p.walking and p.surgery < year_before_end),
        ("lost", 11, lambda p: p.surgery < year_before_end),
    ]  # fmt: skip


def assign(episodes: list[Episode], parameters: Parameters, rng: Rng) -> list[Episode]:
    """The first episodes with fates given out; only single cases, but any one may be lost.

    Patients who come back for a second episode keep an ordinary course.
    """
    result = list(episodes)
    taken: set[int] = set()
    for fate, count, possible in _wanted(parameters):
        places = [
            place
            for place, plans in enumerate(result)
            if place not in taken and _fits(plans, fate, possible)
        ]
        if len(places) < count:
            raise ValueError(f"the seed leaves too few cases for the fate {fate!r}")
        for place in sorted(rng.choice(places, size=count, replace=False).tolist()):
            taken.add(place)
            result[place] = [_mark(plan, fate) for plan in result[place]]
    return result


def _fits(plans: Episode, fate: str, possible: Callable[[Plan], bool]) -> bool:
    pattern = plans[0].patient.pattern
    if pattern.endswith("later") or (fate != "lost" and len(plans) > 1):
        return False
    return all(possible(plan) for plan in plans)


def _mark(plan: Plan, fate: str) -> Plan:
    found = list(plan.events)
    if fate == "exchange":
        place = next(i for i, event in enumerate(found) if event.severity == "II")
        found[place] = events.EXCHANGE
    if fate == "amputation":
        found = [event for event in found if event.severity in ("I", "II")]
        found.append(events.AMPUTATION)
    return dataclasses.replace(plan, fate=fate, events=tuple(found))
