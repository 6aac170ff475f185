"""Facts of a case that stand in other tables, and when they can be expected by."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import pandas as pd

from audit.cohort import Cohort
from audit.measures.common import with_case
from audit.quality.choices import COMMON, QualityChoices
from audit.wind_back import latest_fact_by_case
from schemas.expected import LEGS, last_day_in_treatment, treated_longer_than
from schemas.vocabulary import WALKING_SEGMENTS

#: rows that are contacts with the patient (a home session is none)
CONTACTS = ("cases", "radiographs", "joint_motion", "weight_bearing", "complications")


@dataclasses.dataclass(frozen=True, kw_only=True)
class Fact:
    """A fact that a case should have in another table.

    expected, found: (cohort, choices) -> True for each case, index case_id. words: the cases in
    which it can be expected, to follow "expected in".
    """

    name: str
    table: str
    title: str
    words: str
    expected: Callable[[Cohort, QualityChoices], pd.Series]
    found: Callable[[Cohort, QualityChoices], pd.Series]
    source: str = COMMON


def facts(choices: QualityChoices) -> tuple[Fact, ...]:
    """The facts looked for, in the order of a treatment."""
    settled, film = choices.settled_days, choices.film_days
    return (
        Fact(
            name="baseline_knee",
            table="joint_motion",
            title="Knee examination before surgery",
            words="cases of femur or tibia, but for those taken over in mid-treatment",
            expected=_leg_from_the_start,
            found=lambda cohort, _: _has(_knees(cohort, before=True), cohort),
        ),
        Fact(
            name="films_in_distraction",
            table="radiographs",
            title="Film with its length during distraction",
            words=f"cases whose distraction lasted {film} days or more, but for those taken over",
            expected=_lengthened_long_enough,
            found=lambda cohort, _: _has(_films_in_distraction(cohort), cohort),
        ),
        Fact(
            name="loads_after_surgery",
            table="weight_bearing",
            title="Assessment of loading after surgery",
            words=f"cases on a bone that is walked on, treated for over {settled} days",
            expected=_walking_settled,
            found=lambda cohort, _: _has(_loads_after(cohort), cohort),
        ),
        Fact(
            name="knee_after_surgery",
            table="joint_motion",
            title="Knee examination after surgery",
            words=f"cases of femur or tibia treated for over {settled} days",
            expected=_leg_settled,
            found=lambda cohort, _: _has(_knees(cohort, before=False), cohort),
        ),
        Fact(
            name="recent_contact",
            table="cases",
            title=f"Seen in the last {choices.contact_days} days",
            words="cases in treatment at the cut-off",
            expected=contact_known,
            found=lambda cohort, choices: days_since_contact(cohort) <= choices.contact_days,
        ),
    )


def _cases(cohort: Cohort) -> pd.DataFrame:
    return cohort.cases.set_index("case_id")


def _has(rows: pd.DataFrame, cohort: Cohort) -> pd.Series:
    index = pd.Index(cohort.cases["case_id"], name="case_id")
    return pd.Series(index.isin(rows["case_id"]), index=index)


def _knees(cohort: Cohort, *, before: bool) -> pd.DataFrame:
    knees = cohort.tables["joint_motion"]
    knees = knees.loc[(knees["joint"] == "knee") & knees["flexion_deg"].notna()]
    knees = with_case(knees, cohort.cases, "surgery_date")
    early = knees["examined_on"] <= knees["surgery_date"]
    return knees.loc[early if before else ~early]


def _films_in_distraction(cohort: Cohort) -> pd.DataFrame:
    films = cohort.tables["radiographs"]
    films = with_case(
        films.loc[films["gain_mm"].notna()],
        cohort.cases,
        "distraction_start_date",
        "distraction_end_date",
    )
    over = films["taken_on"] > films["distraction_end_date"]
    return films.loc[(films["taken_on"] >= films["distraction_start_date"]) & ~over]


def _loads_after(cohort: Cohort) -> pd.DataFrame:
    loads = with_case(cohort.tables["weight_bearing"], cohort.cases, "surgery_date")
    return loads.loc[loads["assessed_on"] > loads["surgery_date"]]


def _from_the_start(cases: pd.DataFrame) -> pd.Series:
    """True for cases operated under this service, not taken over later."""
    return ~(cases["arrival_date"] > cases["surgery_date"])


def _leg_from_the_start(cohort: Cohort, choices: QualityChoices) -> pd.Series:
    cases = _cases(cohort)
    return cases["segment"].isin(LEGS) & _from_the_start(cases)


def _lengthened_long_enough(cohort: Cohort, choices: QualityChoices) -> pd.Series:
    cases = _cases(cohort)
    until = cases["distraction_end_date"].fillna(last_day_in_treatment(cases, cohort.cutoff))
    lasted = until - cases["distraction_start_date"]
    return (lasted >= pd.Timedelta(days=choices.film_days)) & _from_the_start(cases)


def _leg_settled(cohort: Cohort, choices: QualityChoices) -> pd.Series:
    cases = _cases(cohort)
    settled = treated_longer_than(cases, choices.settled_days, cohort.cutoff)
    return cases["segment"].isin(LEGS) & settled


def _walking_settled(cohort: Cohort, choices: QualityChoices) -> pd.Series:
    cases = _cases(cohort)
    settled = treated_longer_than(cases, choices.settled_days, cohort.cutoff)
    return cases["segment"].isin(WALKING_SEGMENTS) & settled


def contact_known(cohort: Cohort, choices: QualityChoices) -> pd.Series:
    """True for cases in treatment of which can be told whether they were seen of late.

    Where the last follow-up came after the cut-off and no dated fact shows a contact in the last
    `contact_days` before it, a visit may have left no other trace.
    """
    cases = _cases(cohort)
    later = cases["row"].isin(cohort.emptied.get(("cases", "last_follow_up_date"), frozenset()))
    untold = later & ~(days_since_contact(cohort) <= choices.contact_days)
    return cases["outcome_status"].isin(["in_treatment"]) & ~untold


def last_contact(cohort: Cohort) -> pd.Series:
    """Last day on which each case was seen, up to the cut-off (index case_id): last follow-up or
    the latest dated fact of a visit. Sessions at home are no contact."""
    visits = {name: cohort.tables[name] for name in CONTACTS}
    index = pd.Index(cohort.cases["case_id"], name="case_id")
    return latest_fact_by_case(visits).reindex(index).astype("datetime64[ns]")


def days_since_contact(cohort: Cohort) -> pd.Series:
    """Days from the last contact to the cut-off (index case_id)."""
    return (cohort.cutoff - last_contact(cohort)) / pd.Timedelta(days=1)
