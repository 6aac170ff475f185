"""Shares of several centres as a funnel plot needs them; a funnel ranks nobody."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from audit.errors import UnusableInput
from audit.estimates.funnel import funnel_limits
from audit.intake.aggregate_form import HIDDEN, Aggregate, check_together
from audit.pooling.criteria import stacked

LIMITS = ["low_95", "high_95", "low_998", "high_998"]
COLUMNS = ["unit", "events", "size", "target", "direction", "note"]


def funnel_input(aggregates: Sequence[Aggregate], *, criterion: str) -> pd.DataFrame:
    """One row a centre, by rising size: unit, events (met), size (met + not met), target, note.

    For `estimates.funnel.funnel_limits` and `funnel_positions`, with the register's target. A
    centre that hides its counts keeps its row without numbers and the reason in note. Raises
    UnusableInput where no centre has the criterion as a share, or two define it differently, and
    as `check_together`.
    """
    check_together(aggregates)
    rows = stacked(aggregates, "criteria")
    shares = rows.loc[(rows["criterion"] == criterion) & (rows["kind"] == "share")]
    if shares.empty:
        known = sorted(rows.loc[rows["kind"] == "share", "criterion"].unique())
        raise UnusableInput(
            f"A funnel is for a criterion that is a share: {', '.join(known) or 'none here'}; got "
            f"{criterion}."
        )
    if shares["definition"].nunique() > 1:
        raise UnusableInput(f"The centres define {criterion} differently: no funnel compares them.")
    hidden = shares["marker"] == HIDDEN
    table = pd.DataFrame(
        {
            "unit": shares["centre"],
            "events": shares["total"].astype(float),
            "size": shares["base"].astype(float),
            "target": shares["target"],
            "direction": shares["direction"],
            "note": hidden.map({True: f"{HIDDEN} too few people", False: ""}),
        }
    )
    return table.sort_values(["size", "unit"], ignore_index=True)[COLUMNS]


def funnels(aggregates: Sequence[Aggregate]) -> pd.DataFrame:
    """`funnel_input` of every criterion that is a share and alike in all centres, each centre with
    its exact binomial limits: criterion, then `COLUMNS`, then low_95, high_95, low_998, high_998.

    A target of 0 or 1 leaves no room for chance, so it has no limits. One centre makes no funnel:
    no row. Raises UnusableInput as `check_together`.
    """
    check_together(aggregates)
    shares = stacked(aggregates, "criteria")
    shares = shares.loc[shares["kind"] == "share"]
    alike = shares.groupby("criterion", sort=False)["definition"].nunique() == 1
    tables = [
        _with_limits(funnel_input(aggregates, criterion=str(name))).assign(criterion=name)
        for name in alike.index[alike]
        if (shares["criterion"] == name).sum() > 1
    ]
    columns = ["criterion", *COLUMNS, *LIMITS]
    return pd.concat(tables)[columns] if tables else pd.DataFrame(columns=columns)


def _with_limits(table: pd.DataFrame) -> pd.DataFrame:
    target = float(table["target"].iloc[0])
    if not 0 < target < 1:
        return table.assign(**dict.fromkeys(LIMITS, float("nan")))
    found = funnel_limits(target, table["size"], levels=(0.95, 0.998)).table
    limits = {
        f"{side}_{words}": found.loc[found["level"] == level].sort_values("order")[side].to_numpy()
        for level, words in ((0.95, "95"), (0.998, "998"))
        for side in ("low", "high")
    }
    return table.assign(**limits)
