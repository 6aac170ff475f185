"""What one released number says of the true one: the limits that rounding and markers leave."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Sequence

import pandas as pd

from audit.disclosure.controlled import ControlledTable
from audit.disclosure.settings import ControlSettings
from audit.disclosure.solve import UNBOUNDED
from audit.disclosure.suppress import FEW
from audit.summaries.table import ALL, SummaryTable

CONFIDENTIAL, ROUNDS_TO_ZERO = "[c]", "[k]"
#: reason of a cell that is hidden to protect another one
SECOND_CELL = "hidden so that another cell cannot be worked out"
#: a time at risk is released to three significant digits: at most this share away
EXPOSURE_PRECISION = 0.05
PER_CASES = "per 100 cases"
COUNTED = ("count", "share", "rate")
QUANTITIES = ("numerator", "denominator")
PEOPLE = {"numerator": "people_with", "denominator": "people"}
_EXACT = (*QUANTITIES, *PEOPLE.values())
_TEXTS = ("statistic", "unit", "marker", "reason")
Cell = tuple[tuple[str, str], ...]


@dataclasses.dataclass(frozen=True, slots=True)
class Number:
    """One number of units in a released table, shown or hidden.

    table, row: positions. quantity: one of `QUANTITIES`. kind: the statistic; averages of one cell
    share theirs. cell: (dimension, category), without those over all. value: as released, NaN where
    hidden. rebuilt: a sum of rounded cells, which says nothing beyond them. decided: shown by a
    recorded decision. true, people: the exact number and its people where the table still has them
    (NaN where not), to learn which numbers are the same, which sum to which and which are of few
    people. outside: the fewest people who can stand behind denominator minus numerator.
    """

    table: int
    row: int
    quantity: str
    kind: str
    cell: Cell
    unit: str
    value: float
    marker: str
    reason: str
    rebuilt: bool
    decided: bool
    true: float
    people: float
    outside: float

    @property
    def hidden(self) -> bool:
        return math.isnan(self.value) and self.marker == CONFIDENTIAL

    @property
    def average(self) -> bool:
        """Whether the threshold of averages decides."""
        return self.kind in ("average", "curve")

    @property
    def whole(self) -> bool:
        """False for what a rate is over where that is a time."""
        of_time = self.kind == "rate" and not self.unit.endswith(PER_CASES)
        return not (of_time and self.quantity == "denominator")


def known_numbers(released: Sequence[ControlledTable], settings: ControlSettings) -> pd.DataFrame:
    """One row a number of units in the released tables: the fields of `Number`, hidden, whole, low,
    high (what is known of the true number from this one alone), and sensitive (hidden on its own
    account, as far as that is known)."""
    rows = []
    for position, one in enumerate(released):
        for number in _numbers_of(position, one, settings):
            low, high = _limits(number, one.table, settings)
            rows.append(
                (
                    *(getattr(number, name) for name in Number.__slots__),
                    number.hidden,
                    number.whole,
                    low,
                    high,
                    _sensitive(number, settings),
                )
            )
    columns = [*Number.__slots__, "hidden", "whole", "low", "high", "sensitive"]
    return pd.DataFrame(rows, columns=columns)


def key_dimensions(table: SummaryTable) -> list[str]:
    """The dimensions that tell the cells of a table apart."""
    return [name for name in table.dimensions if name not in table.tied]


def cells_of(one: ControlledTable) -> list[Cell]:
    """Each row's cell: (dimension, category), without dimensions over all."""
    names = key_dimensions(one.table)
    columns = [_texts(one.frame, name) for name in names]
    return [
        tuple((name, word) for name, word in zip(names, words, strict=True) if word != ALL)
        for words in zip(*columns, strict=True)
    ]


def _numbers_of(position: int, one: ControlledTable, settings: ControlSettings) -> Iterator[Number]:
    decisions = [case for case in settings.decided("few_people") if case.table == one.table.name]
    cells, words = cells_of(one), {name: _texts(one.frame, name) for name in _TEXTS}
    shown = {name: _floats(one.frame, name) for name in QUANTITIES}
    exact = _exact_numbers(one)
    kinds = [word if word in (*COUNTED, "curve") else "average" for word in words["statistic"]]
    stated = zip(kinds, shown["denominator"], exact["denominator"], strict=True)
    with_units = {kind for kind, a, b in stated if not (math.isnan(a) and math.isnan(b))}
    for row, (kind, cell) in enumerate(zip(kinds, cells, strict=True)):
        outside = _outside(*(exact[name][row] for name in _EXACT))
        decided = any(case.cell.items() <= dict(cell).items() for case in decisions)
        for quantity in QUANTITIES:
            number = Number(
                table=position,
                row=row,
                quantity=quantity,
                kind=kind,
                cell=cell,
                unit=words["unit"][row],
                value=shown[quantity][row],
                marker=words["marker"][row],
                reason=words["reason"][row],
                rebuilt=(row, quantity) in one.rebuilt,
                decided=decided,
                true=exact[quantity][row],
                people=exact[PEOPLE[quantity]][row],
                outside=outside,
            )
            if _exists(number, with_units):
                yield number


