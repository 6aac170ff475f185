"""What disclosure control goes by: thresholds, rounding, and decisions that people have recorded.

It stands left of intake so that the reader of the settings file can give one of these objects;
`audit.disclosure.settings` passes it on to the stage that uses it.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping

ZEROS = ("show", "hide")
#: rules that a recorded decision may set aside for one cell
DECISION_RULES = ("few_people", "group")
#: steps to which averages are rounded, by unit, unless the settings say otherwise
PRECISION: dict[str, float] = {
    "days": 1.0,
    "weeks": 1.0,
    "months": 0.5,
    "years": 1.0,
    "days/cm": 1.0,
    "months/cm": 0.05,
    "mm": 1.0,
    "mm/day": 0.05,
    "%": 1.0,
    "degrees": 1.0,
}


@dataclasses.dataclass(frozen=True, kw_only=True)
class Decision:
    """An argued exception. table: name of a summary table. rule: one of `DECISION_RULES`. cell:
    dimension -> category; dimensions not named match every category. reason: why it may leave.
    decided_by: the role that decided. decided_on: the day, as text.

    few_people: the cell is shown (rounded) though it rests on fewer people than the threshold.
    group: a share of none or all of a group may be shown; it is no longer flagged.
    """

    table: str
    rule: str
    reason: str
    decided_by: str
    decided_on: str = ""
    cell: Mapping[str, str] = dataclasses.field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.rule not in DECISION_RULES:
            raise ValueError(f"rule must be one of {', '.join(DECISION_RULES)}; got {self.rule!r}")
        for name in ("table", "reason", "decided_by"):
            if not getattr(self, name).strip():
                raise ValueError(f"a decision needs {name}")


@dataclasses.dataclass(frozen=True, kw_only=True)
class ControlSettings:
    """Settings of one release.

    threshold: a number is shown when it rests on none or on at least so many people.
    averages_people: the same for averages, quartiles and curve points; never below the threshold.
    base: counts are rounded to its multiples (1: not rounded); not above the threshold, so that
    no part rounds to its whole. zeros: "show" a count of none, or "hide" it like a small one.
    curve_step: curves move in steps of so many people. complementary: second cells are hidden where
    a small one could be worked out. precision: unit -> step of averages; other units get two
    significant digits. decisions: exceptions that somebody argued and recorded. version,
    justification: printed in the release. name, content: the file they come from.
    """

    threshold: int = 8
    averages_people: int = 8
    base: int = 5
    zeros: str = "show"
    curve_step: int = 6
    complementary: bool = True
    precision: Mapping[str, float] = dataclasses.field(default_factory=lambda: dict(PRECISION))
    decisions: tuple[Decision, ...] = ()
    version: str = ""
    justification: str = ""
    name: str = "default"
    content: bytes = dataclasses.field(default=b"", repr=False)

    def __post_init__(self) -> None:
        for field, least in (("threshold", 2), ("averages_people", self.threshold), ("base", 1)):
            _whole(field, getattr(self, field), least)
        _whole("curve_step", self.curve_step, 2)
        if self.zeros not in ZEROS:
            raise ValueError(f"zeros must be one of {', '.join(ZEROS)}; got {self.zeros!r}")
        for unit, step in self.precision.items():
            if not math.isfinite(step) or step <= 0:
                raise ValueError(f"precision of {unit!r} must be above 0; got {step!r}")

    def decided(self, rule: str) -> tuple[Decision, ...]:
        """The recorded decisions on one rule of `DECISION_RULES`."""
        return tuple(one for one in self.decisions if one.rule == rule)


def _whole(name: str, number: object, least: int) -> None:
    if isinstance(number, bool) or not isinstance(number, int) or number < least:
        raise ValueError(f"{name} must be a whole number of {least} or more; got {number!r}")
