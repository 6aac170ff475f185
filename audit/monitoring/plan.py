"""What a chart is called and which way is better: its name, unit, target and direction."""

from __future__ import annotations

import dataclasses
import math

from audit.criteria import Criterion
from audit.monitoring.points import Points
from audit.results.catalogue import BY_NAME, TIMES
from schemas import TABLES

LETTERS = {
    "proportion": "P",
    "rate": "U",
    "individual": "I",
    "days_between": "T",
    "cases_between": "G",
}
RATES = {
    "complications_per_100_cases": "Complications per 100 cases",
    "unplanned_operations_per_100_cases": "Unplanned operations per 100 cases",
    "complications_type_ii_or_worse_per_100_cases": (
        "Complications of type II or worse per 100 cases"
    ),
    "complications_type_iii_per_100_cases": "Complications of type III per 100 cases",
    "complications_type_iiib_per_100_cases": "Complications of type IIIB per 100 cases",
}
#: share of a median time's cases that should have had the event by the target day
HALF = 0.5
NEVER_NEGATIVE = ("days", "days/cm", "months/cm", "mm/day", "events")
OTHER_WAY = {"at_most": "at_least", "at_least": "at_most"}


@dataclasses.dataclass(frozen=True, kw_only=True)
class Plan:
    """How a criterion is charted.

    letter and kind: of the chart. title: the measure; population: its cases; by: what orders the
    points. unit: of the values ("share" for 0 to 1). target and direction: in the chart's own
    unit and sense (None where the target is in another unit). each: one point in words. noun:
    one unit of analysis. switched: why a rate is not charted by quarter. waits: the measure exists
    only once a milestone is reached, so it describes finished cases only.
    """

    kind: str
    letter: str
    title: str
    population: str
    by: str
    unit: str
    target: float | None
    direction: str
    each: str
    noun: str
    switched: str
    waits: bool

    @property
    def by_period(self) -> bool:
        """True where a point is a quarter, not a single case or gap."""
        return self.kind in ("proportion", "rate")

    @property
    def least(self) -> float:
        """The least value a point can have: a lower limit at or below it is none.

        Events of one day are one point, so a gap between two is a day or more.
        """
        if self.kind == "days_between":
            return 1.0
        positive = self.kind != "individual" or self.unit in NEVER_NEGATIVE
        return 0.0 if positive else -math.inf

    @property
    def wanted(self) -> str:
        """The side of the centre line on which points are wanted."""
        return "above" if self.direction == "at_least" else "below"

    @property
    def chart_name(self) -> str:
        """The kind of chart in words, such as "P chart by quarter of surgery"."""
        return f"{self.letter} chart {self.by}"


def plan_for(criterion: Criterion, points: Points, *, noun: str) -> Plan:
    """How this criterion is charted with these points."""
    kind = points.kind
    by, each, unit = _words(criterion, kind, noun)
    return Plan(
        kind=kind,
        letter=LETTERS[kind],
        title=_title(criterion, kind),
        population=criterion.population,
        by=by,
        unit=unit,
        target=_target(criterion, kind),
        direction=_direction(criterion, kind),
        each=each,
        noun=noun,
        switched=points.switched,
        waits=criterion.measure in BY_NAME and BY_NAME[criterion.measure].waits,
    )


def _words(criterion: Criterion, kind: str, noun: str) -> tuple[str, str, str]:
    """(what orders the points, what one point is, its unit)."""
    day = TABLES["cases"].columns[criterion.index_date].metadata["title"].lower()
    if kind == "days_between":
        return "of days from one day with an event to the next", "the next gap", "days"
    if kind == "cases_between":
        return f"of {noun}s between two with an event, by {day}", "the next gap", f"{noun}s"
    if kind == "individual":
        return f"of single {noun}s in order of {day}", f"a single {noun}", _unit(criterion)
    unit = "share" if kind == "proportion" else "events per 100 cases"
    return f"by quarter of {day}", "a quarter of this size", unit


def _unit(criterion: Criterion) -> str:
    return BY_NAME[criterion.measure].unit if criterion.measure in BY_NAME else ""


def _title(criterion: Criterion, kind: str) -> str:
    if criterion.statistic == "median_time":
        title = TIMES[criterion.measure][0] if criterion.measure in TIMES else criterion.measure
        event = title.removeprefix("Time to ")
        return f"{event[:1].upper()}{event[1:]} within {criterion.target:g} days"
    if criterion.statistic == "rate":
        title = RATES.get(criterion.measure, criterion.measure)
        if kind in ("days_between", "cases_between"):
            return title.removesuffix(" per 100 cases")
        return title
    return BY_NAME[criterion.measure].title if criterion.measure in BY_NAME else criterion.measure


def _target(criterion: Criterion, kind: str) -> float | None:
    if kind in ("days_between", "cases_between"):
        return None
    return HALF if criterion.statistic == "median_time" else criterion.target


def _direction(criterion: Criterion, kind: str) -> str:
    """More of a gap is better where fewer events are; so is the share of a time that is short."""
    turned = kind in ("days_between", "cases_between") or criterion.statistic == "median_time"
    return OTHER_WAY[criterion.direction] if turned else criterion.direction
