"""Who is in two groups: facts known at surgery and how unlike the groups are in them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.cohort import Cohort
from audit.estimates.balance import (
    standardised_difference,
    standardised_difference_categories,
    standardised_difference_of_shares,
    standardised_difference_yes_no,
)
from audit.estimates.estimate import Estimate
from audit.measures.weight_bearing import number_episodes
from schemas import vocabulary
from schemas.vocabulary import WALKING_SEGMENTS

NUMBER, YES_NO, CATEGORY = "number", "yes_no", "category"
#: facts known at surgery, in the order of the table: name -> kind
FACTS: dict[str, str] = {
    "age_years": NUMBER,
    "planned_gain_mm": NUMBER,
    "length_before_mm": NUMBER,
    "discrepancy_before_mm": NUMBER,
    "sex": CATEGORY,
    "aetiology": CATEGORY,
    "segment": CATEGORY,
    "physes_open": YES_NO,
    "both_sides": YES_NO,
    "several_bones": YES_NO,
    "taken_over": YES_NO,
}
UNKNOWN = "unknown"
SIDES = ("first", "second")


def unit_facts(cohort: Cohort, table: pd.DataFrame) -> pd.DataFrame:
    """Facts known at surgery for every row of a `time_table`, one column each, same index.

    For a walking episode with several cases: age, growth plates and the lengths before are those
    of its first case, the planned gain is its largest; both_sides: more than one limb;
    several_bones: more than one case; tibia: any of its cases is a tibia. Answers recorded as
    unknown count as missing.
    """
    cases = cohort.cases
    if "episode" in table:
        cases = cases.loc[cases["segment"].isin(WALKING_SEGMENTS)]
        unit = number_episodes(cases, cohort.settings.episode_gap_days)
        wanted = table["episode"]
    else:
        unit, wanted = cases["case_id"], table["case_id"]
    ordered = cases.assign(unit=unit).sort_values(["surgery_date", "case_id"], kind="stable")
    groups = ordered.groupby("unit")
    # `nth` keeps the first case even where its value is missing; `first` would skip to the next.
    opening = groups.nth(0).set_index("unit")
    facts = pd.DataFrame(
        {
            "age_years": opening["age_at_surgery_years"].astype(float),
            "planned_gain_mm": groups["planned_gain_mm"].max().astype(float),
            "length_before_mm": opening["segment_length_before_mm"].astype(float),
            "discrepancy_before_mm": opening["discrepancy_before_mm"].astype(float),
            "physes_open": opening["physes_open"].map({"yes": 1.0, "no": 0.0}).astype(float),
            "both_sides": (groups["side"].nunique() > 1).astype(float),
            "several_bones": (groups.size() > 1).astype(float),
            "tibia": ordered["segment"].eq("tibia").groupby(ordered["unit"]).any().astype(float),
        }
    )
    facts = facts.reindex(wanted.to_numpy()).set_axis(table.index)
    facts["segment"] = table["segment"]
    facts["taken_over"] = (table["entry"].fillna(0) > 0).astype(float)
    patients = cohort.tables["patients"].set_index("patient_id")
    for name in ("sex", "aetiology"):
        known = table["patient_id"].map(patients[name])
        facts[name] = known.mask(known == UNKNOWN)
    return facts


def baseline_table(
    facts: pd.DataFrame, first: pd.Series, *, weights: pd.Series | None = None
) -> pd.DataFrame:
    """Tidy baseline table of two groups, one row a number or yes/no fact, one a category.

    facts: from `unit_facts`; first: True for rows of the first group, same index. Columns: fact,
    kind, level (a category's code, else ""), and for first_ and second_: n, missing, mean, sd,
    count; then difference, low, high (standardised; a category's stands on its heading row, with
    level "") and note. weights: means and shares are weighted, and so is the difference; its
    denominator stays the unweighted spread, so that before and after can be compared (Austin &
    Stuart 2015, Stat Med 34:3661-3679), and it has no interval.
    """
    lines = []
    for fact, kind in FACTS.items():
        if fact not in facts:
            continue
        values = [facts.loc[chosen, fact] for chosen in (first, ~first)]
        shares = [None if weights is None else weights[chosen] for chosen in (first, ~first)]
        if kind == CATEGORY:
            lines += _category_lines(fact, values, shares)
        else:
            lines.append(_line(fact, kind, values, shares))
    return pd.DataFrame(lines)


def _line(
    fact: str, kind: str, values: list[pd.Series], weights: list[pd.Series | None]
) -> dict[str, object]:
    means = [_mean(column, weight) for column, weight in zip(values, weights, strict=True)]
    line: dict[str, object] = {"fact": fact, "kind": kind, "level": ""}
    for side, column, mean in zip(SIDES, values, means, strict=True):
        known = column.dropna()
        line |= _counts(side, column)
        line[f"{side}_mean"] = mean
        line[f"{side}_sd"] = known.std(ddof=1) if kind == NUMBER and len(known) > 1 else np.nan
        line[f"{side}_count"] = known.sum() if kind == YES_NO else np.nan
    found = (standardised_difference if kind == NUMBER else standardised_difference_yes_no)(*values)
    return line | _difference(found, None if weights[0] is None else _weighted_gap(values, means))


def _category_lines(
    fact: str, values: list[pd.Series], weights: list[pd.Series | None]
) -> list[dict[str, object]]:
    present = set(values[0].dropna()) | set(values[1].dropna())
    listed = [code for code in vocabulary.codes(fact) if code in present]
    levels = [*listed, *sorted(present - set(listed))]
    heading: dict[str, object] = {"fact": fact, "kind": CATEGORY, "level": ""}
    for side, column in zip(SIDES, values, strict=True):
        heading |= _counts(side, column)
    lines, shares = [], []
    for level in levels:
        line: dict[str, object] = {"fact": fact, "kind": CATEGORY, "level": level}
        for side, column, weight in zip(SIDES, values, weights, strict=True):
            known = column.dropna()
            line[f"{side}_n"] = len(known)
            line[f"{side}_count"] = int((known == level).sum())
            line[f"{side}_mean"] = _mean((known == level).astype(float), weight)
        lines.append(line | {"note": ""})
        shares.append([line[f"{side}_mean"] for side in SIDES])
    found = standardised_difference_categories(*values)
    if weights[0] is None:
        return [heading | _difference(found, None), *lines]
    one, two = np.array(shares, dtype=float).reshape(-1, 2).T
    weighted = np.nan
    if found.estimable:
        distance = standardised_difference_of_shares(one / one.sum(), two / two.sum()).value
        weighted = np.nan if distance is None else distance
    return [heading | _difference(found, weighted), *lines]


def _counts(side: str, column: pd.Series) -> dict[str, object]:
    known = int(column.notna().sum())
    return {f"{side}_n": known, f"{side}_missing": len(column) - known}


def _mean(column: pd.Series, weight: pd.Series | None) -> float:
    known = column.dropna().astype(float)
    if known.empty:
        return np.nan
    if weight is None:
        return float(known.mean())
    return float(np.average(known, weights=weight[known.index]))


def _weighted_gap(values: list[pd.Series], means: list[float]) -> float:
    """Weighted means' difference over the root of the mean unweighted variance."""
    variance = float(np.mean([column.dropna().astype(float).var(ddof=0) for column in values]))
    gap = means[0] - means[1]
    if np.isnan(variance) or np.isnan(gap):
        return np.nan
    if variance == 0:
        return 0.0 if abs(gap) < 1e-12 else np.nan
    return gap / variance**0.5


def _difference(found: Estimate, weighted: float | None) -> dict[str, object]:
    """The four cells of a standardised difference; `weighted` takes the place of the plain one."""
    if weighted is not None:
        note = "weighted, no interval" if not np.isnan(weighted) else found.note or "no spread"
        return {"difference": weighted, "low": np.nan, "high": np.nan, "note": note}
    cells = {
        name: np.nan if number is None else number
        for name, number in (("difference", found.value), ("low", found.low), ("high", found.high))
    }
    return cells | {"note": found.note}
