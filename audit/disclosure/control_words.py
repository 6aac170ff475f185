"""What was done to a table, in sentences for its readers: the settings, never a count."""

from __future__ import annotations

from collections.abc import Iterable

from audit.disclosure.controlled import ControlledTable
from audit.disclosure.rows import AVERAGES
from audit.disclosure.settings import ControlSettings, Decision

TOGETHER = (
    "The tables of the release were treated together: a number that stands in several of them is "
    "the same, or hidden, in all."
)


def internal() -> tuple[str, ...]:
    """The sentences of a table that stays in the department."""
    return (
        "Exact numbers, for use inside the department only.",
        "[u] stands beside numbers that rest on few people.",
    )


def paper() -> tuple[str, ...]:
    """The sentences of a table for a paper."""
    return (
        "Exact numbers without dates, for the authors of a paper.",
        "[u] stands beside numbers that rest on few people; each such cell is listed for the "
        "authors to decide on with their ethics committee.",
    )


def external(
    one: ControlledTable,
    settings: ControlSettings,
    *,
    merged: tuple[str, ...],
    decisions: Iterable[Decision],
) -> tuple[str, ...]:
    """The sentences of a table that leaves, in the order in which things were done to it."""
    found = {*one.frame["statistic"]}
    said = [f"Coarser groups were used for {', '.join(merged)}."] if merged else []
    said += _suppression(settings)
    if settings.complementary:
        said.append("Further cells are hidden where a hidden one could be worked out from others.")
    said += _rounding(settings, one, found)
    said.append(TOGETHER)
    said += [
        f"Recorded decision ({one_.rule}): {one_.reason}. Decided by: {_who(one_)}."
        for one_ in decisions
    ]
    return tuple(said)


def _who(decision: Decision) -> str:
    return ", ".join(part for part in (decision.decided_by, decision.decided_on) if part)


def _suppression(settings: ControlSettings) -> list[str]:
    zeros = (
        "A count of none is shown."
        if settings.zeros == "show"
        else "A count of none is hidden too."
    )
    return [
        f"[c]: numbers that rest on fewer than {settings.threshold} people (not cases), or leave "
        f"fewer than {settings.threshold} people outside, are hidden. {zeros}",
    ]


def _rounding(settings: ControlSettings, one: ControlledTable, found: set[str]) -> list[str]:
    said = []
    if found - {"curve"}:
        said.append(f"Counts are rounded to the nearest {settings.base}, after hiding.")
    if one.table.additive and "count" in found:
        said.append(
            "A total is the sum of rounded cells; where several breakdowns of it exist it may "
            "differ from the sum of those shown."
        )
        if not settings.complementary:
            said.append("A total of which one category is hidden is the sum of the others.")
    if found & {"share", "rate"}:
        said.append(
            "Shares, rates and their 95% intervals are worked out from rounded counts; an interval "
            "rests on the rounded number of patients where a patient gives several cases."
        )
    if found & {*AVERAGES}:
        said.append(_averages(settings, one))
    if "curve" in found:
        said.append(
            f"People at risk are midpoints of classes of {settings.curve_step}; the curve moves in "
            f"steps of {settings.curve_step} people and is hidden where fewer than "
            f"{settings.averages_people} are at risk."
        )
    return said


def _averages(settings: ControlSettings, one: ControlledTable) -> str:
    units = one.frame.loc[one.frame["statistic"].isin(AVERAGES), "unit"].astype(str)
    steps = [
        f"{unit} to {settings.precision[unit]:g}"
        for unit in dict.fromkeys(units)
        if unit in settings.precision
    ]
    if {*units} - {*settings.precision}:
        steps.append(f"{'others' if steps else 'all'} to two significant digits")
    return (
        f"Averages and quartiles of fewer than {settings.averages_people} people are hidden; the "
        f"rest are rounded ({', '.join(steps)}). The interval of a mean is worked out "
        "from what is shown. No smallest or largest value is given."
    )
