"""Recorded choices of a control chart: decisions to recompute limits, and named options."""

from __future__ import annotations

import dataclasses
import datetime

import pandas as pd

from audit.estimates.inputs import check_choice

SCREENING = ("off", "moving_ranges")
FACTORS = {"2.66": 2.66 / 3, "3/1.128": 1 / 1.128}  # sigma in mean moving ranges
DISPERSION = ("nominal", "laney")
WITHHOLD = ("when_shifting", "never")
CENTRES = ("mean", "median")


@dataclasses.dataclass(frozen=True, kw_only=True)
class Rebase:
    """A recorded decision to recompute limits from the point `first` (its `order`, from 1) on.

    decided_on: the day; cause: why the process changed; decided_by: a role, not a name. All are
    required, as limits move only for a sustained shift whose cause is known, that is wanted and
    expected to last (common practice).
    """

    first: int
    decided_on: datetime.date
    cause: str
    decided_by: str

    def __post_init__(self) -> None:
        missing = [
            name
            for name in ("decided_on", "cause", "decided_by")
            if pd.isna(getattr(self, name)) or not str(getattr(self, name)).strip()
        ]
        if missing:
            raise ValueError(f"a rebase decision needs {', '.join(missing)}")
        if self.first < 2:
            raise ValueError("a rebase decision starts at point 2 or later")


@dataclasses.dataclass(frozen=True, kw_only=True)
class ChartSettings:
    """Recorded choices of a chart.

    screening: "moving_ranges" leaves moving ranges above 3.267 means out of the limits.
    individual_factor: "2.66" (as printed in most guides) or "3/1.128" (unrounded).
    dispersion: "laney" widens or narrows proportion and rate limits by the observed spread.
    fix_after: limits of each phase come from its first `fix_after` points; None = from all.
    rebase: recorded decisions; each starts a phase with lines of its own.
    min_points_limits, min_points_runs: none below; trial_below: limits are trial limits below.
    withhold: "when_shifting" draws no limits while the baseline shows a shift.
    centre: of single values and days between; "median" draws the baseline's median, about which
        half of the points lie on each side whatever their spread, as tests of runs suppose. Limits
        stay where they are.
    """

    screening: str = "off"
    individual_factor: str = "2.66"
    dispersion: str = "nominal"
    fix_after: int | None = None
    rebase: tuple[Rebase, ...] = ()
    min_points_limits: int = 6
    min_points_runs: int = 10
    trial_below: int = 13
    withhold: str = "when_shifting"
    centre: str = "mean"

    def __post_init__(self) -> None:
        check_choice(self.screening, SCREENING, name="screening")
        check_choice(self.individual_factor, FACTORS, name="individual_factor")
        check_choice(self.dispersion, DISPERSION, name="dispersion")
        check_choice(self.withhold, WITHHOLD, name="withhold")
        check_choice(self.centre, CENTRES, name="centre")
        if self.min_points_limits < 2 or self.min_points_runs < 2:
            raise ValueError("min_points_limits and min_points_runs must be 2 or more")
        if self.fix_after is not None and self.fix_after < self.min_points_limits:
            raise ValueError(f"fix_after must be {self.min_points_limits} points or more")
        starts = [decision.first for decision in self.rebase]
        if starts != sorted(set(starts)):
            raise ValueError("rebase decisions must be in time order, one a point")
