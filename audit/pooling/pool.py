"""The answer of several centres together, in the columns of results.csv.

Where nothing was hidden it equals the answer from all patients in one table. Where a centre hides
or rounds, a row has no value but the range in which the true pooled value lies, and the reason.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence

import pandas as pd

from audit.estimates.estimate import Estimate, not_estimable
from audit.intake.aggregate_form import CURVE_KEYS, HIDDEN, KEYS, Aggregate, check_together
from audit.pooling import exact
from audit.pooling.bounds import Range, extreme_range
from audit.pooling.criteria import stacked
from audit.pooling.definitions import settings_of
from audit.pooling.parts import parts_of_sums, range_of
from audit.pooling.ranges import METHODS, NO_DOUBT, range_cells, range_rows
from audit.pooling.risk import add_steps, curve_of_steps, incidence_of_steps
from audit.pooling.sums import Sums, add_sums
from audit.results.catalogue import TIMES
from audit.results.groups import ALL, Slice
from audit.results.rows import RESULT_COLUMNS, result_frame, result_row
from audit.results.walking import INCIDENCE
from audit.settings import Settings

Rows = list[dict[str, object]]
CAUTION = "patients treated in two centres cannot be recognised and count as two"
AGREEMENT = "gain_agreement_mm"
MEDIAN_RANGE = "range of the centres' medians, between which the pooled median lies"
NEEDS_VALUES = "the pooled median needs the values themselves"
#: statistics that rest on who the patients are
_BY_PEOPLE = ("_clustered", "patients_with_complication", "time_to_full_weight_bearing")


def pool(aggregates: Sequence[Aggregate]) -> pd.DataFrame:
    """Results of all centres together, one row an estimate, in the contract's columns.

    Of exact aggregates: means, deviations, shares, rates, ratios of totals, agreement, each also
    with limits over patients, times to an event, and the rows of each centre (group_by `centre`).
    Their pooled medians have the range of the centres' medians. With an aggregate of level
    `external` every row is a range: value empty, low and high its ends, level empty, `[c]` in the
    note; they hold no sampling doubt. The order of the aggregates does not matter. Raises
    UnusableInput as `aggregate_form.check_together`.
    """
    check_together(aggregates)
    settings = settings_of(aggregates[0].definitions)
    about = _About(aggregates[0].period, settings, tuple(sorted(one.name for one in aggregates)))
    if any(one.level == "external" for one in aggregates):
        return result_frame(range_rows(aggregates))
    rows: Rows = []
    sums, curves = stacked(aggregates, "sums"), stacked(aggregates, "curves")
    steps = stacked(aggregates, "steps")
    for table in (sums, *_by_centre(sums)):
        rows += _sum_rows(table, about)
    rows += _curve_rows(curves, steps, about)
    for own in _by_centre(curves):
        of = steps.loc[steps["centre"] == own["centre"].iloc[0]]
        of = of.loc[of["group_by"] == ALL].assign(group_by="centre", group=of["centre"])
        rows += _curve_rows(own, of, about)
    return result_frame(rows)[RESULT_COLUMNS]


@dataclasses.dataclass(frozen=True)
class _About:
    """What every row of a pooled table shares."""

    period: str
    settings: Settings
    centres: tuple[str, ...]

    def row(
        self, key: dict[str, str], statistic: str, estimate: Estimate, *, note: str = ""
    ) -> dict[str, object]:
        part = Slice(self.period, key["group_by"], key["group"], pd.DataFrame())
        named = f"{key['measure']} {statistic}"
        several = len(self.centres) > 1 and key["group_by"] != "centre"
        caution = CAUTION if several and any(word in named for word in _BY_PEOPLE) else ""
        words = "; ".join(word for word in (note, caution) if word)
        return result_row(key["measure"], statistic, part, estimate, note=words)


def _by_centre(table: pd.DataFrame) -> list[pd.DataFrame]:
    """The rows over all groups, a table a centre, as groups of the grouping `centre`."""
    if table["centre"].nunique() < 2:
        return []
    over_all = table.loc[table["group_by"] == ALL]
    return [
        rows.assign(group_by="centre", group=centre)
        for centre, rows in over_all.groupby("centre", sort=True)
    ]


def _sum_rows(sums: pd.DataFrame, about: _About) -> Rows:
    rows: Rows = []
    for _, parts in sums.groupby(KEYS, sort=False):
        first = parts.iloc[0]
        key = {name: str(first[name]) for name in ("measure", "group_by", "group")}
        kind, unit = str(first["kind"]), str(first["unit"])
        if (parts["marker"] == HIDDEN).any():
            rows += _hidden_rows(parts, key, kind, about)
        else:
            found = _estimates(kind, key["measure"], add_sums(parts), unit, about.settings.level)
            rows += [about.row(key, statistic, one) for statistic, one in found.items()]
        if kind == "mean" and key["measure"] != AGREEMENT:
            rows.append(_median_row(parts, key, unit, about))
    return rows


def _estimates(kind: str, measure: str, sums: Sums, unit: str, level: float) -> dict[str, Estimate]:
    if measure == AGREEMENT:
        return exact.agreement_estimates(sums, level=level)
    if kind == "share":
        return exact.share_estimates(sums, level=level, unit=unit)
    made = {
        "mean": exact.mean_estimates,
        "rate": exact.rate_estimates,
        "ratio": exact.ratio_estimates,
    }
    return made[kind](sums, level=level, unit=unit)


def _hidden_rows(parts: pd.DataFrame, key: dict[str, str], kind: str, about: _About) -> Rows:
    """Ranges for a share or rate; for the others nothing bounds what is hidden."""
    n, missing = int(parts["n"].sum()), int(parts["missing"].sum())
    hiding = ", ".join(sorted(parts.loc[parts["marker"] == HIDDEN, "centre"]))
    reason = f"{HIDDEN} too few people in {hiding}"
    unit, found = str(parts["unit"].iloc[0]), parts_of_sums(parts, kind)
    rows = []
    for statistic, own in found.items():
        limits = range_cells(range_of(statistic, own, found.get("mean", ())))
        bounded = any(end is not None for end in limits.values())
        estimate = not_estimable(
            f"{reason}; {NO_DOUBT}" if bounded else f"{reason}: nothing bounds what is hidden",
            n=n,
            missing=missing,
            method=METHODS.get(statistic, "ratio of totals"),
            unit=unit,
        )
        rows.append(about.row(key, statistic, estimate) | limits | {"level": None})
    return rows


def _median_row(
    parts: pd.DataFrame, key: dict[str, str], unit: str, about: _About
) -> dict[str, object]:
    """The pooled median lies between the smallest and largest of the centres' medians."""
    used = parts.loc[parts["n"] > 0]
    n, missing = int(parts["n"].sum()), int(parts["missing"].sum())
    shown = used["median"].notna().all() and len(used) > 0
    reason = "no values" if used.empty else NEEDS_VALUES
    if not used.empty and not shown:
        reason = f"{HIDDEN} too few people"
    method = MEDIAN_RANGE
    if len(used) == 1 and shown:
        only = float(used["median"].iloc[0])
        note = "one centre has values: its own median, no interval"
        found = Estimate(value=only, n=n, missing=missing, method="median", unit=unit, note=note)
        return about.row(key, "median", found) | {"level": None}
    estimate = not_estimable(reason, n=n, missing=missing, method=method, unit=unit)
    row = about.row(key, "median", estimate) | {"level": None}
    if shown:
        ends = extreme_range([Range(value, value) for value in used["median"].astype(float)])
        row |= {"low": ends.low, "high": ends.high}
    return row


