"""Reads the plan of a case series (TOML)."""

from __future__ import annotations

import pathlib

from audit.intake.toml_text import entry_line, read_content, toml_entries
from audit.plan import SeriesPlan
from audit.plan.entries import plan_from

DEFAULT = pathlib.Path(__file__).resolve().parents[1] / "series_default.toml"


def read_series_plan(path: str | pathlib.Path | None = None) -> SeriesPlan:
    """The plan of a file, or the kit's own plan, in which every field of the study is empty.

    A department's own file replaces the kit's plan as a whole. Raises UnusableInput when the file
    cannot be read or an entry is wrong: file, line, field and what to do.
    """
    home = DEFAULT if path is None else pathlib.Path(path)
    return series_plan_from(read_content(home, what="The plan"), name=home.name)


def series_plan_from(content: bytes, *, name: str) -> SeriesPlan:
    """The plan that a file called `name` holds. Raises UnusableInput as `read_series_plan`."""
    text, entries = toml_entries(
        content, label=f"The plan {name}", form="the kit's own plan shows the form"
    )
    return plan_from(
        entries, name=name, content=content, line_of=lambda path: entry_line(text, path)
    )
