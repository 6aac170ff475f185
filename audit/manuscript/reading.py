"""From rows of texts to claims: every cell is checked, and the message says where."""

from __future__ import annotations

import dataclasses
import re
from typing import Any

import pandas as pd

from audit.errors import UnusableInput
from audit.manuscript.claim import Claim
from audit.manuscript.kinds import KINDS, NUMBER_COLUMNS, Kind
from audit.manuscript.numbers import Printed, printed

COLUMNS = (
    "claim", "where", "words", "kind", "parts", "weights", "total", "printed", "low", "high", "n",
    "unit", "population", "deduced", "reason",
)  # fmt: skip
#: faults named in one message
MOST_FAULTS = 8
#: denominators tried for one percentage
MOST_SIZES = 10_000
YES, NO = "yes", "no"
_BETWEEN_PARTS = re.compile(r"[;+]")
_FORM = "write digits with a decimal point, without thousands separators, < or a range"
#: kinds that divide by the number in that place of `parts`
_DIVISORS = {
    "ratio": 1, "ratio_of_means": 1, "percentage_change": 0, "mean_reciprocal": 0,
    "reciprocal_range": 0,
}  # fmt: skip


@dataclasses.dataclass
class _Faults:
    """Faults of a file, gathered before it is refused."""

    name: str
    found: list[str] = dataclasses.field(default_factory=list)

    def add(self, line: int, column: str, rule: str) -> None:
        self.found.append(f"line {line}, column {column}: {rule}")

    def refuse(self) -> None:
        """Raise UnusableInput where there is a fault."""
        if not self.found:
            return
        shown = self.found[:MOST_FAULTS]
        more = len(self.found) - len(shown)
        rest = [f"and {more} more"] if more else []
        raise UnusableInput(f"{self.name} cannot be checked. " + "; ".join([*shown, *rest]) + ".")


def claims_from(frame: pd.DataFrame, *, name: str) -> tuple[Claim, ...]:
    """The claims that stand in a table of texts read from a file called `name`.

    frame: texts under the headings of `COLUMNS` (missing headings count as empty) and `row`, the
    line in the file; it is not changed. Raises UnusableInput that names the file, the lines, the
    columns and what to do, for up to eight faults at once.
    """
    faults = _Faults(name)
    _check_headings(frame, faults)
    claims, seen = [], set()
    for record in frame.to_dict("records"):
        cells = {column: _text(record.get(column)) for column in COLUMNS}
        line = int(record["row"])
        before = len(faults.found)
        if not cells["claim"]:
            faults.add(line, "claim", "is empty; give each claim a name of its own")
        elif cells["claim"] in seen:
            faults.add(line, "claim", "the name stands above already; give each claim its own")
        seen.add(cells["claim"])
        claim = _claim(cells, line, faults)
        if claim is not None and len(faults.found) == before:
            claims.append(claim)
    faults.refuse()
    return tuple(claims)


def _check_headings(frame: pd.DataFrame, faults: _Faults) -> None:
    """Refuse headings that are not known, and a table without the two that every claim needs."""
    for column in frame.columns:
        if column not in (*COLUMNS, "row"):
            rule = f"heading {column!r} is not known; known: {', '.join(COLUMNS)}"
            faults.found.append(rule)
    for column in ("claim", "kind"):
        if column not in frame.columns:
            faults.found.append(f"the heading {column!r} is missing")
    faults.refuse()
    if frame.empty:
        faults.found.append("it holds no claim below the headings; write one a line")
    faults.refuse()


def _text(value: Any) -> str:
    return "" if value is None or pd.isna(value) else str(value).strip()


def _claim(cells: dict[str, str], line: int, faults: _Faults) -> Claim | None:
    kind = KINDS.get(cells["kind"])
    if kind is None:
        rule = f"must be one of {', '.join(KINDS)}; got {cells['kind']!r}"
        faults.add(line, "kind", rule)
        return None
    _check_filled(cells, kind, line, faults)
    before = len(faults.found)
    size = _number(cells, "n", line, faults)
    if cells["deduced"] not in ("", YES, NO):
        faults.add(line, "deduced", f"must be {YES}, {NO} or empty")
    claim = Claim(
        claim=cells["claim"],
        kind=cells["kind"],
        where=cells["where"],
        words=cells["words"],
        parts=_list(cells, "parts", line, faults),
        weights=_list(cells, "weights", line, faults),
        total=_number(cells, "total", line, faults),
        printed=_number(cells, "printed", line, faults),
        low=_number(cells, "low", line, faults),
        high=_number(cells, "high", line, faults),
        n=None if size is None or not size.is_count else int(size.value),
        unit=cells["unit"],
        population=cells["population"],
        deduced=cells["deduced"] == YES,
        reason=cells["reason"],
        line=line,
    )
    if len(faults.found) == before:
        # a cell that is no number has its message already
        _check_numbers(claim, kind, size, faults)
    return claim


