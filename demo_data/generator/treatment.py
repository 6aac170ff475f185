"""The milestones of a case: when distraction ends, the bone heals, the person walks."""

from __future__ import annotations

import dataclasses

import numpy as np

from demo_data.generator.parameters import FRAMES, Parameters, healing_of
from demo_data.generator.people import Plan, workday

Rng = np.random.Generator
LONGEST_MATURATION = 500


@dataclasses.dataclass(frozen=True, kw_only=True)
class Milestones:
    """Days from surgery (whole days when drawn, exact when expected) and millimetres.

    frame_off is None without an external frame; free is the first day without aids as far as
    this bone allows; exchange is None unless the device was exchanged; achieved is the gain at
    the end of distraction, lost the length lost after it.
    """

    start: float
    end: float
    union: float
    frame_off: float | None
    free: float
    achieved: float
    lost: float = 0.0
    exchange: float | None = None


def expected_milestones(plan: Plan, parameters: Parameters) -> Milestones:
    """The course of a plan that goes as planned, with all chance switched off."""
    latency = _latency(plan, parameters)
    end = latency + plan.planned / rate_of(plan, parameters)
    union = max(
        end + parameters.least_maturation_days, healing_mean(plan, parameters) * plan.planned / 10
    )
    frame_off = _expected_frame_off(plan, end, union)
    return Milestones(
        start=latency,
        end=end,
        union=union,
        frame_off=frame_off,
        free=_expected_free(plan, union, frame_off, parameters),
        achieved=plan.planned,
    )


def rate_of(plan: Plan, parameters: Parameters) -> float:
    """Prescribed rate, mm a day."""
    slow = plan.device == "lengthening_nail" and plan.segment == "tibia"
    slow = slow or plan.segment == "forearm"
    return parameters.tibia_nail_rate_mm_per_day if slow else parameters.rate_mm_per_day


def healing_mean(plan: Plan, parameters: Parameters) -> float:
    """Expected healing index of this case, days per cm."""
    factor = parameters.slow_factor if plan.slow else parameters.ordinary_factor
    return healing_of(plan.device, plan.segment, plan.approach).mean * factor


def promised_weeks(plan: Plan, parameters: Parameters) -> int:
    """What the family is told: the expected time for ordinary bone, a bit early."""
    ordinary = dataclasses.replace(plan, slow=False)
    days = expected_milestones(ordinary, parameters).free
    return round(days * parameters.promise_share / 7)


def draw_milestones(plan: Plan, parameters: Parameters, rng: Rng) -> Milestones:
    """One course of a plan, with chance and with what its events and its fate do to it."""
    start = int(np.clip(round(rng.normal(_latency(plan, parameters), 0.8)), 3, 14))
    achieved = _achieved(plan, parameters, rng)
    slowed = parameters.slowed_factor if rng.random() < parameters.slowed_share else 1.0
    lengthening = achieved / (rate_of(plan, parameters) * slowed)
    end = start + max(4, round(lengthening + rng.poisson(parameters.missed_days_mean)))
    exchange = None
    if plan.fate == "exchange":
        exchange = workday(plan.surgery + start + (end - start) // 2) - plan.surgery
        end += 9
    if plan.fate == "reversal":
        end += 2
    union = _union(plan, (end, achieved), parameters, rng)
    frame_off = _frame_off(plan, end, union, rng)
    return Milestones(
        start=start,
        end=end,
        union=union,
        frame_off=frame_off,
        free=_free(plan, (union, frame_off), parameters, rng),
        achieved=achieved,
        lost=float(rng.uniform(5, 16)) if plan.fate == "length_lost" else 0.0,
        exchange=exchange,
    )


def _latency(plan: Plan, parameters: Parameters) -> float:
    if plan.device == "lengthening_nail":
        tibia = plan.segment == "tibia"
        return parameters.latency_tibia_nail if tibia else parameters.latency_femur_nail
    return parameters.latency_frame_child if plan.age < 16 else parameters.latency_frame_adult


def _achieved(plan: Plan, parameters: Parameters, rng: Rng) -> float:
    """Gain on the film at the end of distraction, to half a millimetre."""
    nail = plan.device == "lengthening_nail"
    spread = parameters.gain_error_sd_nail if nail else parameters.gain_error_sd_frame
    amount = plan.planned + float(np.clip(rng.normal(-0.3, spread), -3 * spread, 2 * spread))
    if any(event.phase == "stop" for event in plan.events):
        amount = plan.planned * float(rng.uniform(0.35, 0.82))
    if plan.fate == "under_10":
        amount = float(rng.uniform(4, 9.4))
    if plan.fate == "overshoot":
        amount = plan.planned + float(rng.uniform(6, 9))
    if plan.stroke is not None:
        amount = min(amount, plan.stroke + 1)
    return round(2 * amount) / 2


def _union(plan: Plan, gained: tuple[int, float], parameters: Parameters, rng: Rng) -> int:
    """Day of the film that shows union: mean = true index x gain, never before the end."""
    end, achieved = gained
    spread = healing_of(plan.device, plan.segment, plan.approach).sd * achieved / 10
    least = parameters.least_maturation_days
    mean = max(healing_mean(plan, parameters) * achieved / 10 - end - least, least)
    spread = min(0.95 * spread, mean)
    wait = least + min(rng.gamma((mean / spread) ** 2, spread**2 / mean), LONGEST_MATURATION)
    union = workday(plan.surgery + round(end + wait)) - plan.surgery
    return max(union, end + least - 1)


def _frame_off(plan: Plan, end: float, union: float, rng: Rng) -> int | None:
    if plan.device in FRAMES:
        return workday(plan.surgery + int(union + rng.integers(6, 20))) - plan.surgery
    if plan.device == "lengthening_over_nail":
        return workday(plan.surgery + int(end + rng.integers(8, 20))) - plan.surgery
    return None


def _expected_frame_off(plan: Plan, end: float, union: float) -> float | None:
    if plan.device in FRAMES:
        return union + 12.5
    return end + 13.5 if plan.device == "lengthening_over_nail" else None


def _expected_free(
    plan: Plan, union: float, frame_off: float | None, parameters: Parameters
) -> float:
    if plan.frame and frame_off is not None:
        return frame_off + parameters.free_after_frame_days
    return union + (1 - parameters.free_at_union_share) * parameters.check_after_union_days


def _free(plan: Plan, healed: tuple[float, float | None], parameters: Parameters, rng: Rng) -> int:
    union, frame_off = healed
    wait = 0
    if plan.frame and frame_off is not None:
        wait = int(frame_off - union) + parameters.free_after_frame_days + int(rng.integers(-7, 8))
    elif rng.random() >= parameters.free_at_union_share:
        wait = parameters.check_after_union_days + int(rng.integers(-3, 4))
    day = int(union) + wait
    return max(int(union), workday(plan.surgery + day) - plan.surgery)
