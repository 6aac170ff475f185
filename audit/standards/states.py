"""Five states of every unit of a criterion: met, not met, exception, not yet due, missing.

They add up to the population. A sixth word, not applicable, is for units that the measure does not
speak of by its own definition; they stand outside the population. Published guides on local audit
ask for the number that met the standard of those eligible, and for exceptions agreed in advance.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from audit.cohort import Cohort
from audit.criteria import EVENTS_OF_RATE, Criterion
from audit.measures.common import MM_PER_CM
from audit.quality.criterion_fitness import Judge
from audit.quality.fitness import FAULT
from audit.results.catalogue import NOT_APPLICABLE, TIMES, WORDS_FOR_REASONS
from audit.standards.units import judge_of, units_of
from schemas import TABLES

MET, NOT_MET, EXCEPTION = "met", "not met", "exception"
NOT_YET_DUE, MISSING, OUTSIDE = "not yet due", "missing", "not applicable"
#: the states that add up to the population
STATES = (MET, NOT_MET, EXCEPTION, NOT_YET_DUE, MISSING)
#: reasons for a missing value that put a case outside the population
OUTSIDE_REASONS = (*NOT_APPLICABLE, "length_under_10mm")
#: reasons for a missing value that time may mend
WAITING_REASONS = (
    "distraction_not_finished",
    "not_united",
    "fixator_not_removed",
    "not_yet_full_weight_bearing",
)
COLUMNS = [
    "criterion",
    "unit_id",
    "case_ids",
    "patient_id",
    "surgery_date",
    "day",
    "value",
    "state",
    "reason",
    "excused",
]


def case_states(
    cohort: Cohort, measured: pd.DataFrame, criteria: Sequence[Criterion]
) -> pd.DataFrame:
    """One row a criterion and unit of its population (or not applicable to it): `COLUMNS`.

    measured: from `measure_cases(cohort)`. unit_id: the case, or a walking episode (case_ids: its
    cases). day: the index date, missing where it has not come. value: of the measure. reason: why
    it is an exception, not yet due, missing or not applicable; empty for the others. excused: the
    exception that holds, whether or not the unit misses the criterion.

    A yes/no measure is met or not. For an average, met says that this one value is at or better
    than the target, while the verdict is on the average. For a rate, met says that no event of the
    kind happened. For a time, reached by the target day is met, reached or seen waiting beyond it
    is not met, waiting before it is not yet due, and lost before it is missing. An exception holds
    only for a unit that misses: one that meets the criterion in spite of it is met.
    """
    judge = judge_of(cohort, measured)
    parts = []
    for criterion in criteria:
        units = with_states(judge, criterion, units_of(judge, criterion))
        parts.append(units.assign(criterion=criterion.id, reason=units["state_reason"])[COLUMNS])
    if not parts:
        return pd.DataFrame(columns=COLUMNS)
    return pd.concat([part.astype({"value": float}) for part in parts], ignore_index=True)


def with_states(judge: Judge, criterion: Criterion, units: pd.DataFrame) -> pd.DataFrame:
    """The units with `value`, `state` and `state_reason`; units: from `units_of`."""
    answers = _of_times if criterion.statistic == "median_time" else _of_values
    value, good, why = answers(judge, criterion, units)
    outside = why.isin(OUTSIDE_REASONS)
    undated = units["day"].isna()
    # what could be expected by now is missing; what is still waited for is not yet due
    gone = (units["fitness"] == FAULT).fillna(False).astype(bool) | ~units["waited_for"]
    waits = (undated | why.isin(WAITING_REASONS)) & ~gone
    early = units["early"].fillna(False).astype(bool)
    known = good.notna() & ~undated & ~outside
    missed = known & ~good.fillna(True).astype(bool)
    excused = missed & units["excused"].notna()
    state = pd.Series(
        np.select(
            [outside, waits | early | (why == NOT_YET_DUE), excused, missed, known],
            [OUTSIDE, NOT_YET_DUE, EXCEPTION, NOT_MET, MET],
            MISSING,
        ),
        index=units.index,
    )
    return units.assign(
        value=value,
        state=state,
        state_reason=_reasons(criterion, units.assign(state=state, why=why)),
    )


def _of_values(
    judge: Judge, criterion: Criterion, units: pd.DataFrame
) -> tuple[pd.Series, pd.Series, pd.Series]:
    """(value, whether it meets the criterion, reason code where there is no value)."""
    name = EVENTS_OF_RATE.get(criterion.measure, criterion.measure)
    value = units[name].astype("Float64").astype(float)
    least = criterion.direction == "at_least"
    if criterion.statistic in ("proportion", "rate"):
        good = value > 0 if least else value == 0
    else:
        good = value >= criterion.target if least else value <= criterion.target
    given = units.get(f"{name}_reason", pd.Series(pd.NA, index=units.index))
    why = given.astype(object).where(value.isna()).fillna("")
    return value, good.astype("boolean").mask(value.isna()), why


def _of_times(
    judge: Judge, criterion: Criterion, units: pd.DataFrame
) -> tuple[pd.Series, pd.Series, pd.Series]:
    """The same for a time: the value is the time itself where the event was reached.

    A unit seen waiting on or after the target day, or for which death or amputation by then made
    the event impossible, has not reached it by the target.
    """
    time, target = units["duration"].astype(float), criterion.target
    usable, reached = units["reason"].isna(), units["observed"].astype(bool)
    by_then = usable & reached & (time <= target)
    impossible = (units["ended"].astype(float) <= target).fillna(False)
    too_late = usable & ~by_then & ((time >= target) | impossible)
    good, bad = by_then, too_late
    if criterion.direction == "at_least":
        good, bad = usable & (time >= target), usable & reached & (time < target)
    answer = pd.Series(pd.NA, index=units.index, dtype="boolean").mask(bad, False)
    answer = answer.mask(good, True)
    why = units["reason"].astype(object).fillna("")
    ahead = _target_day(judge, criterion, units) > judge.cohort.cutoff
    why = why.mask(usable & answer.isna() & ahead & units["waited_for"], NOT_YET_DUE)
    return time.where(usable & reached), answer, why


def _target_day(judge: Judge, criterion: Criterion, units: pd.DataFrame) -> pd.Series:
    """The day on which the time is up; a time per centimetre depends on the gain of the case."""
    days = pd.Series(criterion.target, index=units.index)
    if TIMES[criterion.measure][1] == "days/cm":
        gains = judge.cohort.cases.set_index("case_id")["achieved_gain_mm"]
        days = days * units["unit_id"].map(gains) / MM_PER_CM
    return units["surgery_date"] + pd.to_timedelta(days, unit="D")


def _reasons(criterion: Criterion, units: pd.DataFrame) -> pd.Series:
    """Why a unit is neither met nor not met, in words."""
    what = str(TABLES["cases"].columns[criterion.index_date].metadata["title"]).lower()
    due = units["day"] + pd.Timedelta(days=criterion.matures_after_days)
    code = units["why"].mask(units["why"] == NOT_YET_DUE, "target not reached yet")
    words = code.map(lambda text: WORDS_FOR_REASONS.get(text, text)).astype(object)
    early = (units["state"] == NOT_YET_DUE) & units["early"].fillna(False).astype(bool)
    words = words.mask(early, "due on " + due.dt.strftime("%Y-%m-%d"))
    words = words.mask(units["day"].isna() & (units["state"] != OUTSIDE), f"no day of {what}")
    unseen = "not recorded"
    if criterion.statistic == "median_time":
        unseen = f"not seen up to the target ({criterion.target:g} {TIMES[criterion.measure][1]})"
    words = words.mask((words == "") & (units["state"] == MISSING), unseen)
    words = words.mask(units["state"] == EXCEPTION, units["excused"])
    return words.mask(units["state"].isin((MET, NOT_MET)), "")
