"""The case-series paper in a notebook: worked out once, shown section by section, and written."""

from audit.pages.series.numbers import show_claim_kinds, show_claims, show_draft
from audit.pages.series.text import show_open_points, show_references, show_study
from audit.pages.series.whole import (
    Paper,
    numbers_agree,
    paper,
    save,
    show_own_numbers,
    show_section,
    start,
)

__all__ = [
    "Paper",
    "numbers_agree",
    "paper",
    "save",
    "show_claim_kinds",
    "show_claims",
    "show_draft",
    "show_open_points",
    "show_own_numbers",
    "show_references",
    "show_section",
    "show_study",
    "start",
]
