"""Criteria of the register over several centres: sums a criterion, and the verdict of them all."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import pandas as pd

from audit.criteria import Criterion
from audit.estimates.estimate import Estimate, not_estimable
from audit.intake.aggregate_form import (
    COLUMNS,
    COUNTS,
    HIDDEN,
    STATE_COUNTS,
    SUMS,
    Aggregate,
    check_together,
    empty_table,
)
from audit.pooling.definitions import definition_of, settings_of
from audit.pooling.exact import mean_estimates, rate_estimates, share_estimates
from audit.pooling.sums import add_sums, sums_of
from audit.quality.fitness import UNFIT
from audit.results.catalogue import BY_NAME
from audit.results.groups import Window
from audit.run import AuditRun
from audit.standards import verdict
from audit.standards.states import (
    EXCEPTION,
    MET,
    MISSING,
    NOT_MET,
    NOT_YET_DUE,
    OUTSIDE,
    case_states,
)

#: statistics of a criterion that sums can carry -> kind of sums
POOLABLE = {"proportion": "share", "rate": "rate", "mean": "mean"}
STATE_OF = dict(zip(STATE_COUNTS, (MET, NOT_MET, EXCEPTION, NOT_YET_DUE, MISSING), strict=True))
POOLED_COLUMNS = [
    "criterion",
    "centres",
    "target",
    "direction",
    *STATE_COUNTS,
    "n",
    "missing",
    "value",
    "low",
    "high",
    "level",
    "method",
    "unit",
    "verdict",
    "note",
]


def criterion_rows(run: AuditRun, window: Window, *, fewest_people: int) -> pd.DataFrame:
    """One row a criterion that is a share, rate or mean, as in the form; small ones hidden."""
    if run.register is None:
        return empty_table("criteria")
    wanted = [one for one in run.register.criteria if one.statistic in POOLABLE]
    states = case_states(run.cohort, run.measured, wanted)
    states = states.loc[window.holds(pd.to_datetime(states["day"]))]
    rows = []
    for criterion in wanted:
        units = states.loc[states["criterion"] == criterion.id]
        row = _criterion_row(criterion, units) | {"own_verdict": _own(run, criterion, window)}
        if 0 < int(row["people"]) < fewest_people:
            row |= dict.fromkeys((*SUMS, "met", "not_met"), np.nan) | {"marker": HIDDEN}
        rows.append(row)
    return pd.DataFrame(rows, columns=COLUMNS["criteria"])


def pool_criteria(aggregates: Sequence[Aggregate]) -> pd.DataFrame:
    """One row a criterion, in `POOLED_COLUMNS`: verdict with limits over patients.

    A criterion that two centres define differently, or that one hides, has no value and the reason
    in note. Where a centre's own data are not fit to judge, neither are they all. Raises
    UnusableInput as `check_together`.
    """
    check_together(aggregates)
    settings = settings_of(aggregates[0].definitions)
    rows = []
    for name, parts in _by_criterion(aggregates):
        estimate = _estimate(parts, aggregates, settings.level)
        first = parts.iloc[0]
        unfit = sorted(parts.loc[parts["own_verdict"] == UNFIT, "centre"])
        judged = verdict(estimate, target=float(first["target"]), direction=str(first["direction"]))
        said = f"data not fit to judge in {', '.join(unfit)}" if unfit else ""
        rows.append(
            {
                "criterion": name,
                "centres": ", ".join(sorted(parts["centre"])),
                "target": float(first["target"]),
                "direction": first["direction"],
                **{column: parts[column].sum(skipna=False) for column in STATE_COUNTS},
                **{key: getattr(estimate, key) for key in _SHOWN},
                "verdict": UNFIT if unfit else judged,
                "note": "; ".join(part for part in (said, estimate.note) if part),
            }
        )
    return pd.DataFrame(rows, columns=POOLED_COLUMNS)


_SHOWN = ("n", "missing", "value", "low", "high", "level", "method", "unit")


def stacked(aggregates: Sequence[Aggregate], table: str) -> pd.DataFrame:
    """One table of all aggregates, with `centre`; in the order of the centres' codes."""
    ordered = sorted(aggregates, key=lambda one: one.centres)
    parts = [one.tables[table].assign(centre=one.name) for one in ordered]
    filled = [part for part in parts if len(part)]
    return pd.concat(filled, ignore_index=True) if filled else parts[0]


def _by_criterion(aggregates: Sequence[Aggregate]) -> Iterator[tuple[str, pd.DataFrame]]:
    for name, parts in stacked(aggregates, "criteria").groupby("criterion", sort=False):
        yield str(name), parts


def _criterion_row(criterion: Criterion, units: pd.DataFrame) -> dict[str, Any]:
    kind = POOLABLE[criterion.statistic]
    used = units.loc[~units["state"].isin((OUTSIDE, NOT_YET_DUE))]
    out = used["state"] == EXCEPTION if kind == "share" else used["excused"].notna()
    used = used.loc[~out]
    counts = {name: int((units["state"] == state).sum()) for name, state in STATE_OF.items()}
    return {
        "criterion": criterion.id,
        "definition": definition_of(criterion),
        "kind": kind,
        "target": criterion.target,
        "direction": criterion.direction,
        **counts,
        **sums_of(used["value"], None, used["patient_id"]),
        "marker": "",
    }


def _own(run: AuditRun, criterion: Criterion, window: Window) -> str:
    rows = run.standards
    if rows.empty:
        return ""
    found = rows.loc[(rows["criterion"] == criterion.id) & (rows["window"] == window.name)]
    return str(found["verdict"].iloc[0]) if len(found) else ""


def _estimate(parts: pd.DataFrame, aggregates: Sequence[Aggregate], level: float) -> Estimate:
    counts = {name: int(parts[name].sum()) for name in COUNTS}
    about: dict[str, Any] = {"n": counts["n"], "missing": counts["missing"], "level": level}
    if parts["definition"].nunique() > 1:
        return not_estimable("the centres define this criterion differently", **about)
    lacking = sorted({one.name for one in aggregates} - set(parts["centre"]))
    if lacking:
        return not_estimable(f"not among the criteria of {', '.join(lacking)}", **about)
    hiding = sorted(parts.loc[parts["marker"] == HIDDEN, "centre"])
    if hiding:
        return not_estimable(f"{HIDDEN} too few people in {', '.join(hiding)}", **about)
    sums = add_sums(parts)
    kind = str(parts["kind"].iloc[0])
    if kind == "share":
        return share_estimates(sums, level=level, unit="share")["proportion_clustered"]
    if kind == "rate":
        return rate_estimates(sums, level=level, unit="events per 100 cases")["rate_clustered"]
    measure = str(parts["definition"].iloc[0])
    return mean_estimates(sums, level=level, unit=_unit_in(measure))["mean_clustered"]


def _unit_in(definition: str) -> str:
    """The unit of the measure that a definition names."""
    found = [name for name in BY_NAME if f'"measure": "{name}"' in definition]
    return BY_NAME[found[0]].unit if found else ""
