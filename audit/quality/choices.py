"""The choices behind the data-quality tables, in one small object that is passed along."""

from __future__ import annotations

import dataclasses

#: where the default minimum comes from
MINIMUM_SOURCE = (
    "rule of thumb that a loss of more than 20 % threatens a result: Sackett DL et al., "
    "Evidence-based medicine, 1997 (from memory)"
)
COMMON = "common practice, no published source"


@dataclasses.dataclass(frozen=True, kw_only=True)
class QualityChoices:
    """Limits of the data-quality tables; all but the first are common practice.

    minimum_completeness: share (0-1) of the cases due that must have what a measure needs, else
        the data are not fit to judge it (`MINIMUM_SOURCE`).
    contact_days: a case in treatment without any contact for longer is stale; a waiting case seen
        within so many days of the cut-off has a known state.
    settled_days: a knee examination and a loading assessment can be expected after so many days.
    film_days: a film with its length can be expected once distraction has lasted so long.
    horizon_days: a waiting case followed for so long from surgery is followed long enough.
    quarters: how many quarters of surgery the trend shows.
    """

    minimum_completeness: float = 0.80
    contact_days: int = 90
    settled_days: int = 90
    film_days: int = 14
    horizon_days: int = 365
    quarters: int = 12


DEFAULTS = QualityChoices()