def _exists(number: Number, with_units: set[str]) -> bool:
    """Whether a row has this number, shown or hidden."""
    if number.quantity == "numerator" and number.kind not in COUNTED:
        return False
    if number.quantity == "denominator" and number.kind not in with_units:
        return False
    return not math.isnan(number.value) or number.marker in (CONFIDENTIAL, ROUNDS_TO_ZERO)


def _exact_numbers(one: ControlledTable) -> dict[str, list[float]]:
    """The exact numbers in the order of the released rows; missing where they are not there."""
    exact, shown = one.table.frame, one.frame
    names = [*key_dimensions(one.table), "statistic", "unit"]
    same = len(exact) == len(shown) and all(
        _texts(exact, name) == _texts(shown, name) for name in names
    )
    nothing = [math.nan] * len(shown)
    return {name: _floats(exact, name) if same else nothing for name in _EXACT}


def _outside(some: float, every: float, with_some: float, people: float) -> float:
    if math.isnan(some + every + with_some + people):
        return math.nan
    return 0.0 if every <= some else max(1.0, people - with_some)


def _floats(frame: pd.DataFrame, name: str) -> list[float]:
    return pd.to_numeric(frame[name], errors="coerce").astype(float).tolist()


def _texts(frame: pd.DataFrame, name: str) -> list[str]:
    return ["" if pd.isna(word) else str(word) for word in frame[name].tolist()]


def _limits(one: Number, table: SummaryTable, settings: ControlSettings) -> tuple[float, float]:
    if one.rebuilt:
        return 0.0, UNBOUNDED
    if one.hidden:
        return hidden_limits(one, table, settings)
    if math.isnan(one.value):  # it rounds to zero
        return (1.0 if one.quantity == "numerator" else 0.0), UNBOUNDED
    if one.kind == "curve":
        return curve_limits(one.value, settings.curve_step)
    if not one.whole:
        away = max(one.value * EXPOSURE_PRECISION, settings.base / 2)
        return max(one.value - away, 0.0), one.value + away
    return shown_limits(one.value, settings, above=0 if one.decided else settings.threshold)


def shown_limits(value: float, settings: ControlSettings, *, above: int = 0) -> tuple[float, float]:
    """True counts that round to `value`: half a base to both sides, and not below `above`, where
    nothing is shown.

    Zero is zero (a small count that rounds to it has a marker of its own). A value that lies below
    the threshold with all that rounds to it was shown in spite of the rule, and says what it says.
    """
    if value == 0:
        return 0.0, 0.0
    away = (settings.base - 1) / 2 if settings.base % 2 else settings.base / 2
    low, high = max(value - away, 0.0), value + away
    return (float(above) if low < above <= high else low), high


def curve_limits(value: float, step: int) -> tuple[float, float]:
    """True counts behind the middle of a step: 3 stands for 1 to 6 where the step is 6."""
    if value == 0:
        return 0.0, 0.0
    upper = step * (math.floor(value / step) + 1)
    return float(upper - step + 1), float(upper)


def hidden_limits(
    one: Number, table: SummaryTable, settings: ControlSettings
) -> tuple[float, float]:
    """What a marker says: one or more (none, where zeros are hidden too); of patients fewer than
    the threshold where the cell is hidden on its own account; at least the threshold in a second
    cell.

    An outsider who knows which cells were hidden first is the strongest one. Where neither the
    exact people nor the reason tell, it is one or more.
    """
    least = settings.averages_people if one.average else settings.threshold
    low = 0.0 if settings.zeros == "hide" or one.kind == "curve" else 1.0
    if one.kind in ("share", "rate") and one.quantity == "numerator":
        low = 0.0  # hidden when its denominator is small, whatever it is itself
    of_itself = one.average or one.quantity == "numerator"
    if is_few(one.people, least, settings) or (of_itself and one.reason == FEW):
        return low, least - 1.0 if table.counted == "patients" else UNBOUNDED
    if of_itself and is_few(one.outside, least, settings):
        return low, UNBOUNDED
    if one.people >= least or one.reason.startswith(SECOND_CELL):
        sure = one.quantity == "denominator" or one.kind == "count"
        return float(least) if sure else low, UNBOUNDED
    return low, UNBOUNDED


def is_few(people: float, least: int, settings: ControlSettings) -> bool:
    """Whether a number of people is one that is hidden; False where it is not known."""
    return bool(0 < people < least or (people == 0 and settings.zeros == "hide"))


def _sensitive(one: Number, settings: ControlSettings) -> bool:
    """Hidden numbers of few people; where their people are not known, all but second cells."""
    least = settings.averages_people if one.average else settings.threshold
    enough = one.people >= least or one.reason.startswith(SECOND_CELL)
    none = one.people == 0 and settings.zeros == "show"
    return one.hidden and not enough and not none
