"""Runs the checks and gathers the verdicts."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import pandas as pd

from audit.manuscript.claim import VERDICTS, Claim
from audit.manuscript.kinds import KINDS
from audit.manuscript.numbers import Printed

FINDING_COLUMNS = (
    "claim", "where", "words", "kind", "printed", "recomputed", "value", "verdict", "note", "line",
)  # fmt: skip
#: kinds whose total is a denominator
_WITH_DENOMINATOR = (
    "count_behind_percentage",
    "percentage_attainable",
    "parts_add_to_total",
    "events_cases_patients",
    "interval_behind_share",
)
#: kinds whose printed figure is a percentage
_PERCENTAGES = (
    "count_behind_percentage",
    "percentage_attainable",
    "events_cases_patients",
    "percentage_change",
)


def check_claims(claims: Sequence[Claim]) -> pd.DataFrame:
    """One row a claim with what was recomputed and the verdict; columns `FINDING_COLUMNS`.

    After them a row for each population whose denominators change between claims. value is empty
    where what was recomputed is no single number. An empty sequence gives an empty table.
    """
    rows = [_row(claim) for claim in [*claims, *denominators(claims)]]
    return pd.DataFrame(rows, columns=list(FINDING_COLUMNS))


def denominators(claims: Sequence[Claim]) -> tuple[Claim, ...]:
    """A claim of the kind same_denominator for each population with more than one denominator.

    A claim with a reason for its smaller denominator is left out of the comparison.
    """
    found: dict[str, dict[int, list[str]]] = {}
    for claim in claims:
        if (
            claim.kind in _WITH_DENOMINATOR
            and claim.population
            and claim.total
            and not claim.reason
        ):
            sizes = found.setdefault(claim.population, {})
            sizes.setdefault(int(claim.total.value), []).append(claim.where or claim.claim)
    made = []
    for population, sizes in found.items():
        if len(sizes) < 2:
            continue
        places = "; ".join(
            f"{size} in {', '.join(dict.fromkeys(names))}" for size, names in sizes.items()
        )
        made.append(
            Claim(
                claim=f"denominators: {population}",
                kind="same_denominator",
                words=f"{population}: {places}",
                parts=tuple(Printed(Fraction(size)) for size in sizes),
            )
        )
    return tuple(made)


def _row(claim: Claim) -> dict[str, object]:
    found = KINDS[claim.kind].check(claim)
    if found.verdict not in VERDICTS:
        raise ValueError(f"verdict must be one of {', '.join(VERDICTS)}; got {found.verdict!r}")
    return {
        "claim": claim.claim,
        "where": claim.where,
        "words": claim.words,
        "kind": claim.kind,
        "printed": _printed_words(claim),
        "recomputed": found.recomputed,
        "value": found.value,
        "verdict": found.verdict,
        "note": found.note,
        "line": claim.line,
    }


def _printed_words(claim: Claim) -> str:
    """The printed figure and its limits; or the total, or the denominators, where those are."""
    if claim.kind == "same_denominator":
        return ", ".join(part.text for part in claim.numbers)
    figure = claim.total if claim.kind == "parts_add_to_total" else claim.printed
    ending = "%" if claim.kind in _PERCENTAGES else ""
    words = "" if figure is None else f"{figure.text}{ending}"
    if claim.low is not None and claim.high is not None:
        span = f"{claim.low.text} to {claim.high.text}"
        words = f"{words} ({span})" if words else span
    return words
