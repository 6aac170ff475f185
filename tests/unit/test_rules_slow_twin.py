"""The vectorised rules against the same rules written as plain loops, on random small tables."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest

from schemas.rules import VALUE_RULES, Evidence
from tests.unit.rule_evidence import case, event, evidence, failing, film, knee, session

DAY = pd.Timedelta(days=1)


def find(rule_id, table):
    (rule,) = (one for one in VALUE_RULES if (one.id, one.table) == (rule_id, table))
    return rule


def some_day(rng, first="2025-01-01", days=120):
    if rng.random() < 0.1:
        return None
    return str((pd.Timestamp(first) + int(rng.integers(days)) * DAY).date())


def random_case(rng, number):
    return case(
        case_id=f"C{number}",
        patient_id=f"P{rng.integers(3)}",
        side=rng.choice(["left", "right"]),
        segment=rng.choice(["femur", "tibia", "humerus"]),
        surgery_date=some_day(rng, days=200),
        distraction_start_date=some_day(rng, days=40),
        distraction_end_date=some_day(rng, "2025-02-01", 60),
        union_date=some_day(rng, "2025-02-01", 200),
        achieved_gain_mm=float(rng.integers(10, 60)),
        outcome_status=rng.choice(["completed", "in_treatment"]),
    )


def random_evidence(seed) -> Evidence:
    rng = np.random.default_rng(seed)
    cases = [random_case(rng, number) for number in range(8)]
    ids = [f"C{number}" for number in range(9)]
    days = [some_day(rng, days=60) for _ in range(60)]
    return evidence(
        cases=cases,
        radiographs=[
            film(day, gain_mm=float(rng.integers(5, 65)), case_id=rng.choice(ids)) for day in days
        ],
        joint_motion=[
            knee(day, float(rng.integers(20, 140)), case_id=rng.choice(ids)) for day in days
        ],
        complications=[
            event(occurred_on=day, case_id=rng.choice(ids), origin=rng.choice(["joint", "device"]))
            for day in days[:20]
        ],
        distraction_sessions=[
            session(
                f"{some_day(rng, days=25) or '2025-01-03'} {rng.integers(24):02d}:00",
                float(rng.choice([0.25, 0.5, 1, -0.25])),
                case_id=rng.choice(ids[:3]),
            )
            for _ in range(150)
        ],
    )


def rows(frame):
    return list(enumerate(frame.to_dict("records")))


def cases_by_id(tables):
    return {row["case_id"]: row for _, row in rows(tables["cases"])}


def days_impossible(tables):
    total = {}
    log = [row for row in rows(tables["distraction_sessions"]) if row[1]["case_id"] != "C8"]
    for _, row in log:
        key = (row["case_id"], row["started_at"].date())
        total[key] = total.get(key, 0) + row["delivered_mm"]
    return [
        place for place, row in log if total[(row["case_id"], row["started_at"].date())] > 3.0000001
    ]


def gaps(tables):
    found = []
    for case_id, one in cases_by_id(tables).items():
        log = [row for row in rows(tables["distraction_sessions"]) if row[1]["case_id"] == case_id]
        log.sort(key=lambda row: row[1]["started_at"])
        for (_, before), (place, row) in itertools.pairwise(log):
            away = (row["started_at"].normalize() - before["started_at"].normalize()).days
            if away > 2 and not row["started_at"].normalize() > one["distraction_end_date"]:
                found.append(place)
                break
    return sorted(found)


def second_legs(tables):
    walkers = [row for row in rows(tables["cases"]) if row[1]["segment"] in ("femur", "tibia")]
    return [
        place
        for place, row in walkers
        if any(
            other["patient_id"] == row["patient_id"]
            and other["side"] != row["side"]
            and (row["surgery_date"] - other["surgery_date"]).days > 30
            and (other["union_date"] - row["surgery_date"]).days > 30
            for _, other in walkers
        )
    ]


def bones_twice(tables):
    cases = rows(tables["cases"])
    return [
        place
        for place, row in cases
        if any(
            all(other[key] == row[key] for key in ("patient_id", "side", "segment"))
            and other["surgery_date"] < row["surgery_date"]
            and row["surgery_date"] <= other["distraction_end_date"]
            for _, other in cases
        )
    ]


def films_differ(tables):
    found = []
    for place, one in rows(tables["cases"]):
        films = [
            (abs((row["taken_on"] - one["distraction_end_date"]).days), -row["taken_on"].value, row)
            for _, row in rows(tables["radiographs"])
            if row["case_id"] == one["case_id"]
            and abs((row["taken_on"] - one["distraction_end_date"]).days) <= 14
        ]
        if films:
            away, late, _ = min(films, key=lambda entry: entry[:2])
            # the last in the file of films that are equally near
            nearest = [row for distance, when, row in films if (distance, when) == (away, late)][-1]
            gain = one["achieved_gain_mm"]
            if abs(gain - nearest["gain_mm"]) > max(3, 0.05 * gain):
                found.append(place)
    return found


def flexion_lost(tables):
    found = []
    known = cases_by_id(tables)
    motion, events = rows(tables["joint_motion"]), rows(tables["complications"])
    for place, row in motion:
        one = known.get(row["case_id"])
        if one is None or pd.isna(row["examined_on"]):
            continue
        before = [
            other
            for _, other in motion
            if other["case_id"] == row["case_id"] and other["examined_on"] <= one["surgery_date"]
        ]
        before.sort(key=lambda other: other["examined_on"])
        low = row["flexion_deg"] < 45 or bool(
            before and row["flexion_deg"] < before[-1]["flexion_deg"] / 2
        )
        ongoing = (
            pd.isna(one["distraction_end_date"])
            and pd.isna(one["union_date"])
            and one["outcome_status"] == "in_treatment"
        )
        inside = row["examined_on"] >= one["distraction_start_date"] and (
            ongoing or row["examined_on"] <= one["distraction_end_date"]
        )
        answered = any(
            other["case_id"] == row["case_id"]
            and other["origin"] == "joint"
            and abs((other["occurred_on"] - row["examined_on"]).days) <= 14
            for _, other in events
        )
        if low and inside and not answered:
            found.append(place)
    return found


TWINS = (
    ("day_total_over_3_mm", "distraction_sessions", days_impossible),
    ("gap_in_sessions", "distraction_sessions", gaps),
    ("second_leg_before_first_united", "cases", second_legs),
    ("bone_lengthened_twice_at_once", "cases", bones_twice),
    ("gain_differs_from_film", "cases", films_differ),
    ("flexion_lost_in_distraction", "joint_motion", flexion_lost),
)


@pytest.mark.parametrize(("rule_id", "table", "slow"), TWINS, ids=[twin[0] for twin in TWINS])
def test_same_rows(rule_id, table, slow):
    rule = find(rule_id, table)
    broken = 0
    for seed in range(15):
        tables = random_evidence(seed)
        expected = slow(tables)
        assert failing(rule, tables) == expected, seed
        broken += len(expected)
    assert broken > 0
