"""Figures: tables and estimates in, a matplotlib Figure out. Nothing is computed here.

Each figure has a twin `<figure>_alt` that puts the same input into a sentence or two for those who
cannot see it. Figures are not tied to any display: `picture` gives the bytes of a file.
"""

from __future__ import annotations

import importlib
from typing import Any

_HOMES: dict[str, str] = {
    "case_course": "case",
    "chart_over_time": "charts",
    "complication_rates": "complications",
    "cumulative_misses": "monitoring",
    "date_seen_and_interval": "compared",
    "flow_diagram": "flow",
    "funnel": "charts",
    "incidence_beside_complement": "compared",
    "knee_course": "knee",
    "measure_by_group": "groups",
    "measure_over_time": "monitoring",
    "planned_against_achieved": "length",
    "promised_against_happened": "counsel",
    "published_beside": "published",
    "quality_over_time": "quality",
    "sensitivity_forest": "sensitivity",
    "time_curves": "times",
}
_HOMES |= {f"{name}_alt": home for name, home in _HOMES.items()}
_HOMES |= {"nothing_to_draw": "style", "picture": "style"}

__all__ = sorted(_HOMES)


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"audit.figures has no figure named {name!r}")
    return getattr(importlib.import_module(f"audit.figures.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return __all__
