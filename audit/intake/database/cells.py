"""The values of a database as the text that a CSV file would hold."""

from __future__ import annotations

import collections
import datetime
import re
import uuid
from collections.abc import Iterable
from decimal import Decimal

from audit.intake.grid import CellRemark, Change

#: what a database says of a column whose values do not show it by themselves
TRUTH, TIME = "truth", "time"
#: how many different values of a column are remembered, so that equal texts are held once
_REMEMBERED = 100_000
_PLAIN: frozenset[type] = frozenset({str, int, float, Decimal, datetime.date})
_STORED_AS: dict[str, frozenset[type]] = {TRUTH: frozenset({int}), TIME: frozenset({str})}
_ISO = re.compile(
    r"([0-9]{4}-[0-9]{2}-[0-9]{2})[ T]([0-9]{2}:[0-9]{2})(?::([0-9]{2})(?:\.([0-9]+))?)?"
)
_YES_NO = "true and false written as yes and no"
_FRACTION = "fraction of a second dropped"
_KINDS_OF_VALUE: tuple[tuple[tuple[type, ...], str], ...] = (
    ((bytes, bytearray, memoryview), "binary data or text in an unknown encoding"),
    ((list, tuple, set), "a list"),
    ((dict,), "a structure"),
    ((datetime.timedelta,), "a span of time"),
)


def number_text(value: float | int | Decimal) -> str:
    """A number without exponent, trailing zeros or a sign before zero: 7.0 is "7", 57.50 "57.5".

    A float has the fewest digits that give it back. What is no finite number stays as it writes
    itself ("nan", "Infinity").
    """
    text = repr(value) if isinstance(value, float) else str(value)
    if "e" in text.lower():
        text = format(Decimal(text), "f")
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


class ColumnTexts:
    """Turns the values of one column into texts, chunk by chunk, and keeps what is to be said.

    kind: kind of the contract column. codes: name of its code list. declared: TRUTH or TIME where
    the database has no type of its own for them and stores numbers or texts; else "".
    """

    def __init__(self, heading: str, *, kind: str, codes: str, declared: str = "") -> None:
        self.heading = heading
        self.zones: set[str] = set()
        self._with_time = kind == "moment"
        self._yes_no = codes == "yes_no"
        self._declared = declared
        self._simple = _PLAIN - _STORED_AS.get(declared, frozenset())
        self._known: dict[object, str] = {}
        self._changes: collections.Counter[str] = collections.Counter()
        self._odd: dict[str, list[int]] = {}

    def texts(self, values: Iterable[object], *, first_row: int) -> list[str]:
        """The texts of the next values, in order; a missing value is an empty text."""
        known, simple = self._known, self._simple
        out = []
        for row, value in enumerate(values, first_row):
            if value is None:
                out.append("")
            elif type(value) in simple:
                text = known.get(value)
                if text is None:
                    text = _plain(value)
                    if len(known) < _REMEMBERED:
                        known[value] = text
                out.append(text)
            else:
                out.append(self._unusual(value, row))
        return out

    @property
    def changes(self) -> tuple[Change, ...]:
        """Automatic changes so far."""
        return tuple(Change(self.heading, what, n) for what, n in sorted(self._changes.items()))

    @property
    def remarks(self) -> tuple[CellRemark, ...]:
        """Questions so far about cells that hold no plain value; such a cell is empty."""
        message = (
            "The database holds {} here, which is no plain value; the cell is not used. Store a "
            "text, a number or a date."
        )
        return tuple(
            CellRemark(
                column=self.heading,
                rows=frozenset(rows),
                rule="not_plain_value",
                severity="error",
                message=message.format(what),
                value=f"({what})",
            )
            for what, rows in sorted(self._odd.items())
        )

    def _unusual(self, value: object, row: int) -> str:
        if isinstance(value, datetime.datetime):
            return self._moment(value)
        if isinstance(value, str) and self._declared == TIME:
            return self._moment_text(value)
        truth = self._truth(value)
        if truth is not None:
            return truth
        if isinstance(value, str | int | float | Decimal | datetime.date):
            return _plain(value)
        if isinstance(value, uuid.UUID | datetime.time):
            return str(value)
        what = next((w for types, w in _KINDS_OF_VALUE if isinstance(value, types)), "a value")
        self._odd.setdefault(what, []).append(row)
        return ""

    def _truth(self, value: object) -> str | None:
        stored = self._declared == TRUTH and isinstance(value, int) and value in (0, 1)
        if not (stored or isinstance(value, bool)):
            return None
        if not self._yes_no:
            return "TRUE" if value else "FALSE"
        self._changes[_YES_NO] += 1
        return "yes" if value else "no"

    def _moment(self, value: datetime.datetime) -> str:
        if value.tzinfo is not None:
            self.zones.add(str(value.tzinfo))
            value = value.replace(tzinfo=None)
        if value.microsecond:
            self._changes[_FRACTION] += 1
        return self._short(value.isoformat(" ", "seconds"))

    def _moment_text(self, text: str) -> str:
        parts = _ISO.fullmatch(text)
        if parts is None:
            return text
        day, clock, second, fraction = parts.groups()
        if fraction and fraction.strip("0"):
            self._changes[_FRACTION] += 1
        return self._short(f"{day} {clock}:{second or '00'}")

    def _short(self, moment: str) -> str:
        """Without seconds that are none, and without a time that is none where a day is meant."""
        text = moment.removesuffix(":00")
        return text if self._with_time else text.removesuffix(" 00:00")


def _plain(value: object) -> str:
    if isinstance(value, str):
        return value
    if isinstance(value, datetime.date):
        return value.isoformat()
    return number_text(value)  # type: ignore[arg-type]