def _check_filled(cells: dict[str, str], kind: Kind, line: int, faults: _Faults) -> None:
    for column in kind.needs:
        if not cells[column]:
            faults.add(line, column, f"is empty; {cells['kind']} needs it")
    filled = [group for group in kind.either if all(cells[column] for column in group)]
    if kind.either and not filled:
        words = " or ".join(" and ".join(group) for group in kind.either)
        faults.add(line, kind.either[0][0], f"is empty; {cells['kind']} needs {words}")
    for column in NUMBER_COLUMNS:
        if cells[column] and column not in kind.allowed:
            faults.add(line, column, f"is filled but {cells['kind']} does not use it; empty it")
    if kind.units and cells["unit"] and cells["unit"] not in kind.units:
        faults.add(line, "unit", f"must be {' or '.join(kind.units)}; got {cells['unit']!r}")
    if bool(cells["low"]) != bool(cells["high"]):
        faults.add(line, "low" if cells["high"] else "high", "is empty; give both limits")


def _number(cells: dict[str, str], column: str, line: int, faults: _Faults) -> Printed | None:
    if not cells[column]:
        return None
    number = printed(cells[column])
    if number is None:
        faults.add(line, column, f"is no number; {_FORM}")
    return number


def _list(
    cells: dict[str, str], column: str, line: int, faults: _Faults
) -> tuple[Printed | None, ...]:
    if not cells[column]:
        return ()
    found: list[Printed | None] = []
    for place, text in enumerate(_BETWEEN_PARTS.split(cells[column]), 1):
        number = printed(text)
        if number is None and text.strip():
            faults.add(line, column, f"number {place} is no number; {_FORM}, and ; between numbers")
        found.append(number)
    return tuple(found)


def _check_numbers(claim: Claim, kind: Kind, size: Printed | None, faults: _Faults) -> None:
    _check_parts(claim, kind, faults)
    if size is not None and not size.is_count:
        faults.add(claim.line, "n", "must be a whole number, 0 or more")
    for column in kind.counts:
        values = claim.numbers if column == "parts" else (getattr(claim, column),)
        if any(value is not None and not value.is_count for value in values):
            faults.add(claim.line, column, "must hold whole numbers, 0 or more")
    if claim.kind == "percentage_attainable":
        _check_sizes(claim, faults)
    place = _DIVISORS.get(claim.kind)
    if place is not None and len(claim.numbers) > place and claim.numbers[place].low <= 0:
        faults.add(claim.line, "parts", f"number {place + 1} must be above 0, it is divided by")


def _check_parts(claim: Claim, kind: Kind, faults: _Faults) -> None:
    least, most = kind.parts
    given = len(claim.parts)
    if given < least or (most is not None and given > most):
        wanted = (
            str(least) if least == most else f"{least} to {most}" if most else f"{least} or more"
        )
        faults.add(claim.line, "parts", f"needs {wanted} numbers ({kind.parts_words}); got {given}")
    if claim.kind == "events_cases_patients":
        if claim.parts and not claim.numbers:
            faults.add(claim.line, "parts", f"needs one number or more ({kind.parts_words})")
    elif None in claim.parts:
        faults.add(claim.line, "parts", "a number is missing between two ;")
    if claim.weights and len(claim.weights) != given:
        faults.add(claim.line, "weights", f"needs as many numbers as parts, {given}")
    if None in claim.weights:
        faults.add(claim.line, "weights", "a number is missing between two ;")


def _check_sizes(claim: Claim, faults: _Faults) -> None:
    """The denominators to try: 1 or more, in order, and not too many."""
    sizes = [size.value for size in (claim.total, claim.low, claim.high) if size is not None]
    if any(size < 1 for size in sizes):
        faults.add(claim.line, "total" if claim.total else "low", "must be 1 or more")
    if claim.low and claim.high and not 0 <= claim.high.value - claim.low.value <= MOST_SIZES:
        faults.add(claim.line, "high", f"must be from low to low + {MOST_SIZES}")
