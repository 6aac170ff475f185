"""The choices behind the summary tables, in one small object that is passed along."""

from __future__ import annotations

import dataclasses
import itertools

from schemas.leaving import AGE_BANDS, COARSER_AGE_BANDS, TOP_CODE_YEARS

#: which operations a set of tables speaks of -> words for people
PERIODS: dict[str, str] = {
    "year_to": "rolling four quarters",
    "quarter": "one quarter",
    "all": "everything up to the cut-off",
}


@dataclasses.dataclass(frozen=True, kw_only=True)
class SummaryChoices:
    """age_bands: first year of each band, the last without an end; coarser_age_bands: those tried
    where the first are too fine; each begins at one of the first. days: fixed days from surgery at
    which a curve is read.

    Raises ValueError for bands that do not rise from 0, for a last band that begins above 90 years
    (ages above 89 leave as one group: US 45 CFR 164.514(b)(2)), for coarser bands that cut a band,
    and for days that do not rise.
    """

    age_bands: tuple[int, ...] = AGE_BANDS
    coarser_age_bands: tuple[int, ...] = COARSER_AGE_BANDS
    days: tuple[int, ...] = (0, 60, 90, 120, 180, 270, 365)

    def __post_init__(self) -> None:
        for name in ("age_bands", "coarser_age_bands"):
            bands = getattr(self, name)
            if not bands or bands[0] != 0 or not _rise(bands):
                raise ValueError(f"{name} must rise, and begin with 0; got {bands}")
            if bands[-1] > TOP_CODE_YEARS:
                raise ValueError(
                    f"the last of {name} must begin at {TOP_CODE_YEARS} years or before"
                )
        if not {*self.coarser_age_bands} <= {*self.age_bands}:
            raise ValueError("each of coarser_age_bands must begin where one of age_bands does")
        if not self.days or self.days[0] < 0 or not _rise(self.days):
            raise ValueError(f"days must rise, from 0 or more; got {self.days}")


def _rise(numbers: tuple[int, ...]) -> bool:
    return all(a < b for a, b in itertools.pairwise(numbers))


DEFAULTS = SummaryChoices()
