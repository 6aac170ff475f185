"""Is the data fit to judge a measure? Of the cases due, how many have what it needs.

A case is due for a measure when it has the measure's value, or when what the value lacks could be
expected by now. Waiting for union, a bone nobody walks on, or under 10 mm gained is no fault of
the data, so such a case is not due. A time to an event needs a known state: reached, made
impossible, or seen waiting of late (completeness of follow-up: Clark TG et al. Lancet
2002;359:1309-1310, the idea).
"""

from __future__ import annotations

import pandas as pd

from audit.cohort import Cohort
from audit.criteria import EVENTS_OF_RATE
from audit.estimates.estimate import Estimate
from audit.measures.complications import UNGRADED
from audit.measures.weight_bearing import number_episodes
from audit.quality.choices import QualityChoices
from audit.quality.ground import share
from audit.quality.inputs import NEEDED
from audit.results.catalogue import TIMES
from audit.results.times import time_table
from schemas.vocabulary import WALKING_SEGMENTS

KNOWN, FAULT = "known", "fault"
FIT, UNFIT, NOBODY = "fit", "data not fit to judge", "no case expected yet"
#: why a value is missing -> the item whose absence is to blame, if it could be expected by now
BLAMES: dict[str, str] = {
    "distraction_not_finished": "distraction_end_date",
    "no_distraction_end": "distraction_end_date",
    "no_distraction_start": "distraction_start_date",
    "no_achieved_gain": "achieved_gain_mm",
    "no_planned_gain": "planned_gain_mm",
    "no_final_gain": "final_gain_mm",
    "no_length_before": "segment_length_before_mm",
    "not_united": "union_date",
    "fixator_not_removed": "fixator_removal_date",
    "not_yet_full_weight_bearing": "full_weight_bearing_date",
    "no_baseline_motion": "baseline_knee",
    "no_motion_after_surgery": "knee_after_surgery",
}
#: the milestone that ends the wait of each time to an event
MILESTONE: dict[str, str] = {
    "time_to_full_weight_bearing": "full_weight_bearing_date",
    "time_to_full_weight_bearing_by_case": "full_weight_bearing_date",
    "time_to_union": "union_date",
    "healing_index_censored_days_per_cm": "union_date",
}
EVENTS = (*EVENTS_OF_RATE, *EVENTS_OF_RATE.values())
#: outcomes after which the treatment is over and known to be
OVER = ("completed", "stopped_early", "device_exchanged", "amputated", "died")


def case_states(
    cohort: Cohort, measured: pd.DataFrame, items: pd.DataFrame, name: str
) -> pd.Series:
    """known or fault for each case due for a measure of a case, missing for the others.

    measured: from `measure_cases`; items: from `completeness.item_states`; index case_id.
    """
    table = measured.set_index("case_id")
    value = table[name]
    reason = table.get(f"{name}_reason", pd.Series("", index=table.index)).fillna("")
    states = pd.Series(pd.NA, index=table.index, dtype=object).mask(value.notna(), KNOWN)
    faults = pd.Series(False, index=table.index)
    for code, item in BLAMES.items():
        faults |= (reason == code) & _expected(items, item).reindex(table.index)
    faults |= reason == "inputs_missing"
    return states.mask(faults & value.isna(), FAULT)


def _expected(items: pd.DataFrame, item: str) -> pd.Series:
    return items[item].notna()


def event_states(cohort: Cohort, days: int, choices: QualityChoices) -> pd.Series:
    """known or fault for each case (index case_id): whether complications of the first `days` from
    surgery could have come to light.

    Known: treatment is over, or the case was followed so long, or (younger) up to `contact_days`
    before the cut-off. An event that nobody entered cannot be seen here.
    """
    cases = cohort.cases.set_index("case_id")
    followed = cases["follow_up_end"] >= _enough(cohort, cases["surgery_date"], days, choices)
    over = cases["outcome_status"].isin(OVER)
    words = pd.Series(FAULT, index=cases.index, dtype=object)
    return words.mask(over | followed, KNOWN)


def without_ungraded(states: pd.Series, measured: pd.DataFrame, name: str) -> pd.Series:
    """The states (index case_id) with a fault where an event of the case has no severity type, if
    the count or rate `name` needs one: the event could be one of those counted."""
    table = measured.set_index("case_id")
    column = f"{EVENTS_OF_RATE.get(name, name)}_reason"
    if column not in table:
        return states
    ungraded = table[column].eq(UNGRADED).fillna(False).astype(bool)
    return states.mask(ungraded.reindex(states.index), FAULT)


def _enough(cohort: Cohort, surgery: pd.Series, days: int, choices: QualityChoices) -> pd.Series:
    """The day up to which a waiting case must have been seen for its state to be known."""
    late = pd.Series(cohort.cutoff - pd.Timedelta(days=choices.contact_days), surgery.index)
    full = surgery + pd.Timedelta(days=days)
    return full.where(full < late, late)


