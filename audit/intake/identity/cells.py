"""Looks at the cells of columns whose heading said nothing: do they name people after all?

Unknown columns are refused when a stated share of their cells does (`SHARES`). Codes and free texts
of the contract are asked about, one question a cell; a question never repeats the text.
"""

from __future__ import annotations

import dataclasses
import datetime
from collections.abc import Callable, Iterator, Mapping

import numpy as np
import pandas as pd

from audit.errors import UnusableInput
from audit.intake.identity import patterns as looks
from audit.intake.identity.headings import MOST_NAMED
from audit.intake.queries import queries_for, source_query
from schemas import TABLES

#: share of the non-empty cells of an unknown column from which it is refused
SHARES: dict[str, float] = {
    "e-mail addresses": 0.1,
    "telephone numbers": 0.5,
    "national or account numbers": 0.5,
    "record numbers": 0.8,
    "addresses": 0.3,
    "birth dates": 0.5,
    "birth years": 0.5,
    "names": 0.5,
    "surnames or places": 0.8,
}
_CELLS: dict[str, Callable[[str], bool]] = {
    "e-mail addresses": lambda text: looks.EMAIL.fullmatch(text) is not None,
    "telephone numbers": looks.is_phone,
    "national or account numbers": looks.is_national_number,
    "addresses": looks.is_address,
}
#: names and record numbers differ from row to row, labels repeat: least share of different cells
_DIFFERENT = 0.5
_LEAST = {"record numbers": 3, "names": 3, "surnames or places": 10, "birth years": 3}
#: different cells of a column that are looked at, spread evenly
MOST_LOOKED_AT = 20_000
#: more questions than this about one column become one question about the column
MOST_QUERIES = 200
#: letters below which a text holds nothing that identifies
SHORTEST = 5
#: a day this many years before surgery is no earlier visit
LONG_BEFORE, LONGEST_LIFE = 15, 110
#: at a lower age birth and surgery lie too near
LEAST_AGE = 2
YEAR_DAYS = 365.25

FREE_TEXT = {
    ("complications", "description"),
    ("actions", "action"),
    ("service_events", "label"),
    ("service_events", "cause"),
}
#: texts in which a date is the point
DATED_TEXT = {("service_events", "label"), ("service_events", "cause")}
#: columns of codes that must not be names -> whether one capitalised word may be a surname
CODES = {
    ("cases", "centre"): False,
    ("cases", "surgeon"): True,
    ("theatre_counts", "centre"): False,
    ("actions", "owner_role"): False,
    ("service_events", "decided_by"): False,
}


@dataclasses.dataclass(frozen=True)
class _Column:
    """Different texts of a column and how many cells hold each."""

    texts: list[str]
    counts: np.ndarray

    @property
    def cells(self) -> int:
        return int(self.counts.sum())

    def share(self, hits: np.ndarray) -> float:
        return float(self.counts[hits].sum() / self.cells) if self.cells else 0.0


def _column(values: pd.Series, most: int | None = None) -> _Column:
    place, texts = pd.factorize(values.to_numpy(dtype=object))
    counts = np.bincount(place[place >= 0], minlength=len(texts))
    if most is not None and len(texts) > most:
        chosen = np.linspace(0, len(texts) - 1, most).astype(int)
        texts, counts = texts[chosen], counts[chosen]
    stripped = np.array([str(text).strip() for text in texts], dtype=object)
    given = np.flatnonzero(stripped != "")
    return _Column(list(stripped[given]), counts[given])


def _unknown(frames: Mapping[str, pd.DataFrame]) -> Iterator[tuple[str, str]]:
    for table, frame in frames.items():
        for name in frame.columns:
            if name != "row" and name not in TABLES[table].columns:
                yield table, name


