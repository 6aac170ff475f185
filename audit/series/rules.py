"""Which cases meet a rule of selection, and which cannot be judged by it."""

from __future__ import annotations

import operator
from collections.abc import Callable
from typing import Any

import pandas as pd

from audit.plan import FACTS, SelectionRule

_COMPARE: dict[str, Callable[[Any, Any], Any]] = {
    "at_least": operator.ge,
    "at_most": operator.le,
    "above": operator.gt,
    "below": operator.lt,
    "on_or_after": operator.ge,
    "on_or_before": operator.le,
}


def meets(rule: SelectionRule, facts: pd.DataFrame) -> pd.Series:
    """True for the cases that meet the rule's test; False too where its column is not recorded,
    but for the tests `given` and `not_given`. facts: from `case_facts`."""
    values = facts[rule.column]
    recorded = values.notna()
    if rule.test in ("given", "not_given"):
        return recorded if rule.test == "given" else ~recorded
    wanted = list(rule.values)
    if FACTS[rule.column].kind == "day":
        wanted = [pd.Timestamp(one) for one in wanted]
    if rule.test in ("is", "is_not"):
        named = values.isin(wanted)
        return recorded & (named if rule.test == "is" else ~named)
    if rule.test == "between":
        return recorded & (values >= wanted[0]) & (values <= wanted[1])
    return recorded & _COMPARE[rule.test](values, wanted[0]).fillna(False).astype(bool)


def not_recorded(rule: SelectionRule, facts: pd.DataFrame) -> pd.Series:
    """True for the cases that an `include` rule leaves out only because its column is empty."""
    if rule.kind != "include" or rule.test in ("given", "not_given"):
        return pd.Series(False, index=facts.index)
    return facts[rule.column].isna()


def leaves_out(rule: SelectionRule, facts: pd.DataFrame) -> pd.Series:
    """True for the cases that the rule leaves out."""
    met = meets(rule, facts)
    return met if rule.kind == "exclude" else ~met


def on_outcome(rule: SelectionRule) -> bool:
    """True where the rule tests what is known only after surgery: selection on the outcome."""
    return not FACTS[rule.column].known_at_surgery
