"""Complications, distraction sessions and the actions of the audit loop."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from demo_data.generator.parameters import EVENT_RATES, TRUE

Rng = np.random.Generator
PIN_SCHEME = "checketts_otterburn"
#: grades of infected pin sites in J Bone Joint Infect 2021;6:135: 65, 25, 5 and 5 per cent
PIN_GRADES = {"1": 0.65, "2": 0.25, "3": 0.06, "4": 0.04}


@dataclasses.dataclass(frozen=True, kw_only=True)
class Template:
    """What happens; the day is found later from the phase of the course."""

    origin: str
    text: str
    phase: str
    operation: bool
    course: str
    severity: str
    grade: str = ""
    permanent: bool = False


def _kinds(severity: str, *rows: tuple, permanent: bool = False) -> list[Template]:
    names = ("origin", "text", "phase", "operation", "course")
    return [
        Template(severity=severity, permanent=permanent, **dict(zip(names, row, strict=True)))
        for row in rows
    ]


CATALOGUE = {
    "I": _kinds(
        "I",
        ("joint", "joint stiffness, settled with therapy", "distraction", False, "problem"),
        ("joint", "mild contracture, splint at night", "distraction", False, "problem"),
        ("soft_tissue", "wound redness, settled", "early", False, "problem"),
        ("neurological", "passing numbness, settled", "distraction", False, "problem"),
        ("bone", "slow new bone, rate lowered", "distraction", False, "problem"),
    ),
    "II": _kinds(
        "II",
        ("device", "locking screw backed out, exchanged", "consolidation", True, "obstacle"),
        ("bone", "delayed union, bone graft", "consolidation", True, "obstacle"),
        ("joint", "contracture, tendon release", "distraction", True, "obstacle"),
        ("bone", "axis drift, corrected in theatre", "consolidation", True, "obstacle"),
        ("vascular", "venous thrombosis, treated", "early", False, "problem"),
        ("bone", "fracture of the new bone after union", "after", True, "complication"),
    ),
    "IIIA": _kinds(
        "IIIA",
        ("bone", "premature consolidation, goal not reached", "stop", False, "complication"),
        ("joint", "contracture, distraction ended", "stop", False, "complication"),
        ("neurological", "nerve irritation, distraction ended", "stop", False, "complication"),
        ("other", "distraction ended at the patient's wish", "stop", False, "complication"),
    ),
    "IIIB": _kinds(
        "IIIB",
        ("joint", "lasting joint stiffness", "consolidation", False, "complication"),
        ("neurological", "nerve weakness, partly lasting", "distraction", False, "complication"),
        ("infection", "deep infection, washed out", "consolidation", True, "complication"),
        ("bone", "deformity of the new bone left", "consolidation", False, "complication"),
        permanent=True,
    ),
}
EXCHANGE = Template(
    origin="device",
    text="mechanism failed, device exchanged",
    phase="exchange",
    operation=True,
    course="obstacle",
    severity="II",
)
AMPUTATION = Template(
    origin="infection",
    text="deep infection not controlled, amputation",
    phase="outcome",
    operation=True,
    course="complication",
    severity="IIIB",
    permanent=True,
)


def draw(device: str, pin_site_factor: float, rng: Rng) -> tuple[Template, ...]:
    """The complications of one case: a Poisson number of each severity type, at true rates."""
    rates = EVENT_RATES[device]
    found: list[Template] = []
    for severity, rate in (("I", rates.i), ("II", rates.ii), ("IIIB", rates.iiib)):
        for _ in range(rng.poisson(rate / 100)):
            found.append(CATALOGUE[severity][rng.integers(len(CATALOGUE[severity]))])
    if rng.random() < rates.iiia / 100:  # a goal is missed once
        found.append(CATALOGUE["IIIA"][rng.integers(len(CATALOGUE["IIIA"]))])
    for _ in range(rng.poisson(rates.pin_site * pin_site_factor / 100)):
        found.append(_pin_site(str(rng.choice(list(PIN_GRADES), p=list(PIN_GRADES.values())))))
    return tuple(found)


def _pin_site(grade: str) -> Template:
    bad = grade == "4"
    return Template(
        origin="soft_tissue",
        text="pin sites infected, pins changed" if bad else "pin-site redness and discharge",
        phase="frame",
        operation=bad,
        course="obstacle" if bad else "problem",
        severity="II" if bad else "I",
        grade=grade,
    )


def dated(template: Template, days: dict[str, int], rng: Rng) -> dict:
    """A complications row; `days` holds the milestones of the case as day ordinals."""
    start, end, union = days["start"], days["end"], days["union"]
    windows = {
        "early": (days["surgery"] + 1, days["surgery"] + 14),
        "distraction": (start + 3, max(start + 4, end)),
        "consolidation": (end + 5, max(end + 6, union - 3)),
        "after": (union + 20, union + 120),
        "stop": (max(start + 2, end - 1), end),
        "frame": (days["surgery"] + 10, min(days["frame_off"], days["surgery"] + 120)),
        "exchange": (days["exchange"], days["exchange"]),
        "outcome": (days["outcome"] - 20, days["outcome"] - 10),
    }
    low, high = windows[template.phase]
    day = int(rng.integers(low, max(low, high) + 1))
    span = rng.integers(14, 60) if template.operation else rng.integers(5, 30)
    return {
        "occurred_on": day,
        "origin": template.origin,
        "description": template.text,
        "unplanned_operation": "yes" if template.operation else "no",
        "resolved_on": None if template.permanent else day + int(span),
        "permanent": "yes" if template.permanent else "no",
        "course_class": template.course,
        "severity_type": template.severity,
        "pin_site_grade": template.grade or None,
        "pin_site_scheme": PIN_SCHEME if template.grade else None,
    }


@dataclasses.dataclass(frozen=True, kw_only=True)
class SessionPlan:
    """What the sessions of one nail must fit: days, length, and what came between.

    net_mm: gain they add up to, to one step. reversals: sessions run backwards. closed: days on
    which the device could not be driven. wait: minutes until the other leg is done.
    """

    start: int
    end: int
    net_mm: float
    step: float
    patient: int
    reversals: int = 0
    wait: int = 0
    closed: frozenset[int] = frozenset()


def sessions(plan: SessionPlan) -> list[dict]:
    """Sessions from the first to the last day of distraction.

    Slots left over are days off first, then evenings left out: what really happens.
    """
    slots = [(plan.start, 1)]
    slots += [(day, slot) for day in range(plan.start + 1, plan.end) for slot in range(3)]
    slots = [place for place in slots if place[0] not in plan.closed]
    slots += [(plan.end, 0), (plan.end, 1)]
    needed = round(plan.net_mm / plan.step) + 2 * plan.reversals
    kept = _thinned(slots, max(0, len(slots) - needed))
    middle = len(kept) * 2 // 3
    delivered = round(plan.step - 0.001, 2)
    rows = []
    for number, (day, slot) in enumerate(kept):
        back = middle <= number < middle + plan.reversals
        rows.append(
            {
                "started_at": _moment(day, slot, plan),
                "prescribed_mm": -delivered if back else delivered,
                "delivered_mm": -delivered if back else delivered,
            }
        )
    return rows


def _thinned(slots: list[tuple[int, int]], spare: int) -> list[tuple[int, int]]:
    inner = sorted({day for day, _ in slots})[2:-2]
    off: set[int] = set()
    while spare >= TRUE.sessions_per_day and len(off) < 2 and len(inner) > 12:
        off.add(inner[(len(inner) * (2 * len(off) + 1)) // 4])
        spare -= TRUE.sessions_per_day
    kept = [place for place in slots if place[0] not in off]
    evenings = [place for place in kept[4:-3] if place[1] == 2][::-1]
    dropped = set(evenings[:spare])
    return [place for place in kept if place not in dropped]


def _moment(day: int, slot: int, plan: SessionPlan) -> tuple[int, int]:
    """Day and minute: morning, noon, evening, never twice the same; the second leg follows."""
    minute = (7 * 60 + 30, 13 * 60 + 30, 20 * 60)[slot]
    return day, minute + (day * 37 + slot * 11 + plan.patient * 13) % 41 - 20 + plan.wait


def wait_for_other_leg() -> int:
    """Minutes until the second leg can start: one session, rounded up."""
    return math.ceil(TRUE.session_seconds / 60)


#: (raised, criterion, action, owner, due, closed)
ACTIONS = (
    ("2023-10-19", "gain_within_tolerance_nail_adult", "Calibration ball on every length film",
     "radiography lead", "2023-12-31", "2023-12-12"),
    ("2024-01-18", "knee_flexion_kept_femur", "Knee flexion below 60 degrees: review in one week",
     "physiotherapy lead", "2024-03-31", "2024-04-09"),
    ("2024-04-18", "full_weight_bearing_femur_nail", "Promise walking dates from our own figures",
     "clinic nurse lead", "2024-07-31", "2024-07-15"),
    ("2024-07-18", "healing_index_femur_nail", "Two-view films each month until union",
     "consultant lead", "2024-10-31", "2024-10-21"),
    ("2024-10-17", "data_completeness", "Baseline knee motion entered before the theatre list",
     "audit lead", "2025-01-31", "2025-01-30"),
    ("2025-01-23", "complications_nail", "Discuss each unplanned operation once a month",
     "consultant lead", "2025-04-30", "2025-03-27"),
    ("2025-04-17", "gain_within_tolerance_fixator", "Length film within three days of the end",
     "radiography lead", "2025-07-31", "2025-08-14"),
    ("2025-10-16", "healing_index_tibia_nail", "Start tibial nails at 0.75 mm a day",
     "consultant lead", "2026-01-31", "2026-01-20"),
    ("2026-01-22", "full_weight_bearing_femur_nail", "Repeat the talk on walking dates at week six",
     "clinic nurse lead", "2026-04-30", "2026-05-04"),
    ("2026-04-23", "complications_circular_fixator", "Review pin-site care and its teaching sheet",
     "ward sister", "2026-08-31", None),
    ("2026-07-23", "complications_circular_fixator", "Photograph every pin site at each visit",
     "clinic nurse lead", "2026-12-31", None),
)  # fmt: skip


#: (happened, what changed, kind)
SERVICE_EVENTS = (
    ("2024-09-02", "A limb clinic every week instead of every second", "change"),
    ("2025-11-03", "Frames taught to families on the ward, no longer in clinic", "change"),
)


def service_events() -> list[dict]:
    """The rows of the service_events table: two plain changes, no decision on limits."""
    names = ("happened_on", "label", "kind")
    return [dict(zip(names, row, strict=True)) for row in SERVICE_EVENTS]


def actions() -> list[dict]:
    """The rows of the actions table."""
    names = ("raised_on", "criterion", "action", "owner_role", "due_on", "closed_on")
    return [
        {"action_id": f"A{number:02d}", **dict(zip(names, row, strict=True))}
        for number, row in enumerate(ACTIONS, start=1)
    ]
