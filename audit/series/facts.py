"""The facts of every case that a plan may name, in one table."""

from __future__ import annotations

import pandas as pd

from audit.cohort import Cohort
from audit.measures.common import days_between
from audit.plan import FACTS

_YES_NO = {True: "yes", False: "no"}


def case_facts(cohort: Cohort, measured: pd.DataFrame) -> pd.DataFrame:
    """One row a case, in the order of `cohort.cases`: case_id and a column for each of `FACTS`.

    measured: from `measure_cases(cohort)`. Codes as in the tables (a code "unknown" is missing),
    yes/no facts as "yes" and "no", days as datetime64, numbers in the unit of their fact; missing
    where not recorded. earlier_cases: cases of the patient in the cohort operated on an earlier
    day. possible_follow_up_days: from surgery to the cut-off, whatever became of the case.
    follow_up_days: from surgery to the end of follow-up.
    """
    cases = cohort.cases
    patients = cohort.tables["patients"].set_index("patient_id")
    by_case = measured.set_index("case_id").reindex(cases["case_id"])
    late = days_between(cases["entry_date"], cases["surgery_date"])
    last = pd.Series(cohort.cutoff, index=cases.index)
    derived = {
        "sex": cases["patient_id"].map(patients["sex"]),
        "aetiology": cases["patient_id"].map(patients["aetiology"]),
        "earlier_cases": _earlier(cases),
        "taken_over": (late > 0).map(_YES_NO),
        "possible_follow_up_days": days_between(last, cases["surgery_date"]),
        "follow_up_days": days_between(cases["follow_up_end"], cases["surgery_date"]),
    }
    columns = {}
    for name, fact in FACTS.items():
        if name in derived:
            values = derived[name]
        elif name in cases:
            values = cases[name]
        else:
            values = by_case[name].set_axis(cases.index)
        if fact.kind == "yes_no" and name not in derived:
            values = values.map(_YES_NO)
        if "unknown" in fact.codes:
            values = values.mask(values == "unknown")
        columns[name] = values
    return pd.DataFrame(columns, index=cases.index)


def _earlier(cases: pd.DataFrame) -> pd.Series:
    """Cases of the same patient operated on an earlier day: two of one day both have none."""
    rank = cases.groupby("patient_id")["surgery_date"].rank(method="min")
    return rank - 1
