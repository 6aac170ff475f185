"""The course of the cases of one episode after surgery: films, joint motion, load and aids."""

from __future__ import annotations

import math

import numpy as np

from demo_data.generator.parameters import Parameters
from demo_data.generator.people import Plan
from demo_data.generator.treatment import draw_milestones
from demo_data.generator.visits import Course, add_later_days, film_days, milestone_days
from demo_data.generator.walking import add_loads

Rng = np.random.Generator


def build_episode(plans: list[Plan], parameters: Parameters, rng: Rng) -> list[Course]:
    """The full courses of cases treated together; nothing is cut off yet."""
    drawn = [draw_milestones(plan, parameters, rng) for plan in plans]
    free = max(plan.surgery + int(miles.free) for plan, miles in zip(plans, drawn, strict=True))
    courses: list[Course] = []
    for plan, miles in zip(plans, drawn, strict=True):
        course = Course(plan=plan, milestones=miles, days=milestone_days(plan, miles, free, rng))
        add_later_days(course, parameters, rng)
        course.visits = film_days(course, courses[0].visits if courses else [], rng)
        course.films = _films(course, rng)
        course.motion = _motion(course, parameters, _motion_stream(plan, parameters))
        courses.append(course)
    _share_knee(courses)
    add_loads(courses)
    return courses


# --- films --------------------------------------------------------------------------------------


def _films(course: Course, rng: Rng) -> list[dict]:
    rows = []
    bridged = 0
    for day in course.visits:
        bridged = max(bridged, _cortices(course, day, rng))
        row = {
            "taken_on": day,
            "gain_mm": _gain(course, day, rng),
            "cortices_bridged": bridged,
        }
        if day in (course.days["activity"], course.days["twelve"]) and course.plan.walking:
            row |= _alignment(course, rng)
        rows.append(row)
    return rows


def _gain(course: Course, day: int, rng: Rng) -> float:
    days, miles = course.days, course.milestones
    if day == days["end_film"]:
        return miles.achieved
    noise = float(np.clip(rng.normal(0, 0.4), -1, 1))
    if day < days["end"]:
        share = (day - days["start"]) / (days["end"] - days["start"])
        return max(0.0, round(2 * (miles.achieved * share + noise)) / 2)
    settled = (day - days["end"]) / (days["union"] + 60 - days["end"])
    return round(2 * (miles.achieved - miles.lost * min(1.0, settled) + noise)) / 2


def _cortices(course: Course, day: int, rng: Rng) -> int:
    days = course.days
    if day >= days["union"]:
        sure = day >= days["twelve"]
        return 4 if sure or rng.random() < (0.15 if day == days["union"] else 0.7) else 3
    share = (day - days["end"]) / (days["union"] - days["end"])
    return int(np.clip(math.floor(3 * share + rng.uniform(-0.6, 0.5)), 0, 2))


def _alignment(course: Course, rng: Rng) -> dict:
    """Standing film. Lengthening along the femoral shaft moves the axis about 1 mm/cm to the
    outer side (PMID 22933497); the rest follows the joint angles. Positive = axis medial."""
    femur = rng.normal(87.5, 1.6)
    tibia = rng.normal(87.3, 1.6)
    drift = course.milestones.achieved / 10 if course.plan.segment == "femur" else 0.0
    axis = 4 + 3 * (femur - 87.5) + 3 * (87.3 - tibia) - drift + rng.normal(0, 2)
    return {
        "mechanical_axis_deviation_mm": round(float(axis)),
        "mldfa_deg": round(float(femur)),
        "mpta_deg": round(float(tibia)),
    }


# --- joint motion -------------------------------------------------------------------------------


def _motion(course: Course, parameters: Parameters, rng: Rng) -> list[dict]:
    """Knee for both bones of the leg, ankle for the tibia, hip for some antegrade femora.

    Ankle flexion is plantarflexion; its extension deficit is equinus (degrees short of neutral).
    """
    if not course.plan.walking:
        return []
    rows = _knee(course, parameters, rng)
    if course.plan.segment == "tibia":
        rows += _joint(course, "ankle", (45, 0.85, 9), rng)
    elif course.plan.approach == "antegrade" and rng.random() < 0.35:
        rows += _joint(course, "hip", (120, 0.90, 4), rng)
    if course.plan.fate != "transfer" and rng.random() < parameters.no_baseline_share:
        rows = [row for row in rows if row["examined_on"] > course.plan.surgery]
    return rows


def _motion_stream(plan: Plan, parameters: Parameters) -> Rng:
    """Joints have a stream of their own: examinations leave the rest of the course alone."""
    side = 1 if plan.side == "left" else 2
    return np.random.default_rng([parameters.seed, 3, plan.surgery, plan.patient.number, side])


def _exams(course: Course, rng: Rng) -> list[int]:
    days = course.days
    found = [days["end_film"], days["union"], days["activity"], days["twelve"]]
    found += [days["six"]] if days["six"] in course.visits else []
    return [days["surgery"] - int(rng.integers(2, 40)), *sorted(found)]


def _knee(course: Course, parameters: Parameters, rng: Rng) -> list[dict]:
    plan = course.plan
    kind = "tibia" if plan.segment == "tibia" else ("frame" if plan.frame else "nail")
    stiff = {"congenital": (-3, 8), "post_traumatic": (-4, 9)}.get(plan.patient.aetiology, (1, 7))
    base = float(np.clip(rng.normal(parameters.knee_baseline + stiff[0], stiff[1]), 95, 150))
    low = float(np.clip(rng.normal(dict(parameters.knee_nadir)[kind], 0.06), 0.54, 0.95))
    high = float(np.clip(rng.normal(dict(parameters.knee_final)[kind], 0.025), 0.82, 1.02))
    if any(event.severity == "IIIB" and event.origin == "joint" for event in plan.events):
        high = float(rng.uniform(0.70, 0.80))
    bent = float(rng.choice([0, 5, 10, 15], p=[0.35, 0.35, 0.2, 0.1]))
    rows = []
    for day in _exams(course, rng):
        left = math.exp(-max(0, day - course.days["end"]) / parameters.knee_recovery_days)
        share = 1.0 if day <= plan.surgery else high - max(0.0, high - low) * left
        deficit = 0.0 if day <= plan.surgery else bent * left
        rows.append(_exam(day, "knee", base * share, deficit))
    return rows


def _joint(course: Course, joint: str, shape: tuple, rng: Rng) -> list[dict]:
    full, low, deficit = shape
    base = rng.normal(full, full * 0.06)
    bent = abs(rng.normal(0, deficit))
    rows = []
    for day in _exams(course, rng):
        left = math.exp(-max(0, day - course.days["end"]) / 70)
        before = day <= course.plan.surgery
        share = 1.0 if before else 0.98 - (0.98 - low) * left
        rows.append(_exam(day, joint, base * share, 0.0 if before else min(20.0, bent * left)))
    return rows


def _exam(day: int, joint: str, flexion: float, deficit: float) -> dict:
    """To five degrees, as goniometers are read in clinic."""
    return {
        "examined_on": day,
        "joint": joint,
        "flexion_deg": 5 * round(float(flexion) / 5),
        "extension_deficit_deg": 5 * round(float(deficit) / 5),
    }


def _share_knee(courses: list[Course]) -> None:
    """Femur and tibia of one leg share one knee: the same findings stand in both cases."""
    if len(courses) == 2 and courses[0].plan.side == courses[1].plan.side:
        first, second = courses
        knee = [dict(row) for row in first.motion if row["joint"] == "knee"]
        second.motion = knee + [row for row in second.motion if row["joint"] != "knee"]
