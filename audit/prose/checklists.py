"""Reporting checklists: each item with its state and the place where it is answered."""

from __future__ import annotations

from collections.abc import Collection

import pandas as pd

from audit.plan import FIELD_WORDS, StudyFields
from audit.prose.checklist_items import CHECKLISTS, Item
from audit.prose.pointers import Pointers
from audit.prose.sections import SECTIONS
from audit.series.case_series import CaseSeries
from audit.tables.shown import ShownTable

FILLED, PARTLY, AUTHOR, ABSENT = (
    "filled",
    "partly, rest for the author",
    "for the author",
    "not in this document",
)
STATES = (FILLED, PARTLY, AUTHOR, ABSENT)
#: sections whose text is made from the run; the others hold what the author wrote
MADE = ("participants", "cleaning", "statistics", "missing", "sensitivity_methods")
NOTES = {
    "checklist_strobe": "Items in our own words after von Elm 2007; the printed list decides.",
    "checklist_record": "Items in our own words after Benchimol 2015; the printed list decides.",
    "checklist_process": "Items in our own words after Mathew 2023, numbered as there up to 6a; "
    "later items by topic, from memory of the list of 2020; the printed list decides.",
}


def checklist_tables(
    series: CaseSeries, pointers: Pointers, sections: Collection[str]
) -> list[ShownTable]:
    """STROBE, RECORD and PROCESS as tables. sections: keys of the sections that the paper has."""
    found = []
    for name, (caption, items) in CHECKLISTS.items():
        lines = [_line(item, series.plan.study, pointers, sections) for item in items]
        frame = pd.DataFrame(lines, columns=["Item", "What is asked", "State", "Where"])
        found.append(ShownTable(frame, name, caption, (NOTES[name],), row_headings=2))
    return found


def _line(
    item: Item, study: StudyFields, pointers: Pointers, sections: Collection[str]
) -> tuple[str, str, str, str]:
    where = [SECTIONS[key].place for key in item.sections if key in sections]
    shown = pointers.places(*item.tables)
    wanted = [f"{FIELD_WORDS[name]} ({name})" for name in item.fields if name in study.empty]
    wanted += [item.author] if item.author else []
    parts = ["; ".join(where), shown, f"author: {'; '.join(wanted)}" if wanted else ""]
    state = ABSENT if item.needed and not shown else _state(item, where, wanted)
    return item.number, item.words, state, ". ".join(part for part in parts if part)


def _state(item: Item, where: list[str], wanted: list[str]) -> str:
    if not wanted:
        return FILLED if where or item.fields else ABSENT
    made = any(key in MADE or key.startswith("r_") for key in item.sections)
    made |= bool(item.tables) or ("abstract" in item.sections and not item.fields)
    some = len(wanted) < len(item.fields) + bool(item.author)
    return PARTLY if made or some else AUTHOR