def refuse_identifying_cells(frames: Mapping[str, pd.DataFrame]) -> None:
    """UnusableInput when the cells of an unknown column look like people.

    frames: table -> cells as text under tidy headings. Names the columns, never a cell.
    """
    found = []
    for table, name in _unknown(frames):
        what = _content(frames, table, name)
        if what:
            found.append(f"table {table}, {str(name)[:60]!r}: its content looks like {what}")
    if found:
        rest = f"; and {len(found) - MOST_NAMED} more" if len(found) > MOST_NAMED else ""
        raise UnusableInput(
            f"{'A column' if len(found) == 1 else f'{len(found)} columns'} may identify people: "
            f"{'; '.join(found[:MOST_NAMED])}{rest}. Nothing was used. Remove "
            f"{'it' if len(found) == 1 else 'them'} from the source, then try again: the kit works "
            "on pseudonyms and codes only."
        )


def _content(frames: Mapping[str, pd.DataFrame], table: str, name: str) -> str | None:
    values = frames[table][name]
    column = _column(values, MOST_LOOKED_AT)
    if not column.texts:
        return None
    for what, is_one in _CELLS.items():
        hits = np.array([is_one(text) for text in column.texts])
        if column.share(hits) >= SHARES[what]:
            return what
    return _births(frames, table, column, values) or _varied(column)


def _varied(column: _Column) -> str | None:
    """Record numbers, names and surnames: shapes that labels have too, so they must also differ."""
    kinds: dict[str, Callable[[str], bool]] = {
        "record numbers": _is_record_number,
        "names": looks.is_person,
        "surnames or places": looks.is_surname,
    }
    for what, is_one in kinds.items():
        hits = np.array([is_one(text) for text in column.texts])
        different = int(hits.sum())
        enough = different >= max(_LEAST[what], _DIFFERENT * column.counts[hits].sum())
        if enough and column.share(hits) >= SHARES[what]:
            return what
    return None


def _is_record_number(text: str) -> bool:
    return text.isdigit() and 7 <= len(text) <= 15 and not looks.day_of(text)


def _births(
    frames: Mapping[str, pd.DataFrame], table: str, column: _Column, values: pd.Series
) -> str | None:
    """Whether days or years of a column are those of births, by the age at surgery."""
    days = {text: looks.day_of(text) for text in column.texts}
    years = {t: int(t) for t in column.texts if t.isdigit() and len(t) == 4 and "1899" < t < "2101"}
    dated = column.share(np.array([bool(days[text]) for text in column.texts]))
    if dated < SHARES["birth dates"] and len(years) < _LEAST["birth years"]:
        return None
    rows = np.unique(np.linspace(0, len(values) - 1, MOST_LOOKED_AT).astype(int))
    surgery, age = _surgery_of(frames, table, rows)
    known = [
        (str(text).strip(), day, old)
        for text, day, old in zip(values.iloc[rows], surgery, age, strict=True)
        if day is not None and isinstance(text, str) and text.strip()
    ]
    if dated >= SHARES["birth dates"]:
        births = [
            _is_birth(days.get(text, []), day, old)
            for text, day, old in known
            if old is None or old >= LEAST_AGE
        ]
        if births and sum(births) >= SHARES["birth dates"] * len(births):
            return "birth dates"
    told = [
        abs(day.year - old - years[text] - 0.5) <= 1.5
        for text, day, old in known
        if text in years and old is not None and old >= LEAST_AGE
    ]
    enough = len(told) >= max(_LEAST["birth years"], SHARES["birth years"] * len(known))
    return "birth years" if enough and sum(told) >= SHARES["birth years"] * len(told) else None


def _is_birth(days: list[datetime.date], surgery: pd.Timestamp, age: float | None) -> bool:
    """Whether one of the days is that of birth: the age then, in whole years lived or in tenths,
    or without an age a day long before surgery."""
    gaps = [(surgery.date() - day).days / YEAR_DAYS for day in days]
    if age is None:
        return any(LONG_BEFORE <= gap <= LONGEST_LIFE for gap in gaps)
    low, high = (-0.02, 1.02) if float(age).is_integer() else (-0.15, 0.15)
    return any(low <= gap - age <= high for gap in gaps)


