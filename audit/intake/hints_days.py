"""What a cell may mean that should be a day."""

from __future__ import annotations

import datetime
import re
from collections.abc import Mapping

_MONTHS = {
    word: number
    for number, words in enumerate(
        (
            "jan janv ene gen",
            "feb febr fév févr fev fevr",
            "mar mär mrz mars maa maart",
            "apr avr abr",
            "may mai mag mei",
            "jun juin giu",
            "jul juil lug",
            "aug aoû août aout ago",
            "sep sept set",
            "oct okt ott out",
            "nov",
            "dec dez déc dic",
        ),
        start=1,
    )
    for word in words.split()
}
_PARTS = re.compile(r"(\d{1,4})\s*[-/.,\s‐‑–]\s*(\d{1,2})\s*[-/.,\s‐‑–]\s*(\d{1,4})")
_WORDY = (
    re.compile(
        r"(?P<day>\d{1,2})(?:st|nd|rd|th|\.)?[-\s.]*(?P<month>[^\W\d_]{3,})[-\s.,]*(?P<year>\d{2,4})"
    ),
    re.compile(
        r"(?P<month>[^\W\d_]{3,})[-\s.]*(?P<day>\d{1,2})(?:st|nd|rd|th)?[-\s.,]+(?P<year>\d{2,4})"
    ),
)
_CLOCK = re.compile(
    r"[ T]+(\d{1,2}[:.h]\d{2}(?:[:.]\d{2})?(?:[.,]\d+)?)\s*([ap]\.?m\.?)?"
    r"\s*(Z|UTC|[+-]\d{2}:?\d{2})?$",
    re.IGNORECASE,
)
#: day numbers of spreadsheets between 1954 and 2064
_SERIALS = range(20_000, 60_000)
_EPOCH = datetime.date(1899, 12, 30)
#: how much later the older day system of some spreadsheets puts the same number
_OTHER_EPOCH = datetime.timedelta(days=1462)


def order_shown(texts: list[str]) -> dict[str, str]:
    """Separator -> "day", "month" or "mixed": what comes first in the dates written with it, as
    those show that can be read one way only."""
    found: dict[str, set[str]] = {}
    for text in texts:
        parts = _PARTS.fullmatch(_CLOCK.sub("", text))
        if parts and len(parts[1]) < 3:
            first, second = int(parts[1]), int(parts[2])
            if 12 < first <= 31 and second <= 12:
                found.setdefault(_separator(text), set()).add("day")
            elif 12 < second <= 31 and first <= 12:
                found.setdefault(_separator(text), set()).add("month")
    return {mark: "mixed" if len(one) == 2 else one.pop() for mark, one in found.items()}


def _separator(text: str) -> str:
    mark = re.search(r"[^\d\s]", text)
    return mark[0] if mark else " "


def day_hint(text: str, *, orders: Mapping[str, str] | None = None, kind: str = "day") -> str:
    """What a cell may mean that should be a day (or, with kind "moment", a day and a time).

    orders: what other cells of the column show, as `order_shown` gives it.
    """
    clock = _CLOCK.search(text)
    bare = _CLOCK.sub("", text).strip()
    if clock and clock[3]:
        return "leave the time zone out and write the local time."
    if re.fullmatch(r"\d{4}-\d{2}-\d{2}", bare) and _day(*bare.split("-")):
        if not 1900 <= int(bare[:4]) <= 2200:
            return "check the year."
        if kind == "day":
            return "leave out the time of day."
        return (
            "write the time as HH:MM, 00:00 to 23:59." if clock else "the time of day is missing."
        )
    return _packed(bare) or _wordy(bare) or _in_parts(bare, orders or {})


def _packed(text: str) -> str:
    """Digits only: a spreadsheet's day number, a day without separators, a year."""
    serial = re.fullmatch(r"(\d{5})(?:[.,]\d+)?", text)
    if serial and int(serial[1]) in _SERIALS:
        day = _EPOCH + datetime.timedelta(days=int(serial[1]))
        return (
            f"a spreadsheet's day number, which would be {day} (or {day + _OTHER_EPOCH} where days "
            "are counted from 1904). Format the column as a date and write the days again."
        )
    if re.fullmatch(r"\d{8}", text):
        readings = [
            ("", _day(text[:4], text[4:6], text[6:])),
            ("day first", _day(text[4:], text[2:4], text[:2])),
            ("month first", _day(text[4:], text[:2], text[2:4])),
        ]
        return _readings([(how, day) for how, day in readings if day], "")
    if re.fullmatch(r"\d{4}(?:[-/.]\d{1,2})?|\d{1,2}[-/.]\d{4}", text):
        return "the day is missing: write the full date."
    return ""


def _wordy(text: str) -> str:
    for form in _WORDY:
        found = form.fullmatch(text)
        if not found:
            continue
        word = found["month"].lower()
        month = next((_MONTHS[word[:n]] for n in (4, 3) if word[:n] in _MONTHS), None)
        day = month and _day(_full_year(found["year"]), str(month), found["day"])
        if day:
            short = " if the year is meant so" if len(found["year"]) < 4 else ""
            return f"looks like {day}{short}."
    return ""


def _in_parts(text: str, orders: Mapping[str, str]) -> str:
    parts = _PARTS.fullmatch(text)
    if not parts:
        return ""
    one, two, three = parts.groups()
    if len(one) == 4:
        day = _day(one, two, three)
        return f"looks like {day}." if day else "there is no such day; check year, month and day."
    if len(one) == 3 or len(three) == 3:
        return "the year does not have four digits."
    order = orders.get(_separator(text), "point" if "." in text else "")
    year = _full_year(three)
    found = [("day first", _day(year, two, one)), ("month first", _day(year, one, two))]
    if len(three) == 2 and _full_year(one).startswith("20"):
        found.append(("year first", _day(_full_year(one), two, three)))
    readings = _readings([(how, day) for how, day in found if day], order)
    return f"the year has two digits; {readings}" if len(three) == 2 else readings


def _readings(found: list[tuple[str, datetime.date]], order: str) -> str:
    days = list(dict.fromkeys(day for _, day in found))
    if not days:
        return "no order of its parts gives a day."
    if len(days) == 1:
        how = f" ({found[0][0]})" if len(found) == 1 and found[0][0] else ""
        return f"looks like {days[0]}{how}."
    words = f"it could be {' or '.join(map(str, days))}. "
    if order == "point":
        return words + f"Between points the day comes first by custom, so {days[0]} is likely."
    likely = next((day for how, day in found if how == f"{order} first"), None)
    if likely:
        return words + f"Other dates of the column put the {order} first, so {likely} is likely."
    if order == "mixed":
        return words + "The column mixes both orders: check each date at its source."
    return words + "Nothing in the column shows which part is the day."


def _full_year(year: str) -> str:
    """Two digits as a year up to this one."""
    if len(year) != 2:
        return year
    return f"{19 if int(year) > datetime.date.today().year % 100 else 20}{year}"


def _day(year: str, month: str, day: str) -> datetime.date | None:
    try:
        return datetime.date(int(year), int(month), int(day))
    except ValueError:
        return None
