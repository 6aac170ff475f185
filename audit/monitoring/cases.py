"""The cases a criterion speaks of, one answer each, with the day that puts them in a quarter."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd

from audit.cohort import Cohort
from audit.criteria import EVENTS_OF_RATE, INDEX_DATES, Criterion
from audit.measures.weight_bearing import number_episodes
from audit.results.catalogue import NOT_APPLICABLE, TIMES
from audit.results.times import TOO_LATE, time_table
from audit.standards.units import in_population
from schemas.vocabulary import WALKING_SEGMENTS

#: reasons for a missing value that put a case outside the population
OUTSIDE_REASONS = (*NOT_APPLICABLE, "length_under_10mm")
COLUMNS = ["unit_id", "patient_id", "centre", "day", "surgery_date", "due", "value"]


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Answers:
    """rows: `COLUMNS`, one row a case (a walking episode for a time to full weight bearing) that
    has its index day, in order of that day, ties by unit_id. value: 1 or 0 for yes and no, a
    number, or a count of events; NaN where it is not known. due: enough time has passed to know.
    noun: what a row is. notes: who was left out. reason: why there is no answer at all, or empty.
    """

    rows: pd.DataFrame
    noun: str = "case"
    notes: tuple[str, ...] = ()
    reason: str = ""


def answers_for(cohort: Cohort, measured: pd.DataFrame, criterion: Criterion) -> Answers:
    """The population of a criterion with its answers, of all time up to the cut-off.

    measured: from `measure_cases(cohort)`. A case to which the measure does not apply is not in;
    one whose answer is missing is in, without a value. Accepted exceptions are out, as in the table
    of standards. A median time is turned into yes or no at its target day (see `_by_target_day`).
    """
    if criterion.statistic == "median_time":
        return _by_target_day(cohort, criterion)
    dates = [name for name in INDEX_DATES if name not in measured]
    extra = cohort.cases[["case_id", "age_at_surgery_years", *dates]]
    table = in_population(measured.merge(extra, on="case_id", validate="one_to_one"), criterion)
    table = table.assign(excused=table["case_id"].map(_excused(cohort, criterion)))
    column = criterion.measure
    if criterion.statistic == "rate":
        if column not in EVENTS_OF_RATE:
            known = ", ".join(EVENTS_OF_RATE)
            return Answers(rows=_no_rows(), reason=f"no chart of {column}; rates: {known}")
        column = EVENTS_OF_RATE[column]
    if column not in table:
        return Answers(rows=_no_rows(), reason=f"no measure is called {column}")
    reasons = table.get(f"{column}_reason", pd.Series(pd.NA, index=table.index))
    table = table.loc[~reasons.isin(OUTSIDE_REASONS)]
    early = cohort.cutoff - table[criterion.index_date] < _days(criterion.matures_after_days)
    table = table.assign(
        unit_id=table["case_id"],
        day=table[criterion.index_date],
        due=~early,
        value=table[column].astype("Float64").astype(float),
    )
    table, notes = _without_exceptions(table, criterion)
    return Answers(rows=_rows(table), notes=notes)


def _excused(cohort: Cohort, criterion: Criterion) -> pd.Series:
    """case_id -> words of the accepted exception that holds for it, missing where none does."""
    people = cohort.tables["patients"].set_index("patient_id")["aetiology"]
    cases = cohort.cases.assign(aetiology=cohort.cases["patient_id"].map(people))
    return criterion.excused(cases.set_index("case_id"))


def _without_exceptions(
    table: pd.DataFrame, criterion: Criterion
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """(the units that count, how many accepted exceptions do not).

    As in the table of standards: an exception takes a miss out of a share, but out of a mean, rate
    or time every unit for which it holds, as taking out only misses would bend the average.
    """
    out = table["excused"].notna()
    if criterion.statistic == "proportion":
        out &= table["value"] == (0 if criterion.direction == "at_least" else 1)
    notes = (f"accepted exceptions of all time, left out: {int(out.sum())}",) if out.any() else ()
    return table.loc[~out], notes


def _by_target_day(cohort: Cohort, criterion: Criterion) -> Answers:
    """Whether each unit had the event by the target day, from a table of times.

    Yes: seen with it by that day. No: seen without it on or after that day, or made impossible
    before it (death, amputation). Not known: last seen without it before that day. Due once the
    target day lies on or before the cut-off. Taken over in mid-treatment: left out, as one who
    had the event before arriving would never have come.
    """
    name = criterion.measure
    if name not in TIMES or TIMES[name][1] != "days":
        return Answers(rows=_no_rows(), reason=f"{name} is no time in days, so has no target day")
    table = _with_unit(cohort, criterion, time_table(cohort, name))
    table = in_population(table, criterion)
    table = table.loc[~table["reason"].isin(OUTSIDE_REASONS)]
    taken_over = (table["entry"] > 0) | (table["reason"] == TOO_LATE)
    left_out = int(taken_over.sum())
    table = table.loc[~taken_over]
    day = criterion.target
    by_then = table["duration"] <= day
    yes = table["observed"] & by_then
    impossible = table["ended"].astype(float) <= day
    no = ((table["duration"] >= day) & ~yes) | impossible
    value = pd.Series(np.select([yes, no], [1.0, 0.0], np.nan), index=table.index)
    table = table.assign(
        day=table["surgery_date"],
        due=table["surgery_date"] + _days(day) <= cohort.cutoff,
        value=value.mask(table["reason"].notna()),
    )
    table, excused = _without_exceptions(table, criterion)
    notes = [f"taken over in mid-treatment, left out: {left_out}"] if left_out else []
    if impossible[table.index].any():
        count = int(impossible[table.index].sum())
        notes.append(f"death or amputation by then, counted as no: {count}")
    return Answers(rows=_rows(table), noun=TIMES[name][2], notes=(*notes, *excused))


def _with_unit(cohort: Cohort, criterion: Criterion, table: pd.DataFrame) -> pd.DataFrame:
    """The table with the id and age of each unit and the exception that holds for any of its
    cases; the age of an episode is that at its first surgery."""
    cases = cohort.cases.set_index("case_id", drop=False).rename_axis(None)
    facts = cases[["age_at_surgery_years"]].assign(excused=_excused(cohort, criterion))
    if "case_id" in table:
        own = facts.loc[table["case_id"]].set_axis(table.index)
        return table.assign(unit_id=table["case_id"], **own)
    walks = cases.loc[cases["segment"].isin(WALKING_SEGMENTS)]
    episode = number_episodes(walks, cohort.settings.episode_gap_days)
    groups = facts.loc[episode.index].groupby(episode.to_numpy())
    return table.assign(
        unit_id="E" + table["episode"].astype(int).astype(str).str.zfill(5),
        age_at_surgery_years=table["episode"].map(groups["age_at_surgery_years"].min()),
        excused=table["episode"].map(groups["excused"].first()),
    )


def _days(count: float) -> pd.Timedelta:
    return pd.Timedelta(days=count)


def _rows(table: pd.DataFrame) -> pd.DataFrame:
    known = table.loc[table["day"].notna(), COLUMNS]
    return known.sort_values(["day", "unit_id"], kind="stable", ignore_index=True)


def _no_rows() -> pd.DataFrame:
    dates = {name: pd.Series(dtype="datetime64[ns]") for name in ("day", "surgery_date")}
    kinds = {"due": pd.Series(dtype=bool), "value": pd.Series(dtype=float)}
    texts = {name: pd.Series(dtype=object) for name in COLUMNS}
    return pd.DataFrame(texts | dates | kinds)[COLUMNS]
