"""Words of the entry workbook about one column, made from its contract."""

from __future__ import annotations

import textwrap

from schemas import TABLES, vocabulary
from schemas import expected as when_expected
from schemas.fields import Limits
from schemas.rules.dates import OLDEST

#: what a kind of column holds, and how it is typed
KIND_WORDS: dict[str, tuple[str, str]] = {
    "identifier": ("id", "A code of your own, kept as text."),
    "text": ("text", "Short words or a code, kept as text."),
    "code": ("code", "Choose from the list."),
    "number": ("number", "A number."),
    "whole": ("whole number", "A whole number."),
    "day": ("date", "A date, typed as 2025-03-31."),
    "moment": ("date and time", "Day and time, typed as 2025-03-31 07:40."),
}
EXPECTED_WORDS: dict[str, str] = {
    "always": "Expected in every row; leave it empty if unknown.",
    "optional": "Fill it in if you have it.",
}
REQUIRED = "Required in every row."
#: longest title and text that a spreadsheet program takes for a hint at a cell
TITLE_LETTERS, HINT_LETTERS = 32, 255


def expected_words(table: str, column: str) -> str:
    """When a value is expected, as a sentence."""
    contract = TABLES[table].columns[column]
    if contract.required:
        return REQUIRED
    state = when_expected.state(contract.metadata["expected"])
    return EXPECTED_WORDS.get(state.name, f"Expected in {state.words}.")


def span_words(low: float | None, high: float | None) -> str:
    """Limits in words: "1 to 300", "at least 0", or "" where there are none."""
    if low is None and high is None:
        return ""
    if low is None:
        return f"at most {high:g}"
    if high is None:
        return f"at least {low:g}"
    return f"{low:g} to {high:g}"


def limit_words(limits: Limits) -> str:
    """What is possible and what is usual, as sentences; empty without limits."""
    possible = span_words(limits.low, limits.high)
    usual = span_words(limits.usual_low, limits.usual_high)
    parts = [f"Possible: {possible}."] if possible else []
    return " ".join(parts + ([f"Usual: {usual}."] if usual else []))


def form_words(table: str, column: str) -> str:
    """How a value is typed, with the unit where there is one."""
    metadata = TABLES[table].columns[column].metadata
    words = KIND_WORDS[metadata["kind"]][1]
    if not metadata["unit"]:
        return words
    return f"{words.removesuffix('.')} in {metadata['unit']}; write the number only."


def code_lines(name: str) -> list[str]:
    """The codes of a list with their labels; a label that says the same is left out."""
    return [
        code if label.lower() == code.replace("_", " ") else f"{code} = {label}"
        for code, label in vocabulary.CODE_LISTS[name].items()
    ]


def heading_note(table: str, column: str) -> str:
    """Everything about a column, for the comment on its heading."""
    metadata = TABLES[table].columns[column].metadata
    lines = [
        metadata["title"],
        metadata["meaning"],
        form_words(table, column),
        limit_words(metadata["limits"]),
        expected_words(table, column),
    ]
    if metadata["codes"]:
        lines += ["Codes:", *code_lines(metadata["codes"])]
    return "\n".join(line for line in lines if line)


def cell_hint(table: str, column: str) -> tuple[str, str]:
    """(title, text) shown at a cell while it is filled in; cut to what such a hint can hold."""
    metadata = TABLES[table].columns[column].metadata
    title = next(
        (name for name in (metadata["title"], column) if len(name) <= TITLE_LETTERS),
        textwrap.shorten(metadata["title"], TITLE_LETTERS, placeholder="..."),
    )
    parts = [
        metadata["meaning"],
        expected_words(table, column),
        form_words(table, column),
        limit_words(metadata["limits"]),
    ]
    text = ""
    for part in parts:
        if part and len(text) + 1 + len(part) <= HINT_LETTERS:
            text = f"{text} {part}".strip()
    return title, text


def refusal(table: str, column: str, *, past: bool) -> tuple[str, str]:
    """(title, text) of the message when a typed value is not taken. past: no later day than
    today can be right."""
    contract = TABLES[table].columns[column]
    kind = contract.metadata["kind"]
    unknown = REQUIRED if contract.required else "Leave the cell empty if unknown."
    words = form_words(table, column)
    if kind == "code":
        listed = f"Choose one of: {', '.join(vocabulary.codes(contract.metadata['codes']))}."
        words = listed if len(listed) + len(unknown) < HINT_LETTERS else words
    elif kind in ("day", "moment"):
        late = " and not in the future" if past else ""
        words = f"{words} It must be a real day, not before {OLDEST.year}{late}."
    else:
        words = f"{words} {limit_words(contract.metadata['limits'])}".strip()
    return "Not possible here", f"{words} {unknown}"