def time_states(
    cohort: Cohort, items: pd.DataFrame, name: str, days: int, choices: QualityChoices
) -> pd.Series:
    """known or fault for each row of `time_table(cohort, name)`, in its order; missing where the
    row is not due (not a walking bone, taken over too late, no index formed).

    Known: reached, made impossible, or seen waiting for `days` from surgery or up to `contact_days`
    before the cut-off. For full weight bearing any follow-up counts as seen, because the date is
    empty only while it was not allowed; union needs a film, knee motion an examination. A milestone
    that could be expected by now and is missing is a fault.
    """
    table = time_table(cohort, name)
    seen = _seen_waiting(cohort, name, table)
    known = table["observed"] | table["ended"].notna()
    known |= seen >= _enough(cohort, table["surgery_date"], days, choices)
    words = pd.Series(FAULT, index=table.index, dtype=object).mask(known, KNOWN)
    words = words.mask(_milestone_missing(cohort, items, name, table) & ~table["observed"], FAULT)
    without = table["reason"].notna()
    return words.mask(without, FAULT).mask(without & ~_blamed(items, table), pd.NA)


def _blamed(items: pd.DataFrame, table: pd.DataFrame) -> pd.Series:
    """True for rows without a time for the want of something that could be expected by now."""
    blamed = pd.Series(False, index=table.index)
    if "case_id" not in table:
        return blamed
    for code, item in BLAMES.items():
        expected = table["case_id"].map(_expected(items, item)).astype(bool)
        blamed |= (table["reason"] == code).fillna(False).astype(bool) & expected
    return blamed


def _seen_waiting(cohort: Cohort, name: str, table: pd.DataFrame) -> pd.Series:
    """Last day on which each row was seen waiting."""
    if name == "healing_index_censored_days_per_cm":
        days = time_table(cohort, "time_to_union").set_index("case_id")["duration"]
        waited = table["case_id"].map(days)
    else:
        waited = table["duration"]
    seen = table["surgery_date"] + pd.to_timedelta(waited, unit="D")
    if not name.startswith("time_to_full_weight_bearing"):
        return seen
    later = _last_follow_up(cohort, name, table)
    return seen.where(seen > later, later)


def _last_follow_up(cohort: Cohort, name: str, table: pd.DataFrame) -> pd.Series:
    cases = cohort.cases.set_index("case_id")
    if "case_id" in table:
        return table["case_id"].map(cases["follow_up_end"]).astype("datetime64[ns]")
    ends = cases["follow_up_end"].groupby(_episodes(cohort)).min()
    return table["episode"].map(ends).astype("datetime64[ns]")


def _episodes(cohort: Cohort) -> pd.Series:
    """Walking episode of each case on a bone that is walked on (index case_id)."""
    cases = cohort.cases.set_index("case_id", drop=False).rename_axis(None)
    cases = cases.loc[cases["segment"].isin(WALKING_SEGMENTS)]
    return number_episodes(cases, cohort.settings.episode_gap_days)


def _milestone_missing(
    cohort: Cohort, items: pd.DataFrame, name: str, table: pd.DataFrame
) -> pd.Series:
    if name not in MILESTONE:
        return pd.Series(False, index=table.index)
    gap = items[MILESTONE[name]].isin(["missing", "invalid"])
    if "case_id" in table:
        return table["case_id"].map(gap).fillna(False).astype(bool)
    any_gap = gap.groupby(_episodes(cohort)).any()
    return table["episode"].map(any_gap).fillna(False).astype(bool)


def unit_states(
    cohort: Cohort,
    measured: pd.DataFrame,
    items: pd.DataFrame,
    name: str,
    choices: QualityChoices,
) -> pd.Series:
    """The states of any reported measure over its own units (cases, or walking episodes)."""
    if name in TIMES:
        return time_states(cohort, items, name, choices.horizon_days, choices)
    if name in EVENTS:
        states = event_states(cohort, choices.horizon_days, choices)
        return without_ungraded(states, measured, name)
    return case_states(cohort, measured, items, name)


def completeness_of(states: pd.Series, *, level: float) -> Estimate:
    """Share of the units due that have what the measure needs, with Wilson's interval."""
    due = states.dropna()
    return share(int((due == KNOWN).sum()), len(due), level=level, none=NOBODY)


def fitness_verdict(estimate: Estimate, minimum: float, *, table_missing: str = "") -> str:
    """fit, data not fit to judge, or no case expected yet."""
    if table_missing:
        return UNFIT
    if estimate.value is None:
        return NOBODY
    return FIT if estimate.value >= minimum else UNFIT


def missing_table(cohort: Cohort, name: str) -> str:
    """The table without which the measure cannot be formed and which the source does not have."""
    table = NEEDED.get(name, "")
    return table if table and table not in cohort.given else ""
