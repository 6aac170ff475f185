"""Builders for contract columns: a pandera column plus what a person needs to know of it.

A contract is an ordinary `pandera.DataFrameSchema`. Every column carries a `metadata` mapping
(kind, title, meaning, unit, why the limits, when the value can be expected), so validation, the
data dictionary and the entry workbook are all made from the same place.
"""

from __future__ import annotations

import dataclasses
from typing import Any

import pandera.pandas as pa

from schemas import expected as when_expected
from schemas import vocabulary

#: kinds of a column, and the pandas type that holds it once read
KINDS: dict[str, str] = {
    "identifier": "object",
    "text": "object",
    "code": "object",
    "number": "float64",
    "whole": "float64",
    "day": "datetime64[ns]",
    "moment": "datetime64[ns]",
}

LOCAL = "local choice"


@dataclasses.dataclass(frozen=True, kw_only=True)
class Limits:
    """Hard limits keep a value out of use; usual limits only ask. None = no limit that side."""

    low: float | None = None
    high: float | None = None
    usual_low: float | None = None
    usual_high: float | None = None
    source: str = LOCAL


def column(
    kind: str,
    title: str,
    meaning: str,
    *,
    required: bool = False,
    unit: str = "",
    limits: Limits | None = None,
    codes: str = "",
    expected: str = "always",
) -> pa.Column:
    """One contract column.

    kind: one of `KINDS`. title: heading for people. meaning: one sentence for the dictionary.
    codes: name of a code list in `schemas.vocabulary`. expected: when the value can be expected
    by the cut-off, one of `schemas.expected.STATES` ("always", "optional", "after distraction").
    Raises ValueError for a kind, a code list or a state that does not exist.
    """
    if kind not in KINDS:
        raise ValueError(f"kind must be one of {', '.join(KINDS)}; got {kind!r}")
    when_expected.state(expected)
    limits = limits or Limits()
    checks: list[pa.Check] = []
    if codes:
        checks.append(pa.Check.isin(list(vocabulary.codes(codes)), name="not_in_code_list"))
    checks += _range_checks(limits)
    metadata: dict[str, Any] = {
        "kind": kind,
        "title": title,
        "meaning": meaning,
        "unit": unit,
        "codes": codes,
        "limits": limits,
        "expected": expected,
    }
    return pa.Column(
        KINDS[kind],
        checks=checks,
        nullable=not required,
        required=required,
        title=title,
        description=meaning,
        metadata=metadata,
    )


def _range_checks(limits: Limits) -> list[pa.Check]:
    checks = []
    if limits.low is not None or limits.high is not None:
        checks.append(_between(limits.low, limits.high, name="out_of_range", warning=False))
    if limits.usual_low is not None or limits.usual_high is not None:
        low, high = limits.usual_low, limits.usual_high
        checks.append(_between(low, high, name="unusual_value", warning=True))
    return checks


def _between(low: float | None, high: float | None, *, name: str, warning: bool) -> pa.Check:
    bottom = float("-inf") if low is None else low
    top = float("inf") if high is None else high
    return pa.Check.in_range(bottom, top, name=name, raise_warning=warning)


def table(
    name: str, columns: dict[str, pa.Column], *, key: str | None, meaning: str
) -> pa.DataFrameSchema:
    """A table contract: unknown columns are allowed (kept, reported once, never used)."""
    return pa.DataFrameSchema(
        columns,
        name=name,
        strict=False,
        unique=[key] if key else None,
        report_duplicates="all",
        description=meaning,
        metadata={"key": key},
    )
