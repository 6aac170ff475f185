"""The plan of a case series: who is in, by what it is split, what is shown, all set beforehand."""

from __future__ import annotations

import dataclasses
import datetime

from audit.plan.study import StudyFields

KINDS = ("include", "exclude")
GROUNDS = ("clinical", "data", "design")
Value = str | float | datetime.date


@dataclasses.dataclass(frozen=True, kw_only=True)
class SelectionRule:
    """One rule of selection. kind: `include` keeps the cases that meet the test, `exclude` leaves
    them out. column: one of `FACTS`. test: one of `TESTS`; values: what it is held against.
    ground: why the rule is there, one of `GROUNDS`. words: for people, no part of the rule.

    A case whose column is not recorded cannot be shown to meet a test: an `include` rule leaves it
    out and counts it apart, an `exclude` rule keeps it.
    """

    id: str
    words: str = dataclasses.field(compare=False)
    kind: str
    column: str
    test: str
    values: tuple[Value, ...] = ()
    ground: str = "clinical"


@dataclasses.dataclass(frozen=True, kw_only=True)
class RegressionPlan:
    """One regression set beforehand. outcome: a measure or a time to an event, empty = none.
    covariates: facts known at surgery. minimum_per_variable: events (cases for a number) that
    each coefficient needs, else it is not fitted."""

    outcome: str = ""
    covariates: tuple[str, ...] = ()
    minimum_per_variable: int = 10


@dataclasses.dataclass(frozen=True, kw_only=True)
class SeriesPlan:
    """A plan as it was read. rules are applied in their order. group_by: columns of Table 1 and
    of comparisons; split_by: strata of the outcome tables. table_one: rows of Table 1, facts known
    at surgery. tolerances_mm, union_cortices: variants of the sensitivity runs. version and dated:
    as written, empty where the file has none. name: of its file; content: the file itself."""

    study: StudyFields
    rules: tuple[SelectionRule, ...]
    group_by: str
    split_by: str
    table_one: tuple[str, ...]
    tolerances_mm: tuple[float, ...]
    union_cortices: tuple[int, ...]
    regression: RegressionPlan
    version: str = ""
    dated: str = ""
    name: str = ""
    content: bytes = b""
