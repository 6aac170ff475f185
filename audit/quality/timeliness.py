"""Timeliness: how old the extract is, who has not been seen, how far apart the visits are.

The contract has no day of entry, so the lag from an event to its entry is not assessed (standards
1.5, item 6 asks for it), and says so.
"""

from __future__ import annotations

import dataclasses

import pandas as pd

from audit.estimates.averages import median
from audit.estimates.estimate import Estimate
from audit.measures.common import with_case
from audit.quality.choices import QualityChoices
from audit.quality.facts import contact_known, days_since_contact
from audit.quality.ground import Ground, share, usable_rows
from audit.wind_back import dated_facts
from schemas.expected import last_day_in_treatment

LAG = "not assessed: the tables hold no day of entry"
VISITS = {
    "radiographs": "taken_on",
    "joint_motion": "examined_on",
    "weight_bearing": "assessed_on",
}


def newest_facts(ground: Ground) -> pd.DataFrame:
    """Age of the extract, a row a table and centre ("all" first): table, centre, rows, newest, age.

    Over usable rows; newest: the last dated fact on or before the cut-off; age: days from it to
    the cut-off. Tables without dates and tables that the source does not have are left out.
    """
    cohort = ground.cohort
    centre_of = cohort.cases.set_index("case_id")["centre"]
    rows = []
    for table, frame in cohort.tables.items():
        facts = dated_facts({table: frame})
        if facts.empty:
            continue
        rows.append(_newest(table, "all", len(frame), facts["day"], cohort.cutoff))
        if "case_id" not in frame or centre_of.nunique() < 2:
            continue
        centres = frame["case_id"].map(centre_of)
        for centre, part in facts.groupby(facts["case_id"].map(centre_of)):
            held = int((centres == centre).sum())
            rows.append(_newest(table, str(centre), held, part["day"], cohort.cutoff))
    return pd.DataFrame(rows, columns=["table", "centre", "rows", "newest", "age"])


def _newest(
    table: str, centre: str, rows: int, days: pd.Series, cutoff: pd.Timestamp
) -> tuple[str, str, int, pd.Timestamp, int]:
    newest = days.max()
    return table, centre, rows, newest, int((cutoff - newest) / pd.Timedelta(days=1))


def contact_estimates(ground: Ground, choices: QualityChoices) -> dict[str, Estimate]:
    """What can be said of contacts: words -> Estimate.

    The share of cases in treatment not seen for more than `contact_days` (missing: cases of which
    that cannot be told at this cut-off), the median days since the last contact of cases in
    treatment, and the median over cases of their median gap between visits.
    """
    cohort = ground.cohort
    level = cohort.settings.level
    status = cohort.cases.set_index("case_id")["outcome_status"]
    waiting = status.isin(["in_treatment"])
    told = contact_known(cohort, choices)
    since = days_since_contact(cohort)
    stale = int((told & ~(since <= choices.contact_days)).sum())
    about = share(stale, int(told.sum()), level=level, none="no case is in treatment")
    gaps = visit_gaps(ground)
    return {
        f"in treatment, not seen for over {choices.contact_days} days": _with_missing(
            about, int((waiting & ~told).sum())
        ),
        "days since the last contact, cases in treatment": median(
            since[told].to_numpy(dtype=float), level=level, unit="days"
        ),
        "days between visits under treatment, median of the cases' medians": median(
            gaps.to_numpy(dtype=float), level=level, unit="days"
        ),
    }


def _with_missing(estimate: Estimate, missing: int) -> Estimate:
    return dataclasses.replace(estimate, missing=missing)


def stale_cases(ground: Ground, choices: QualityChoices) -> pd.DataFrame:
    """Cases in treatment not seen for more than `contact_days`, longest first: case_id,
    surgery_date, last_contact, days."""
    cohort = ground.cohort
    since = days_since_contact(cohort)
    stale = contact_known(cohort, choices) & ~(since <= choices.contact_days)
    days = since[stale].rename("days").reset_index()
    found = days.merge(cohort.cases[["case_id", "surgery_date"]], on="case_id")
    found["last_contact"] = cohort.cutoff - pd.to_timedelta(found["days"], unit="D")
    found = found.sort_values(["days", "case_id"], ascending=[False, True])
    return found[["case_id", "surgery_date", "last_contact", "days"]].reset_index(drop=True)


def visit_gaps(ground: Ground) -> pd.Series:
    """Median days between the visits of each case under treatment (index case_id; missing under
    two visits). A visit: a day with a film, an examination or an assessment, after surgery."""
    cohort = ground.cohort
    cases = cohort.cases.set_index("case_id", drop=False).rename_axis(None)
    until = last_day_in_treatment(cases, cohort.cutoff)
    days = pd.concat(
        [
            usable_rows(ground, table)[["case_id", column]].set_axis(["case_id", "day"], axis=1)
            for table, column in VISITS.items()
        ],
        ignore_index=True,
    ).drop_duplicates()
    days = with_case(days, cohort.cases, "surgery_date")
    end = days["case_id"].map(until).astype("datetime64[ns]")
    days = days.loc[(days["day"] > days["surgery_date"]) & (days["day"] <= end)]
    days = days.sort_values(["case_id", "day"])
    gap = days.groupby("case_id")["day"].diff() / pd.Timedelta(days=1)
    index = pd.Index(cohort.cases["case_id"], name="case_id")
    return gap.groupby(days["case_id"]).median().reindex(index)
