"""Where the demo data lie."""

from __future__ import annotations

import importlib.resources
import pathlib

from audit.errors import UnusableInput


def demo_source() -> pathlib.Path:
    """The folder of the demo tables. UnusableInput when they were not installed."""
    home = pathlib.Path(str(importlib.resources.files("demo_data"))) / "tables"
    if not home.is_dir():
        raise UnusableInput("The demo data are not installed: run from a checkout of the kit.")
    return home


def demo_plan() -> pathlib.Path:
    """The series plan of the invented service. UnusableInput when it was not installed."""
    path = pathlib.Path(str(importlib.resources.files("demo_data"))) / "series_plan.toml"
    if not path.is_file():
        raise UnusableInput("The demo plan is not installed: run from a checkout of the kit.")
    return path
