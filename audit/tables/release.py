"""Controlled summary tables for people: one line a cell, its statistics side by side."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence

import pandas as pd

from audit import wording
from audit.disclosure.controlled import MARKERS, ControlledTable
from audit.disclosure.flags import COARSER
from audit.results.catalogue import MEASURES, TIMES
from audit.summaries.table import ALL
from audit.tables.shown import ShownTable
from schemas import vocabulary

Record = dict[str, object]
LEVEL_WORDS = {
    "internal": "internal: exact numbers, for the department only",
    "paper": "for a paper: exact numbers, small cells for the authors to decide on",
    "external": "external: full disclosure control",
}
STATISTIC_WORDS = {
    "count": "Count",
    "share": "Share",
    "mean": "Mean",
    "sd": "SD",
    "median": "Median",
    "q1": "Lower quartile",
    "q3": "Upper quartile",
    "rate": "Rate",
    "curve": "Curve",
}
AVERAGED = ("mean", "sd", "median", "q1", "q3", "rate")
UNIT, AT_RISK = "Unit", "At risk"
#: markers that stand in the place of a number; the others stand beside one
INSTEAD = ("[c]", "[x]", "[z]", "[k]")
_CODE = re.compile("[a-z][a-z0-9_]*")
_TITLES = {one.name: one.title for one in MEASURES} | {
    name: title for name, (title, *_) in TIMES.items()
}


def release_shown(one: ControlledTable) -> ShownTable:
    """A controlled table with one line a cell: a column for each dimension, then one for each
    statistic that it holds. Markers stand where numbers do not; the notes say what they mean."""
    keys = [name for name in one.table.dimensions if name not in one.table.tied]
    headings = _statistic_headings(one)
    columns = _columns(one, headings)
    lines: dict[tuple, dict[str, str]] = {}
    for row in one.frame.to_dict("records"):
        start = {_heading(name): _category(one, row, name) for name in one.table.dimensions}
        line = lines.setdefault(
            tuple(str(row[name]) for name in keys), dict.fromkeys(columns, "") | start
        )
        _put(line, row, heading=headings[str(row["statistic"])], level=one.level)
    return ShownTable(
        frame=pd.DataFrame(list(lines.values()), columns=columns).astype("str"),
        name=f"{one.table.name}-{one.level}",
        caption=f"{one.table.title} ({LEVEL_WORDS[one.level]})",
        notes=_notes(one),
        row_headings=max(1, len(one.table.dimensions)),
    )


def release_overview(controlled: Sequence[ControlledTable]) -> ShownTable:
    """What control did to each table of one release: rows, how many are hidden first and to protect
    them, coarser groups used, decisions that people still have to record."""
    lines = [
        {
            "Table": one.table.name,
            "Counted": one.table.counted,
            "Rows": str(len(one.frame)),
            "Hidden": str(one.hidden[0]),
            "Hidden to protect them": str(one.hidden[1]),
            "Coarser groups": _coarser(one) or "none",
            "Decisions to record": str(sum(not flag.startswith(COARSER) for flag in one.flags)),
        }
        for one in controlled
    ]
    levels = ", ".join(dict.fromkeys(LEVEL_WORDS[one.level] for one in controlled))
    columns = [
        "Table", "Counted", "Rows", "Hidden", "Hidden to protect them", "Coarser groups",
        "Decisions to record",
    ]  # fmt: skip
    notes = ("A row is one statistic of one cell.",) if lines else ("There is no table.",)
    return ShownTable(
        pd.DataFrame(lines, columns=columns), "release-overview", f"Release, {levels}", notes
    )


def release_flags(controlled: Sequence[ControlledTable]) -> ShownTable:
    """Every flag of a release, a line each, for those who decide on it."""
    lines = [(one.table.name, *flag.split(": ", 1)) for one in controlled for flag in one.flags]
    notes = () if lines else ("Nothing needs a decision.",)
    frame = pd.DataFrame(lines, columns=["Table", "Kind", "Where and what"])
    return ShownTable(frame, "release-flags", "What needs a recorded decision", notes)


def _statistic_headings(one: ControlledTable) -> dict[str, str]:
    """Statistic -> the heading of its column, in order; an interval is named where there is one."""
    held = one.frame.loc[one.frame["low"].notna() | one.frame["high"].notna(), "statistic"]
    limits, present = {*held}, {*one.frame["statistic"]}
    return {
        name: f"{words} (95% CI)" if name in limits else words
        for name, words in STATISTIC_WORDS.items()
        if name in present
    }


def _columns(one: ControlledTable, headings: dict[str, str]) -> list[str]:
    middle = [AT_RISK] if "curve" in headings else []
    middle += [UNIT] if {*headings} & {*AVERAGED} else []
    return [*(_heading(name) for name in one.table.dimensions), *middle, *headings.values()]


def _category(one: ControlledTable, row: Record, name: str) -> str:
    code = str(row[name])
    return code if name in one.table.tied else category_words(name, code)


def _heading(name: str) -> str:
    return name.replace("_", " ").capitalize()


def category_words(dimension: str, category: str) -> str:
    """The words for a category of a dimension: of its code list, of a measure, else the code."""
    if category == ALL:
        return "All"
    if dimension in vocabulary.CODE_LISTS and category in vocabulary.CODE_LISTS[dimension]:
        return vocabulary.label(dimension, category)
    if category in _TITLES or dimension == "centre" or not _CODE.fullmatch(category):
        return _TITLES.get(category, category)
    return category.replace("_", " ").capitalize()


def _put(line: dict[str, str], row: Record, *, heading: str, level: str) -> None:
    """Writes a row into its place in the line of its cell."""
    statistic, marker = str(row["statistic"]), str(row["marker"])
    text = marker if marker in INSTEAD else _TEXTS.get(statistic, _value)(row, level)
    if marker and marker not in INSTEAD:
        text = f"{text} {marker}"
    line[heading] = text
    if statistic in AVERAGED and (unit := str(row["unit"])) not in line[UNIT].split("; "):
        line[UNIT] = "; ".join(part for part in (line[UNIT], unit) if part)
    if statistic == "curve":
        line[AT_RISK] = marker if pd.isna(row["denominator"]) else _whole(row["denominator"])


def _whole(number: object) -> str:
    return wording.rounded(float(number), 0)  # type: ignore[arg-type]


def _count(row: Record, level: str) -> str:
    return _whole(row["value"])


def _share(row: Record, level: str) -> str:
    """`n/N (p%; low% to high%)`; a share without an interval: `n/N (p%)`."""
    n = int(row["denominator"])  # type: ignore[call-overload]
    text = wording.count_of(int(row["numerator"]), n)  # type: ignore[call-overload]
    if pd.isna(row["low"]) or n == 0:
        return text
    limits = (wording.percent(float(row[name]), n) for name in ("low", "high"))  # type: ignore[arg-type]
    return f"{text[:-1]}; {' to '.join(limits)})"


def _curve(row: Record, level: str) -> str:
    value = wording.percent(float(row["value"]), 1)  # type: ignore[arg-type]
    if pd.isna(row["low"]) or pd.isna(row["high"]):
        return value
    limits = (wording.percent(float(row[name]), 1) for name in ("low", "high"))  # type: ignore[arg-type]
    return f"{value} ({' to '.join(limits)})"


def _value(row: Record, level: str) -> str:
    """A number in its unit, with its limits: released ones as they are, exact ones rounded."""
    numbers: list[float] = [float(row[name]) for name in ("value", "low", "high")]  # type: ignore[arg-type]
    decimals = wording.decimals_for(str(row["unit"]))
    if level == "external":
        decimals = max(_digits(number) for number in numbers if not math.isnan(number))
    text, (low, high) = wording.rounded(numbers[0], decimals), numbers[1:]
    if math.isnan(low) and math.isnan(high):
        return text
    return f"{text} ({wording.span(low, high, decimals)})"


_TEXTS: dict[str, Callable[[Record, str], str]] = {
    "count": _count,
    "share": _share,
    "curve": _curve,
}


def _digits(number: float) -> int:
    """Decimals that a released number has."""
    text = f"{number:.6f}".rstrip("0")
    return len(text.partition(".")[2])


def _coarser(one: ControlledTable) -> str:
    return "; ".join(flag.split(": ", 1)[1] for flag in one.flags if flag.startswith(COARSER))


def _notes(one: ControlledTable) -> tuple[str, ...]:
    used = [marker for marker in MARKERS if (one.frame["marker"] == marker).any()]
    legend = [f"{marker} {MARKERS[marker]}." for marker in used]
    people = f"Population: {one.table.population}. Counted: {one.table.counted}."
    return (people, *one.controls, *legend, *one.table.notes)
