"""Result rows of every sensitivity run, by the functions of the main analysis."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import Any

import pandas as pd

from audit.cohort import Cohort
from audit.estimates.estimate import not_estimable
from audit.measures.limbs import limb_knee_measures
from audit.results.catalogue import MEASURES, TIMES
from audit.results.groups import Slice, Window, slices
from audit.results.limbs import limb_knee_rows
from audit.results.rows import result_row
from audit.results.summaries import complication_rows, measure_rows, share_rows
from audit.results.times import time_rows, time_table
from audit.results.walking import (
    INCIDENCE,
    TIME,
    competing_times,
    incidence_for,
    incidence_quantile,
)
from audit.results.walking_variants import FIRST_EPISODE, FIRST_LIMB, STOPPED, variant_tables
from audit.series import sensitivity_inputs as inputs
from audit.series.case_series import CaseSeries
from audit.series.complete_records import complete_cases
from audit.series.sensitivity_bounds import (
    BEST,
    COUNTED,
    WORST,
    answer_on,
    answers_of,
    bound_rows,
    cases_watched,
    episodes_watched,
)

Rows = list[dict[str, object]]
UNION = "time_to_union"
BY_CASE_TIMES = (UNION, inputs.PER_CM)
ALL_TIMES = (TIME, *BY_CASE_TIMES)
WHOLE = (Window("all"),)
NO_TIMES = (
    "cases lost before the event would fall out with all the time they were watched; the main "
    "analysis keeps them up to the last day seen"
)


@dataclasses.dataclass(frozen=True)
class Variants:
    """The runs of one series. Each method gives result rows of the main analysis' measures and
    statistics, for all cases and each group of the plan, over all time."""

    series: CaseSeries

    @property
    def cohort(self) -> Cohort:
        """The cohort of the series."""
        return self.series.run.cohort

    def parts(self, table: pd.DataFrame) -> Iterator[Slice]:
        """All rows of a table, then each group of the plan."""
        return slices(table, WHOLE, ((), tuple(self.series.plan.group_by.split("+"))))

    def first_limb(self) -> Rows:
        """One limb a patient: the one operated first, with all its bones of that episode."""
        measured = self.series.run.measured
        gap = self.cohort.settings.episode_gap_days
        chosen = inputs.first_limb_cases(measured, gap_days=gap)
        ids = measured.loc[chosen, "case_id"]
        rows = self._by_case(measured.loc[chosen], ids)
        rows += self._times(TIME, variant_tables(self.cohort)[FIRST_LIMB])
        for name in BY_CASE_TIMES:
            table = time_table(self.cohort, name)
            rows += self._times(name, table.loc[table["case_id"].isin(set(ids))])
        return rows

    def first_episode(self) -> Rows:
        """The first walking episode of each patient."""
        return self._times(TIME, variant_tables(self.cohort)[FIRST_EPISODE])

    def complete(self) -> Rows:
        """Cases with complete records; times to an event are refused, with the reason."""
        measured = self.series.run.measured
        chosen = complete_cases(measured)
        rows = self._by_case(measured.loc[chosen], measured.loc[chosen, "case_id"])
        for part in self.parts(measured):
            for name in ALL_TIMES:
                about: dict[str, Any] = {"level": self.cohort.settings.level}
                nothing = not_estimable(NO_TIMES, unit=TIMES[name][1], **about)
                rows.append(result_row(name, median_statistic(name), part, nothing))
        return rows

    def bounds(self) -> dict[str, Rows]:
        """Best and worst case of every share: variant -> rows."""
        found: dict[str, Rows] = {BEST: [], WORST: []}
        for part in self.parts(self.series.run.measured):
            for name in ("gain_within_tolerance", *COUNTED):
                answers = dataclasses.replace(part, rows=answers_of(name, part.rows))
                self._add_bounds(found, (name, "proportion_clustered", ""), answers)
        episodes, cases = episodes_watched(self.cohort), cases_watched(self.cohort)
        for day in self.cohort.settings.waiting_days:
            by, at = f"by {day} days", f"at {day} days"
            for part in self.parts(episodes.assign(answer=answer_on(episodes, day))):
                self._add_bounds(found, (INCIDENCE, "reached_by", by), part)
            for part in self.parts(cases.assign(answer=~answer_on(cases, day))):
                self._add_bounds(found, (UNION, "not_reached_at_clustered", at), part)
        return found

    def _add_bounds(self, found: dict[str, Rows], key: tuple[str, str, str], part: Slice) -> None:
        name, statistic, opening = key
        rows = bound_rows(name, part, self.cohort.settings, statistic=statistic)
        for variant, row in rows.items():
            note = "; ".join(text for text in (opening, str(row["note"])) if text)
            found[variant].append(row | {"note": note})

    def from_start(self) -> Rows:
        """Days counted from the start of distraction instead of surgery."""
        measured = inputs.measured_from_start(self.series.run.measured)
        rows = self._measures(measured, inputs.FROM_SURGERY)
        for name in ALL_TIMES:
            rows += self._times(name, inputs.times_from_start(self.cohort, name))
        return rows

    def union_rule(self, cortices: int) -> Rows:
        """Union at the first film with so many cortices bridged."""
        rule = inputs.by_union_rule(self.cohort, cortices)
        measured = inputs.measured_by_union(rule, self.series.run.measured)
        rows = self._measures(measured, inputs.TO_UNION)
        for name in BY_CASE_TIMES:
            rows += self._times(name, inputs.times_by_union(rule, name))
        return [row | {"note": f"{row['note']}; {rule.words}"} for row in rows]

    def tolerance(self, tolerance_mm: float) -> Rows:
        """Share within another distance from the plan."""
        measured = inputs.with_tolerance(self.cohort, self.series.run.measured, tolerance_mm)
        rows, name = [], "gain_within_tolerance"
        for part in self.parts(measured):
            cases = part.rows
            settings = self.cohort.settings
            rows += share_rows(name, cases[name], cases["patient_id"], part, settings)
        return rows

    def walking_by_case(self) -> Rows:
        """Full weight bearing case by case instead of episode by episode."""
        return self._results(f"{TIME}_by_case", "median_time_clustered")

    def between_visits(self) -> Rows:
        """Full weight bearing somewhere between two visits, instead of on the day first seen."""
        return self._results(f"{TIME}_interval", "median_time")

    def stopped(self) -> Rows:
        """Stopped treatment and device exchange as competing events."""
        rows = []
        for part in self.parts(competing_times(variant_tables(self.cohort)[STOPPED])):
            curve = incidence_for(part.rows, level=self.cohort.settings.level)
            note = f"{curve.events} events and {curve.other_events} competing among {curve.n}"
            found = incidence_quantile(curve, 0.5)
            rows.append(result_row(TIME, "median_time", part, found, note=note))
        return rows

    def _by_case(self, measured: pd.DataFrame, ids: pd.Series) -> Rows:
        settings, rows = self.cohort.settings, []
        for part in self.parts(measured):
            rows += measure_rows(part, settings) + complication_rows(part, settings)
        limbs = inputs.limbs_of(self.cohort, limb_knee_measures(self.cohort), ids)
        for part in self.parts(limbs):
            rows += limb_knee_rows(part, settings)
        return rows

    def _measures(self, measured: pd.DataFrame, names: tuple[str, ...]) -> Rows:
        """Rows of these measures alone; emptying the others saves their resampling."""
        others = {m.name: float("nan") for m in MEASURES if m.name not in names}
        rows = []
        for part in self.parts(measured.assign(**others)):
            rows += measure_rows(part, self.cohort.settings)
        return [row for row in rows if row["measure"] in names]

    def _times(self, name: str, table: pd.DataFrame) -> Rows:
        rows = []
        for part in self.parts(table):
            rows += time_rows(name, part, self.cohort.settings)
        return rows

    def _results(self, measure: str, statistic: str) -> Rows:
        """Rows of the results table as rows of the time to full weight bearing."""
        results = self.series.run.results
        rows = results.loc[
            (results["measure"] == measure)
            & (results["statistic"] == statistic)
            & (results["window"] == "all")
            & results["group_by"].isin(("all", self.series.plan.group_by))
        ]
        return rows.assign(measure=TIME, statistic="median_time").to_dict("records")


def median_statistic(name: str) -> str:
    """The statistic of the median time that allows for several rows of one patient."""
    return "median_time" if TIMES[name][2] == "walking episode" else "median_time_clustered"
