"""Cells of one column to values: each different text is cleaned, judged and read once.

A text that does not have the form of its kind becomes a fault and its cells stay empty: nothing is
guessed. The few automatic changes are counted for the cleaning log.
"""

from __future__ import annotations

import dataclasses
import re
import unicodedata

import numpy as np
import pandas as pd

from audit.intake.hints import Asker

NUMBER = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?"
#: kind -> rule, form, what to do
FORMS: dict[str, tuple[str, str, str]] = {
    "number": (
        "not_a_number",
        NUMBER,
        "Write a plain number with a decimal point and no unit; leave the cell empty if unknown.",
    ),
    "whole": (
        "not_a_whole_number",
        r"[+-]?[0-9]+(?:\.0*)?",
        "Write a whole number without a unit; leave the cell empty if unknown.",
    ),
    "day": (
        "not_a_date",
        r"[0-9]{4}-[0-9]{2}-[0-9]{2}",
        "Write the day as YYYY-MM-DD; leave the cell empty if unknown.",
    ),
    "moment": (
        "not_a_date_and_time",
        r"[0-9]{4}-[0-9]{2}-[0-9]{2}[ T][0-9]{2}:[0-9]{2}(?::[0-9]{2}(?:\.0+)?)?",
        "Write day and time as YYYY-MM-DD HH:MM; leave the cell empty if unknown.",
    ),
}
TRIMMED = "blanks around the value removed"
INVISIBLE = "invisible characters removed"
COMPOSED = "letters and accents joined (Unicode NFC)"
MIDNIGHT = "time 00:00 after the day left out"

#: characters that nobody sees: soft hyphen, zero-width and direction marks, byte-order mark
_UNSEEN = dict.fromkeys(
    [
        *(0xAD, 0x061C, 0x180E, 0xFEFF),
        *range(0x200B, 0x2010),
        *range(0x202A, 0x202F),
        *range(0x2060, 0x2065),
        *range(0x2066, 0x206A),
    ]
)
_MIDNIGHT = re.compile(r"([0-9]{4}-[0-9]{2}-[0-9]{2})[ T]00:00(?::00(?:\.0+)?)?")
_ERROR_VALUE = re.compile(
    r"#(?:N/A|N/D|N/V|NV|REF!|VALUE!|DIV/0!|NAME\?|NUM!|NULL!|SPILL!|CALC!|FIELD!|BLOCKED!|BUSY!|"
    r"CONNECT!|UNKNOWN!|EXTERNAL!|PYTHON!|GETTING_DATA|WERT!|BEZUG!|ZAHL!|ÜBERLAUF!|KALK!|VALEUR!|"
    r"NOM\?|NOMBRE!|NOMBRE\?|VALOR!|NOME\?|VALORE!|RIF!|WAARDE!|VERW!|NAAM\?|GETAL!|LEEG!)"
    r"|#{3,}|Err:[0-9]{3}",
    re.IGNORECASE,
)
_ERROR_STARTS = frozenset("#=Ee")
_FORMULA = re.compile(
    r"=[-+(]*(?:\$?[A-Za-z]{1,3}\$?[0-9]+|[0-9.]+ ?[-+*/^&]|[A-Za-z][A-Za-z0-9_.]*\(|"
    r"'?[^=!<>]+'?!\$?[A-Za-z]).*",
    re.DOTALL,
)
_CHANGED_ID = re.compile(
    r"[0-9](?:[.,][0-9]+)?E\+[0-9]{2,3}|[0-9]{1,2}[-./ ](?:Jan|Feb|Mar|Mär|Mrz|Apr|May|Mai|Jun|Jul|"
    r"Aug|Sep|Oct|Okt|Nov|Dec|Dez)\.?|(?:Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)-[0-9]{2}"
)
#: words for "not known" in a column of ids or of codes that have no list
_NO_VALUE = re.compile(
    r"n/a|n\.a\.|NA|N/A|#?null|#?NULL|Null|nil|NIL|nan|NaN|NAN|[Nn]one|NONE|<NA>|NaT|[-–—?.*_/]+|"
    r"(?i:unknown|not known|unbekannt|k\. ?a\.|inconnue?|desconocid[oa]|sconosciut[oa]|onbekend|"
    r"desconhecid[oa]|missing|tbd|tbc|not recorded)"
)
SPREADSHEET = (
    "spreadsheet_error_value",
    "The cell holds an error or a formula of a spreadsheet and no value. Correct it there, or "
    "leave the cell empty.",
)
CHANGED_ID = (
    "id_changed_by_spreadsheet",
    "A spreadsheet turned this id into a number or a date, and digits may be lost. Format the "
    "column as text and enter the id again.",
)
NO_VALUE = (
    "missing_value_word",
    "This is a word for a missing value, not a value. Leave the cell empty if unknown.",
)


