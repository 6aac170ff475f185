"""Our side of the comparison: the rows of a device class on one bone or on a set of bones."""

from __future__ import annotations

import pandas as pd

from audit.published.matching import GROUP_BY, Ours, parts_of
from audit.results.bone_sets import bone_set_rows
from audit.results.groups import ALL, Window, slices
from audit.results.rows import best_rows
from audit.run import AuditRun
from audit.series.case_series import CaseSeries

BY_CLASS = "device_class"
#: where a row of ours comes from
FROM_RESULTS, MADE_HERE = "results", "made for the comparison"


class OurSide:
    """Our rows by device class and bones, for the whole time. The run is not changed.

    A row stands in the results already where the group is a device class on one bone, or on all
    the bones it was used on; other sets of bones are computed when first asked for.
    """

    def __init__(self, ours: AuditRun | CaseSeries) -> None:
        self.run = ours.run if isinstance(ours, CaseSeries) else ours
        self._plan = ours.plan if isinstance(ours, CaseSeries) else None
        results = self.run.results
        self._results = results.loc[results["window"] == ALL]
        self._rows: dict[tuple[str, str], pd.DataFrame] = {}

    def facts(self) -> Ours:
        """Units, groups and settings, as the matching asks for them."""
        rows = self._results.loc[self._results["group_by"] == GROUP_BY]
        pairs = rows[["measure", "statistic", "unit"]].drop_duplicates()
        units = {(str(name), str(kind)): str(unit) for name, kind, unit in pairs.to_numpy()}
        groups = tuple(part.group for part in self._strata(GROUP_BY))
        return Ours(units, groups, self.run.cohort.settings)

    def row(self, measure: str, statistic: str, group: str) -> pd.Series | None:
        """The row that tables for people show (see `best_rows`); None without a row."""
        cases = self._cases(group)
        key = (measure, group)
        if key not in self._rows:
            self._rows[key] = self._rows_of(measure, group)
        rows = self._rows[key]
        return best_rows(rows, cases["patient_id"].nunique(), len(cases)).get(statistic)

    def source(self, group: str) -> str:
        """FROM_RESULTS or MADE_HERE."""
        return MADE_HERE if self._place(group) is None else FROM_RESULTS

    def in_plan(self, group: str) -> bool | None:
        """Whether the group is one of those by which the plan splits the outcomes (its `split_by`
        and `group_by`): holds the same cases. None without a plan."""
        if self._plan is None:
            return None
        mine = set(self._cases(group)["case_id"])
        strata = [
            set(part.rows["case_id"])
            for by in {self._plan.split_by, self._plan.group_by}
            for part in self._strata(by)
        ]
        return mine in strata

    def bones(self, group: str) -> tuple[int, ...]:
        """How many of our cases lie on each bone of the group."""
        counts = self._cases(group)["segment"].value_counts()
        return tuple(int(counts[bone]) for bone in parts_of(group)[1])

    def _strata(self, group_by: str):
        return slices(self.run.measured, (Window(ALL),), [tuple(group_by.split("+"))])

    def _cases(self, group: str) -> pd.DataFrame:
        device_class, bones = parts_of(group)
        cases = self.run.measured
        chosen = cases["device_class"].isin([device_class]) & cases["segment"].isin(bones)
        return cases.loc[chosen]

    def _place(self, group: str) -> tuple[str, str] | None:
        """(group_by, group) in the results; None where they do not hold the group."""
        device_class, bones = parts_of(group)
        if len(bones) == 1:
            return GROUP_BY, group
        everywhere = self.run.measured["device_class"].isin([device_class]).sum()
        return (BY_CLASS, device_class) if everywhere == len(self._cases(group)) else None

    def _rows_of(self, measure: str, group: str) -> pd.DataFrame:
        device_class, bones = parts_of(group)
        place = self._place(group)
        if place is None:
            run = self.run
            return bone_set_rows(
                run.cohort, run.measured, measure, device_class=device_class, bones=bones
            )
        rows = self._results
        by, name = place
        return rows.loc[
            (rows["measure"] == measure) & (rows["group_by"] == by) & (rows["group"] == name)
        ]
