"""What a cell that could not be read may mean, and the way out. Only words: nothing is mapped.

A hint stands at the end of a message behind `HERE`. It may show what the cell could mean, so it
belongs into queries.csv only: tables for people show `general_message`.
"""

from __future__ import annotations

import re
from collections.abc import Callable

import pandas as pd

from audit.intake.hints_days import day_hint, order_shown

#: what follows speaks of one cell
HERE = " Here: "
#: words that people write for "not known"
NO_VALUE = re.compile(
    r"n\.?/?a\.?|#?null|nil|nan|none|<na>|nat|[-–—?.*_/]+|unknown|not known|unbekannt|k\.? ?a\.?|"
    r"inconnue?|desconocid[oa]|sconosciut[oa]|desconhecid[oa]|onbekend|missing|tbd|tbc|n\.?d\.?|"
    r"not (?:recorded|done|measured|applicable)|x+",
    re.IGNORECASE,
)
#: letters above which a cell is a text and no number or day gone wrong
LONGEST = 60
_AMOUNT = r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)"


def general_message(messages: pd.Series) -> pd.Series:
    """Messages without what they say of one cell: these may stand in a table for people."""
    return messages.str.split(HERE, n=1).str[0]


class Asker:
    """Gives the hints for the cells of one column that could not be read.

    kind: "number", "whole", "day" or "moment". unit: of the column. texts: those cells; they show
    together whether the day or the month comes first.
    """

    def __init__(self, kind: str, unit: str, texts: list[str]) -> None:
        self._kind = kind
        self._unit = unit
        self._orders = order_shown(texts) if kind in ("day", "moment") else {}

    def hint(self, text: str) -> str:
        """ " Here: ..." with what the cell may mean, or "" when there is nothing to say."""
        if len(text) > LONGEST:
            return ""
        if NO_VALUE.fullmatch(text):
            words = "a word for a missing value, so leave the cell empty."
        elif self._kind == "whole" and re.fullmatch(_AMOUNT, text) and "," not in text:
            words = ""
        elif self._kind in ("number", "whole"):
            words = number_hint(text, unit=self._unit)
        else:
            words = day_hint(text, orders=self._orders, kind=self._kind)
        return HERE + words if words else ""


def number_hint(text: str, *, unit: str = "") -> str:
    """What a cell may mean that should be a number. unit: of the column."""
    plain = re.sub(r"\s", " ", text)
    for form, words in _NUMBER_FORMS:
        found = re.fullmatch(form, plain, re.IGNORECASE)
        if found:
            return words(found, unit)
    return ""


def _say(words: str) -> Callable[[re.Match[str], str], str]:
    return lambda found, unit: words


def _pointed(amount: str) -> str:
    return amount.replace(",", ".")


def _decimal_comma(found: re.Match[str], unit: str) -> str:
    return f"a decimal comma; write {found[1]}.{found[2]} if that is meant."


def _either(found: re.Match[str], unit: str) -> str:
    return (
        f"it could be {found[1]}{found[2]} or {found[1]}.{found[2]}. Write no separator between "
        "thousands, and a point before decimals."
    )


def _thousands(found: re.Match[str], unit: str) -> str:
    return (
        f"separators between thousands; write {re.sub(r'[^0-9+-]', '', found[0])} if that is meant."
    )


def _both(found: re.Match[str], unit: str) -> str:
    whole = re.sub(r"[^0-9+-]", "", found[1])
    return f"separators between thousands; write {whole}.{found[2]} if that is meant."


def _minus(found: re.Match[str], unit: str) -> str:
    return (
        f"this minus is not the one of the keyboard; write -{_pointed(found[1])} if that is meant."
    )


def _with_unit(found: re.Match[str], unit: str) -> str:
    amount, word = _pointed(found[1]), found[2].strip().lower().rstrip(".")
    if unit and word in {unit, *_UNITS.get(unit, ())}:
        return f"write {amount} without the unit."
    measured = f" in {unit}" if unit else ""
    return f"the column takes numbers{measured} alone: convert if needed, and write no words."


_UNITS = {
    "mm": ("millimetre", "millimetres", "millimeter", "millimeters"),
    "degrees": ("°", "deg", "degree", "grad"),
    "years": ("y", "yr", "yrs", "year", "yo", "y/o", "jahre", "j", "ans", "anos", "años", "anni"),
    "weeks": ("w", "wk", "wks", "week", "wochen"),
}
_SHIFTED = "a date: check whether the cells of this line have shifted."
#: form of the cell -> words, in order
_NUMBER_FORMS: tuple[tuple[str, Callable[[re.Match[str], str], str]], ...] = (
    (r"([+-]?\d+),(\d{1,2}|\d{4,})", _decimal_comma),
    (r"([+-]?[1-9]\d{0,2})[.,](\d{3})", _either),
    (r"([+-]?\d+),(\d+)", _decimal_comma),
    (r"[+-]?\d{1,3}(?:([ ,.'’])\d{3})(?:\1\d{3})*", _thousands),
    (r"([+-]?\d{1,3}(?:[ .'’]\d{3})+),(\d+)", _both),
    (r"([+-]?\d{1,3}(?:[ ,'’]\d{3})+)\.(\d+)", _both),
    (rf"[−‐‑–—] ?({_AMOUNT})", _minus),
    (r"\d{4}-\d{2}-\d{2}.*|\d{1,2}[./]\d{1,2}[./]\d{2,4}", _say(_SHIFTED)),
    (
        rf"{_AMOUNT} ?(?:-|–|—|/|to|bis|à|\.\.|and|und|,|\(|\[) ?{_AMOUNT}.*",
        _say("a range or two values: write the one measured value, or leave the cell empty."),
    ),
    (
        r"[<>≤≥].*",
        _say("a limit and no measured value: leave the cell empty unless it was measured."),
    ),
    (
        r"(?:~|≈|±|ca\b|c\.|approx|about|circa|etwa|env|around|\?).*\d.*|\d.*\?",
        _say("an estimate: write the number alone if it is good enough to be counted."),
    ),
    (
        r"[+-]?\.?\d[\d.,]* ?%",
        _say("leave the percent sign out and write the number in the unit of the column."),
    ),
    (rf"['’`]{_AMOUNT}", _say("an apostrophe stands before the number: remove it.")),
    (r"[+-]?inf(?:inity)?|[+-]?[\d.]+e[+-]?\d+", _say("no finite number.")),
    (r"(?=.*\d)(?=.*[OIl])[\dOIl.,]+", _say("check for the letters O, I or l in place of 0 or 1.")),
    (rf"({_AMOUNT}) ?([^\d\s.,].*)", _with_unit),
)
