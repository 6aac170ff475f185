"""Reads a file of published values (CSV): every line is checked, and a message says where."""

from __future__ import annotations

import dataclasses
import difflib
import hashlib
import importlib.resources
import pathlib

import pandas as pd

from audit.errors import UnusableInput
from audit.intake.csv_text import read_grid
from audit.intake.parse import plain_heading
from audit.intake.published_checks import value_from
from audit.intake.published_value import COLUMNS, REQUIRED, PublishedValue

#: faults named in one message
SHOWN = 10


@dataclasses.dataclass(frozen=True)
class PublishedValues:
    """A file as it was read. name: of the file. sha256: of its content. values: in its order."""

    name: str
    sha256: str
    values: tuple[PublishedValue, ...]


def read_published_values(path: str | pathlib.Path | None = None) -> PublishedValues:
    """The published values of a CSV file, or of the kit's own collection.

    A department's own file replaces the kit's as a whole: the two are never mixed. Raises
    UnusableInput when the file cannot be opened or a line is wrong; the message names the file,
    and for up to ten faults the line, the column, the rule and what to do.
    """
    home = _own() if path is None else pathlib.Path(path)
    try:
        content = home.read_bytes()
    except OSError:
        raise UnusableInput(
            f"The file of published values {home.name} cannot be opened: check the path."
        ) from None
    return published_values_from(content, name=home.name)


def published_values_from(content: bytes, *, name: str) -> PublishedValues:
    """The published values that a file called `name` holds. Raises as `read_published_values`."""
    grid = read_grid(content, name=name)
    if grid.too_wide:
        raise UnusableInput(
            f"{name}, line {grid.too_wide[0]}: more cells than headings, so its cells may have "
            "shifted. Put texts that hold a comma in quotes and write decimals with a point."
        )
    table = _with_known_columns(grid.frame, name)
    values: list[PublishedValue] = []
    faults: list[str] = []
    seen: dict[str, int] = {}
    for record in table.to_dict("records"):
        line = int(record.pop("row"))
        cells = {str(column): str(cell).strip() for column, cell in record.items()}
        value, wrong = value_from(cells, line=line)
        first = seen.setdefault(cells["entry"], line)
        if cells["entry"] and first != line:
            wrong.append(("entry", f"stands in line {first} already. Give each line its own."))
        faults += [f"line {line}, column {column}: {words}" for column, words in wrong]
        if value is not None:
            values.append(value)
    if faults:
        raise UnusableInput(_message(name, faults))
    if not values:
        raise UnusableInput(f"{name} holds no published value: add at least one line.")
    return PublishedValues(name, hashlib.sha256(content).hexdigest(), tuple(values))


def _own() -> pathlib.Path:
    return pathlib.Path(str(importlib.resources.files("demo_data"))) / "published_values.csv"


def _with_known_columns(frame: pd.DataFrame, name: str) -> pd.DataFrame:
    """The table under tidy headings, a column for each field; UnusableInput for other headings."""
    tidy = frame.fillna("")
    tidy.columns = pd.Index(["row", *(plain_heading(str(head)) for head in frame.columns[1:])])
    heads = list(tidy.columns[1:])
    for head in heads:
        if head not in COLUMNS:
            near = difflib.get_close_matches(head, COLUMNS, 1)
            hint = f" Did you mean {near[0]}?" if near else ""
            raise UnusableInput(
                f"{name}: unknown column {head!r}; known: {', '.join(COLUMNS)}.{hint}"
            )
        if heads.count(head) > 1:
            raise UnusableInput(f"{name}: the column {head} stands more than once. Keep one.")
    for head in REQUIRED:
        if head not in heads:
            raise UnusableInput(f"{name}: the column {head} is missing. Add it.")
    return tidy


def _message(name: str, faults: list[str]) -> str:
    lines = [f"{name} cannot be used:", *faults[:SHOWN]]
    if len(faults) > SHOWN:
        lines.append(f"and {len(faults) - SHOWN} more")
    return "\n".join(lines)
