"""Numbers and names as a reader of a figure sees them. Rounds for the eye; computes nothing."""

from __future__ import annotations

from typing import Any

import pandas as pd

from audit import wording
from audit.estimates.estimate import Estimate
from audit.results.catalogue import WORDS_FOR_REASONS
from schemas import vocabulary

MINUS = "\N{MINUS SIGN}"
_GROUPS = {"all": "All cases", "not_recorded": "Not recorded", "mixed": "Mixed"}


def known(value: Any) -> bool:
    """True for a number that is there (neither None nor NaN)."""
    return value is not None and not bool(pd.isna(value))


def number(value: float, unit: str = "") -> str:
    """A number as the tables round it: by its unit; without one to about three digits."""
    size = abs(value)
    by_size = 0 if size >= 99.95 else 1 if size >= 9.995 else 2
    return wording.rounded(value, wording.DECIMALS.get(unit, by_size) if unit else by_size)


def plain(value: float) -> str:
    """A measured value as it was recorded, without zeros at its end."""
    return f"{value:.6g}".replace("-", MINUS)


def counted(count: int, noun: str) -> str:
    """`1 film`, `2 films`."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def percent(share: float, n: int = 0) -> str:
    """A share of 0 to 1 as the tables write it: with a decimal from 100 cases up."""
    return wording.percent(share, n)


def spoken_range(low: Any, high: Any, *, unit: str = "", scale: float = 1.0) -> str:
    """Two limits in words; a limit that does not exist is said to be not reached."""
    if not known(low) and not known(high):
        return "no interval"
    ends = [number(end / scale, unit) if known(end) else "not reached" for end in (low, high)]
    return f"{ends[0]} to {ends[1]}"


def value_and_range(row: pd.Series) -> str:
    """`12.3 (10.1 to 14.6)` of a results row, in its unit."""
    unit = row["unit"]
    return f"{number(row['value'], unit)} ({spoken_range(row['low'], row['high'], unit=unit)})"


def estimate_words(estimate: Estimate, *, unit: str, scale: float = 1.0) -> str:
    """`24.3 weeks (21.0 to 27.9)`, or why there is no value."""
    if estimate.value is None:
        return estimate.note
    value = number(estimate.value / scale, unit)
    return f"{value} {unit} ({spoken_range(estimate.low, estimate.high, unit=unit, scale=scale)})"


def level_words(level: Any) -> str:
    """`95%`; a missing level is taken as the usual one of the estimates."""
    return f"{100 * level:g}%" if known(level) else "95%"


def group_label(group_by: str, group: str) -> str:
    """Words for a group of results: `lengthening_nail+femur` is Lengthening nail, femur."""
    parts = [
        _GROUPS.get(code) or vocabulary.CODE_LISTS.get(column, {}).get(code, code)
        for column, code in zip(group_by.split("+"), group.split("+"), strict=False)
    ]
    first, rest = parts[0], [part[:1].lower() + part[1:] for part in parts[1:]]
    return ", ".join([first, *rest])


def reasons_in_words(reasons: pd.Series) -> str:
    """Counts of the reason codes that are there, largest first: `not united yet 5, ...`."""
    counts = reasons.value_counts()
    order = sorted(counts.index, key=lambda code: (-counts[code], code))
    return ", ".join(f"{WORDS_FOR_REASONS.get(code, code)} {counts[code]}" for code in order)


def opening(text: str) -> str:
    """The text with a capital first letter, to open a sentence."""
    return text[:1].upper() + text[1:]


def sentences(*parts: str) -> str:
    """The parts that are not empty, each closed by a full stop."""
    return " ".join(part if part.endswith(".") else f"{part}." for part in parts if part)
