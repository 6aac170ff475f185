"""Published values beside our own: only where measure, definition, device and bones match."""

from __future__ import annotations

from audit.published.comparison import (
    DEFINITIONS_ASKED,
    beside,
    compare_published,
    refused,
    sources,
)
from audit.published.intervals import published_estimate
from audit.published.matching import OPEN, REFUSED, SAME, Match, group_of, match_value, parts_of
from audit.published.ours import FROM_RESULTS, MADE_HERE

__all__ = [
    "DEFINITIONS_ASKED",
    "FROM_RESULTS",
    "MADE_HERE",
    "OPEN",
    "REFUSED",
    "SAME",
    "Match",
    "beside",
    "compare_published",
    "group_of",
    "match_value",
    "parts_of",
    "published_estimate",
    "refused",
    "sources",
]
