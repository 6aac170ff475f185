"""Asks about pseudonyms that may identify: names, initials, birth dates and years, real numbers."""

from __future__ import annotations

import collections
import dataclasses
import datetime
import re
from collections.abc import Mapping

import numpy as np
import pandas as pd

from audit.intake.identity import patterns as looks
from audit.intake.queries import queries_for, source_query

RULE = "id_may_identify"
#: table, its pseudonym, and the column by which its rows belong to cases
IDS = (
    ("patients", "patient_id", "patient_id"),
    ("cases", "case_id", "case_id"),
    ("complications", "complication_id", "case_id"),
    ("actions", "action_id", ""),
)
#: from this share of the ids, and this many, one question about the column is asked
MOST_SHARE, MOST_LEAST = 0.5, 5
MOST_QUERIES = 200
#: ids looked at, spread evenly, where most of them must agree
SAMPLE = 2000
#: how many times more often than by chance ids must hold the year of birth
ABOVE_CHANCE = 2.5
#: a prefix that so many ids, and this share of them, begin with is no name
COMMON_LEAST, COMMON_SHARE = 3, 0.1
#: ages below say nothing: the year of birth and the year of surgery are too near
LEAST_AGE = 2
ADVICE = "Use running or random numbers, and keep the list that leads back to people elsewhere."
_UUID = re.compile(r"[0-9a-fA-F]{8}(?:-?[0-9a-fA-F]{4}){3}-?[0-9a-fA-F]{12}|[0-9a-fA-F]{16,}")
#: a running number, perhaps behind a letter and with a second number: nothing in it by itself
_PLAIN = re.compile(r"[A-Za-z]?[-_ ]?\d{1,7}(?:[-_/.]\d{1,3})?")
_LETTERS_YEAR = re.compile(
    r"([A-Za-z]{2,3})[-_. ]?((?:19|20)\d\d)(?!\d)|((?:19|20)\d\d)[-_. ]?([A-Za-z]{2,3})"
)
_WORDS = re.compile(r"[^\W\d_]+(?:[._\- ,]+[^\W\d_]+)*[._]?")
_NAME_NUMBER = re.compile(r"[^\W\d_]{2,}[a-zà-ÿ][-_. ]?\d{1,4}")


@dataclasses.dataclass(frozen=True)
class _Facts:
    """Years known of the person behind an id: of surgery and of birth (None = not known)."""

    surgery: int | None = None
    birth: int | None = None


def id_queries(frames: Mapping[str, pd.DataFrame]) -> list[pd.DataFrame]:
    """Questions about ids that may identify people: one a row, or one a column when most do.

    frames: typed tables. The strongest sign is a year in the ids that is the year of surgery less
    the age for most of them (of a sample, evenly spread); a chance hit does not fire. The value of
    a question is empty: what identifies is not repeated.
    """
    parts = []
    for table, column, link in IDS:
        frame = frames.get(table, pd.DataFrame())
        if column in frame and frame[column].notna().any():
            parts.append(_asked(frames, table, column, link))
    return [part for part in parts if not part.empty]


def _asked(frames: Mapping[str, pd.DataFrame], table: str, column: str, link: str) -> pd.DataFrame:
    frame = frames[table]
    ids = [str(one) for one in pd.unique(frame[column].dropna())]
    spread = [ids[at] for at in np.linspace(0, len(ids) - 1, min(SAMPLE, len(ids))).astype(int)]
    odd = [one for one in ids if not _PLAIN.fullmatch(one)]
    looked_at = frame[column].isin({*spread, *odd})
    facts = _facts(frames, frame.loc[looked_at], column, link)
    said = _said(ids, odd, spread, facts)
    many = len(said) >= MOST_LEAST and len(said) >= MOST_SHARE * len(ids)
    if many or len(said) > MOST_QUERIES:
        return _one_question(table, column, said, ids, spread)
    messages = frame[column].map(said)
    failed = messages.notna().to_numpy()
    shown = frame.loc[failed].assign(**{column: ""})
    words = {"rule": RULE, "severity": "warning", "message": ""}
    every = pd.Series(data=True, index=shown.index)
    part = queries_for(shown, every, table=table, column=column, words=words)
    told = [f"This id may identify a person: it looks like {x}. {ADVICE}" for x in messages[failed]]
    return part.assign(message=told)


def _one_question(
    table: str, column: str, said: dict[str, str], ids: list[str], spread: list[str]
) -> pd.DataFrame:
    kinds = " or ".join(sorted(set(said.values())))
    count = f"{len(said)} of {len(ids)}"
    if len(spread) < len(ids) and not set(said) - set(spread):
        count = f"{len(said)} of {len(spread)} looked at"
    message = f"{count} ids may identify people: they look like {kinds}. {ADVICE}"
    return source_query(table, column, rule=RULE, message=message)


def _facts(
    frames: Mapping[str, pd.DataFrame], frame: pd.DataFrame, column: str, link: str
) -> dict[str, _Facts]:
    cases = frames.get("cases", pd.DataFrame())
    if not link or link not in cases:
        return {}
    day, age = cases["surgery_date"], cases["age_at_surgery_years"]
    born = day.dt.year + (day.dt.dayofyear - 1) / 366 - age
    known = pd.DataFrame(
        {
            "link": cases[link],
            "surgery": day.dt.year,
            "birth": np.floor(born).where(age >= LEAST_AGE),
        }
    )
    known = known.dropna(subset=["link", "surgery"]).drop_duplicates("link").set_index("link")
    of_rows = known.reindex(frame[link])
    return {
        str(one): _Facts(int(surgery), None if np.isnan(birth) else int(birth))
        for one, surgery, birth in zip(
            frame[column], of_rows["surgery"], of_rows["birth"], strict=True
        )
        if not np.isnan(surgery)
    }


