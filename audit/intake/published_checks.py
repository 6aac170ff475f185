"""The checks of one line of a file of published values."""

from __future__ import annotations

import re
from typing import Any

from audit.intake.published_value import (
    CODES,
    COLUMNS,
    COUNTED_BY,
    NUMBERS,
    POOLED,
    REQUIRED,
    TEXTS,
    WHOLE,
    PublishedValue,
)

#: (column, what is wrong and what to do)
Faults = list[tuple[str, str]]
_NUMBER = re.compile(r"[-+]?\d+(?:\.(\d+))?")
_COUNT = re.compile(r"0*[1-9][0-9]{0,6}")
_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]*")
_DOI = re.compile(r"10\.\d{4,9}/\S+")
_WIDEST = 40
#: so that a distance of a whole unit is one whatever the arithmetic leaves behind
_SLACK = 1e-9
#: statistics that are counted
COUNTED = ("proportion", "rate")


def value_from(cells: dict[str, str], *, line: int) -> tuple[PublishedValue | None, Faults]:
    """The published value of a line, or None and its faults.

    cells: column -> text, stripped; a column may be absent. Every fault of the line is found.
    """
    faults: Faults = []
    given: dict[str, Any] = {name: cells.get(name, "") for name in TEXTS}
    for name in CODES:
        given[name] = _code(name, cells.get(name, ""), faults)
    for name in (*NUMBERS, *WHOLE):
        given[name] = _number(name, cells.get(name, ""), faults)
    for name in COUNTED_BY:
        given[name] = _counts(name, cells.get(name, ""), faults)
    _check_texts(given, faults)
    if not faults:
        _check_spread(given, faults)
        _check_pooled(given, faults)
        _check_counts(given, faults)
    if faults:
        return None, faults
    printed = _NUMBER.fullmatch(cells.get("value", ""))
    decimals = len(printed[1] or "") if printed else 0
    return PublishedValue(
        **{name: given[name] for name in COLUMNS}, decimals=decimals, line=line
    ), []


def _code(name: str, cell: str, faults: Faults) -> str:
    parts = cell.split("+") if name in POOLED else [cell]
    for part in parts:
        if cell and part not in CODES[name]:
            listed = ", ".join(CODES[name])
            joined = ', or several joined by "+"' if name in POOLED else ""
            words = (
                f"{part[:_WIDEST]!r} is not one of {listed}{joined}. Leave it empty if not said."
            )
            faults.append((name, words))
            return ""
        if parts.count(part) > 1:
            faults.append((name, f"{part} stands more than once. Keep one."))
            return ""
    return cell


def _counts(name: str, cell: str, faults: Faults) -> tuple[int, ...]:
    """Counts joined by "+"."""
    parts = cell.split("+") if cell else []
    if not all(_COUNT.fullmatch(part) for part in parts):
        faults.append((name, 'must be whole numbers from 1 joined by "+", such as 24+8.'))
        return ()
    return tuple(int(part) for part in parts)


def _number(name: str, cell: str, faults: Faults) -> float | int | None:
    if not cell:
        return None
    if not _NUMBER.fullmatch(cell):
        faults.append((name, "must be a plain number with a decimal point, such as 31.3."))
        return None
    number = float(cell)
    if name not in WHOLE:
        return number
    if not number.is_integer() or number < 0:
        faults.append((name, "must be a whole number, 0 or more."))
        return None
    return int(number)


def _check_texts(given: dict[str, Any], faults: Faults) -> None:
    for name in REQUIRED:
        if not given[name]:
            faults.append((name, "is empty. Fill it in."))
    for name in ("entry", "measure"):
        if given[name] and not _ID.fullmatch(given[name]):
            faults.append((name, "must be made of letters, digits, _ and - only."))
    if given["doi"] and not _DOI.fullmatch(given["doi"]):
        faults.append(("doi", "must look like 10.1000/abc, without an address before it."))


def _check_spread(given: dict[str, Any], faults: Faults) -> None:
    value, low, high = given["value"], given["low"], given["high"]
    if given["sd"] is not None and given["sd"] <= 0:
        faults.append(("sd", "must be more than 0."))
    if given["tolerance_mm"] is not None and given["tolerance_mm"] < 0:
        faults.append(("tolerance_mm", "must be 0 or more."))
    if (low is None) != (high is None):
        faults.append(
            ("low" if low is None else "high", "is empty while the other limit is given.")
        )
    elif low is not None and not given["interval_kind"]:
        listed = ", ".join(CODES["interval_kind"])
        faults.append(("interval_kind", f"is empty: say what low and high are, one of {listed}."))
    elif low is None and given["interval_kind"]:
        faults.append(("low", "is empty though interval_kind is given. Add both limits."))
    elif low is not None and (low > high or (value is not None and not low <= value <= high)):
        faults.append(("low", "low, value and high must be in rising order. Check all three."))


def _check_pooled(given: dict[str, Any], faults: Faults) -> None:
    """Counts of bones against the bones, and the number of figures behind a sum."""
    for name, by in COUNTED_BY.items():
        counts, codes = given[name], given[by].split("+") if given[by] else []
        if counts and len(counts) != len(codes):
            words = f"must hold one count for each code of {by}, in its order."
            faults.append((name, words))
        elif counts and given["n"] is not None and sum(counts) < given["n"]:
            faults.append((name, "adds up to less than n. Check both in the paper."))
    if given["sum_of"] is not None and given["sum_of"] < 2:
        faults.append(("sum_of", "must be 2 or more. Leave it empty if the value is printed."))
    elif given["sum_of"] is not None and (given["value"] is None or given["events"] is not None):
        faults.append(("sum_of", "belongs to a value without events. Delete it."))


def _check_counts(given: dict[str, Any], faults: Faults) -> None:
    value, events, n = given["value"], given["events"], given["n"]
    counted = given["statistic"] in COUNTED
    if events is not None and not counted:
        faults.append(("events", "belongs to a proportion or a rate only. Delete it."))
    elif events is not None and given["statistic"] == "proportion" and n is not None and events > n:
        faults.append(("events", "must not be more than n."))
    elif value is None and (events is None or not n):
        faults.append(("value", "is empty, and events and n do not give it. Add what is printed."))
    elif value is not None and given["statistic"] == "proportion":
        whole = 100.0 if given["unit"] == "%" else 1.0
        if not 0 <= value <= whole:
            faults.append(("value", f"a share in this unit lies between 0 and {whole:g}."))
    if not faults and value is not None and events is not None and n:
        _check_agreement(given, faults)


def _check_agreement(given: dict[str, Any], faults: Faults) -> None:
    """The printed figure against its counts, less than one unit of its last place allowed: papers
    round and cut."""
    scale = {"%": 100.0, "events per 100 cases": 100.0}.get(given["unit"], 1.0)
    found = scale * given["events"] / given["n"]
    text = f"{given['value']!r}".rstrip("0").rstrip(".")
    step = 10.0 ** -len(text.partition(".")[2])
    if abs(found - given["value"]) > step * (1 - _SLACK):
        faults.append(("value", "does not agree with events and n. Check all three in the paper."))
