"""The kinds of claim: what each needs in which column, and the check behind it."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

from audit.manuscript import counts, means, spreads
from audit.manuscript.claim import Claim, Finding

#: columns that hold numbers or a unit; the others may be filled for every kind
NUMBER_COLUMNS = ("parts", "weights", "total", "printed", "low", "high", "n", "unit")
INDEX_UNITS = tuple(means.TURNS)


@dataclasses.dataclass(frozen=True)
class Kind:
    """words: what is checked. parts: least and most numbers in `parts`, and what they are. needs:
    columns that must be filled; either: one of these groups must be filled. uses: columns that
    may be filled besides. counts: columns that hold whole numbers. units: closed list, if any."""

    words: str
    check: Callable[[Claim], Finding]
    parts: tuple[int, int | None] = (0, 0)
    parts_words: str = ""
    needs: tuple[str, ...] = ()
    either: tuple[tuple[str, ...], ...] = ()
    uses: tuple[str, ...] = ()
    counts: tuple[str, ...] = ()
    units: tuple[str, ...] = ()

    @property
    def allowed(self) -> frozenset[str]:
        """Columns of numbers that may be filled."""
        named = {*self.needs, *self.uses, *(name for group in self.either for name in group)}
        return frozenset(named | ({"parts"} if self.parts[1] != 0 else set()))


KINDS: dict[str, Kind] = {
    "parts_add_to_total": Kind(
        words="The parts of a whole add up to its total",
        check=counts.parts_add_to_total,
        parts=(2, None),
        parts_words="the parts",
        uses=("total", "unit"),
    ),
    "count_behind_percentage": Kind(
        words="A percentage is its count over its denominator, rounded half up",
        check=counts.count_behind_percentage,
        parts=(1, 1),
        parts_words="the count",
        needs=("total",),
        uses=("printed",),
        counts=("parts", "total"),
    ),
    "percentage_attainable": Kind(
        words="Some whole count gives the percentage (give total, or low and high for a range)",
        check=counts.percentage_attainable,
        needs=("printed",),
        either=(("total",), ("low", "high")),
        counts=("total", "low", "high"),
    ),
    "same_denominator": Kind(
        words="The same denominator is used wherever the same people are meant",
        check=counts.same_denominator,
        parts=(2, None),
        parts_words="the denominators as they stand in the text",
        counts=("parts",),
    ),
    "events_cases_patients": Kind(
        words="Events, cases and patients with an event are told apart and fit together",
        check=counts.events_cases_patients,
        parts=(1, 3),
        parts_words="events; cases with an event; patients with an event (unknown: leave empty)",
        needs=("total",),
        uses=("n", "printed"),
        counts=("parts", "total"),
    ),
    "ratio_of_means": Kind(
        words="A mean of ratios stands beside the ratio of the means",
        check=means.ratio_of_means,
        parts=(2, 2),
        parts_words="mean of the upper quantity; mean of the lower one",
        uses=("printed", "low", "high"),
    ),
    "mean_reciprocal": Kind(
        words="A mean index is not below the reciprocal of the mean rate",
        check=means.mean_reciprocal,
        parts=(1, 1),
        parts_words="mean rate in mm/day",
        needs=("unit",),
        uses=("printed",),
        units=INDEX_UNITS,
    ),
    "reciprocal_range": Kind(
        words="The range of an index is the reciprocal of the range of the rate",
        check=means.reciprocal_range,
        parts=(2, 2),
        parts_words="lowest rate; highest rate, in mm/day",
        needs=("unit",),
        uses=("low", "high"),
        units=INDEX_UNITS,
    ),
    "index_algebra": Kind(
        words="Two indices leave a distraction rate that is possible",
        check=means.index_algebra,
        parts=(2, 2),
        parts_words="index from surgery; index from the end of distraction",
        needs=("unit",),
        uses=("printed",),
        units=INDEX_UNITS,
    ),
    "ratio": Kind(
        words="A ratio is its upper number over its lower one",
        check=means.ratio,
        parts=(2, 2),
        parts_words="upper number; lower number",
        uses=("printed", "unit"),
    ),
    "difference": Kind(
        words="A difference is the first number minus the second",
        check=means.difference,
        parts=(2, 2),
        parts_words="first number; second number",
        uses=("printed", "unit"),
    ),
    "percentage_change": Kind(
        words="A percentage change is the change over the value before",
        check=means.percentage_change,
        parts=(2, 2),
        parts_words="value before; value after",
        uses=("printed", "unit"),
    ),
    "weighted_sum": Kind(
        words="A total is its parts times how often each counts",
        check=means.weighted_sum,
        parts=(1, None),
        parts_words="the numbers (patients)",
        needs=("weights",),
        uses=("printed",),
    ),
    "mean_of_values": Kind(
        words="A mean of values, and the mean weighted by n",
        check=means.mean_of_values,
        parts=(1, None),
        parts_words="the values",
        uses=("weights", "printed", "unit"),
    ),
    "mean_of_whole_numbers": Kind(
        words="n whole numbers can have the printed mean",
        check=spreads.mean_of_whole_numbers,
        needs=("printed", "n"),
        uses=("unit",),
    ),
    "inside_range": Kind(
        words="A mean, median or estimate lies inside its limits",
        check=spreads.inside_range,
        needs=("printed", "low", "high"),
        uses=("n", "unit"),
    ),
    "sd_possible": Kind(
        words="An SD is possible for the range and n (and the mean)",
        check=spreads.sd_possible,
        parts=(0, 1),
        parts_words="the mean, if printed",
        needs=("printed", "low", "high", "n"),
        uses=("unit",),
    ),
    "interval_behind_share": Kind(
        words="A 95% interval of a share is one of the known ones",
        check=spreads.interval_behind_share,
        parts=(1, 1),
        parts_words="the count",
        needs=("total", "low", "high"),
        counts=("parts", "total"),
    ),
    "rounding": Kind(
        words="A number is rounded half up, not cut",
        check=spreads.rounding,
        parts=(1, 1),
        parts_words="the number before rounding",
        uses=("printed", "unit"),
    ),
}
