"""The choices a department may change, in one small object that is passed along."""

from __future__ import annotations

import dataclasses


@dataclasses.dataclass(frozen=True, kw_only=True)
class Settings:
    """Definitions and cut points used by measures and estimates.

    tolerance_mm: largest distance from the plan that counts as within tolerance.
    recovery_share: share of baseline knee flexion that counts as recovered.
    episode_gap_days: surgeries of one patient this close belong to one walking episode.
    union_cortices: cortices bridged that meet the union rule.
    waiting_days: days at which the share still waiting is reported.
    restricted_to_days: horizon of the restricted mean time.
    minimum_at_risk: a drawn curve stops when fewer remain at risk.
    """

    tolerance_mm: float = 5.0
    recovery_share: float = 0.90
    episode_gap_days: int = 30
    union_cortices: int = 3
    waiting_days: tuple[int, ...] = (90, 120, 180, 365)
    restricted_to_days: int = 365
    minimum_at_risk: int = 5
    level: float = 0.95
    resamples: int = 2000
    seed: int = 20260101
