"""Recorded choices of the charts over time: one set a report, so that charts can be compared."""

from __future__ import annotations

import dataclasses

from audit.estimates.chart_settings import SCREENING, ChartSettings
from audit.estimates.inputs import check_choice

#: the rule sets a department can choose from; one a report
RULES = ("runs_and_limits", "national_4")
RARE_CHARTS = ("days_between", "cases_between")


@dataclasses.dataclass(frozen=True, kw_only=True)
class MonitoringSettings:
    """What all charts of a report have in common.

    rules: "runs_and_limits" (longest run, crossings, 3 sigma) or "national_4" (four signals).
    window_quarters: quarters in view; older points stay in the table. recent_quarters: the end of
    the window, whose signals decide the verdict over time. fix_quarters, fix_points: a chart of
    quarters, or of single cases and gaps, keeps the lines of its first so many points until a
    recorded decision; until then lines move with each point. Single values vary more, so they
    need more (authors ask for 12 points, or for 20 to 30). screening: as in `ChartSettings`.
    rare_chart: what a rate becomes where a quarter has too few events.
    minimum_cases: fewest cases of a unit in a funnel. odds_ratio, false_alarm_cases: the change a
    cumulative chart looks for, and the cases to a false signal that its limit allows on average.
    """

    rules: str = "runs_and_limits"
    window_quarters: int = 12
    recent_quarters: int = 4
    fix_quarters: int = 13
    fix_points: int = 30
    screening: str = "off"
    rare_chart: str = "days_between"
    minimum_cases: int = 10
    odds_ratio: float = 2.0
    false_alarm_cases: int = 250

    def __post_init__(self) -> None:
        check_choice(self.rules, RULES, name="rules")
        check_choice(self.screening, SCREENING, name="screening")
        check_choice(self.rare_chart, RARE_CHARTS, name="rare_chart")
        if not 1 <= self.recent_quarters <= self.window_quarters:
            raise ValueError(
                "recent_quarters must be 1 or more and at most window_quarters; got "
                f"{self.recent_quarters!r} and {self.window_quarters!r}"
            )
        if self.minimum_cases < 1 or self.false_alarm_cases < 1 or not self.odds_ratio > 1:
            raise ValueError(
                "minimum_cases and false_alarm_cases must be 1 or more, odds_ratio above 1"
            )

    def chart(self, kind: str) -> ChartSettings:
        """The settings of a chart of this kind; screening is for single values only.

        Longest run and crossings suppose that half of the points lie on each side, so single
        values, which are often skewed, get their median as centre line under that rule set.
        """
        single = kind in ("individual", "days_between")
        fixed = self.fix_quarters if kind in ("proportion", "rate") else self.fix_points
        return ChartSettings(
            screening=self.screening if single else "off",
            fix_after=fixed,
            centre="median" if single and self.rules == "runs_and_limits" else "mean",
        )


DEFAULTS = MonitoringSettings()
