"""What an Estimate carries besides its numbers, gathered once per estimator."""

from __future__ import annotations

import dataclasses

from audit.estimates.estimate import LEVEL, Estimate, not_estimable


@dataclasses.dataclass(frozen=True, kw_only=True)
class Particulars:
    """Observations used and missing, level, method, unit; then `estimate` or `nothing`."""

    method: str
    n: int = 0
    missing: int = 0
    level: float = LEVEL
    unit: str = ""

    def estimate(
        self, value: float, low: float | None = None, high: float | None = None, *, note: str = ""
    ) -> Estimate:
        """An Estimate with this value, its limits (None: no interval) and a note."""
        return Estimate(
            value=float(value),
            low=None if low is None else float(low),
            high=None if high is None else float(high),
            note=note,
            **dataclasses.asdict(self),
        )

    def nothing(self, reason: str) -> Estimate:
        """An Estimate without a value, for this reason."""
        return not_estimable(reason, **dataclasses.asdict(self))
