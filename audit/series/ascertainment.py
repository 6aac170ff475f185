"""Cases of the service against its theatre list, over the quarters of a series."""

from __future__ import annotations

import dataclasses

from audit.estimates.estimate import Estimate
from audit.quality.ascertainment import ALL, ascertainment_table
from audit.quality.ground import ground_of, share
from audit.series.case_series import CaseSeries


@dataclasses.dataclass(frozen=True)
class Ascertainment:
    """How many operations of the theatre list the cases table holds.

    first, last: quarters compared (empty where none is). operations: in the list; cases: usable
    cases operated here in these quarters, before selection; found: cases up to the list, quarter by
    quarter; more: cases beyond it; not_compared: cases of quarters without a count. share: found /
    operations, the highest that the counts allow, or why there is none.
    """

    first: str
    last: str
    operations: int
    cases: int
    found: int
    more: int
    not_compared: int
    share: Estimate


def ascertainment_of(series: CaseSeries) -> Ascertainment:
    """Ascertainment over the quarters from the first to the last surgery of the series.

    All cases of the cohort in these quarters are compared, selected or not, because the theatre
    list knows no rules of selection; the first and last quarter count whole.
    """
    run = series.run if series.whole is None else series.whole
    level = run.cohort.settings.level
    table = ascertainment_table(ground_of(run.cohort))
    quarters = series.cases["surgery_date"].dt.to_period("Q").astype(str)
    inside = table.loc[
        (table["quarter"] >= quarters.min())
        & (table["quarter"] <= quarters.max())
        & (table["quarter"] != ALL)
    ]
    counted = inside.loc[inside["operations"].notna()]
    operations, found = int(counted["operations"].sum()), int(counted["found"].sum())
    whole = table.loc[table["quarter"] == ALL].iloc[0]
    none = str(whole["note"]) if whole["value"] != whole["value"] else ""
    more = int(counted["more"].sum())
    estimate = share(
        found, operations, level=level, none=none or "no operation in the theatre list"
    )
    if more and estimate.value is not None:
        words = f"not counted as found: {more} in the audit beyond a quarter's list"
        estimate = dataclasses.replace(estimate, note=words)
    return Ascertainment(
        first=str(counted["quarter"].min()) if len(counted) else "",
        last=str(counted["quarter"].max()) if len(counted) else "",
        operations=operations,
        cases=int(counted["cases"].sum()),
        found=found,
        more=more,
        not_compared=int(inside["not_compared"].sum()),
        share=estimate,
    )
