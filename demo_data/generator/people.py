"""Who is treated, and what is planned for them before surgery. All of it invented."""

from __future__ import annotations

import dataclasses

import numpy as np

from demo_data.generator import events
from demo_data.generator.parameters import FRAMES, WALKING, Parameters

Rng = np.random.Generator
SHORT_LEGS = ("short_stature", "skeletal_dysplasia")

CAUSES = {
    "child": {
        "congenital": 0.45, "developmental": 0.20, "post_infective": 0.10,
        "skeletal_dysplasia": 0.06, "post_traumatic": 0.15, "other": 0.04,
    },
    "adult": {
        "post_traumatic": 0.42, "developmental": 0.22, "congenital": 0.16,
        "post_infective": 0.09, "tumour": 0.06, "other": 0.05,
    },
    "child both": {"skeletal_dysplasia": 0.90, "other": 0.10},
    "adult both": {"short_stature": 0.75, "skeletal_dysplasia": 0.25},
    "same_limb": {"congenital": 0.70, "post_infective": 0.15, "post_traumatic": 0.15},
}  # fmt: skip
DEVICES = {
    "femur": {
        "lengthening_nail": 0.68, "circular_fixator": 0.05, "monolateral_fixator": 0.09,
        "lengthening_over_nail": 0.155, "other": 0.025,
    },
    "tibia": {
        "lengthening_nail": 0.47, "circular_fixator": 0.44, "lengthening_over_nail": 0.07,
        "other": 0.02,
    },
    "humerus": {"monolateral_fixator": 0.60, "circular_fixator": 0.40},
    "forearm": {"monolateral_fixator": 0.40, "circular_fixator": 0.60},
}  # fmt: skip
#: planned gain, mm: mean and spread
PLANS = {"femur": (49, 11), "tibia": (42, 9), "humerus": (55, 10), "forearm": (30, 5)}
#: adult femur length, mm; other bones as a share of it
FEMUR = {"male": 455, "female": 425}
BONE_SHARE = {"femur": 1.0, "tibia": 0.82, "humerus": 0.71, "forearm": 0.54}


@dataclasses.dataclass(frozen=True, kw_only=True)
class Patient:
    """One invented person."""

    number: int
    sex: str
    aetiology: str
    pattern: str
    age: float
    centre: str
    surgeon: str
    side: str
    first_surgery: int


@dataclasses.dataclass(frozen=True, kw_only=True)
class Plan:
    """One case as known on the day of surgery (`surgery` is a day ordinal)."""

    patient: Patient
    segment: str
    side: str
    device: str
    approach: str
    age: float
    physes_open: bool
    surgery: int
    planned: float
    stroke: float | None
    length: float
    discrepancy: float
    slow: bool
    events: tuple[events.Template, ...] = ()
    fate: str = ""

    @property
    def walking(self) -> bool:
        """Whether a person walks on this bone."""
        return self.segment in WALKING

    @property
    def frame(self) -> bool:
        """Whether an external frame alone holds the bone."""
        return self.device in FRAMES


def choose(rng: Rng, shares: dict[str, float]) -> str:
    """One key, with probability in proportion to its share."""
    weights = np.array(list(shares.values()))
    return str(rng.choice(list(shares), p=weights / weights.sum()))


def workday(day: int) -> int:
    """The nearest day from Monday to Friday."""
    weekday = (day - 1) % 7
    return day + {5: -1, 6: 1}.get(weekday, 0)


def draw_patient(number: int, parameters: Parameters, rng: Rng) -> Patient:
    """A person with cause, age and pattern of treatment that go together."""
    pattern = choose(rng, dict(parameters.patterns))
    child = bool(rng.random() < parameters.child_share)
    group = "child" if child else "adult"
    kind = {"simultaneous": f"{group} both", "same_limb": "same_limb"}.get(pattern, group)
    aetiology = choose(rng, CAUSES[kind])
    age = rng.triangular(6, 12, 16.5) if child else min(16.5 + rng.gamma(1.7, 9.5), 66)
    male = 0.62 if aetiology in ("short_stature", "post_traumatic") else 0.48
    sex = choose(rng, {"male": male, "female": 0.985 - male, "unknown": 0.01, "other": 0.005})
    north = bool(rng.random() < parameters.north_share)
    surgeon = choose(rng, {"S1": 0.4, "S2": 0.35, "S3": 0.25} if north else {"S4": 0.8, "S3": 0.2})
    span = parameters.last_surgery.toordinal() - parameters.first_day.toordinal()
    latest = {"other_side_later": 1250, "same_bone_later": 900}.get(pattern, span)
    return Patient(
        number=number,
        sex=sex,
        aetiology=aetiology,
        pattern=pattern,
        age=round(float(age), 1),
        centre="north" if north else "south",
        surgeon=surgeon,
        side=choose(rng, {"left": 1, "right": 1}),
        first_surgery=_surgery_day(int(rng.integers(0, latest + 1)), parameters),
    )


def _surgery_day(offset: int, parameters: Parameters) -> int:
    first, last = parameters.first_day.toordinal(), parameters.last_surgery.toordinal()
    return max(first, min(last, workday(first + offset)))


