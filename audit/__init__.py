"""Clinical audit of limb lengthening: case tables in, evidence out.

`read_source` -> `build_cohort` -> `measure_cases` -> `audit.estimates`. Names load on first use,
so that a command pays only for what it needs.
"""

from __future__ import annotations

import importlib
from typing import Any

__version__ = "0.1.0"

_HOMES = {
    "Cohort": "audit.cohort",
    "Settings": "audit.settings",
    "UnusableInput": "audit.errors",
    "build_cohort": "audit.cohort",
    "measure_cases": "audit.measures",
    "read_source": "audit.intake",
    "tables_from_frames": "audit.intake",
}

__all__ = sorted(_HOMES)


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'audit' has no attribute {name!r}")
    return getattr(importlib.import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return __all__
