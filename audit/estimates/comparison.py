"""The shape of a comparison of two groups: a test beside the estimate that gives it meaning."""

from __future__ import annotations

import dataclasses

from audit.estimates.estimate import Estimate


@dataclasses.dataclass(frozen=True, kw_only=True)
class Comparison:
    """A two-sided p value never travels without the size of the difference.

    estimate: difference, shift or ratio with its interval. p_value: two-sided; p_greater and
    p_less: one-sided, the first group larger or smaller. A number that cannot be had is None.
    statistic: as `method` names it; note: reason or caution about the test.
    """

    estimate: Estimate
    method: str
    statistic: float | None = None
    p_value: float | None = None
    p_greater: float | None = None
    p_less: float | None = None
    note: str = ""
