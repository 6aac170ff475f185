"""Refuses tables that could identify people, by their headings, before any cell is looked at."""

from __future__ import annotations

import functools
import re
import unicodedata
from collections.abc import Iterable, Mapping

from audit.errors import UnusableInput
from audit.intake.identity.words import (
    ALL_WORDS,
    COMPANIONS,
    ENDINGS,
    MERGED,
    NUMBERS,
    TELLTALES,
    Telltale,
)
from schemas import TABLES

#: headings of the contract, harmless wherever they stand
CONTRACT_HEADINGS = frozenset(name for table in TABLES.values() for name in table.columns)
MOST_NAMED = 20
#: letters of a heading that are looked at
LONGEST = 200
#: letters that accents do not explain
_LETTERS = str.maketrans(
    {"ø": "o", "Ø": "O", "ł": "l", "Ł": "L", "đ": "d", "Đ": "D", "æ": "ae", "Æ": "AE"}
    | {"œ": "oe", "Œ": "OE", "ß": "ss"}
)
_COUNTS = frozenset({"number", "no", "num", "n", "count"})
_CALLED_NUMBER = frozenset({"number", "numbers", "nummer", "numero"})
_CONNECTORS = frozenset({"of", "de", "du", "des", "der", "del", "di", "da", "do", "la", "y"})


def telltale(heading: str) -> str | None:
    """What an identifying heading gives away ("a name"), or None when it looks harmless.

    Capitals, accents, separators, numbers and the order of words are forgiven, and words run
    together ("PatientName", "dateofbirth", "Telefonnummer") are taken apart.
    """
    words = _words(heading[:LONGEST])
    if words[:1] == ["anzahl"]:
        return None
    if words[1:2] == ["of"] and words[0] in _COUNTS:
        if words[-1].endswith("s"):
            return None
        words = ["number", *words[2:]]
    known = frozenset(words)
    for one in TELLTALES:
        if _gives_away(known, one):
            return one.what
    return None


def _gives_away(words: frozenset[str], one: Telltale) -> bool:
    core = words & (one.always | one.alone | one.numbered)
    if not core:
        return False
    if words & one.harmless and not words & _CALLED_NUMBER:
        return False
    if core & one.always:
        return True
    if words - core - COMPANIONS - one.company:
        return False
    return bool(core & one.alone) or bool((words - core) & NUMBERS)


def _words(heading: str) -> list[str]:
    """The words of a heading: "Pat.Name2" -> pat, name; "D.O.B." -> dob; "eMail" -> email."""
    bare = "".join(
        letter
        for letter in unicodedata.normalize("NFKD", heading.translate(_LETTERS))
        if not unicodedata.combining(letter)
    )
    spaced = re.sub(r"(?<=[a-z0-9])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])", " ", bare)
    pieces = re.findall(r"[a-z]+", spaced.casefold())
    return [word for piece in _merged(pieces) for word in _taken_apart(piece)]


def _merged(pieces: list[str]) -> list[str]:
    """Neighbours that form one telling word, joined: post, code -> postcode."""
    out: list[str] = []
    at = 0
    while at < len(pieces):
        for size in (3, 2, 1):
            joined = "".join(pieces[at : at + size])
            if size == 1 or joined in MERGED:
                out.append(joined)
                at += size
                break
    return out


@functools.lru_cache(maxsize=4096)
def _taken_apart(word: str) -> tuple[str, ...]:
    """A word run together, as its words; a word that is known or cannot be split, as it is."""
    if word in ALL_WORDS or len(word) < 6:
        return (word,)
    parts = _split(word)
    if parts is not None:
        return parts
    for ending, meaning in ENDINGS.items():
        if word.endswith(ending) and len(word) > len(ending) + 1:
            return (word.removesuffix(ending), meaning)
    return (word,)


@functools.lru_cache(maxsize=4096)
def _split(word: str) -> tuple[str, ...] | None:
    if not word:
        return ()
    for size in range(min(len(word), 24), 1, -1):
        head = word[:size]
        usable = (head in ALL_WORDS and size > 2) or head in _CONNECTORS or head == "nr"
        if usable:
            rest = _split(word[size:])
            if rest is not None:
                return (head, *rest)
    return None


def refuse_identifying_headings(headings: Mapping[str, Iterable[str]]) -> None:
    """UnusableInput when a heading looks like something that names a person.

    headings: table -> its headings. All of all tables are named in one message, never a cell;
    headings of the contract are let through.
    """
    found = [
        (table, heading, what)
        for table, names in headings.items()
        for heading in names
        if (what := _telling(str(heading))) is not None
    ]
    if not found:
        return
    named = [f"table {table}, {name[:60]!r} looks like {what}" for table, name, what in found]
    rest = f"; and {len(named) - MOST_NAMED} more" if len(named) > MOST_NAMED else ""
    one = len(found) == 1
    raise UnusableInput(
        f"{'A column' if one else f'{len(found)} columns'} may identify people: "
        f"{'; '.join(named[:MOST_NAMED])}{rest}. Nothing was read. Remove "
        f"{'it' if one else 'them'} from the source, then try again: the kit works on pseudonyms "
        "and codes only."
    )


def _telling(heading: str) -> str | None:
    contract = heading.strip().lower().replace(" ", "_") in CONTRACT_HEADINGS
    return None if contract else telltale(heading)
