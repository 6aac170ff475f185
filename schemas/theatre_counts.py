"""theatre_counts: how many lengthening operations the theatre list holds, a quarter and centre."""

from __future__ import annotations

import pandas as pd

from schemas.fields import LOCAL, Limits, column, table

#: year, Q and 1 to 4; years before 1980 and after 2099 are slips of the keyboard
QUARTER = r"(?:19[89]\d|20\d\d)Q[1-4]"

THEATRE_COUNTS = table(
    "theatre_counts",
    {
        "quarter": column(
            "text", "Quarter", "Calendar quarter of the operations, as 2026Q1.", required=True
        ),
        "centre": column(
            "text",
            "Centre",
            "Code of the centre, as in the cases table; empty: the whole service.",
            expected="optional",
        ),
        "operations": column(
            "whole",
            "Operations",
            "Lengthening operations in the theatre list, one a bone segment. Counted there, never "
            "from the cases table, else it proves nothing.",
            required=True,
            limits=Limits(low=0, high=1000, usual_low=0, usual_high=100, source=LOCAL),
        ),
    },
    key=None,
    meaning="The theatre list as an independent count: one row a calendar quarter and centre.",
)


def quarter_starts(quarters: pd.Series) -> pd.Series:
    """First day of each quarter; missing where the text is no quarter."""
    text = quarters.astype("string")
    fits = text.str.fullmatch(QUARTER).fillna(False).astype(bool)
    months = text.str[:4] + "-" + (3 * pd.to_numeric(text.where(fits).str[-1]) - 2).astype("string")
    days = pd.to_datetime(months.where(fits), format="%Y-%m", errors="coerce")
    return days.astype("datetime64[ns]")


def quarter_ends(quarters: pd.Series) -> pd.Series:
    """Last day of each quarter, at midnight; missing where the text is no quarter."""
    return quarter_starts(quarters) + pd.offsets.QuarterEnd(startingMonth=3)
