"""Which rows of a summary table rest on too few people to be shown."""

from __future__ import annotations

from audit.disclosure.rows import AVERAGES, Row
from audit.disclosure.settings import ControlSettings, Decision

FEW = "few people"
REMAINDER = "few people outside"
NONE = "none, hidden like few"
SAME = "the same number is hidden elsewhere"


def primary_rule(row: Row, settings: ControlSettings) -> str:
    """Why a row must be hidden on its own account, or an empty text.

    People decide, not cases: one patient with three cases is one person. Hidden are: fewer than
    the threshold behind a count, a share or a rate, or behind what it leaves (denominator without
    numerator), because a reader subtracts; averages and curve points of fewer than
    `averages_people`. How many people have units in both parts is not known, so the remainder is
    taken to be as small as it can be. A number of people that is not known counts as few. Events
    leave no remainder. A recorded decision shows the row all the same.
    """
    return "" if is_decided(row, settings) else _rule(row, settings)


def is_decided(row: Row, settings: ControlSettings) -> bool:
    """Whether a row would be hidden, and a recorded decision shows it."""
    about = [one for one in settings.decided("few_people") if covers(one, row)]
    return bool(about) and bool(_rule(row, settings))


def covers(decision: Decision, row: Row) -> bool:
    """Whether a decision speaks of a row: its table, and every category that it names."""
    return decision.table == row.table.name and all(
        row.dims.get(name) == category for name, category in decision.cell.items()
    )


def few(people: int | None, threshold: int, settings: ControlSettings) -> bool:
    """Whether so many people are too few; none is not, unless zeros are hidden."""
    if people is None:
        return True
    return (people > 0 or settings.zeros == "hide") and people < threshold


def _rule(row: Row, settings: ControlSettings) -> str:
    if row.statistic == "curve":
        # nobody left at risk is told from few only by counting people
        least = settings.averages_people
        return FEW if row.people is None or row.people < least else ""
    if row.statistic in AVERAGES:
        return FEW if few(row.people, settings.averages_people, settings) else ""
    if row.numerator is None:
        return ""
    return _rule_of_counts(row, settings)


def _rule_of_counts(row: Row, settings: ControlSettings) -> str:
    least = settings.threshold
    if row.numerator and not row.people_with:
        return FEW
    if few(row.people_with, least, settings):
        return FEW if row.numerator else NONE
    if row.statistic != "count" and few(row.people, least, settings):
        return FEW
    if row.statistic == "count" and not row.numerator:
        return ""  # none is nobody; of a small group the denominator is hidden
    outside = people_outside(row)
    if outside is not None and few(outside, least, settings) and _leaves_somebody(row, outside):
        return REMAINDER
    return ""


def people_outside(row: Row) -> int | None:
    """The fewest people who can stand behind denominator minus numerator; None where there is no
    such remainder (events, or no denominator)."""
    if row.of_events or None in (row.numerator, row.denominator, row.people_with, row.people):
        return None
    units = row.denominator - row.numerator  # type: ignore[operator]
    if units <= 0:
        return 0
    return max(1, row.people - row.people_with)  # type: ignore[operator]


def _leaves_somebody(row: Row, outside: int) -> bool:
    """All of a group tells as much as none of it: with hidden zeros a share of 100 % is hidden; a
    count that is its own denominator has no remainder at all."""
    return outside > 0 or row.statistic == "share"
