"""Numbers as they stand in print: exact fractions that remember their decimals.

This is a second rounding, on purpose: what checks the kit's own tables must not round with the
code that wrote them.
"""

from __future__ import annotations

import dataclasses
import re
from fractions import Fraction

_NUMBER = re.compile(r"(?P<sign>[-+\N{MINUS SIGN}]?)(?P<whole>\d*)(?:\.(?P<part>\d+))?")
#: digits kept when a number that was recomputed is written down without a printed one beside it
SPARE_DECIMALS = 2


@dataclasses.dataclass(frozen=True)
class Printed:
    """A number as printed. value: exactly what the digits say. decimals: digits after the point."""

    value: Fraction
    decimals: int = 0

    @property
    def half_step(self) -> Fraction:
        """Half a unit of the last printed digit."""
        return Fraction(1, 2 * 10**self.decimals)

    @property
    def low(self) -> Fraction:
        """The smallest number that is rounded to this one."""
        return self.value - self.half_step

    @property
    def high(self) -> Fraction:
        """The number from which on rounding gives the next one."""
        return self.value + self.half_step

    @property
    def is_count(self) -> bool:
        """Whether it is a whole number, 0 or more."""
        return self.value >= 0 and self.value.denominator == 1

    @property
    def text(self) -> str:
        """The number with its decimals."""
        return written(self.value, self.decimals)


def printed(text: str) -> Printed | None:
    """The number that a text holds, a percent sign aside; None where it holds anything else.

    A decimal comma, a thousands separator, a range or a sign such as < is not read.
    """
    bare = text.strip().removesuffix("%").strip()
    found = _NUMBER.fullmatch(bare)
    if not found or not (found["whole"] or found["part"]):
        return None
    digits = f"{found['whole'] or '0'}.{found['part'] or '0'}"
    value = Fraction(digits)
    negative = found["sign"] not in ("", "+")
    return Printed(-value if negative else value, len(found["part"] or ""))


def half_up(number: Fraction, decimals: int) -> Fraction:
    """Rounded to so many decimals, a half away from zero."""
    size = (abs(number) * 10**decimals + Fraction(1, 2)) // 1
    return Fraction(size if number >= 0 else -size, 10**decimals)


def cut(number: Fraction, decimals: int) -> Fraction:
    """The digits after so many decimals left off."""
    size = (abs(number) * 10**decimals) // 1
    return Fraction(size if number >= 0 else -size, 10**decimals)


def written(number: Fraction, decimals: int) -> str:
    """The number in digits, rounded half away from zero."""
    scaled = half_up(number, decimals)
    size = int(abs(scaled) * 10**decimals)
    whole, part = divmod(size, 10**decimals)
    digits = f"{whole}.{part:0{decimals}d}" if decimals else str(whole)
    return f"\N{MINUS SIGN}{digits}" if scaled < 0 else digits


def quotient(above: Printed, below: Printed, factor: Fraction) -> tuple[Fraction, ...]:
    """factor x above / below: the value, and the least and most that rounding of both allows.

    below: above zero even after rounding, else the limits are the value itself.
    """
    value = factor * above.value / below.value
    if below.low <= 0 or above.low < 0:
        return value, value, value
    return value, factor * above.low / below.high, factor * above.high / below.low