def _said(
    ids: list[str], odd: list[str], spread: list[str], facts: dict[str, _Facts]
) -> dict[str, str]:
    """Id -> what it looks like, for the ids that may identify."""
    common = _common_beginnings(ids)
    said = {}
    for one in odd:
        what = None if _UUID.fullmatch(one) else _looks_like(one, facts.get(one, _Facts()), common)
        if what:
            said[one] = what
    tests = ((_with_birth_year(spread, facts), "birth years"), (_name_numbers(spread), "names"))
    for hits, what in tests:
        if len(hits) >= MOST_LEAST and len(hits) >= MOST_SHARE * len(spread):
            said = dict.fromkeys(hits, what) | said
    return said


def _common_beginnings(ids: list[str]) -> set[str]:
    begin = (re.match(r"[^\W\d_]*", one) for one in ids)
    counts = collections.Counter(one.group().lower() for one in begin if one and one.group())
    least = max(COMMON_LEAST, COMMON_SHARE * len(ids))
    return {text for text, count in counts.items() if count >= least}


def _looks_like(text: str, facts: _Facts, common: set[str]) -> str | None:
    if "@" in text:
        return "an e-mail address"
    if _holds_birth_date(text, facts):
        return "a birth date"
    if looks.is_national_number(text) or _is_long_number(text, facts):
        return "a national or record number"
    if _is_letters_and_year(text, facts, common):
        return "initials and a year of birth"
    if _is_words(text, common):
        return "a name or initials"
    return None


def _is_long_number(text: str, facts: _Facts) -> bool:
    """Ten or eleven digits, unless they begin with the year of surgery."""
    return bool(re.fullmatch(r"\d{10,11}", text)) and not _near_surgery(int(text[:4]), facts)


def _near_surgery(year: int, facts: _Facts) -> bool:
    """A year in which the case may have been numbered."""
    if facts.surgery is None:
        return 0 <= datetime.date.today().year - year <= 10
    return -2 <= year - facts.surgery <= 1


def _is_birth_year(year: int, facts: _Facts) -> bool:
    if facts.birth is not None and abs(year - facts.birth) <= 1:
        return True
    return 1900 <= year <= datetime.date.today().year and not _near_surgery(year, facts)


def _holds_birth_date(text: str, facts: _Facts) -> bool:
    runs = re.findall(
        r"(?<!\d)(?:\d{8}|\d{4}[-./_]\d{2}[-./_]\d{2}|\d{2}[-./_]\d{2}[-./_]\d{4})(?!\d)", text
    )
    days = [day for run in runs for day in looks.day_of(run.replace("_", "-"))]
    return any(_is_birth_year(day.year, facts) for day in days)


def _is_letters_and_year(text: str, facts: _Facts, common: set[str]) -> bool:
    found = _LETTERS_YEAR.match(text)
    if found is None:
        return False
    letters, year = found[1] or found[4], int(found[2] or found[3])
    if facts.birth is not None and abs(year - facts.birth) <= 1:
        return True
    return letters.lower() not in common and _is_birth_year(year, facts)


def _is_words(text: str, common: set[str]) -> bool:
    """Letters only, two or more: a name ("smith_j"), initials ("MUE.HA", "AB")."""
    if not _WORDS.fullmatch(text) or sum(letter.isalpha() for letter in text) < 2:
        return False
    first = re.split(r"[._\- ,]", text)[0].lower()
    return first not in common


def _with_birth_year(ids: list[str], facts: dict[str, _Facts]) -> list[str]:
    """Ids that hold the year of birth, in four digits or in two at either end of their digits;
    none when as many would by chance, other ids being held against the same years of birth."""
    births = {one: facts[one].birth for one in ids if one in facts}
    known = {one: birth for one, birth in births.items() if birth is not None}
    counts = collections.Counter(known.values())
    hits, expected = [], 0.0
    for one, birth in known.items():
        near = {year + off for year in _years_in(one) for off in (-1, 0, 1)}
        expected += sum(counts[year] for year in near) / len(known)
        if birth in near:
            hits.append(one)
    return hits if len(hits) >= ABOVE_CHANCE * expected else []


def _years_in(text: str) -> set[int]:
    """The years that an id may hold."""
    years = {int(year) for year in re.findall(r"(?=((?:19|20)\d\d))", text)}
    for run in re.findall(r"\d+", text):
        if len(run) in (2, 4, 6):
            years |= {century + int(end) for end in (run[:2], run[-2:]) for century in (1900, 2000)}
    return years


def _name_numbers(ids: list[str]) -> list[str]:
    """Ids such as "Smith01" whose words differ from id to id."""
    hits = [one for one in ids if _NAME_NUMBER.fullmatch(one)]
    words = {re.match(r"[^\W\d_]+", one).group().lower() for one in hits}  # type: ignore[union-attr]
    return hits if len(words) >= MOST_SHARE * len(hits) else []