def _surgery_of(frames: Mapping[str, pd.DataFrame], table: str, rows: np.ndarray) -> tuple:
    """(day of surgery, age then) for some rows of a table, None where not known."""
    frame, cases = frames[table], frames.get("cases", pd.DataFrame())
    key = next((k for k in ("case_id", "patient_id") if k in frame and k in cases), None)
    if key is None:
        return [None] * len(rows), [None] * len(rows)
    day = pd.to_datetime(cases["surgery_date"], format="%Y-%m-%d", errors="coerce")
    age = pd.to_numeric(cases["age_at_surgery_years"], errors="coerce")
    facts = pd.DataFrame({"key": cases[key], "day": day, "age": age}).dropna(subset=["key", "day"])
    facts = facts.drop_duplicates("key").set_index("key").reindex(frame[key].iloc[rows])
    days = [None if pd.isna(one) else one for one in facts["day"]]
    return days, [None if pd.isna(one) else float(one) for one in facts["age"]]


def text_queries(frames: Mapping[str, pd.DataFrame]) -> list[pd.DataFrame]:
    """Questions about codes that look like names and about texts that may identify people.

    frames: typed tables. Texts of unknown columns are looked at too; there and for codes the first
    row that holds the text is asked about. The value of a question is empty: what identifies is
    not repeated.
    """
    parts = []
    for table, name in [*sorted(FREE_TEXT), *CODES, *_unknown(frames)]:
        frame = frames.get(table, pd.DataFrame())
        if name in frame and frame[name].notna().any():
            parts += _asked(frame, table, name)
    return parts


def _asked(frame: pd.DataFrame, table: str, name: str) -> list[pd.DataFrame]:
    column = _column(frame[name])
    said = {text: words for text, words in _said(table, name, column).items() if words}
    if not said:
        return []
    messages = frame[name].map(lambda cell: said.get(str(cell).strip()), na_action="ignore")
    code = (table, name) in CODES
    once = (table, name) not in FREE_TEXT
    failed = (messages.notna() & ~(frame[name].duplicated() & once)).to_numpy()
    rule = "code_may_name_person" if code else "free_text_may_identify"
    if failed.sum() > MOST_QUERIES:
        message = (
            f"{int(failed.sum())} cells of the column may identify people. Look through the column "
            "and remove names, dates, numbers and addresses."
        )
        return [source_query(table, name, rule=rule, message=message)]
    words = {"rule": rule, "severity": "warning", "message": ""}
    part = queries_for(frame.assign(**{name: ""}), failed, table=table, column=name, words=words)
    return [part.assign(message=messages[failed].to_numpy())]


def _said(table: str, name: str, column: _Column) -> dict[str, str]:
    """Text -> what to ask about it."""
    if (table, name) in CODES:
        surnames = CODES[table, name]
        words = (
            "This looks like the name of a person: write a code or a role that names nobody. The "
            "first row that holds it is shown."
        )
        return {t: words for t in column.texts if looks.names_a_person(t, surnames=surnames)}
    said = {}
    names = (table, name) not in FREE_TEXT and column.share(
        np.array([looks.is_person(text) for text in column.texts])
    ) >= SHARES["names"]
    for text in (text for text in column.texts if len(text) >= SHORTEST):
        kinds = _kinds(text, known=(table, name) in FREE_TEXT)
        if names and not kinds and looks.is_person(text):
            kinds = ["a person's name"]
        if (table, name) in DATED_TEXT:
            kinds = [kind for kind in kinds if kind != "a date"]
        if kinds:
            said[text] = (
                f"The text holds what looks like {' and '.join(kinds)}. Remove it: texts must not "
                "identify anyone. It is not repeated here."
            )
    return said


def _kinds(text: str, *, known: bool) -> list[str]:
    """What a text may give away. A cell of an unknown column that is one date or one number is a
    value, not a text."""
    if known or (" " in text and not looks.ISO_DAY.fullmatch(text)):
        return looks.kinds_in_text(text)
    if looks.EMAIL.fullmatch(text):
        return ["an e-mail address"]
    return ["a telephone number"] if looks.is_phone(text) else []
