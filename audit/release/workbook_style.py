"""One look for every workbook that leaves the kit.

Colour is never the only carrier: a mark also has a border, a pattern or a letter style of its own,
and words beside it.
"""

from __future__ import annotations

import dataclasses
from typing import Any

from xlsxwriter.format import Format
from xlsxwriter.workbook import Workbook

INK, SOFT, RULE, FAINT, BAND = "#1D2329", "#4D5660", "#7A838C", "#D5DADE", "#F3F5F7"
NAVY, PALE = "#14235A", "#DDE3EE"
FONT, FONT_SIZE = "Arial", 10


@dataclasses.dataclass(frozen=True, kw_only=True)
class Mark:
    """How a cell is marked. words: what the mark says, for a legend. form: cell format."""

    words: str
    form: dict[str, Any]


#: form of a doubtful cell, by what is the matter with it
MARKS: dict[str, Mark] = {
    "unusable": Mark(
        words="Bold, red edge: cannot be used as it stands (wrong kind of value, impossible value, "
        "a code that is not in the list, or an id that no row of the other table has).",
        form={"bold": True, "font_color": "#7A1E0A", "bg_color": "#F8D9D3", "border": 1,
              "border_color": "#9C2A10"},
    ),
    "repeated": Mark(
        words="Underlined, violet edge: this id stands in more than one row; each row needs its "
        "own.",
        form={"bold": True, "underline": 1, "font_color": "#4B1B58", "bg_color": "#EBDDF0",
              "border": 1, "border_color": "#6B2D7B"},
    ),
    "missing": Mark(
        words="Blue, dotted edge, empty: a required cell of a row that you have begun.",
        form={"pattern": 14, "fg_color": "#3E6FA8", "bg_color": "#E6EFF9", "border": 4,
              "border_color": "#24507F"},
    ),
    "unusual": Mark(
        words="Italic, dashed edge: possible but unusual; check it, and leave it if it is right.",
        form={"italic": True, "font_color": "#5C3A00", "bg_color": "#FFF1CC", "border": 3,
              "border_color": "#8A5300"},
    ),
}  # fmt: skip

#: form of a cell that is asked about, by severity: words in an overview say what it means
ASKED_FORMS: dict[str, dict[str, Any]] = {
    "error": {"bold": True, "font_color": "#7A1E0A", "bg_color": "#F8D9D3", "border": 2,
              "border_color": "#9C2A10"},
    "warning": {"italic": True, "font_color": "#5C3A00", "bg_color": "#FFF1CC", "border": 8,
                "border_color": "#8A5300"},
}  # fmt: skip

_TOP = {"valign": "top", "font_color": INK}
#: a step in from the edge, so that a number beside it does not run into it
_IN = {"align": "left", "indent": 1}
FORMS: dict[str, dict[str, Any]] = {
    "title": {"bold": True, "font_size": 16, "font_color": NAVY},
    "lead": {**_TOP, "font_size": 11, "font_color": SOFT, "valign": "vcenter"},
    "section": {"bold": True, "font_size": 12, "font_color": NAVY, "bottom": 2,
                "bottom_color": NAVY, "valign": "bottom"},
    "label": {**_TOP, "bold": True, "text_wrap": True},
    "link": {**_TOP, "underline": 1, "font_color": "#12436D"},
    "text": {**_TOP, "text_wrap": True, **_IN},
    "command": {**_TOP, "font_name": "Courier New", "bg_color": BAND, "text_wrap": True,
                **_IN},
    "quiet": {**_TOP, "font_color": SOFT},
    "strong": {**_TOP, "bold": True},
    "band": {"bold": True, "font_size": 8, "font_color": SOFT, "valign": "bottom", **_IN},
    "answer": {**_TOP, "text_wrap": True, **_IN, "border": 1, "border_color": "#2E7D5B",
               "bg_color": "#F4FBF7"},
    "answer heading": {"bold": True, "font_color": "#FFFFFF", "bg_color": "#1F5C43", "border": 1,
                       "border_color": "#2E7D5B", "valign": "bottom", **_IN},
    "typed": {**_TOP, "num_format": "@", "text_wrap": True, **_IN, "bottom": 1,
              "bottom_color": FAINT},
    "required": {"bold": True, "font_color": "#FFFFFF", "bg_color": NAVY, "border": 1,
                 "border_color": "#FFFFFF", "valign": "vcenter", **_IN},
    "optional": {"font_color": INK, "bg_color": PALE, "border": 1, "border_color": "#FFFFFF",
                 "valign": "vcenter", **_IN},
    "heading": {"bold": True, "font_color": INK, "bg_color": PALE, "bottom": 1,
                "bottom_color": RULE, "valign": "bottom", **_IN, "text_wrap": True},
    "cell": {**_TOP, "text_wrap": True, **_IN, "bottom": 1, "bottom_color": FAINT},
    "day": {"num_format": "yyyy-mm-dd", "valign": "top", **_IN},
    "moment": {"num_format": "yyyy-mm-dd hh:mm", "valign": "top", **_IN},
    "as_text": {"num_format": "@", "valign": "top", **_IN},
    "plain": {"valign": "top"},
}  # fmt: skip


class Looks:
    """The formats of one workbook, each made once: `looks["title"]`, `looks.mark("missing")`."""

    def __init__(self, workbook: Workbook) -> None:
        self._workbook = workbook
        self._made: dict[str, Format] = {}

    def __getitem__(self, name: str) -> Format:
        return self._format(name, FORMS[name])

    def condition(self, name: str) -> Format:
        """The form of a mark, for a conditional format."""
        return self._format(f"condition {name}", MARKS[name].form)

    def mark(self, name: str) -> Format:
        """The form of a mark (of MARKS or ASKED_FORMS) for a cell that holds text as typed."""
        form = ASKED_FORMS[name] if name in ASKED_FORMS else MARKS[name].form
        return self._format(f"mark {name}", {**FORMS["typed"], **form})

    def _format(self, name: str, form: dict[str, Any]) -> Format:
        if name not in self._made:
            self._made[name] = self._workbook.add_format(form)
        return self._made[name]
