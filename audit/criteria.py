"""What a criterion is: a plain sentence, a measure, a target and where the target comes from."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from typing import Any

from audit.errors import UnusableInput
from schemas import vocabulary

STATISTICS = ("mean", "median", "proportion", "median_time", "rate")
DIRECTIONS = ("at_most", "at_least")
AGES = ("any", "child", "adult")
LEVELS = ("published", "local")
INDEX_DATES = (
    "surgery_date",
    "distraction_end_date",
    "union_date",
    "full_weight_bearing_date",
    "fixator_removal_date",
)


@dataclasses.dataclass(frozen=True, kw_only=True)
class Criterion:
    """One line of the register. Empty device_class or segment means every one; a child is under
    18 years at surgery. index_date: the day by which a case belongs to a quarter.
    matures_after_days: a case is not yet due until so many days after its index date."""

    id: str
    words: str
    measure: str
    statistic: str
    target: float
    direction: str
    source: str
    target_level: str
    reason: str = ""
    device_class: tuple[str, ...] = ()
    segment: tuple[str, ...] = ()
    age: str = "any"
    index_date: str = "surgery_date"
    matures_after_days: int = 0

    @property
    def population(self) -> str:
        """The cases it speaks of, in words."""
        parts = [
            " or ".join(vocabulary.label(name, code).lower() for code in codes)
            for name, codes in (("device_class", self.device_class), ("segment", self.segment))
            if codes
        ]
        if self.age != "any":
            parts.append("under 18 years" if self.age == "child" else "18 years or older")
        return "; ".join(parts) or "all cases"


def criteria_from(register: Mapping[str, Any], *, name: str) -> tuple[Criterion, ...]:
    """The criteria of a register that was read from a file called `name`.

    Raises UnusableInput with the criterion, the entry and the rule when one is missing or wrong.
    """
    entries = register.get("criterion")
    if not isinstance(entries, list) or not entries:
        raise UnusableInput(f"{name} holds no [[criterion]]: add at least one.")
    criteria = tuple(_criterion(entry, place, name) for place, entry in enumerate(entries, 1))
    ids = [criterion.id for criterion in criteria]
    twice = sorted({one for one in ids if ids.count(one) > 1})
    if twice:
        raise UnusableInput(f"{name}: the criterion id {twice[0]!r} stands more than once.")
    return criteria


def _criterion(entry: Mapping[str, Any], place: int, name: str) -> Criterion:
    where = f"{name}, criterion {place} ({entry.get('id', 'without id')})"
    known = {field.name: field for field in dataclasses.fields(Criterion)}
    for key in entry:
        if key not in known:
            raise UnusableInput(f"{where}: unknown entry {key!r}; known: {', '.join(known)}.")
    for key, field in known.items():
        if field.default is dataclasses.MISSING and key not in entry:
            raise UnusableInput(f"{where}: the entry {key!r} is missing.")
    if isinstance(entry["target"], bool) or not isinstance(entry["target"], int | float):
        raise UnusableInput(f"{where}: target must be a number.")
    for key, allowed in (
        ("statistic", STATISTICS),
        ("direction", DIRECTIONS),
        ("age", AGES),
        ("target_level", LEVELS),
    ):
        _one_of(entry.get(key, "any"), allowed, f"{where}: {key}")
    _one_of(entry.get("index_date", INDEX_DATES[0]), INDEX_DATES, f"{where}: index_date")
    days = entry.get("matures_after_days", 0)
    if not isinstance(days, int) or days < 0:
        raise UnusableInput(f"{where}: matures_after_days must be a whole number, 0 or more.")
    if entry["statistic"] == "median_time" and days:
        words = "a time to an event keeps waiting cases in, so it has no maturity."
        raise UnusableInput(f"{where}: {words}")
    if entry["target_level"] == "local" and not entry.get("reason"):
        raise UnusableInput(f"{where}: a local target needs a reason.")
    lists = {key: _codes(entry.get(key, []), key, where) for key in ("device_class", "segment")}
    return Criterion(**{**entry, "target": float(entry["target"]), **lists})


def _codes(given: Any, key: str, where: str) -> tuple[str, ...]:
    if not isinstance(given, Sequence) or isinstance(given, str):
        raise UnusableInput(f'{where}: {key} must be a list, for example ["femur"].')
    for code in given:
        _one_of(code, vocabulary.codes(key), f"{where}: {key}")
    return tuple(given)


def _one_of(given: Any, allowed: Sequence[str], what: str) -> None:
    if given not in allowed:
        raise UnusableInput(f"{what} must be one of {', '.join(allowed)}; got {given!r}.")