def seen_text(text: str) -> str:
    """A text as a person sees it: without invisible characters and the blanks around it."""
    if text.isascii():
        return text.strip()
    return unicodedata.normalize("NFC", text.translate(_UNSEEN)).strip()


@dataclasses.dataclass(frozen=True)
class Column:
    """A contract column as read. text: cells as typed, cleaned, missing where empty. values: of
    the kind, missing where empty or faulty. rules, messages: of the faulty cells, else None.
    changes: what was done -> how many cells."""

    text: np.ndarray
    values: pd.Series
    rules: np.ndarray | None
    messages: np.ndarray | None
    changes: dict[str, int]

    @property
    def failed(self) -> np.ndarray:
        """True where the cell could not be read."""
        if self.rules is None:
            return np.zeros(len(self.text), dtype=bool)
        return np.array([rule is not None for rule in self.rules], dtype=bool)


def read_column(cells: pd.Series, kind: str, *, unit: str = "", coded: bool = False) -> Column:
    """Read the cells of one column as a kind of `schemas.fields.KINDS`.

    cells: texts, "" or missing where empty. unit: for hints. coded: the texts are ids or codes
    without a list, so that a word for a missing value is none.
    """
    place, raw = pd.factorize(cells.to_numpy(dtype=object), use_na_sentinel=True)
    counts = np.bincount(place[place >= 0], minlength=len(raw))
    texts, changes = _cleaned(raw, counts)
    if kind == "day":
        texts = _without_midnight(texts, counts, changes)
    if kind in FORMS:
        values = _values(texts, counts, kind)
        faults = _unread(texts, values, kind, unit)
    else:
        values = np.array([text or np.nan for text in texts], dtype=object)
        faults = _unusable(texts, kind, coded=coded)
        values[list(faults)] = np.nan
    return Column(
        text=_spread(np.array([text or np.nan for text in texts], dtype=object), place),
        values=pd.Series(_spread(values, place), index=cells.index),
        rules=_told(faults, 0, len(texts), place),
        messages=_told(faults, 1, len(texts), place),
        changes=changes,
    )


def _spread(values: np.ndarray, place: np.ndarray) -> np.ndarray:
    """Values of the different texts laid out over the cells; an empty cell is missing."""
    missing = np.datetime64("NaT", "ns") if values.dtype.kind == "M" else np.nan
    return np.append(values, np.array([missing], dtype=values.dtype))[place]


def _told(
    faults: dict[int, tuple[str, str]], part: int, size: int, place: np.ndarray
) -> np.ndarray | None:
    if not faults:
        return None
    out = np.full(size + 1, None, dtype=object)
    for at, words in faults.items():
        out[at] = words[part]
    return out[place]


def _cleaned(raw: np.ndarray, counts: np.ndarray) -> tuple[list[str], dict[str, int]]:
    texts: list[str] = []
    changes: dict[str, int] = {}
    for text, count in zip(raw, counts, strict=True):
        text = clean = text if isinstance(text, str) else str(text)
        if not text.isascii():
            clean = unicodedata.normalize("NFC", text.translate(_UNSEEN))
            seen = unicodedata.normalize("NFC", text)
            _count(changes, INVISIBLE, clean != seen and clean.strip() != "", count)
            _count(changes, COMPOSED, seen != text, count)
        shown = clean.strip()
        _count(changes, TRIMMED, shown != clean and shown != "", count)
        texts.append(shown)
    return texts, changes


