"""Facts known at surgery as numbers and categories: what Table 1 shows and a regression may use."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from audit.cohort import Cohort
from audit.measures.weight_bearing import number_episodes
from audit.plan.facts import BASELINE, FACTS, Fact
from audit.plan.facts import NUMBER as PLAN_NUMBER
from audit.plan.facts import YES_NO as PLAN_YES_NO
from audit.results.baseline import CATEGORY, NUMBER, YES_NO
from audit.series.case_series import CaseSeries
from audit.series.facts import case_facts
from schemas import TABLES
from schemas.expected import State, state

PATIENT, CASE = "patient", "case"
BOTH_SIDES, SEVERAL_BONES = "both_sides", "several_bones"
YES_AND_NO = {"yes": "Yes", "no": "No"}
#: facts on the unit of analysis, which every Table 1 shows
OF_EPISODES: dict[str, Fact] = {
    name: Fact(name=name, title=title, kind=PLAN_YES_NO, codes=YES_AND_NO)
    for name, title in (
        (BOTH_SIDES, "Both sides in one episode"),
        (SEVERAL_BONES, "More than one bone in one episode"),
    )
}
#: a patient has one of these at the first surgery, whatever the number of bones
BY_PATIENT = ("sex", "aetiology", "age_at_surgery_years")
#: states of `schemas.expected` that are settled on the day of surgery
SETTLED = ("nails", "lengthening nails", "under 18 years", "walking bones")


def fact(name: str) -> Fact:
    """The fact of that name. ValueError names those there are."""
    if name in OF_EPISODES:
        return OF_EPISODES[name]
    if name not in BASELINE:
        listed = ", ".join((*BASELINE, *OF_EPISODES))
        raise ValueError(f"facts known at surgery are {listed}; got {name!r}")
    return FACTS[name]


def kind_of(name: str) -> str:
    """number, yes_no or category."""
    about = fact(name)
    if about.kind == PLAN_NUMBER:
        return NUMBER
    return YES_NO if set(about.codes) == set(YES_AND_NO) else CATEGORY


def unit_of(name: str) -> str:
    """Whether a patient or a case has the fact."""
    return PATIENT if name in BY_PATIENT else CASE


def baseline_facts(series: CaseSeries, names: Sequence[str]) -> pd.DataFrame:
    """Facts of every selected case, one column each, with the index of `series.cases`.

    Numbers and yes/no answers (1 and 0) are float, categories their codes; `unknown` is missing.
    earlier_cases counts all cases of the run that the series was selected from.
    """
    run = series.run
    found = case_facts(run.cohort, run.measured)
    if series.whole is not None and "earlier_cases" in names:
        before = case_facts(series.whole.cohort, series.whole.measured).set_index("case_id")
        found = found.assign(earlier_cases=found["case_id"].map(before["earlier_cases"]))
    columns = {}
    for name in names:
        values = _of_episodes(run.cohort, name) if name in OF_EPISODES else found[fact(name).name]
        if kind_of(name) == YES_NO:
            values = values.map({"yes": 1.0, "no": 0.0})
        columns[name] = values if kind_of(name) == CATEGORY else values.astype(float)
    return pd.DataFrame(columns, index=series.cases.index)


def _of_episodes(cohort: Cohort, name: str) -> pd.Series:
    cases = cohort.cases
    episode = number_episodes(cases, cohort.settings.episode_gap_days)
    if name == BOTH_SIDES:
        several = cases["side"].groupby(episode).transform("nunique") > 1
    else:
        several = cases["case_id"].groupby(episode).transform("size") > 1
    return several.map({True: "yes", False: "no"})


def state_of(name: str) -> State | None:
    """When the fact can be expected, where that is settled at surgery: growth plates are asked of
    those under 18 years. None: in every case."""
    for table in ("cases", "patients"):
        if name in TABLES[table].columns:
            found = TABLES[table].columns[name].metadata["expected"]
            return state(found) if found in SETTLED else None
    return None


def expected_in(cohort: Cohort, name: str) -> pd.Series:
    """True for the cases in which the fact can be expected."""
    found = state_of(name)
    if found is None:
        return pd.Series(True, index=cohort.cases.index)
    return found.holds(cohort.cases, cohort.cutoff).fillna(False).astype(bool)


def level_words(name: str, code: str) -> str:
    """The words for a code of a category; a code without a list stands for itself."""
    return fact(name).codes.get(code, code)
