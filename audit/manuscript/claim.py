"""A claim: one number of a manuscript and what it must agree with."""

from __future__ import annotations

import dataclasses

from audit.manuscript.numbers import Printed

#: words a check ends with, and what they mean
VERDICTS: dict[str, str] = {
    "agree": "The printed number is what its parts give, rounded half up.",
    "disagree": "The printed number cannot come from its parts: correct one of them.",
    "truncated": "The digits were cut, or rounded to even, instead of rounded half up.",
    "own": "Nothing is printed to compare with: the number is ours.",
    "solved-agree": "Agrees, but the count was deduced from the percentage: it proves little.",
    "attainable": "Some whole count out of the printed number gives the printed figure.",
    "solvable": "Some whole count out of some number in the range gives the printed figure.",
    "definition": "Both figures can be right: they are different quantities. Label them.",
    "not-identifiable": "What is printed does not settle it.",
    "copy-error": "A lost decimal point would explain it: look at the original.",
}
#: verdicts that ask for a correction or a label in the text
TO_MEND = ("disagree", "copy-error", "truncated", "definition")


@dataclasses.dataclass(frozen=True)
class Claim:
    """A claim as read. parts, weights: numbers in the order its kind asks for, None where a part
    was left empty. deduced: parts were worked out from the printed percentage. reason: why a
    denominator is smaller than the others. population: whom the total counts, for comparing
    denominators between claims. line: in the file, 0 where there is none."""

    claim: str
    kind: str
    where: str = ""
    words: str = ""
    parts: tuple[Printed | None, ...] = ()
    weights: tuple[Printed | None, ...] = ()
    total: Printed | None = None
    printed: Printed | None = None
    low: Printed | None = None
    high: Printed | None = None
    n: int | None = None
    unit: str = ""
    population: str = ""
    deduced: bool = False
    reason: str = ""
    line: int = 0

    @property
    def numbers(self) -> tuple[Printed, ...]:
        """The parts that are there."""
        return tuple(part for part in self.parts if part is not None)

    def need(self, column: str) -> Printed:
        """The number in a column that the claim's kind requires. LookupError where it is empty."""
        found = getattr(self, column)
        if not isinstance(found, Printed):
            raise LookupError(f"the claim {self.claim} has no {column}")
        return found


@dataclasses.dataclass(frozen=True)
class Finding:
    """What a check found. recomputed: for people. value: the same as one number, None where it is
    no single number."""

    verdict: str
    recomputed: str
    value: float | None = None
    note: str = ""
