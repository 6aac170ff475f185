"""The one shape that every number of the kit has: a value with its doubt and its name."""

from __future__ import annotations

import dataclasses
import math

LEVEL = 0.95


@dataclasses.dataclass(frozen=True, kw_only=True)
class Estimate:
    """A number with everything a reader needs to judge it.

    value: the estimate in `unit`, or None where it is not estimable (then `note` says why).
    low, high: interval limits at `level`, or None where no interval exists; `math.inf` is
        allowed for a limit that is open by construction (a rate ratio without events below).
    n: observations used; missing: observations that belonged in but had no usable value.
    method: name of the estimator and of its interval; note: reason, cut point or caution.
    """

    value: float | None
    low: float | None = None
    high: float | None = None
    level: float = LEVEL
    n: int = 0
    missing: int = 0
    method: str = ""
    unit: str = ""
    note: str = ""

    def __post_init__(self) -> None:
        for name in ("value", "low", "high"):
            number = getattr(self, name)
            if number is not None and math.isnan(number):
                raise ValueError(f"an Estimate's {name} is a number or None, never NaN")
        if self.value is None and not self.note:
            raise ValueError("an Estimate without a value must say why in its note")

    @property
    def estimable(self) -> bool:
        """True when there is a value to show."""
        return self.value is not None


def not_estimable(
    reason: str,
    *,
    n: int = 0,
    missing: int = 0,
    method: str = "",
    unit: str = "",
    level: float = LEVEL,
) -> Estimate:
    """An Estimate without a value; `reason` is one plain sentence without a full stop."""
    return Estimate(
        value=None, level=level, n=n, missing=missing, method=method, unit=unit, note=reason
    )
