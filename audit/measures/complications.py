"""What went wrong, how often, and how badly?"""

from __future__ import annotations

import pandas as pd

from audit.cohort import Cohort
from audit.measures.common import DAYS_PER_MONTH, days_between, with_case
from schemas import vocabulary

#: column of the complications table -> the code list that splits the counts
SPLITS: dict[str, str] = {
    "origin": "origin",
    "course_class": "course_class",
    "severity_type": "severity_type",
}
NOT_RECORDED = "not_recorded"
#: count of events of so severe a type (Black 2015) -> the types it takes
SEVERE: dict[str, tuple[str, ...]] = {
    "complication_events_type_ii_or_worse": ("II", "IIIA", "IIIB"),
    "complication_events_type_iii": ("IIIA", "IIIB"),
    "complication_events_type_iiib": ("IIIB",),
}
UNGRADED = "severity_not_recorded"


def complication_measures(cohort: Cohort) -> pd.DataFrame:
    """Counts of events, one row a case (index: case_id); a case without events has 0.

    complication_events, unplanned_operations (events that led to one), and the events by origin,
    course class and severity type (`complication_events_<column>_<code>`; `_not_recorded` for
    events without the code). The counts of `SEVERE` are missing where an event of the case has no
    severity type (reason `severity_not_recorded`): it could be one of them. follow_up_months:
    months under observation (from arrival, else surgery, to the end of follow-up);
    events_in_follow_up: events in them, and split likewise. All counts are missing when the source
    has no complications table: nothing is known then, not zero.
    """
    cases = cohort.cases.set_index("case_id")
    events = with_case(cohort.tables["complications"], cohort.cases, "entry_date")
    out = pd.DataFrame(index=cases.index)
    out["follow_up_months"] = (
        days_between(cases["follow_up_end"], cases["entry_date"]) / DAYS_PER_MONTH
    ).clip(lower=0)
    under_observation = events["occurred_on"] >= events["entry_date"]
    columns = {
        "complication_events": events,
        "unplanned_operations": events.loc[events["unplanned_operation"] == "yes"],
        "events_in_follow_up": events.loc[under_observation],
    }
    for column, codes in SPLITS.items():
        for code in (*vocabulary.codes(codes), NOT_RECORDED):
            of_code = events[column].isna() if code == NOT_RECORDED else events[column] == code
            columns[f"complication_events_{column}_{code}"] = events.loc[of_code]
            seen = events.loc[of_code & under_observation]
            columns[f"events_in_follow_up_{column}_{code}"] = seen
    columns |= {name: events.loc[events["severity_type"].isin(of)] for name, of in SEVERE.items()}
    for name, chosen in columns.items():
        counts = chosen.groupby("case_id").size().reindex(cases.index, fill_value=0)
        out[name] = counts.astype(float)
    ungraded = out[f"complication_events_severity_type_{NOT_RECORDED}"] > 0
    for name in SEVERE:
        out[name] = out[name].mask(ungraded)
        out[f"{name}_reason"] = pd.Series(pd.NA, index=out.index, dtype=object).mask(
            ungraded, UNGRADED
        )
    if "complications" not in cohort.given:
        out[list(columns)] = float("nan")
        out[[f"{name}_reason" for name in SEVERE]] = "inputs_missing"
    return out
