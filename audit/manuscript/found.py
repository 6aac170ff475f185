"""Claims that stand in a text or in the cells of a table, found by their form.

A count with its percentage in either order, and a value with its limits in brackets. The kit's own
tables go through the same checks as a manuscript.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterable, Iterator

import pandas as pd

from audit.manuscript.claim import Claim
from audit.manuscript.numbers import printed
from audit.manuscript.sums import DeclaredSum, claims_of_sum

_N = r"[-\N{MINUS SIGN}]?\d+(?:\.\d+)?"
_PLAIN = r"\d+(?:\.\d+)?"
_OF = r"\s*(?:/|of|out of)\s*(?:the\s+)?"
_TO = r"\s*(?:to|-|\N{EN DASH})\s*"
#: not the tail of a longer number, a date or another fraction
_START = r"(?<![\d./,\N{EN DASH}-])"
COUNT_FIRST = re.compile(
    _START + rf"(?P<count>\d+){_OF}(?P<total>\d+)(?P<who>[^()\d%;.]{{0,40}})\((?P<p>{_PLAIN})\s?%"
)
PERCENT_FIRST = re.compile(
    _START + rf"(?P<p>{_PLAIN})\s?%[^()\d%;.]{{0,40}}[(\[](?P<count>\d+){_OF}(?P<total>\d+)"
)
#: a share with its limits after the semicolon of `a/b (p%; low% to high%)`
SHARE_LIMITS = re.compile(rf"\((?P<v>{_PLAIN})%;[^()\d]*(?P<low>{_N})%{_TO}(?P<high>{_N})%")
WITH_LIMITS = re.compile(
    _START + rf"(?P<v>{_N})(?P<unit>\s?%|(?:\s[^\W\d]+(?:/[^\W\d]+)?)?)\s?"
    rf"[(\[](?:95%\s?(?:CI|interval)[,:]?\s*|range[,:]?\s*|quartiles[,:]?\s*)?"
    rf"(?P<low>{_N})%?{_TO}(?P<high>{_N})%?[)\]]"
)
_PERCENT = re.compile(rf"{_PLAIN}\s?%(?!\s?(?:CI|interval|confidence))")
_YEAR = re.compile(r"(?:19|20)\d\d")


def claims_in_texts(texts: Iterable[tuple[str, str]]) -> tuple[Claim, ...]:
    """The claims in texts given as (place, text); their words are the passage itself."""
    found: list[Claim] = []
    for place, text in texts:
        for claim in _claims_of(text):
            number = len(found) + 1
            found.append(dataclasses.replace(claim, claim=f"found {number}", where=place))
    return tuple(found)


def claims_in_table(
    frame: pd.DataFrame, *, name: str, row_headings: int = 1, sums: Iterable[DeclaredSum] = ()
) -> tuple[Claim, ...]:
    """The claims in the cells of a table of texts, then those of the sums declared for it."""
    found = []
    for _, row in frame.iterrows():
        heading = ", ".join(str(cell) for cell in row.iloc[:row_headings])
        for column in frame.columns[row_headings:]:
            for claim in _claims_of(str(row[column])):
                found.append(dataclasses.replace(claim, where=f"{name}: {heading}, {column}"))
    for declared in sums:
        if declared.table == name:
            found += claims_of_sum(frame, declared, row_headings=row_headings)
    numbered = enumerate(found, 1)
    return tuple(dataclasses.replace(one, claim=f"{name} {number}") for number, one in numbered)


def bare_percentages(frame: pd.DataFrame, *, row_headings: int = 1) -> int:
    """Cells that hold a percentage but no count that it could be recomputed from."""
    cells = [str(cell) for name in frame.columns[row_headings:] for cell in frame[name]]
    counted = (COUNT_FIRST, PERCENT_FIRST)
    return sum(
        1
        for cell in cells
        if _PERCENT.search(cell) and not any(form.search(cell) for form in counted)
    )


def _claims_of(text: str) -> Iterator[Claim]:
    """Claims without a name or a place."""
    for form in (COUNT_FIRST, PERCENT_FIRST):
        for match in form.finditer(text):
            yield Claim(
                claim="",
                kind="count_behind_percentage",
                words=_passage(text, match),
                parts=(printed(match["count"]),),
                total=printed(match["total"]),
                printed=printed(match["p"]),
            )
    for form in (SHARE_LIMITS, WITH_LIMITS):
        for match in form.finditer(text):
            if not _YEAR.fullmatch(match["v"]):
                yield Claim(
                    claim="",
                    kind="inside_range",
                    words=_passage(text, match),
                    printed=printed(match["v"]),
                    low=printed(match["low"]),
                    high=printed(match["high"]),
                )


def _passage(text: str, match: re.Match[str]) -> str:
    start, end = max(match.start() - 40, 0), min(match.end() + 10, len(text))
    return " ".join(text[start:end].split())