def first_episode(patient: Patient, parameters: Parameters, rng: Rng) -> list[Plan]:
    """The plans of a patient's first episode: one case, both legs, or femur and tibia."""
    segment = _segment(patient, rng)
    day = patient.first_surgery
    first = plan_case(patient, (segment, patient.side, day), parameters, rng)
    if patient.pattern == "simultaneous":
        later = 0 if rng.random() < 0.6 else int(rng.integers(7, 29))
        limit = parameters.last_surgery.toordinal()
        second = dataclasses.replace(
            plan_case(patient, (segment, other(patient.side), day), parameters, rng),
            surgery=min(workday(day + later), limit),
            device=first.device,
            approach=first.approach,
            planned=first.planned,
            stroke=first.stroke,
        )
        return [first, draw_events(second, parameters, rng)]
    if patient.pattern == "same_limb":
        second = plan_case(patient, ("tibia", patient.side, day), parameters, rng)
        both = first.planned + second.planned
        return [dataclasses.replace(plan, discrepancy=both) for plan in (first, second)]
    return [first]


def later_episode(patient: Patient, first: Plan, day: int, setting: tuple) -> Plan:
    """The plan of a second episode on `day`; `setting` is (parameters, rng)."""
    parameters, rng = setting
    side = first.side if patient.pattern == "same_bone_later" else other(first.side)
    plan = plan_case(patient, (first.segment, side, day), parameters, rng)
    if patient.pattern == "same_bone_later":
        return dataclasses.replace(plan, length=max(plan.length, first.length + first.planned))
    return plan


def other(side: str) -> str:
    """The opposite side."""
    return "right" if side == "left" else "left"


def _segment(patient: Patient, rng: Rng) -> str:
    if patient.pattern == "same_limb":
        return "femur"
    arm = 0.09 if patient.aetiology in ("congenital", "post_infective", "tumour") else 0.0
    arm = arm if patient.pattern == "single" else 0.0
    tibia = 0.42 if patient.aetiology in ("congenital", "post_infective") else 0.31
    shares = {"femur": 1 - tibia - arm, "tibia": tibia, "humerus": arm * 0.6, "forearm": arm * 0.4}
    return choose(rng, shares)


def plan_case(patient: Patient, where: tuple, parameters: Parameters, rng: Rng) -> Plan:
    """A case of `where` = (segment, side, day of surgery), with its events drawn ahead."""
    segment, side, day = where
    age = round(patient.age + (day - patient.first_surgery) / 365.25, 1)
    closing = {"female": 14, "male": 16}.get(patient.sex, 15)
    device = _device(segment, age, patient, rng)
    length = _length(patient, segment, min(1.0, (age - 6) / (closing - 6)), rng)
    planned, stroke = _planned(patient, (segment, device), length, rng)
    risk = age >= 40 or patient.aetiology in ("congenital", "post_infective")
    slow = parameters.slow_if_risk if risk else parameters.slow_if_none
    both = patient.pattern == "simultaneous"
    difference = abs(rng.normal(0, 4)) if both else planned + max(0.0, rng.normal(3, 5))
    plan = Plan(
        patient=patient,
        segment=segment,
        side=side,
        device=device,
        approach=_approach(segment, device, rng),
        age=age,
        physes_open=age < closing,
        surgery=day,
        planned=planned,
        stroke=stroke,
        length=length,
        discrepancy=float(round(difference)),
        slow=bool(rng.random() < slow),
    )
    return draw_events(plan, parameters, rng)


def draw_events(plan: Plan, parameters: Parameters, rng: Rng) -> Plan:
    """The plan with the complications that its course will meet."""
    late = plan.surgery >= parameters.worse_from.toordinal()
    factor = parameters.worse_pin_site_factor if late else 1.0
    factor = factor if plan.device == "circular_fixator" else 1.0
    return dataclasses.replace(plan, events=events.draw(plan.device, factor, rng))


def _device(segment: str, age: float, patient: Patient, rng: Rng) -> str:
    shares = dict(DEVICES[segment])
    if age < 9.5:  # canal too narrow for a nail
        shares["circular_fixator"] = shares.get("circular_fixator", 0) + 0.2
        shares = {k: v for k, v in shares.items() if "nail" not in k}
    elif patient.pattern == "simultaneous" and patient.aetiology == "short_stature":
        shares["lengthening_nail"] = shares["lengthening_nail"] + 0.6
    return choose(rng, shares)


def _approach(segment: str, device: str, rng: Rng) -> str:
    if device != "lengthening_nail":
        return ""
    if segment == "femur":
        return choose(rng, {"antegrade": 0.65, "retrograde": 0.35})
    return "antegrade"


def _length(patient: Patient, segment: str, grown: float, rng: Rng) -> float:
    adult = FEMUR.get(patient.sex, 440) * BONE_SHARE[segment]
    shrink = {"skeletal_dysplasia": 0.74, "short_stature": 0.95}.get(patient.aetiology, 1.0)
    return float(round(adult * shrink * (0.62 + 0.38 * grown) * rng.normal(0.98, 0.03)))


def _planned(patient: Patient, what: tuple, length: float, rng: Rng) -> tuple[float, float | None]:
    segment, device = what
    mean, spread = PLANS[segment]
    mean = mean + 9 if patient.aetiology in SHORT_LEGS and segment == "femur" else mean
    most = min(80.0, length * (0.24 if patient.age < 16 else 0.19))
    amount = float(np.clip(rng.normal(mean, spread), 20, most))
    amount = 5.0 * round(amount / 5) if rng.random() < 0.8 else float(round(amount))
    nail = device == "lengthening_nail"
    if nail and segment == "femur" and rng.random() < 0.10:
        amount = 38.0  # an inch and a half
    if not nail:
        return amount, None
    return amount, 50.0 if amount <= 45 or (amount <= 50 and rng.random() < 0.5) else 80.0
