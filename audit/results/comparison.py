"""Two groups side by side: who is in them first, then what can be said about their times."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd

from audit.cohort import Cohort
from audit.estimates.compare import (
    Contrast,
    CurveComparison,
    compare_at,
    compare_curves,
    restricted_mean_difference,
)
from audit.estimates.estimate import Estimate, not_estimable
from audit.estimates.proportional_hazards import SCORE_TEST, proportional_hazards_check
from audit.estimates.regression import CoxModel, cox_model
from audit.estimates.survival import SurvivalCurve
from audit.measures.weight_bearing import MIXED
from audit.results.baseline import baseline_table, unit_facts
from audit.results.catalogue import NOT_APPLICABLE, TIMES
from audit.results.comparison_weights import WeightedComparison, compare_weighted
from audit.results.times import curve_for, time_table
from schemas import vocabulary

#: what groups may be made of: facts that are settled on the day of surgery
COLUMNS = ("device_class", "segment", "centre", "sex", "aetiology")
COVARIATES = ("age_years", "planned_gain_mm", "tibia")
#: a Cox model with fewer events per variable is not shown (local choice; between 5 and 10 a
#: caution stands beside it: Vittinghoff & McCulloch 2007, Am J Epidemiol 165:710-718)
FEWEST_EVENTS = 5
IN_FIRST = "in_first_group"
GROUP = "compared_group"


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class GroupComparison:
    """Two groups compared on one time; describes the groups, says nothing of why they differ.

    name, column, first, second, segment: what was asked. sizes: one row a group: group, rows,
    used, missing, patients, events, ended, taken_over, and patients_in_both. left_out: rows in
    neither group (`mixed`, `other_groups`, `not_recorded`). baseline: as `baseline_table`.
    curves: group code -> curve. log_rank, stratified: tests (or None, with the reason in
    `stratified_note`). cox: the model or None; hazard_ratio: of the first group against the
    second, or why not. steadiness: the proportional-hazards check in words. restricted_mean:
    first minus second. waiting: (day, difference of the shares waiting) unadjusted. weighted:
    overlap-weighted comparison.
    """

    name: str
    column: str
    first: str
    second: str
    segment: str | None
    sizes: pd.DataFrame
    left_out: dict[str, int]
    baseline: pd.DataFrame
    curves: dict[str, SurvivalCurve]
    log_rank: CurveComparison
    stratified: CurveComparison | None
    stratified_note: str
    log_rank_note: str
    cox: CoxModel | None
    hazard_ratio: Estimate
    steadiness: str
    restricted_mean: Contrast
    waiting: list[tuple[int, Contrast]]
    weighted: WeightedComparison


def compare_groups(
    cohort: Cohort,
    name: str = "time_to_full_weight_bearing",
    *,
    column: str = "device_class",
    first: str,
    second: str,
    segment: str | None = None,
) -> GroupComparison:
    """Two groups of a cohort compared on a time in days, baseline table included.

    name: a time of `TIMES` in days; full weight bearing has one row a walking episode. column:
    one of `COLUMNS`, facts settled at surgery: groups made by what happened later would be sorted
    by their own outcome. first, second: codes of that column. segment: only rows of this bone.
    Episodes whose cases do not share one code (`mixed`) are left out and counted. Raises
    ValueError for any other name, column or code, listing those there are.
    """
    _check(cohort, name, column, (first, second), segment)
    rows, facts, left_out = _rows_of(cohort, name, column, (first, second), segment)
    in_first = rows[GROUP] == first
    settled = {"segment", "tibia"} if column == "segment" or segment is not None else set()
    shown = facts.drop(columns=[*(settled - {"tibia"}), *({column} & set(facts) - settled)])
    curves = {
        code: curve_for(rows.loc[chosen], unit="days", level=cohort.settings.level)
        for code, chosen in ((first, in_first), (second, ~in_first))
    }
    usable = rows["reason"].isna() & rows["duration"].notna()
    data = rows.assign(**facts.drop(columns=["segment"]), **{IN_FIRST: in_first.astype(float)})
    data = data.loc[usable].assign(entry=lambda part: part["entry"].fillna(0.0))
    # Where the bone is settled it is neither a covariate nor part of the case mix.
    data = data.drop(columns=["tibia"] if settled else [])
    covariates = [name for name in COVARIATES if name not in settled]
    whole, within, about = _log_ranks(data, (first, second), by_segment=not settled)
    model, ratio = adjusted_ratio(data, covariates, missing=int((~usable).sum()))
    return GroupComparison(
        name=name,
        column=column,
        first=first,
        second=second,
        segment=segment,
        sizes=_sizes(rows, in_first, (first, second)),
        left_out=left_out,
        baseline=baseline_table(shown, in_first),
        curves=curves,
        log_rank=whole,
        stratified=within,
        log_rank_note=about[0],
        stratified_note=about[1],
        cox=model,
        hazard_ratio=ratio,
        steadiness=steadiness_words(model),
        restricted_mean=_restricted_mean(curves[first], curves[second], cohort),
        waiting=[
            (day, compare_at(curves[first], curves[second], t=day))
            for day in cohort.settings.waiting_days
        ],
        weighted=compare_weighted(data, shown, cohort.settings),
    )


def _check(
    cohort: Cohort, name: str, column: str, pair: tuple[str, str], segment: str | None
) -> None:
    in_days = [key for key, (_, unit, _) in TIMES.items() if unit == "days"]
    if name not in in_days:
        raise ValueError(f"time must be one of {', '.join(in_days)}; got {name!r}")
    if column not in COLUMNS:
        raise ValueError(
            f"column must be one of {', '.join(COLUMNS)}; got {column!r}: groups are made only by "
            "facts settled on the day of surgery, since what becomes known later sorts cases by "
            "how they went"
        )
    known: list[str] = (
        sorted(cohort.cases["centre"].dropna().unique())
        if column == "centre"
        else list(vocabulary.codes(column))
    )
    for code in pair:
        if code not in known:
            raise ValueError(f"{column} must be one of {', '.join(known)}; got {code!r}")
    if pair[0] == pair[1]:
        raise ValueError(f"the two groups must differ; got {pair[0]!r} twice")
    if segment is not None and segment not in vocabulary.codes("segment"):
        listed = ", ".join(vocabulary.codes("segment"))
        raise ValueError(f"segment must be one of {listed}; got {segment!r}")


def _rows_of(
    cohort: Cohort, name: str, column: str, pair: tuple[str, str], segment: str | None
) -> tuple[pd.DataFrame, pd.DataFrame, dict[str, int]]:
    """Rows of both groups with their code, their facts, and how many are in neither."""
    table = time_table(cohort, name)
    table = table.loc[~table["reason"].isin(NOT_APPLICABLE)].reset_index(drop=True)
    if segment is not None:
        table = table.loc[table["segment"] == segment].reset_index(drop=True)
    facts = unit_facts(cohort, table)
    codes = facts[column] if column in ("sex", "aetiology") else table[column]
    belongs = codes.isin(pair)
    rows = table.assign(**{GROUP: codes}).loc[belongs].reset_index(drop=True)
    return rows, facts.loc[belongs].reset_index(drop=True), _left_out(codes, pair)


def _sizes(rows: pd.DataFrame, in_first: pd.Series, codes: tuple[str, str]) -> pd.DataFrame:
    parts = [rows.loc[in_first], rows.loc[~in_first]]
    both = set(parts[0]["patient_id"]) & set(parts[1]["patient_id"])
    lines = []
    for code, part in zip(codes, parts, strict=True):
        used = part.loc[part["reason"].isna() & part["duration"].notna()]
        lines.append(
            {
                "group": code,
                "rows": len(part),
                "used": len(used),
                "missing": len(part) - len(used),
                "patients": part["patient_id"].nunique(),
                "events": int(used["observed"].sum()),
                "ended": int(used["ended"].notna().sum()),
                "taken_over": int((used["entry"] > 0).sum()),
                "patients_in_both": len(both),
            }
        )
    return pd.DataFrame(lines)


def _left_out(codes: pd.Series, pair: tuple[str, str]) -> dict[str, int]:
    empty, mixed = codes.isna(), codes.eq(MIXED).fillna(False)
    other = ~codes.isin(pair) & ~empty & ~mixed
    return {
        "mixed": int(mixed.sum()),
        "other_groups": int(other.sum()),
        "not_recorded": int(empty.sum()),
    }


def _log_ranks(
    data: pd.DataFrame, codes: tuple[str, str], *, by_segment: bool
) -> tuple[CurveComparison, CurveComparison | None, tuple[str, str]]:
    """Both tests and a note on each; they know no late entry, so rows taken over are left out."""
    inside = data.loc[data["entry"] <= 0]
    late = len(data) - len(inside)
    times = inside["duration"].to_numpy(), inside["observed"].to_numpy(dtype=bool)
    group = np.where(inside[IN_FIRST] == 1, *codes)
    note = "takes rows of one patient as independent"
    note += f"; {late} taken over in mid-treatment left out" if late else ""
    whole = compare_curves(*times, group)
    if not by_segment:
        why = "one bone only, or the bone is what the groups are made of: nothing to stratify by"
        return whole, None, (note, why)
    strata = "one stratum for femur, one for tibia, one for episodes with both"
    return whole, compare_curves(*times, group, inside["segment"].to_numpy()), (note, strata)


def adjusted_ratio(
    data: pd.DataFrame, covariates: list[str], *, missing: int = 0
) -> tuple[CoxModel | None, Estimate]:
    """Cox model of the group and the covariates, with the group's ratio; or None and the reason.

    data: duration, observed, entry, patient_id, in_first_group and the covariates; errors are
    clustered by patient. Not fitted below 5 events per variable (local choice, stated).
    """
    names = [IN_FIRST, *covariates]
    complete = data.loc[data[names].notna().all(axis=1)]
    events = int(complete["observed"].sum())
    method = "Cox regression, Efron ties, robust errors by patient_id"
    if events < FEWEST_EVENTS * len(names):
        reason = (
            f"{events} events for {len(names)} variables ({events / len(names):.1f} each): fewer "
            f"than {FEWEST_EVENTS} per variable, below which no model is fitted (local choice)"
        )
        lost = missing + len(data) - len(complete)
        return None, not_estimable(
            reason, n=len(complete), missing=lost, method=method, unit="ratio"
        )
    late = bool((data["entry"] > 0).any())
    # With late entry the fitting library takes no row that ends on the day on which it enters.
    watched = data.loc[data["duration"] > 0] if late else data
    model = cox_model(
        watched,
        duration="duration",
        event="observed",
        covariates=names,
        cluster="patient_id",
        entry="entry" if late else None,
    )
    ratio = model.hazard_ratio(IN_FIRST)
    unwatched = len(data) - len(watched)
    note = ratio.note
    note += f"; {unwatched} last seen on the day of surgery left out" if unwatched else ""
    lost = ratio.missing + missing + unwatched
    return model, dataclasses.replace(ratio, missing=lost, note=note)


def steadiness_words(model: CoxModel | None) -> str:
    """The proportional-hazards check of the group's ratio and of all together, in one sentence."""
    if model is None or not model.estimable:
        return "no model, so nothing to check: read the restricted means"
    found = proportional_hazards_check(model)
    found = found.loc[found["formula"] == SCORE_TEST].set_index("covariate")
    group, whole = (float(found["p"][name]) for name in (IN_FIRST, "all together"))
    numbers = f"score test: group p = {group:.2g}, all variables p = {whole:.2g}"
    if min(group, whole) < 0.05:
        return (
            f"the ratio seems to change over time ({numbers}): one ratio does not describe the "
            "whole course, read the restricted means"
        )
    return (
        f"no sign that the ratio changes over time ({numbers}); with few events such a change can "
        "be missed"
    )


def _restricted_mean(first: SurvivalCurve, second: SurvivalCurve, cohort: Cohort) -> Contrast:
    """At the horizon of the settings, or at the longest fixed day that both groups were seen to."""
    horizon = cohort.settings.restricted_to_days
    wanted = restricted_mean_difference(first, second, t=horizon)
    if wanted.difference.estimable:
        return wanted
    for day in sorted(cohort.settings.waiting_days, reverse=True):
        if day < horizon:
            found = restricted_mean_difference(first, second, t=day)
            if found.difference.estimable:
                note = f"{found.difference.note}, for at {horizon}: {wanted.difference.note}"
                return dataclasses.replace(
                    found, difference=dataclasses.replace(found.difference, note=note)
                )
    return wanted