def _count(changes: dict[str, int], what: str, done: bool, cells: int) -> None:
    if done:
        changes[what] = changes.get(what, 0) + int(cells)


def _without_midnight(texts: list[str], counts: np.ndarray, changes: dict[str, int]) -> list[str]:
    out = []
    for text, count in zip(texts, counts, strict=True):
        found = _MIDNIGHT.fullmatch(text) if len(text) > 10 else None
        _count(changes, MIDNIGHT, found is not None, count)
        out.append(found[1] if found else text)
    return out


def _values(texts: list[str], counts: np.ndarray, kind: str) -> np.ndarray:
    fits = re.compile(FORMS[kind][1]).fullmatch
    if kind in ("number", "whole"):
        values = np.array([float(t) if fits(t) else np.nan for t in texts], dtype="float64")
        values[~np.isfinite(values)] = np.nan
        values[_maybe_thousands(texts, counts)] = np.nan
        return values
    iso = pd.Series([t.replace("T", " ") if fits(t) else None for t in texts], dtype=object)
    return pd.to_datetime(iso, format="ISO8601", errors="coerce").to_numpy("datetime64[ns]")


def _maybe_thousands(texts: list[str], counts: np.ndarray) -> np.ndarray:
    """True for "1.200", which may be 1200, unless the column is written with three decimals.

    Three decimals throughout, in two cells or more, or with a nought before some point, are a
    fixed format. A last digit other than 0 is what a computed number has: those are read.
    """
    doubtful = [i for i, t in enumerate(texts) if _THOUSANDS.fullmatch(t)]
    out = np.zeros(len(texts), dtype=bool)
    if doubtful:
        pointed = [i for i, t in enumerate(texts) if "." in t]
        three = all(_THREE_DECIMALS.fullmatch(texts[i]) for i in pointed)
        nought = any(texts[i].lstrip("+-").startswith(("0.", ".")) for i in pointed)
        whole = [t for t in texts if re.fullmatch(r"[+-]?[0-9]+", t)]
        settled = three and (nought or (not whole and counts[pointed].sum() > 1))
        out[doubtful] = not settled
    return out


_THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2}\.[0-9]{2}0")
_THREE_DECIMALS = re.compile(r"[+-]?[0-9]*\.[0-9]{3}")


def _unread(
    texts: list[str], values: np.ndarray, kind: str, unit: str
) -> dict[int, tuple[str, str]]:
    """Place of every text that could not be read -> rule and message."""
    unread = [i for i in np.flatnonzero(pd.isna(values)).tolist() if texts[i] != ""]
    if not unread:
        return {}
    rule, _, message = FORMS[kind]
    asker = Asker(kind, unit, [texts[i] for i in unread])
    faults = {}
    for i in unread:
        if is_spreadsheet_error(texts[i]):
            faults[i] = SPREADSHEET
        else:
            faults[i] = (rule, message + asker.hint(texts[i]))
    return faults


def _unusable(texts: list[str], kind: str, *, coded: bool) -> dict[int, tuple[str, str]]:
    """The same for texts, codes and ids."""
    faults = {}
    for i, text in enumerate(texts):
        if text[:1] in _ERROR_STARTS and is_spreadsheet_error(text):
            faults[i] = SPREADSHEET
        elif kind == "identifier" and _CHANGED_ID.fullmatch(text):
            faults[i] = CHANGED_ID
        elif coded and _NO_VALUE.fullmatch(text):
            faults[i] = NO_VALUE
    return faults


def is_spreadsheet_error(text: str) -> bool:
    """Whether a cell shows an error of a spreadsheet ("#N/A", "#####") or a formula as text."""
    return bool(_ERROR_VALUE.fullmatch(text) or _FORMULA.fullmatch(text))
