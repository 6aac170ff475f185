"""The theatre list of the invented service: what was operated there, as another office counts it.

The list is kept since 2022 and is no copy of the audit: a few operations never reached the cases
table, an operation on the last days of a quarter is sometimes counted in the next one, and one
quarter was not counted in the south. Patients taken over in mid-treatment were operated elsewhere.
All of it invented.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

#: first quarter with a list, and quarters that nobody counted
FIRST = (2022, 1)
NOT_COUNTED = {(2023, 2, "south")}
MISSED_SHARE = 0.05
#: operations of the last days of a quarter that are booked into the next one
LAST_DAYS, LATE_SHARE = 7, 0.25

Quarter = tuple[int, int]


def counts(cases: Sequence[dict], rng: np.random.Generator) -> list[dict]:
    """Rows of the theatre_counts table from rows of the cases table, up to the last quarter."""
    booked: dict[tuple[Quarter, str], int] = {}
    for case in cases:
        drawn = rng.random(2)
        if case["arrival_date"]:
            continue
        place = (_booked_in(case["surgery_date"], drawn[0]), case["centre"])
        booked[place] = booked.get(place, 0) + 1 + int(drawn[1] < MISSED_SHARE)
    last = max(_quarter(case["surgery_date"]) for case in cases)
    return [
        {
            "quarter": f"{year}Q{quarter}",
            "centre": centre,
            "operations": booked.get(((year, quarter), centre), 0),
        }
        for year, quarter in _quarters(last)
        for centre in ("north", "south")
        if (year, quarter, centre) not in NOT_COUNTED
    ]


def _quarter(day: str) -> Quarter:
    return int(day[:4]), (int(day[5:7]) + 2) // 3


def _booked_in(day: str, chance: float) -> Quarter:
    year, quarter = _quarter(day)
    late = int(day[5:7]) == 3 * quarter and int(day[8:]) > 30 - LAST_DAYS
    # the last quarter is counted when it is over, so nothing of it is booked later
    if late and chance < LATE_SHARE and day < "2026-07-01":
        return (year + 1, 1) if quarter == 4 else (year, quarter + 1)
    return year, quarter


def _quarters(last: Quarter) -> list[Quarter]:
    years = range(FIRST[0], last[0] + 1)
    every = [(year, quarter) for year in years for quarter in (1, 2, 3, 4)]
    return [quarter for quarter in every if FIRST <= quarter <= last]
