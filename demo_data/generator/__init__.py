"""Seeded generator of an invented limb-lengthening service; the same seed, the same bytes."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd

from demo_data.generator import closing, course, events, fates, people, visits, write
from demo_data.generator.parameters import TRUE, Parameters

__all__ = ["TRUE", "Parameters", "build_tables"]

Rng = np.random.Generator


def build_tables(parameters: Parameters = TRUE) -> dict[str, pd.DataFrame]:
    """All tables of the service as text columns, empty text = missing.

    Each person has an own stream of chance, so a change in one leaves the others alone.
    Raises ValueError when the seed leaves no case for a special situation.
    """
    streams = {
        number: np.random.default_rng([parameters.seed, 1, number])
        for number in range(1, parameters.patients + 1)
    }
    persons = _in_order_of_surgery(parameters)
    episodes = [
        people.first_episode(person, parameters, streams[person.number]) for person in persons
    ]
    episodes = fates.assign(episodes, parameters, np.random.default_rng([parameters.seed, 2]))
    records = []
    for plans in episodes:
        records += _records(plans, parameters, streams[plans[0].patient.number])
    return write.make_tables(persons, records, events.actions(), parameters)


def _in_order_of_surgery(parameters: Parameters) -> list[people.Patient]:
    rng = np.random.default_rng([parameters.seed, 0])
    drawn = [people.draw_patient(0, parameters, rng) for _ in range(parameters.patients)]
    drawn.sort(key=lambda person: person.first_surgery)
    return [
        dataclasses.replace(person, number=number) for number, person in enumerate(drawn, start=1)
    ]


def _records(plans: list[people.Plan], parameters: Parameters, rng: Rng) -> list[closing.Record]:
    """A person's records: first episode, and a later one once the first has healed."""
    first = course.build_episode(plans, parameters, rng)
    later = _later_plan(first[0], parameters, rng)
    until = later.surgery if later else None
    records = [closing.close(one, until, parameters, rng) for one in first]
    if later:
        second = course.build_episode([later], parameters, rng)
        records += [closing.close(one, None, parameters, rng) for one in second]
    return records


def _later_plan(done: visits.Course, parameters: Parameters, rng: Rng) -> people.Plan | None:
    person, days = done.plan.patient, done.days
    if person.pattern == "same_bone_later":
        day = max(days["surgery"] + int(rng.integers(650, 1000)), max(done.visits) + 30)
    elif person.pattern == "other_side_later":
        ready = max(days["free"], days["union"]) + 90
        day = max(days["surgery"] + int(rng.integers(280, 480)), ready)
    else:
        return None
    day = people.workday(day)
    if day > parameters.last_surgery.toordinal():
        return None
    return people.later_episode(person, done.plan, day, (parameters, rng))
