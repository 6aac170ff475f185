"""Estimators: arrays or columns in, an Estimate out. Loaded on first use, for a quick start."""

from __future__ import annotations

import importlib
from typing import Any

_HOMES: dict[str, str] = {
    "Estimate": "estimate",
    "not_estimable": "estimate",
}

__all__ = sorted(_HOMES)


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"audit.estimates has no estimator named {name!r}")
    return getattr(importlib.import_module(f"audit.estimates.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return __all__
