"""Whether the numbers of the manuscript agree with one another, cell by cell."""

from __future__ import annotations

import pathlib

import pandas as pd

from audit.intake.claims import read_claims, read_draft
from audit.manuscript import check_claims, claims_from, claims_in_texts
from audit.pages.showing import show
from audit.tables import manuscript


def show_claim_kinds() -> None:
    """How to write down a claim."""
    show(manuscript.kinds_table())


def show_claims(
    path: str | pathlib.Path | None = None, *, example: bool = True
) -> pd.DataFrame | None:
    """Check a file of claims; shows verdicts, then every claim.

    Without a file: the invented example where `example` is set, else how to write down a claim.

    Returns the findings, so that a last cell can ask that nothing is left to mend.
    """
    if path is None and not example:
        show_claim_kinds()
        return None
    read = read_claims(path)
    findings = check_claims(claims_from(read.frame, name=read.name))
    show(manuscript.verdict_counts_table(findings))
    show(manuscript.numbers_table(findings))
    return findings


def show_draft(path: str | pathlib.Path) -> pd.DataFrame:
    """Find counts with percentages and values with limits in a draft, and check them."""
    findings = check_claims(claims_in_texts(read_draft(path)))
    show(manuscript.verdict_counts_table(findings))
    show(manuscript.numbers_table(findings))
    return findings
