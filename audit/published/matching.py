"""Whether a published value may be laid beside ours: measure, definition, device class and bone."""

from __future__ import annotations

import dataclasses
import difflib
from collections.abc import Collection

from audit.intake.published_value import PublishedValue
from audit.published.definitions import (
    DEFINITIONS,
    NOT_FORMED,
    TWO_MEANINGS,
    Definition,
    factor,
    union_rule,
)
from audit.settings import Settings
from schemas import vocabulary

#: verdicts: every part of the definition agrees; nothing contradicts but parts are not said; else
SAME, OPEN, REFUSED = "same_definition", "definition_open", "not_laid_beside"
GROUP_BY = "device_class+segment"
#: statistics whose unit of analysis decides what they mean
COUNTED = ("proportion", "rate")


@dataclasses.dataclass(frozen=True)
class Ours:
    """What our side holds: (measure, statistic) -> unit, the groups of `GROUP_BY` with cases in
    their order, and the settings behind the definitions."""

    units: dict[tuple[str, str], str]
    groups: tuple[str, ...]
    settings: Settings


@dataclasses.dataclass(frozen=True)
class Match:
    """verdict: one of SAME, OPEN, REFUSED. reasons: why refused, each a sentence without its stop.
    unsaid: parts of the definition that what was read does not say. group: device class and bones
    as `group_of` joins them; unit: of our row."""

    verdict: str
    reasons: tuple[str, ...] = ()
    unsaid: tuple[str, ...] = ()
    group: str = ""
    unit: str = ""


def match_value(value: PublishedValue, ours: Ours) -> Match:
    """The verdict on one published value; every reason against it is named, not only the first.

    A name that means two things is refused whatever else agrees. What is stated must agree; what
    is not stated is `unsaid` where our term has one usual meaning (the clock, the union rule) and
    a reason to refuse where the number cannot be read without it (statistic, unit, tolerance, unit
    of analysis of a share or rate, device class, bone). A value of several bones together stands
    beside our cases of its device class on the same bones, if there are any on each of them.
    """
    named = _name(value.measure)
    if named:
        return Match(REFUSED, (named,))
    definition = DEFINITIONS[value.measure]
    reasons: list[str] = []
    unsaid: list[str] = list(definition.unsaid)
    unit = _statistic(value, ours, reasons)
    group = _group(value, ours, reasons)
    _counts(value, definition, reasons, unsaid)
    _clock(value, definition, ours.settings, reasons, unsaid)
    _tolerance(value, definition, ours.settings, reasons)
    if value.differs:
        reasons.append(value.differs)
    verdict = REFUSED if reasons else OPEN if unsaid else SAME
    return Match(verdict, tuple(reasons), tuple(unsaid), group, unit)


def _name(measure: str) -> str:
    if measure in TWO_MEANINGS:
        return TWO_MEANINGS[measure]
    if measure in NOT_FORMED:
        return NOT_FORMED[measure]
    if measure in DEFINITIONS:
        return ""
    near = difflib.get_close_matches(measure, DEFINITIONS, 1)
    hint = f"; the nearest name is {near[0]}" if near else ""
    return f"the kit forms no measure of this name{hint}"


def _statistic(value: PublishedValue, ours: Ours, reasons: list[str]) -> str:
    """Our unit, "" where we have no such row."""
    known = sorted(kind for name, kind in ours.units if name == value.measure)
    if not value.statistic:
        reasons.append("whether it is a mean or a median is not said")
        return ""
    if value.statistic == "mean" and "median_time" in known:
        reasons.append(
            "a mean time over those who got there leaves out whoever still waits; ours is a "
            "Kaplan-Meier median in which they stay"
        )
        return ""
    if value.statistic not in known:
        reasons.append(f"we give no {value.statistic.replace('_', ' ')} of this measure")
        return ""
    unit = ours.units[(value.measure, value.statistic)]
    if value.value is not None and not value.unit:
        reasons.append("its unit is not said")
    elif value.value is not None and factor(value.unit, unit) is None:
        reasons.append(f"its unit {value.unit} cannot be turned into {unit or 'a share'}")
    return unit


def _group(value: PublishedValue, ours: Ours, reasons: list[str]) -> str:
    before = len(reasons)
    bones = value.segment.split("+") if value.segment else []
    for codes, what in (([value.device_class], "device class"), (bones, "bone")):
        if not any(codes):
            reasons.append(f"the {what} is not said")
        elif "other" in codes:
            reasons.append(f"the {what} is none of ours by name; `other` is no one thing")
    if "+" in value.device_class:
        classes = value.device_class.replace("+", ", ")
        reasons.append(f"several device classes are pooled ({classes})")
    if len(reasons) > before:
        return ""
    absent = [bone for bone in bones if f"{value.device_class}+{bone}" not in ours.groups]
    if absent and len(bones) == 1:
        reasons.append("we have no case of this device class and bone")
    elif absent:
        reasons.append(
            f"it pools {', '.join(bones)}, and we have no case of this device class on "
            f"{', '.join(absent)}"
        )
    return "" if absent else group_of(value.device_class, bones)


def group_of(device_class: str, bones: Collection[str]) -> str:
    """`lengthening_nail+femur+tibia`: the device class, then the bones in their usual order."""
    ordered = [bone for bone in vocabulary.codes("segment") if bone in bones]
    return "+".join([device_class, *ordered])


def parts_of(group: str) -> tuple[str, tuple[str, ...]]:
    """(device class, bones) of a group."""
    device_class, *bones = group.split("+")
    return device_class, tuple(bones)


def _counts(
    value: PublishedValue, definition: Definition, reasons: list[str], unsaid: list[str]
) -> None:
    if value.n_counts and value.n_counts != definition.counts:
        reasons.append(f"it counts {value.n_counts}, ours counts {definition.counts}")
    elif not value.n_counts and value.statistic in COUNTED:
        reasons.append("whether it counts cases or patients is not said")
    elif not value.n_counts:
        unsaid.append("whether n counts cases or patients")


def _clock(
    value: PublishedValue,
    definition: Definition,
    settings: Settings,
    reasons: list[str],
    unsaid: list[str],
) -> None:
    for which, theirs, mine in (
        ("start", value.starts, definition.starts),
        ("end", value.ends, definition.ends),
    ):
        if mine and not theirs:
            unsaid.append(f"{which} of the clock")
        elif mine and theirs != mine:
            words = f"its clock {which}s at {theirs.replace('_', ' ')}"
            reasons.append(f"{words}, ours at {mine.replace('_', ' ')}")
    if definition.ends != "union":
        return
    rule = union_rule(settings)
    if not value.union_rule:
        unsaid.append("union rule")
    elif value.union_rule != rule:
        theirs, mine = (code.replace("_", " ") or "another" for code in (value.union_rule, rule))
        reasons.append(f"its union rule is {theirs}, ours is {mine}")


def _tolerance(
    value: PublishedValue, definition: Definition, settings: Settings, reasons: list[str]
) -> None:
    if not definition.tolerance:
        return
    if value.tolerance_mm is None:
        reasons.append("its tolerance is not said, and the share depends on it")
    elif value.tolerance_mm != settings.tolerance_mm:
        reasons.append(
            f"its tolerance is {value.tolerance_mm:g} mm, ours is {settings.tolerance_mm:g} mm"
        )