def _curve_rows(curves: pd.DataFrame, steps: pd.DataFrame, about: _About) -> Rows:
    rows: Rows = []
    by_key = {key: own for key, own in steps.groupby(CURVE_KEYS, sort=False)}
    for keys, parts in curves.groupby(CURVE_KEYS, sort=False):
        key = dict(zip(CURVE_KEYS, map(str, keys), strict=True))
        n, missing = int(parts["n"].sum()), int(parts["missing"].sum())
        unit = str(parts["unit"].iloc[0])
        hiding = sorted(parts.loc[parts["marker"] == HIDDEN, "centre"])
        if hiding:
            reason = f"{HIDDEN} too few people in {', '.join(hiding)}"
            nothing = not_estimable(reason, n=n, missing=missing, method="Kaplan-Meier", unit=unit)
            rows.append(about.row(key, "median_time", nothing))
            continue
        own = by_key.get(keys, steps.iloc[:0])
        for statistic, note, estimate in _read_off(key["measure"], own, missing, unit, about):
            rows.append(about.row(key, statistic, estimate, note=note))
    return rows


def _read_off(
    measure: str, steps: pd.DataFrame, missing: int, unit: str, about: _About
) -> Iterator[tuple[str, str, Estimate]]:
    """(statistic, day in words, estimate) of a pooled curve."""
    settings, together = about.settings, add_steps(steps)
    if measure == INCIDENCE:
        incidence = incidence_of_steps(together, missing=missing, level=settings.level)
        for day in settings.waiting_days:
            yield "reached_by", f"by {day} days", incidence.at(day)
        return
    curve = curve_of_steps(together, missing=missing, unit=unit, level=settings.level)
    each = TIMES[measure][2]
    words = f"{curve.events} events among {curve.n} ({each})"
    yield "median_time", words, curve.median()
    yield "q1_time", words, curve.quantile(0.25)
    yield "q3_time", words, curve.quantile(0.75)
    if unit != "days":
        return
    for day in settings.waiting_days:
        yield "not_reached_at", f"at {day} days; {words}", curve.at(day)
    horizon = settings.restricted_to_days
    yield (
        "restricted_mean",
        f"restricted to {horizon} days; {words}",
        curve.restricted_mean(horizon),
    )
