"""A table for people, with everything it needs to be read alone."""

from __future__ import annotations

import dataclasses

import pandas as pd

from schemas import vocabulary


@dataclasses.dataclass(frozen=True)
class ShownTable:
    """frame: texts ready to print, headings with units. name: for the file and the anchor.
    row_headings: how many columns at the left are headings of their row."""

    frame: pd.DataFrame
    name: str
    caption: str
    notes: tuple[str, ...] = ()
    row_headings: int = 1


def group_words(group_by: str, group: str) -> str:
    """The words for a group of results.csv, such as "Lengthening nail, femur"."""
    if group_by == "all":
        return "All cases"
    names, parts = group_by.split("+"), group.split("+")
    words = [_label(name, part) for name, part in zip(names, parts, strict=True)]
    return ", ".join([words[0], *(word[:1].lower() + word[1:] for word in words[1:])])


def _label(name: str, code: str) -> str:
    if code == "not_recorded":
        return "Not recorded"
    if code == "mixed":
        return "Mixed"
    return vocabulary.label(name, code) if name in vocabulary.CODE_LISTS else code


def window_words(window: str) -> str:
    """The words for a window of results.csv."""
    if window == "all":
        return "All time"
    kind, quarter = window.split(":")
    words = f"{quarter[:4]} Q{quarter[-1]}"
    return f"Quarter {words}" if kind == "quarter" else f"Four quarters to {words}"
