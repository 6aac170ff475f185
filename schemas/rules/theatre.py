"""Rules for the counts of the theatre list: one number for one quarter and centre."""

from __future__ import annotations

import pandas as pd

from schemas.fields import LOCAL
from schemas.rules.base import ROW, Evidence, Rule
from schemas.theatre_counts import quarter_starts

UNIQUE = "uniqueness: government data quality framework 2020, one of six dimensions"


def _no_quarter(evidence: Evidence) -> pd.Series:
    quarters = evidence["theatre_counts"]["quarter"]
    return quarters.notna() & quarter_starts(quarters).isna()


def _in_future(evidence: Evidence) -> pd.Series:
    return quarter_starts(evidence["theatre_counts"]["quarter"]) > evidence.latest_day


def _counted_twice(evidence: Evidence) -> pd.Series:
    counts = evidence["theatre_counts"]
    twice = counts[["quarter", "centre"]].astype(object).duplicated(keep=False)
    return twice & counts["quarter"].notna()


def _whole_and_parts(evidence: Evidence) -> pd.Series:
    """True for every row of a quarter counted both for the whole service and by centre."""
    counts = evidence["theatre_counts"]
    quarters, known = counts["quarter"], counts["quarter"].notna()
    whole = quarters[counts["centre"].isna() & known]
    parts = quarters[counts["centre"].notna() & known]
    return known & quarters.isin(list(whole)) & quarters.isin(list(parts))


def _no_case_of_centre(evidence: Evidence) -> pd.Series:
    centre = evidence["theatre_counts"]["centre"]
    return centre.notna() & ~centre.isin(list(evidence["cases"]["centre"].dropna()))


def _error(name: str, column: str, message: str, fails, source: str = LOCAL) -> Rule:
    return Rule(
        id=name,
        table="theatre_counts",
        column=column,
        severity="error",
        keeps_out=ROW,
        message=message,
        source=source,
        fails=fails,
    )


THEATRE_RULES: tuple[Rule, ...] = (
    _error(
        "not_a_quarter",
        "quarter",
        "Correct the quarter: it is written as the year, Q and 1 to 4, as in 2026Q1.",
        _no_quarter,
    ),
    _error(
        "date_in_future",
        "quarter",
        "Correct this quarter: it begins after the last day that these data can speak of.",
        _in_future,
    ),
    _error(
        "quarter_counted_twice",
        "quarter",
        "Delete or correct one of the rows: this quarter and centre stand more than once, so none "
        "of them is used.",
        _counted_twice,
        UNIQUE,
    ),
    _error(
        "quarter_counted_whole_and_in_parts",
        "centre",
        "Delete or correct a row: this quarter stands both for the whole service and by centre, "
        "so none of its rows is used.",
        _whole_and_parts,
    ),
    Rule(
        id="centre_without_cases",
        table="theatre_counts",
        column="centre",
        severity="warning",
        message="Check the code of the centre: no case of the cases table has it.",
        source=LOCAL,
        fails=_no_case_of_centre,
    ),
)
